"""What happens in a lowering of the wide set: rig, times, habits, and their schedules.

Comes in: a method, options, a random generator. Goes out: a :class:`WideDraw` and the
:class:`Schedule` made of it. Must not: know the reader, or measure.

A development set: see ``lowering_generator_wide``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from lowering_generator_motion import FloatArray, G, RopePath, Schedule
from lowering_generator_plan import (
    DROPS,
    Draw,
    _device,
    _grid,
    _stroke_pay,
    pull_for,
    wander,
)

SPAN = "span_rig"
_MOST_PULL_M = 1.6
"""The winch's bisection looks up to 2 m of pull."""


@dataclass(frozen=True, slots=True)
class WideDraw(Draw):
    """What the frozen draw has no room for.

    Parameters
    ----------
    ease_s : float
        The lowering gets to its speed over this time.
    stages : int
        Stages of the hinge.
    wind_share, tag_share : float
        Gusts (one standard deviation) and the tag line's pull, by weight.
    again_s, again_m : float
        A second pull of the winch while the piece hangs: when, and how much rope.
    """

    ease_s: float = 0.8
    stages: int = 1
    wind_share: float = 0.0
    tag_share: float = 0.0
    again_s: float = 0.0
    again_m: float = 0.0


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    return float(rng.uniform(low, high))


def _spread(rng: np.random.Generator, low: float, high: float) -> float:
    """Drawn evenly by ratio."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _start(
    rng: np.random.Generator, method: str
) -> tuple[float, float, float, float, float, float]:
    """Place of the piece, rope to it, standing leg's anchor; 0 where there is none."""
    if method == SPAN:
        b_x, b_y = _between(rng, 4.0, 14.0), _between(rng, -1.0, 1.5)
        x = b_x * _between(rng, 0.3, 0.7)
        y = b_x * _between(rng, 0.25, 0.9) + max(b_y, 0.0)
        return x, y, float(np.hypot(x, y)), float(np.hypot(b_x - x, b_y - y)), b_x, b_y
    if method in DROPS:
        lead = _spread(rng, 0.5, 3.0)
        above = lead * _between(rng, 0.4, 0.97)
        room = float(np.sqrt(lead**2 - above**2))
        aside = min(room * _between(rng, 0.1, 0.9), 0.35 * lead)
        return aside, -above, lead, 0.0, 0.0, 0.0
    if method == "swing":
        lead, angle = _spread(rng, 2.0, 16.0), _between(rng, 0.3, 1.2)
        return float(lead * np.sin(angle)), float(lead * np.cos(angle)), lead, 0.0, 0.0, 0.0
    lead = _spread(rng, 0.5, 16.0)
    x = lead * _between(rng, 0.0, 0.12)
    return x, float(np.sqrt(lead**2 - x**2)), lead, 0.0, 0.0, 0.0


def _rope(rng: np.random.Generator, method: str) -> tuple[RopePath, tuple[float, float]]:
    x, y, lead, stand, b_x, b_y = _start(rng, method)
    weight, fall = _spread(rng, 250.0, 7000.0), _between(rng, 3.0, 22.0)
    eta, eta_piece = _between(rng, 0.75, 0.98), _between(rng, 0.8, 0.98)
    soft = 1.4 * weight / eta * (lead + stand + fall) / _MOST_PULL_M
    ea = _spread(rng, max(40e3, soft), max(260e3, 2.0 * soft))
    over = (lead + stand) / 3.0 if stand else lead
    tau = 2.0 * _between(rng, 0.025, 0.14) / np.sqrt(ea / over / (weight / G))
    path = RopePath(weight, ea, float(tau), lead, fall, eta)
    if stand:
        path = replace(path, eta_piece=eta_piece, standing_m=stand, b_x_m=b_x, b_y_m=b_y)
    return path, (x, y)


def _share(rng: np.random.Generator, method: str, options: frozenset[str]) -> float:
    if method in DROPS:
        return 0.0
    if "balanced" in options:
        return _between(rng, 0.97, 1.03)
    if method == "swing":
        return _between(rng, 0.1, 0.9)
    return _between(rng, 1.05, 1.35) if rng.random() < 0.15 else _between(rng, 0.1, 0.95)


def _release_s(rng: np.random.Generator, options: frozenset[str]) -> float:
    if "staged" in options:
        return _between(rng, 0.4, 3.0)
    return _between(rng, 1.0, 6.0) if "gradual" in options else _between(rng, 0.01, 0.12)


def _hold_s(rng: np.random.Generator, method: str, options: frozenset[str]) -> float:
    if "never_held" in options and method not in DROPS:
        return _between(rng, 0.25, 0.7)
    least = {"let_run_drop": 4.0, "snubbed_drop": 2.0, "swing": 3.0}.get(method, 1.5)
    return _spread(rng, least, 15.0)


def _pauses(rng: np.random.Generator) -> tuple[tuple[float, float, str], ...]:
    wanted = (("jerk", 0.3, 1.2), ("jerk", 0.2, 0.9), ("regrip", 0.15, 0.4), ("wraps", 1.0, 5.0))
    places = np.linspace(0.15, 0.8, 4) + rng.uniform(-0.06, 0.06, 4)
    kept = [
        (float(place), _between(rng, low, high), kind)
        for place, (kind, low, high) in zip(rng.permutation(places), wanted, strict=True)
        if rng.random() < 0.4
    ]
    return tuple(sorted(kept))


def _ground_y_m(d: Draw) -> float:
    """Depth of the ground, deep enough that nothing is met before the lowering."""
    p = d.path
    rest = p.lead_m if d.method in (*DROPS, "swing") else d.start_m[1]
    stretch = p.weight_n / p.eta * (p.lead_m + p.standing_m + p.fall_m) / p.ea_n
    rest += (3.5 if d.method in DROPS else 1.7) * stretch
    if d.method == "snubbed_drop":
        rest += 2.0 * d.drop_m
    if d.method == "let_run_drop":
        v = np.sqrt(2 * G * d.drop_m) + G * d.react_s
        rest += float(v * d.react_s + v**2 / (2 * G * (d.brake_n / d.path.weight_n - 1.0)))
    return rest + 0.4 + d.way_m


def draw_wide(rng: np.random.Generator, method: str, options: frozenset[str]) -> WideDraw:
    """Draw rig, times and habits of one lowering of the wide set."""
    path, start = _rope(rng, method)
    slack = _between(rng, 1.2, 6.0)
    strokes, at = [], slack
    if method not in DROPS:
        for _ in range(int(rng.integers(1, 13))):
            strokes.append(at)
            at += _between(rng, 0.8, 3.0)
        at += _between(rng, 1.5, 12.0)
    end = at + (0.02 if method in DROPS else _release_s(rng, options))
    hold = _hold_s(rng, method, options)
    speed, way, pauses = _between(rng, 0.15, 1.2), _between(rng, 0.8, 7.0), _pauses(rng)
    again = "again" in options and hold > 4.0
    d = WideDraw(
        method, options, path, start, _share(rng, method, options),
        path.lead_m - start[1] if method in DROPS else 0.0, slack, tuple(strokes), at, end,
        end + hold, speed, way, 0.0, end + hold + (4.0 * way + 2.0) / speed + sum(p[1] for p in pauses) + 12.0,
        _between(rng, 0.15, 0.7), path.weight_n * _between(rng, 1.6, 3.0), pauses, _between(rng, 0.0, 0.5),
        ease_s=_between(rng, 0.2, 2.0), stages=int(rng.integers(2, 5)) if "staged" in options else 1,
        wind_share=_between(rng, 0.01, 0.04) if "wind" in options else _between(rng, 0.0, 0.002),
        tag_share=_between(rng, 0.05, 0.25) if "tag_line" in options else 0.0,
        again_s=end + hold * _between(rng, 0.4, 0.55) if again else 0.0,
        again_m=_between(rng, 0.05, 0.3) if again else 0.0,
    )  # fmt: skip
    return replace(d, ground_y_m=_ground_y_m(d))


def _hinge(rng: np.random.Generator, d: WideDraw, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What is left of the hinge's force, and its damping."""
    span = d.release_end_s - d.release_s
    part = np.clip((t - d.release_s) / span, 0.0, 1.0)
    if "gradual" in d.options:
        part = 0.5 - 0.5 * np.cos(np.pi * part)
    if d.stages > 1:
        sizes = rng.uniform(0.5, 1.5, d.stages)
        gaps = rng.uniform(0.5, 1.5, d.stages - 1)
        cuts = np.concatenate([[0.0], np.cumsum(gaps) / gaps.sum()]) * (span - 0.03)
        part = np.clip((t[:, None] - d.release_s - cuts) / 0.03, 0.0, 1.0) @ (sizes / sizes.sum())
    left = np.where(part > 1.0 - 1e-9, 0.0, 1.0 - part)
    return left, np.where(left > 0.0, 0.25 if span > 0.15 else 0.0, 0.0)


def _lower_pay(d: WideDraw, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rope let out by hand: an even start, halts, an end."""
    v = d.speed_m_per_s
    at, gone = d.lowering_s + d.ease_s, 0.5 * d.ease_s * v
    marks = [(d.lowering_s, 0.0), (at, v)]
    for place, length, kind in d.pauses:
        wait = max(place * d.way_m - gone, 0.4 * v) / v
        at, gone = at + wait, gone + wait * v
        top, brake = v * (1.8 if kind == "regrip" else 1.0), 0.2 if kind == "wraps" else 0.07
        stop = at + 0.12 + brake
        marks += [(at, v), (at + 0.04, top), (at + 0.12, top), (stop, 0.0)]
        marks += [(stop + length, 0.0), (stop + length + 0.6 * d.ease_s, v)]
        at, gone = stop + length + 0.6 * d.ease_s, gone + top * (0.12 + brake / 2) + 0.3 * d.ease_s * v  # fmt: skip
    end = max(at + 1.0, d.end_s - 1.0)
    times, speeds = np.array([*marks, (end, v), (end + 0.3, 0.0)]).T
    speed = np.interp(t, times, speeds, left=0.0, right=0.0)
    way = np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(t))
    return np.concatenate([[0.0], way]), speed


def wide_schedule(rng: np.random.Generator, d: WideDraw) -> Schedule:
    """Schedules of one lowering on its grid of time."""
    t, w = _grid(d), d.path.weight_n
    left, damping = _hinge(rng, d, t)
    pay, speed = _lower_pay(d, t)
    pay = pay - d.again_m * np.clip((t - d.again_s) / 0.6, 0.0, 1.0)
    y = np.full_like(t, d.start_m[1])
    if d.method in DROPS:
        left = np.zeros_like(t)
    else:
        pull = pull_for(d)
        pay = pay + _stroke_pay(rng, d, t, pull)
        give = pull * d.path.lead_m / (d.path.lead_m + d.path.fall_m)
        sagging = np.clip(t - d.stroke_s[-1] - 0.5, 0.0, None)
        y -= _between(rng, 0.0, 0.015) * give * np.log1p(sagging / 0.5)
        before, over = _between(rng, 0.5, 4.0), _between(rng, 0.0, 0.06) * pull
        y += over * np.clip((t - d.release_s + before) / before, 0.0, 1.0)
    gust = w * d.wind_share * wander(rng, t, 1.5, 10.0)
    side = 0.5 * w * d.wind_share * wander(rng, t, 1.5, 10.0)
    tag = w * d.tag_share / np.sqrt(2.0) * np.clip((t - d.release_end_s - 0.3) / 0.8, 0.0, 1.0)
    limit = _device(rng, d, t, w * _between(rng, 1.5, 4.0))
    held = t < d.release_s
    return Schedule(t, held, y, left, damping, pay, speed, limit, side + tag, gust + tag)
