"""The measuring chain of a generated lowering, and what its rigger knows of the rig.

Comes in: the true force at a station. Goes out: samples as a converter gives them, and the
:class:`Chain` and :class:`Place` that go with them. Must not: know the reader.

Part of the generator of lowerings with known truth; FROZEN, see ``lowering_generator``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from lowering_generator_motion import FloatArray, Run
from lowering_generator_plan import DROPS, Draw, wander
from numpy.typing import NDArray
from scipy.optimize import brentq

from analysis.reading.place import Place, Reads, RopeInPlay
from analysis.reading.trace import Chain

ETA_U = 0.015
"""Standard uncertainty of the efficiency that the rigger entered."""
SLOPE_U = 0.001
"""Relative standard uncertainty of the calibration's slope."""


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """Samples, and what the chain did to them."""

    time_s: FloatArray
    force_n: FloatArray
    at_samples_top_n: float
    clean_top_n: float
    resolution_n: float
    clip_high_n: float | None
    clipped: bool
    has_gap: bool
    gap_in_peak: bool


def _drag(
    rng: np.random.Generator, t: FloatArray, span: tuple[float, float], hang: float
) -> FloatArray:
    """Load of a piece winched along the ground: up, stick and slip, off."""
    start, end = span
    level = hang * float(rng.uniform(0.2, 0.5))
    shape = np.interp(t, [start, start + 0.6, end - 0.2, end], [0.0, 1.0, 1.0, 0.0])
    saw = 1.0 - 0.25 * np.mod((t - start) / 0.45, 1.0)
    return level * shape * saw


def _handling(rng: np.random.Generator, d: Draw, t: FloatArray) -> FloatArray:
    """Small pulls by hand while the rope is slack."""
    out = np.zeros_like(t)
    for _ in range(int(rng.integers(0, 3))):
        at = rng.uniform(0.3, max(d.slack_s - 1.0, 0.4))
        out += rng.uniform(5.0, 25.0) * np.exp(-(((t - at) / rng.uniform(0.05, 0.2)) ** 2))
    return out


def _average(t: FloatArray, f: FloatArray, at: FloatArray, period_s: float) -> FloatArray:
    """Mean of the force over the sample period that ends at each time."""
    area = np.concatenate([[0.0], np.cumsum(0.5 * (f[1:] + f[:-1]) * np.diff(t))])
    return np.asarray((np.interp(at, t, area) - np.interp(at - period_s, t, area)) / period_s)


def measure(
    rng: np.random.Generator, d: Draw, t: FloatArray, force: FloatArray, rate_hz: float,
    hang_n: float, drag_s: tuple[float, float] | None, top: tuple[float, float],
) -> Measured:  # fmt: skip
    """Sample, average, add the station's shaking, noise, offset, drift; round; clip; lose."""
    period = 1.0 / rate_hz
    f = force + _handling(rng, d, t)
    if drag_s is not None:
        f = f + _drag(rng, t, drag_s, hang_n)
    if "saw" in d.options and d.method not in DROPS:
        on = np.clip(np.minimum((t - d.release_s + 2.6) / 0.2, (d.release_s - t) / 0.1), 0.0, 1.0)
        f = f + on * hang_n * float(rng.uniform(0.015, 0.04)) * wander(rng, t, 1 / 70.0, 1 / 30.0)
    at = np.arange(period + rng.random() * period, t[-1], period)
    read = _average(t, f, at, period)
    clean_top = float(read.max())
    noise = float(rng.uniform(0.5, 4.0)) * np.sqrt(rate_hz / 320.0)
    slope = 1.0 + SLOPE_U * float(rng.standard_normal())
    drift = float(rng.normal(0.0, 0.004)) * hang_n
    read = slope * read + rng.normal(0.0, noise, at.size)
    read += float(rng.uniform(-60.0, 60.0)) + drift * at / at[-1]
    resolution = float(rng.choice([0.2, 0.5, 1.0, 2.0]))
    read = np.round(read / resolution) * resolution
    clip = None
    if "clipped" in d.options:
        peak, rest = (
            float(read.max()),
            float(np.median(read[at > d.lowering_s - 1.0][: int(rate_hz)])),
        )
        level = max(float(rng.uniform(0.75, 0.93)) * peak, rest + 0.4 * (peak - rest))
        clip = np.round(level / resolution) * resolution
        read = np.minimum(read, clip)
    keep = np.ones(at.size, dtype=bool)
    in_peak = False
    if "gap_in_peak" in d.options:
        wide, off = rng.uniform(0.06, 0.4), rng.uniform(0.2, 0.8)
        keep &= ~((at > top[1] - off * wide) & (at < top[1] + (1 - off) * wide))
        in_peak = True
    if "gap" in d.options:
        where = d.lowering_s + rng.uniform(0.5, 2.5)
        keep &= ~((at > where) & (at < where + rng.uniform(0.05, 0.5)))
    return Measured(
        at[keep], read[keep], float(np.interp(at, t, force).max()), clean_top, resolution,
        None if clip is None else float(clip), clip is not None, not bool(keep.all()), in_peak,
    )  # fmt: skip


def _span_gain(d: Draw, around_m: float, q: float) -> float:
    """W per newton at B, for standing leg over lead = q, rope A to P to B ``around_m`` long."""
    b_x, b_y = d.path.b_x_m, d.path.b_y_m

    def depth(x: float) -> float:
        return float(
            brentq(
                lambda y: np.hypot(x, y) + np.hypot(b_x - x, y - b_y) - around_m,
                max(0.0, b_y) + 1e-6,
                around_m,
            )
        )

    def unbalance(x: float) -> float:
        y = depth(x)
        return float(x / np.hypot(x, y) - q * (b_x - x) / np.hypot(b_x - x, y - b_y))

    x = float(brentq(unbalance, 0.05 * b_x, 0.95 * b_x))
    y = depth(x)
    return float(y / np.hypot(x, y) / q + (y - b_y) / np.hypot(b_x - x, y - b_y))


def _gains(
    d: Draw, r: Run, station: str, hung: NDArray[np.bool_], eta: float, eta_p: float
) -> tuple[float, float, float]:
    """Middle, low and high end of vertical load per newton read, at rest."""
    far = np.hypot(r.x_m, r.y_m)
    low, low_p = eta - 2 * ETA_U, eta_p - 2 * ETA_U
    if not d.path.standing_m:
        if station == "fall":
            return 1.0, low, 1.0 / low
        angle = d.fall_angle_rad

        def sling(q: float) -> float:
            return float(np.sqrt(1.0 + q * q + 2.0 * q * np.cos(angle)))

        return 1 / sling(1.0), 1 / sling(1 / low), 1 / sling(low)
    around = float(np.median((far + np.hypot(r.x_m - d.path.b_x_m, r.y_m - d.path.b_y_m))[hung]))
    by_b = [_span_gain(d, around, q) for q in (1.0, low_p, 1.0 / low_p)]
    if station == "b_end":
        return by_b[0], min(by_b), max(by_b)
    by_lead = [by_b[0], by_b[1] * low_p, by_b[2] / low_p]
    if station == "fall":
        ends = (min(by_lead) * low, max(by_lead) / low)
        return by_lead[0], *ends
    lean = float(np.median(np.arctan2(r.x_m, r.y_m)[hung])) + d.fall_angle_rad
    factor = [float(np.sqrt(1 + q * q + 2 * q * np.cos(lean))) for q in (1.0, low, 1 / low)]
    return by_lead[0] / factor[0], min(by_lead) / max(factor), max(by_lead) / min(factor)


def _entered(rng: np.random.Generator, eta: float) -> float:
    return float(np.clip(eta + ETA_U * rng.standard_normal(), 0.8, 0.99))


def chain_of(
    rng: np.random.Generator, d: Draw, r: Run, station: str, m: Measured, hung: NDArray[np.bool_]
) -> Chain:
    """What the logbook would know of this chain."""
    chain = Chain(
        calibration_rel_u=SLOPE_U,
        resolution_n=m.resolution_n,
        filter_delay_s=0.5 * float(np.median(np.diff(m.time_s))),
        clip_high_n=m.clip_high_n,
    )
    eta, eta_p = _entered(rng, d.path.eta), _entered(rng, d.path.eta_piece)
    if station in ("lead", "piece_sling"):
        return chain
    middle, low, high = _gains(d, r, station, hung, eta, eta_p)
    spread = (high - low) / middle / np.sqrt(12.0)
    return replace(chain, gain=middle, gain_rel_u=float(spread), gain_low=low, gain_high=high)


def place_of(
    rng: np.random.Generator, d: Draw, r: Run, station: str, hung: NDArray[np.bool_]
) -> Place:
    """What the rigger entered of the station, and lengths by eye to 2 %."""
    reads: dict[str, Reads] = {
        "lead": "piece", "piece_sling": "piece", "b_end": "standing", "sling_a": "sling", "fall": "fall",
    }  # fmt: skip
    far = float(np.median(np.hypot(r.x_m, r.y_m)[hung]))
    legs, cos = 1, 1.0
    if d.path.standing_m:
        near = float(np.median(np.hypot(r.x_m - d.path.b_x_m, r.y_m - d.path.b_y_m)[hung]))
        cos = float(np.sqrt(max(1.0 - (d.path.b_x_m / (far + near)) ** 2, 0.0)))
        far, legs = far + near, 2
    slack = 1.0 + 0.02 * rng.standard_normal(2)
    rope = RopeInPlay(
        lead_m=far * float(slack[0]), fall_m=d.path.fall_m * float(slack[1]),
        efficiency=_entered(rng, d.path.eta), efficiency_u=ETA_U, leg_cos=cos, legs=legs,
        span_m=d.path.b_x_m,
    )  # fmt: skip
    return Place(reads[station], d.method, rope)
