"""Lowerings drawn more widely than the frozen set: a development set, free to be tuned on.

Comes in: the number of a lowering. Goes out: a :class:`Lowering` of its trace and
:class:`Truth`, as from ``lowering_generator``. Deterministic by (seed, number). Must not:
call the predictor, or read a feature.

Motion and contacts are those of the frozen set, but a saw's shaking is a force of the
station that its true peak knows; rigs, habits, sampling and gaps are drawn
apart and wider: 10 to 2000 samples/s with and without averaging converters, noise and
rounding over two decades, leads of 0.5 to 16 m, holds of 0.25 to 15 s, gaps anywhere. The
rigger enters each efficiency and length once, with the error that is stated for it. A
drop from beside the rope has the free fall that the rope saw: of the speed along it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from lowering_generator import (
    CASES,
    Lowering,
    Truth,
    _first_load,
    _flags,
    _kinds,
    _top,
    station_force_n,
)
from lowering_generator_chain import (
    ETA_U,
    SLOPE_U,
    Measured,
    _average,
    _drag,
    _gains,
    _handling,
    place_of,
)
from lowering_generator_motion import FloatArray, G, Run, run
from lowering_generator_plan import DROPS, contacts, lift_n, wander
from lowering_generator_wide_plan import WideDraw, _between, _spread, draw_wide, wide_schedule
from numpy.typing import NDArray

from analysis.reading.place import Place
from analysis.reading.trace import Chain, make_trace

SEED = 27_112_026
COUNT = 16 * len(CASES)
RATES_HZ = (10.0, 20.0, 40.0, 80.0, 100.0, 160.0, 250.0, 400.0, 600.0, 1000.0, 1500.0, 2000.0)
CHANCES = {
    "saw": 0.2, "wind": 0.25, "drag": 0.15, "tag_line": 0.1, "balanced": 0.06, "clipped": 0.07,
    "never_held": 0.08, "again": 0.12, "gap": 0.4, "gap_in_peak": 0.08,
}  # fmt: skip
"""How often each thing happens, apart from the others."""
ONE_OF = (
    (("staged", 0.15), ("gradual", 0.15)),
    (("stem", 0.1), ("brush", 0.1), ("roof", 0.1), ("tip_first", 0.1)),
)
"""At most one of each row, with its chance."""
SAW_RATE_HZ = 80.0
"""Slower than this a saw cannot be told, so none runs."""


def _options(rng: np.random.Generator, rate_hz: float) -> frozenset[str]:
    chosen = {name for name, chance in CHANCES.items() if rng.random() < chance}
    for row in ONE_OF:
        left = rng.random()
        for name, chance in row:
            if 0.0 <= left < chance:
                chosen.add(name)
            left -= chance
    if rate_hz < SAW_RATE_HZ:
        chosen.discard("saw")
    return frozenset(chosen)


def _saw(rng: np.random.Generator, d: WideDraw, t: FloatArray, hang_n: float) -> FloatArray:
    before, low = _between(rng, 0.8, 5.0), _between(rng, 1 / 100.0, 1 / 40.0)
    on = np.clip(np.minimum((t - d.release_s + before) / 0.2, (d.release_s - t) / 0.1), 0.0, 1.0)
    rough = wander(rng, t, low, 2.5 * low)
    return np.asarray(on * hang_n * _between(rng, 0.01, 0.06) * rough)


def _lost(
    rng: np.random.Generator, d: WideDraw, end_s: float, top_s: float, period_s: float
) -> list[tuple[float, float]]:
    """Stretches without samples, each at least three periods long."""
    spans = []
    least = 3.0 * period_s
    if "gap_in_peak" in d.options:
        wide, off = max(_spread(rng, 0.03, 0.6), least), _between(rng, 0.15, 0.85)
        spans.append((top_s - off * wide, top_s + (1.0 - off) * wide))
    if "gap" in d.options:
        marks = (0.3, d.slack_s, d.release_s, d.release_end_s + 1.0, d.lowering_s, end_s)
        for _ in range(int(rng.integers(1, 4))):
            first = int(rng.integers(0, 5))
            at = _between(rng, marks[first], max(marks[first + 1], marks[first] + 0.1))
            spans.append((at, at + max(_spread(rng, 0.02, 0.8), least)))
    return spans


def _sampled(
    rng: np.random.Generator, t: FloatArray, f: FloatArray, period_s: float, over_s: float
) -> tuple[FloatArray, FloatArray]:
    at = np.arange(max(period_s, over_s) + rng.random() * period_s, t[-1], period_s)
    return at, np.interp(at, t, f) if over_s == 0.0 else _average(t, f, at, over_s)


def measure_wide(
    rng: np.random.Generator, d: WideDraw, t: FloatArray, force: FloatArray, period_s: float,
    over_s: float, hang_n: float, drag_s: tuple[float, float] | None, top: tuple[float, float],
) -> Measured:  # fmt: skip
    """Sample, average, add noise, offset and drift; round; clip; lose."""
    f = force + _handling(rng, d, t)
    if drag_s is not None:
        f = f + _drag(rng, t, drag_s, hang_n)
    at, read = _sampled(rng, t, f, period_s, over_s)
    clean_top = float(read.max())
    noise = _spread(rng, 0.2, 12.0) * np.sqrt(1.0 / period_s / 320.0)
    drift = float(rng.normal(0.0, 0.006)) * hang_n * at / at[-1]
    read = (1.0 + SLOPE_U * float(rng.standard_normal())) * read + drift
    read = read + rng.normal(0.0, noise, at.size) + _between(rng, -80.0, 80.0)
    step = float(rng.choice([0.1, 0.5, 1.0, 2.0, 5.0, 10.0]))
    read, clip = np.round(read / step) * step, None
    if "clipped" in d.options:
        peak, rest = float(read.max()), hang_n + float(np.median(read[: int(0.5 / period_s) + 1]))
        clip = np.round((rest + _between(rng, 0.3, 0.9) * (peak - rest)) / step) * step
        read = np.minimum(read, clip)
    keep = np.ones(at.size, dtype=bool)
    for start, end in _lost(rng, d, float(t[-1]), top[1], period_s):
        keep &= ~((at > start) & (at < end))
    near = keep[np.abs(at - top[1]) <= max(period_s, over_s)]
    return Measured(
        at[keep], read[keep], float(np.interp(at, t, force).max()), clean_top, step,
        None if clip is None else float(clip), clip is not None, not bool(keep.all()),
        not bool(near.any()),
    )  # fmt: skip


def _knows(
    rng: np.random.Generator, d: WideDraw, r: Run, station: str, hung: NDArray[np.bool_]
) -> tuple[Chain, Place]:
    """What the rigger entered: each value once."""
    eta, eta_p = (
        float(np.clip(true + ETA_U * rng.standard_normal(), 0.6, 0.995))
        for true in (d.path.eta, d.path.eta_piece)
    )
    place = place_of(rng, d, r, station, hung)
    assert place.rope is not None
    place = replace(place, rope=replace(place.rope, efficiency=eta))
    chain = Chain(calibration_rel_u=SLOPE_U)
    if station not in ("lead", "piece_sling"):
        middle, low, high = _gains(d, r, station, hung, eta, eta_p)
        spread = (high - low) / middle / np.sqrt(12.0)
        chain = replace(chain, gain=middle, gain_rel_u=float(spread), gain_low=low, gain_high=high)
    return chain, place


def make_wide(number: int, seed: int = SEED) -> Lowering:
    """Play lowering ``number`` of the wide set and measure it.

    Parameters
    ----------
    number : int
        Which one; the same number and seed give the same lowering.
    seed : int
        Another seed draws another set.

    Returns
    -------
    Lowering
    """
    rng = np.random.default_rng((seed, number))
    method, station = CASES[number % len(CASES)]
    period = 1.0 / float(rng.choice(RATES_HZ))
    over = period * float(rng.choice([0.0, 1.0, 1.0, 2.0]))
    options = _options(rng, 1.0 / period)
    d = draw_wide(rng, method, options)
    tail = _between(rng, 1.5, 6.0) + (5.0 if "drag" in options else 0.0)
    r = run(d.path, wide_schedule(rng, d), d.start_m, contacts(rng, d), tail)
    t, f = r.time_s, station_force_n(d, r, station)
    ground = np.flatnonzero(r.ground_n > 0.02 * d.path.weight_n)
    down = float(t[ground[0]]) if ground.size else float(t[-1])
    hung = (t > max(d.lowering_s - 1.0, d.release_end_s)) & (t < d.lowering_s)
    hang = float(f[hung].mean())
    loaded = np.flatnonzero((f > 0.05 * hang) & (t > down))
    ended = float(t[loaded[-1]]) if loaded.size else down
    drag = (ended + 1.0, ended + 4.0) if "drag" in options and ended + 4.5 < t[-1] else None
    still = (t > d.release_s - 0.5) & (t < d.release_s)
    settled = None if method in DROPS else float(f[still].mean())
    first = _first_load(t, f, hang, d.release_s if method in DROPS else 0.0)
    if "saw" in options and method not in DROPS:
        f = f + _saw(rng, d, t, hang)
    peak, peak_at = _top(t, f)
    m = measure_wide(rng, d, t, f, period, over, hang, drag, (peak, peak_at))
    touching = np.flatnonzero(r.touch_n > 0.05 * d.path.weight_n)
    touch = (float(t[touching[0]]), float(t[touching[-1]])) if touching.size else None
    fell = None
    if method in DROPS:
        plumb2 = 1.0 - (d.start_m[0] / d.path.lead_m) ** 2
        fell = plumb2 * float(r.vy_m_per_s[np.searchsorted(t, first) - 1] ** 2 / (2 * G))
    lift = lift_n(d.path, r)
    late = (t > d.release_end_s + 1.0) & (t < d.lowering_s)
    omega = np.sqrt(d.path.ea_n / d.path.lead_m / (d.path.weight_n / G))
    truth = Truth(
        number=number, method=method, station=station,
        mount={"lead": "end", "b_end": "end", "fall": "running_line"}.get(station, "sling"),
        rate_hz=1.0 / period, weight_n=d.path.weight_n, peak_n=peak, peak_time_s=peak_at,
        peak_samples_n=m.at_samples_top_n, settled_n=settled, hang_n=hang,
        share=0.0 if settled is None else float(lift[still].mean()) / d.path.weight_n,
        kinds=_kinds(d, settled or 0.0, hang), first_load_s=first,
        release_s=first if method in DROPS else d.release_s, release_end_s=d.release_end_s,
        lowering_s=d.lowering_s, touchdown_s=down, unloaded_s=ended, drag_s=drag, touch_s=touch,
        stroke_s=d.stroke_s, fall_m=fell, ea_n=d.path.ea_n,
        damping_ratio=float(0.5 * d.path.tau_s * omega),
        lead_m=float(np.median(np.hypot(r.x_m, r.y_m)[hung])), fall_rope_m=d.path.fall_m,
        eta=d.path.eta,
        ring_amplitude_share=float(np.ptp(lift[late])) / 2 / d.path.weight_n if late.any() else 0.0,
        flags=_flags(d, m, touch is not None, drag is not None, peak, 1.0 / period),
    )  # fmt: skip
    chain, place = _knows(rng, d, r, station, hung)
    chain = replace(
        chain, resolution_n=m.resolution_n, filter_delay_s=0.5 * over, clip_high_n=m.clip_high_n
    )
    trace = make_trace(
        m.time_s, m.force_n, chain=chain, period_s=period, station=station, place=place,
        tag_line_tight="tag_line" in options, touched=bool(touch) and bool(rng.random() < 0.5),
    )  # fmt: skip
    return Lowering(trace, truth, t, f)
