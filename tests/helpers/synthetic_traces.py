"""Made records with exact truth: a mass on a spring-damper rope, and a cell that reads it.

The force is integrated on a fine grid; the cell then samples it with its own phase,
averages, adds zero, drift and noise, rounds, clips and loses samples. Nothing here knows
how a record is read.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from analysis.reading.trace import Chain, Trace, make_trace

FloatArray = NDArray[np.float64]
G = 9.80665
FINE_HZ = 8000.0


@dataclass(frozen=True, slots=True)
class Piece:
    """What is lowered, and how.

    ``kind``: span (staircase, release at ``share``), snub, let_run, swing, gradual,
    staged. ``frequency_hz`` and ``damping`` are those of the hanging piece.
    """

    kind: str = "span"
    weight_n: float = 2000.0
    share: float = 0.7
    frequency_hz: float = 2.0
    damping: float = 0.1
    fall_m: float = 1.0
    brake_share: float = 2.4
    angle_rad: float = 0.8
    pendulum_m: float = 3.0
    swing_loss_per_s: float = 0.6
    strokes: int = 4
    stroke_s: float = 1.2
    fall_back: float = 0.12
    creep: float = 0.015
    settle_s: float = 2.0
    hinge_s: float = 0.06
    slack_s: float = 3.0
    hang_s: float = 5.0
    lower_s: float = 2.0
    jerk: float = 0.1
    after_s: float = 1.5


@dataclass(frozen=True, slots=True)
class Cell:
    """How it is measured."""

    rate_hz: float = 1000.0
    noise_n: float = 2.0
    zero_n: float = 12.0
    drift_n_per_s: float = 0.0
    step_n: float = 0.25
    averages: bool = True
    clip_n: float | None = None
    gaps_s: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Truth:
    """What really happened, on the fine grid."""

    weight_n: float
    peak_n: float
    peak_s: float
    release_kind: str
    release_peak_n: float
    settled_n: float
    release_s: float
    hang_until_s: float
    slack_again_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Made:
    """A record with its truth."""

    trace: Trace
    truth: Truth
    fine_n: FloatArray = field(repr=False)


def smooth(x: FloatArray) -> FloatArray:
    y = np.clip(x, 0.0, 1.0)
    out: FloatArray = y * y * (3.0 - 2.0 * y)
    return out


def staircase(piece: Piece, settled_n: float) -> FloatArray:
    """Strokes: a quick pull, a fall-back on the pawl, then a creep to the settled value."""
    if settled_n <= 0:
        return np.zeros(0)
    top = settled_n * (1.0 + piece.creep)
    u = np.arange(round(piece.stroke_s * FINE_HZ)) / (piece.stroke_s * FINE_HZ)
    shape = (1.0 + piece.fall_back) * smooth(u / 0.35)
    shape = shape - piece.fall_back * smooth((u - 0.4) / 0.03)
    step = top / piece.strokes
    parts = [i * step + step * shape for i in range(piece.strokes)]
    t = np.arange(round(piece.settle_s * FINE_HZ)) / FINE_HZ
    parts.append(settled_n + (top - settled_n) * np.exp(-4.0 * t / piece.settle_s))
    return np.concatenate(parts)


def hinge_force(piece: Piece, settled_n: float) -> Callable[[float], float]:
    """What the hinge still carries, by the time since the release began."""
    first = piece.weight_n - settled_n
    if piece.kind == "staged":
        half = 0.5 * first

        def staged(t: float) -> float:
            if t < 0.03:
                return first - (first - half) * t / 0.03
            if t < 0.33:
                return half
            return half * max(0.0, 1.0 - (t - 0.33) / 0.03)

        return staged
    over = 4.0 if piece.kind == "gradual" else piece.hinge_s
    return lambda t: first * 0.5 * (1.0 + math.cos(math.pi * min(t / over, 1.0)))


def fall_and_hang(piece: Piece, settled_n: float) -> tuple[FloatArray, float, float]:
    """Force from the release (or from the start of the fall) until after the touchdown.

    Returns
    -------
    force_n, fall time in seconds, time of the end of the hang
    """
    weight, dt = piece.weight_n, 1.0 / FINE_HZ
    mass = weight / G
    omega = 2.0 * math.pi * piece.frequency_hz
    k, c = mass * omega * omega, 2.0 * piece.damping * mass * omega
    drops = piece.kind in {"snub", "let_run"}
    x = -piece.fall_m if drops else settled_n / k
    v, paid, brake = 0.0, 0.0, piece.brake_share * weight
    hinge = (lambda _: 0.0) if drops else hinge_force(piece, settled_n)
    fall_s = math.sqrt(2.0 * piece.fall_m / G) if drops else 0.0
    over = 4.0 if piece.kind == "gradual" else 0.0
    down_at = fall_s + over + piece.hang_s
    ground: float | None = None
    out: list[float] = []
    t = 0.0
    gone = 0.0
    while gone < 0.2:
        pay = 0.0
        if t > down_at:
            u = t - down_at
            ramp = min(u / 0.4, 1.0)
            pay = 0.8 * ramp * (1.0 + piece.jerk * math.sin(2.0 * math.pi * 2.2 * u))
            if ground is None and u > piece.lower_s:
                ground = x + 0.05
        paid += pay * dt
        stretch = x - paid
        force = max(0.0, k * stretch + c * (v - pay)) if stretch > 0 else 0.0
        if piece.kind == "let_run" and force > brake:
            paid += (force - brake) / k if piece.damping == 0 else (force - brake) / (k + c / dt)
            force = brake
        lift = 0.0
        if ground is not None and x > ground:
            lift = max(
                0.0, weight / 0.03 * (x - ground) + 1.5 * math.sqrt(weight / 0.03 * mass) * v
            )
        held = hinge(t)
        rub = 6.0 * c * v if piece.kind == "staged" and held > 0.01 * weight else 0.0
        v += (weight - force - held - lift - rub) / mass * dt
        x += v * dt
        out.append(force)
        t += dt
        gone = gone + dt if ground is not None and force == 0.0 else 0.0
        if t > 60.0:
            raise AssertionError("the made piece never came down")
    return np.array(out), fall_s, down_at


def swing_force(piece: Piece) -> tuple[FloatArray, float]:
    """Tension of a pendulum let go at rest, then lowered: (force, end of the hang)."""
    dt, length = 1.0 / FINE_HZ, piece.pendulum_m
    angle, spin, out = piece.angle_rad, 0.0, []
    for i in range(round(piece.hang_s * FINE_HZ)):
        spin += (-G / length * math.sin(angle) - 2.0 * piece.swing_loss_per_s * spin) * dt
        angle += spin * dt
        tension = piece.weight_n * (math.cos(angle) + length * spin * spin / G)
        out.append(tension * min(i * dt / 0.12, 1.0))
    ramp = np.linspace(1.0, 0.0, round(0.3 * FINE_HZ))
    return np.concatenate((out, out[-1] * ramp)), piece.hang_s


def true_force(piece: Piece) -> tuple[FloatArray, Truth]:
    """Force on the fine grid from slack to slack, and the truth about it."""
    settled = piece.share * piece.weight_n if piece.kind in {"span", "gradual", "staged"} else 0.0
    stairs = staircase(piece, settled)
    if piece.kind == "swing":
        moving, hang_end = swing_force(piece)
        fall_s = 0.0
    else:
        moving, fall_s, hang_end = fall_and_hang(piece, settled)
    slack, after = (
        np.zeros(round(piece.slack_s * FINE_HZ)),
        np.zeros(round(piece.after_s * FINE_HZ)),
    )
    force = np.concatenate((slack, stairs, moving, after))
    release = (slack.size + stairs.size) / FINE_HZ
    peak = int(np.argmax(force))
    kinds = {"snub": "catch", "let_run": "catch", "swing": "rise"}
    kind = kinds.get(piece.kind, piece.kind)
    if piece.kind == "span":
        kind = "drop" if piece.share > 1 else "rise"
    until = round(hang_end * FINE_HZ)
    calm = moving[:until]
    if kind == "drop":
        calm = calm[int(np.argmin(calm)) :]
    return force, Truth(
        weight_n=piece.weight_n,
        peak_n=float(force[peak]),
        peak_s=peak / FINE_HZ,
        release_kind=kind,
        release_peak_n=float(calm.max()),
        settled_n=settled,
        release_s=release + fall_s,
        hang_until_s=release + hang_end,
        slack_again_s=(force.size - after.size) / FINE_HZ,
    )


def make(piece: Piece, cell: Cell, seed: int = 0, chain: Chain | None = None) -> Made:
    """Measure a made lowering with a made cell."""
    rng = np.random.default_rng(seed)
    fine, truth = true_force(piece)
    period = 1.0 / cell.rate_hz
    time = np.arange(rng.uniform(period, 2.0 * period), fine.size / FINE_HZ, period)
    if cell.averages:
        total = np.concatenate(([0.0], np.cumsum(fine))) / FINE_HZ
        grid = np.arange(total.size) / FINE_HZ
        read = (
            np.interp(time + period / 2, grid, total) - np.interp(time - period / 2, grid, total)
        ) / period
    else:
        read = np.interp(time, np.arange(fine.size) / FINE_HZ, fine)
    read = read + cell.zero_n + cell.drift_n_per_s * time + rng.normal(0.0, cell.noise_n, time.size)
    if cell.step_n > 0:
        read = np.round(read / cell.step_n) * cell.step_n
    if cell.clip_n is not None:
        read = np.minimum(read, cell.clip_n)
    keep = np.ones(time.size, dtype=bool)
    for a, b in cell.gaps_s:
        keep &= (time < a) | (time > b)
    if chain is None:
        chain = Chain(filter_delay_s=period / 2 if cell.averages else 0.0)
    return Made(make_trace(time[keep], read[keep], chain=chain, period_s=period), truth, fine)


def random_piece(kind: str, rng: np.random.Generator) -> Piece:
    """Draw a plausible lowering of a kind."""
    piece = Piece(
        kind=kind,
        weight_n=float(np.exp(rng.uniform(math.log(300.0), math.log(8000.0)))),
        frequency_hz=float(rng.uniform(0.9, 4.0)),
        damping=float(rng.uniform(0.06, 0.16)),
        fall_m=float(rng.uniform(0.3, 2.0)),
        brake_share=float(rng.uniform(1.7, 3.0)),
        angle_rad=float(rng.uniform(0.6, 0.95)),
        pendulum_m=float(rng.uniform(1.5, 5.0)),
        swing_loss_per_s=float(rng.uniform(0.08, 0.5)),
        strokes=int(rng.integers(2, 7)),
        stroke_s=float(rng.uniform(0.4, 1.8)),
        fall_back=float(rng.uniform(0.0, 0.2)),
        creep=float(rng.uniform(0.0, 0.03)),
        settle_s=float(rng.uniform(1.0, 4.0)),
        slack_s=float(rng.uniform(0.8, 6.0)),
        hang_s=float(rng.uniform(4.5, 8.0)),
        lower_s=float(rng.uniform(0.8, 3.0)),
        jerk=float(rng.uniform(0.0, 0.25)),
    )
    if kind in {"snub", "let_run"}:
        return replace(piece, damping=float(rng.uniform(0.1, 0.2)))
    if kind == "swing":
        return replace(piece, hang_s=float(rng.uniform(9.0, 14.0)))
    if kind == "gradual":
        return replace(piece, share=float(rng.uniform(0.3, 0.9)))
    if kind == "staged":
        return replace(
            piece, share=float(rng.uniform(0.2, 0.6)), frequency_hz=float(rng.uniform(2.0, 4.0))
        )
    return piece


def random_cell(piece: Piece, rng: np.random.Generator) -> Cell:
    """Draw a plausible cell for a piece."""
    return Cell(
        rate_hz=float(rng.choice([320.0, 500.0, 1000.0, 2000.0, 4000.0])),
        noise_n=piece.weight_n * float(rng.uniform(0.0003, 0.006)),
        zero_n=piece.weight_n * float(rng.uniform(-0.03, 0.03)),
        drift_n_per_s=piece.weight_n * float(rng.uniform(-1e-4, 1e-4)),
        step_n=float(rng.choice([0.1, 0.5, 1.0])),
        averages=bool(rng.integers(0, 2)),
    )


def sweep(kind: str, seeds: range) -> Iterator[tuple[int, Piece, Made]]:
    """Draw and measure one lowering a seed."""
    for seed in seeds:
        rng = np.random.default_rng([seed, sum(map(ord, kind))])
        piece = random_piece(kind, rng)
        if kind == "span":
            share = float(rng.choice([rng.uniform(0.0, 0.9), rng.uniform(1.1, 1.25)]))
            piece = replace(piece, share=share)
        yield seed, piece, make(piece, random_cell(piece, rng), seed)
