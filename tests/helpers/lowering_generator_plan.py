"""What happens in a lowering: drawn values, and the schedules made of them.

Comes in: a method, options, a random generator. Goes out: a :class:`Draw` and the
:class:`Schedule` of one lowering. Must not: know the reader, or measure.

Part of the generator of lowerings with known truth; FROZEN, see ``lowering_generator``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from lowering_generator_motion import Contact, FloatArray, G, RopePath, Run, Schedule, run

COARSE_S = 1.0 / 400.0
FINE_S = 1.0 / 2000.0
DROPS = ("snubbed_drop", "let_run_drop")
NEVER = 1.0e12


@dataclass(frozen=True, slots=True)
class Draw:
    """Everything drawn for one lowering before it is played."""

    method: str
    options: frozenset[str]
    path: RopePath
    start_m: tuple[float, float]
    share: float
    drop_m: float
    slack_s: float
    stroke_s: tuple[float, ...]
    release_s: float
    release_end_s: float
    lowering_s: float
    speed_m_per_s: float
    way_m: float
    ground_y_m: float
    end_s: float
    react_s: float
    brake_n: float
    pauses: tuple[tuple[float, float, str], ...]
    fall_angle_rad: float


def _rope(rng: np.random.Generator, method: str) -> tuple[RopePath, tuple[float, float], float]:
    """Rig and the place of the piece; drop is how far it falls before the rope is taut."""
    weight = float(np.exp(rng.uniform(np.log(350.0), np.log(6000.0))))
    ea = float(np.exp(rng.uniform(np.log(60e3), np.log(220e3))))
    eta = float(rng.uniform(0.86, 0.96))
    fall = float(rng.uniform(8.0, 18.0))
    zeta = float(rng.uniform(0.06, 0.12) if method in DROPS else rng.uniform(0.03, 0.11))
    drop = 0.0
    if method == "span_rig":
        b_x, b_y = float(rng.uniform(5.0, 9.0)), float(rng.uniform(-0.5, 1.0))
        x = b_x * float(rng.uniform(0.4, 0.6))
        y = b_x * float(rng.uniform(0.35, 0.8)) + max(b_y, 0.0)
        lead, stand = float(np.hypot(x, y)), float(np.hypot(b_x - x, b_y - y))
    elif method in DROPS:
        lead = float(rng.uniform(0.5, 1.6))
        above = lead * float(rng.uniform(0.6, 0.97))
        x, y = 0.12, -above
        drop = lead + above
    elif method == "swing":
        lead, angle = float(rng.uniform(4.0, 9.0)), float(rng.uniform(0.45, 1.15))
        x, y = lead * np.sin(angle), lead * np.cos(angle)
    else:
        lead = float(rng.uniform(2.0, 8.0))
        x = lead * float(rng.uniform(0.0, 0.05))
        y = float(np.sqrt(lead**2 - x**2))
    mass = weight / G
    tau = 2.0 * zeta / np.sqrt(ea / lead / mass)
    path = RopePath(weight, ea, float(tau), lead, fall, eta)
    if method == "span_rig":
        tau = 2.0 * zeta / np.sqrt(ea / (lead + stand) * 3.0 / mass)
        eta_p = float(rng.uniform(0.88, 0.97))
        path = replace(
            path, tau_s=float(tau), eta_piece=eta_p, standing_m=stand, b_x_m=b_x, b_y_m=b_y
        )
    return path, (float(x), float(y)), drop


def _release_s(rng: np.random.Generator, options: frozenset[str]) -> float:
    if "staged" in options:
        return float(rng.uniform(0.8, 2.2))
    if "gradual" in options:
        return float(rng.uniform(2.0, 5.0))
    return float(rng.uniform(0.01, 0.06))


def _share(rng: np.random.Generator, method: str, options: frozenset[str]) -> float:
    if method in DROPS:
        return 0.0
    if "share_1.25" in options:
        return 1.25
    if "balanced" in options:
        return float(rng.uniform(0.97, 1.03))
    if method == "swing":
        return float(rng.uniform(0.2, 0.8))
    return float(rng.uniform(1.08, 1.3) if rng.random() < 0.12 else rng.uniform(0.25, 0.92))


def draw(rng: np.random.Generator, method: str, options: frozenset[str]) -> Draw:
    """Draw rig, times and habits of one lowering."""
    path, start, drop = _rope(rng, method)
    share = _share(rng, method, options)
    slack = float(rng.uniform(2.0, 4.5))
    strokes: list[float] = []
    at = slack
    if method not in DROPS:
        for _ in range(int(rng.integers(2, 8))):
            strokes.append(at)
            at += float(rng.uniform(1.1, 2.4))
        at += float(rng.uniform(3.0, 12.0))
    release = at
    release_end = release + (_release_s(rng, options) if method not in DROPS else 0.02)
    hold = float(rng.uniform(3.5, 9.0)) + (4.0 if method == "swing" else 4.0 * (method in DROPS))
    if rng.random() < 0.1:
        hold = float(rng.uniform(2.0, 3.0))
    lowering = release_end + hold
    speed, way = float(rng.uniform(0.25, 0.8)), float(rng.uniform(1.8, 5.0))
    pauses: list[tuple[float, float, str]] = []
    wanted = [
        (0.5, "jerk", 0.3, 0.9),
        (0.5, "jerk", 0.3, 0.9),
        (0.25, "regrip", 0.2, 0.35),
        (0.2, "wraps", 2.0, 4.0),
    ]
    places = np.linspace(0.2, 0.75, len(wanted)) + rng.uniform(-0.05, 0.05, len(wanted))
    for place, (chance, kind, low, high) in zip(rng.permutation(places), wanted, strict=True):
        length = float(rng.uniform(low, high))
        if rng.random() < chance:
            pauses.append((float(place), length, kind))
    pauses.sort()
    weight = path.weight_n
    rest = start[1] if method not in (*DROPS, "swing") else path.lead_m
    react, brake = float(rng.uniform(0.25, 0.5)), weight * float(rng.uniform(1.7, 2.6))
    if method == "let_run_drop":
        v = np.sqrt(2 * G * drop) + G * react
        rest += float(drop and v * react + v**2 / (2 * G * (brake / weight - 1.0)))
    ground = rest + 0.4 + way
    end = lowering + (4.0 * way + 2.0) / speed + sum(p[1] for p in pauses) + 10.0
    return Draw(
        method, options, path, start, share, drop, slack, tuple(strokes), release, release_end,
        lowering, speed, way, ground, end, react, brake, tuple(pauses), float(rng.uniform(0.08, 0.35)),
    )  # fmt: skip


def contacts(rng: np.random.Generator, d: Draw) -> tuple[Contact, ...]:
    """Ground, and what else the options put in the way."""
    w = d.path.weight_n
    k = w / G * 60.0**2
    out = [Contact("ground", d.ground_y_m, 1e9, 1e12, k, 0.7 * 2.0 * w / G * 60.0)]
    top = d.ground_y_m - d.way_m
    at = top + d.way_m * float(rng.uniform(0.3, 0.6))
    soft = w / 0.04
    if "stem" in d.options:
        deep = float(rng.uniform(0.05, 0.15))
        out.append(Contact("ledge", at, at + deep, w * float(rng.uniform(0.3, 0.7)), soft, 0.3 * w))
    if "roof" in d.options:
        deep = float(rng.uniform(0.15, 0.35))
        out.append(
            Contact("ledge", at, at + deep, w * float(rng.uniform(0.75, 0.95)), soft, 0.5 * w)
        )
    if "brush" in d.options:
        deep = float(rng.uniform(0.8, 1.5))
        out.append(Contact("brush", at, at + deep, w * float(rng.uniform(0.2, 0.4)), 0.0))
    if "tip_first" in d.options:
        high = float(rng.uniform(0.4, 1.0))
        out.append(Contact("tip", d.ground_y_m - high, 1e9, 0.5 * w, w / 0.1, 0.2 * w))
    return tuple(out)


def _grid(d: Draw) -> FloatArray:
    start = d.release_s - 0.1
    return np.concatenate(
        [np.arange(0.0, start, COARSE_S), np.arange(start + FINE_S, d.end_s, FINE_S)]
    )


def _stroke_pay(rng: np.random.Generator, d: Draw, t: FloatArray, pull_m: float) -> FloatArray:
    """A ramp per stroke, a fall-back on the pawl, then creep; ends at about ``pull_m``."""
    slack = float(rng.uniform(0.03, 0.12))
    pay = np.full_like(t, slack)
    sizes = rng.uniform(0.7, 1.3, len(d.stroke_s))
    sizes *= 1.0 / sizes.sum()
    for j, (at, size) in enumerate(zip(d.stroke_s, sizes, strict=True)):
        step = size * pull_m + (slack if j == 0 else 0.0)
        back = float(rng.uniform(0.04, 0.15)) * size * pull_m
        rise = float(rng.uniform(0.25, 0.6))
        pay -= (step + back) * np.clip((t - at) / rise, 0.0, 1.0)
        pay += back * np.clip((t - at - rise - 0.1) / 0.15, 0.0, 1.0)
    creep = float(rng.uniform(0.003, 0.012)) * pull_m
    return pay + creep * np.log1p(np.clip(t - d.stroke_s[-1], 0.0, None) / 0.5)


def _lower_pay(d: Draw, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rope let out by hand: a start, halts that brake in about a tenth of a second, an end."""
    marks: list[tuple[float, float]] = [(d.lowering_s, 0.0), (d.lowering_s + 0.8, d.speed_m_per_s)]
    at, gone = d.lowering_s + 0.8, 0.4 * d.speed_m_per_s
    for place, length, kind in d.pauses:
        wait = max(place * d.way_m - gone, 0.5 * d.speed_m_per_s) / d.speed_m_per_s
        at, gone = at + wait, gone + wait * d.speed_m_per_s
        top = d.speed_m_per_s * (1.8 if kind == "regrip" else 1.0)
        brake = 0.15 if kind == "wraps" else 0.08
        marks += [
            (at, d.speed_m_per_s),
            (at + 0.04, top),
            (at + 0.12, top),
            (at + 0.12 + brake, 0.0),
        ]
        marks += [(at + 0.12 + brake + length, 0.0), (at + 0.62 + brake + length, d.speed_m_per_s)]
        at += 0.62 + brake + length
        gone += top * (0.12 + brake / 2) + 0.25 * d.speed_m_per_s
    at = max(at + 1.0, d.end_s - 1.0)
    marks += [(at, d.speed_m_per_s), (at + 0.3, 0.0)]
    times, speeds = np.array(marks).T
    speed = np.interp(t, times, speeds, left=0.0, right=0.0)
    way = np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))
    return np.concatenate([[0.0], way]), speed


def _hinge(rng: np.random.Generator, d: Draw, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    part = np.clip((t - d.release_s) / (d.release_end_s - d.release_s), 0.0, 1.0)
    if "gradual" in d.options:
        part = 0.5 - 0.5 * np.cos(np.pi * part)
    if "staged" in d.options:
        cuts = np.array([0.0, float(rng.uniform(0.35, 0.6)), 1.0])
        sizes = np.array([float(rng.uniform(0.2, 0.4)), float(rng.uniform(0.2, 0.35))])
        sizes = np.append(sizes, 1.0 - sizes.sum())
        span = d.release_end_s - d.release_s - 0.03
        rise = np.clip((t[:, None] - d.release_s - cuts * span) / 0.03, 0.0, 1.0)
        part = rise @ sizes
    left = np.clip(1.0 - part, 0.0, 1.0)
    damping = np.where(left > 0.0, 0.25 if d.release_end_s - d.release_s > 0.1 else 0.0, 0.0)
    return left, damping


def _device(rng: np.random.Generator, d: Draw, t: FloatArray, hold: float) -> FloatArray:
    limit = np.full_like(t, hold if d.method in DROPS else NEVER)
    if d.method == "let_run_drop":
        taut = d.release_s + np.sqrt(2.0 * d.drop_m / G)
        v = np.sqrt(2.0 * G * d.drop_m) + G * d.react_s
        stop = taut + d.react_s + v / (G * (d.brake_n / d.path.weight_n - 1.0))
        marks = [taut + d.react_s, taut + d.react_s + 0.2, stop + 1.0, stop + 1.5]
        low = 0.06 * d.path.weight_n
        limit = 1.0 + 0.06 * wander(rng, t, 0.3, 1.5)
        limit *= np.interp(t, marks, [low, d.path.eta * d.brake_n, d.path.eta * d.brake_n, hold])
    limit[t > d.lowering_s - 0.1] = NEVER
    return limit


def wander(rng: np.random.Generator, t: FloatArray, low_s: float, high_s: float) -> FloatArray:
    """Sum of slow sines of unit standard deviation."""
    out = np.zeros_like(t)
    for _ in range(6):
        out += np.sin(2 * np.pi * (t / rng.uniform(low_s, high_s) + rng.random()))
    return np.asarray(out / np.sqrt(3.0))


def pull_for(d: Draw) -> float:
    """Rope to winch in for the share drawn, with the piece held; by bisection."""
    low, high = 0.0, 2.0
    n = 60
    t = np.linspace(0.0, 1.18, n)
    ones, no = np.ones(n), np.zeros(n)
    for _ in range(30):
        pull = 0.5 * (low + high)
        plan = Schedule(
            t, ones > 0, ones * d.start_m[1], ones, no, -pull * t / t[-1], no, ones * NEVER, no, no
        )
        last = run(replace(d.path, tau_s=0.0), plan, d.start_m)
        if lift_n(d.path, last)[-1] < d.share * d.path.weight_n:
            low = pull
        else:
            high = pull
    return 0.5 * (low + high)


def lift_n(path: RopePath, r: Run) -> FloatArray:
    """Vertical force of the rope on the piece."""
    out = r.lead_n * r.y_m / np.hypot(r.x_m, r.y_m)
    if path.standing_m > 0.0:
        dx, dy = r.x_m - path.b_x_m, r.y_m - path.b_y_m
        out = out + r.standing_n * dy / np.hypot(dx, dy)
    return np.asarray(out)


def schedule(rng: np.random.Generator, d: Draw) -> Schedule:
    """Schedules of one lowering on its grid of time."""
    t = _grid(d)
    w = d.path.weight_n
    held = t < d.release_s
    left, damping = _hinge(rng, d, t)
    pay, speed = _lower_pay(d, t)
    y = np.full_like(t, d.start_m[1])
    if d.method not in DROPS:
        pull = pull_for(d)
        pay = pay + _stroke_pay(rng, d, t, pull)
        relief = float(rng.uniform(0.0, 0.04)) * pull
        give = pull * d.path.lead_m / (d.path.lead_m + d.path.fall_m)
        creep = float(rng.uniform(0.003, 0.012)) * give
        y -= creep * np.log1p(np.clip(t - d.stroke_s[-1] - 0.5, 0.0, None) / 0.5)
        y += relief * np.clip((t - d.release_s + 2.5) / 2.4, 0.0, 1.0)
    else:
        left = np.zeros_like(t)
    wind = 0.02 if "wind" in d.options else float(rng.uniform(0.0005, 0.002))
    gust = w * wind * wander(rng, t, 3.0, 8.0)
    side = 0.5 * w * wind * wander(rng, t, 3.0, 8.0)
    if "tag_line" in d.options:
        tag = w * float(rng.uniform(0.08, 0.2)) / np.sqrt(2.0)
        on = np.clip((t - d.release_end_s - 0.5) / 0.8, 0.0, 1.0)
        gust, side = gust + tag * on, side + tag * on
    hold = w * float(rng.uniform(1.8, 4.0))
    return Schedule(t, held, y, left, damping, pay, speed, _device(rng, d, t, hold), side, gust)
