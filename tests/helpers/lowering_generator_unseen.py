"""Lowerings that nobody tuned the reader on: a sibling of the frozen generator.

Comes in: the number of a lowering. Goes out: a
:class:`~lowering_generator.Lowering`. Deterministic by number. Must not: be looked at while
the reader is changed. It is scored twice, once before and once after
(``tests/evidence/reading_unseen_first.md``, ``reading_unseen.md``).

FROZEN with the commit that adds this file (2026-11-26). A later change goes into a new
version beside it, never here.

Notes
-----
Motion, schedules, measuring chain and truth are the frozen generator's own functions;
another seed, other draws (``lowering_generator_unseen_plan``), other sample rates (among
them some so low that peaks are lost between samples), another mixture of what happens, and
more noise, with the hum of mains on some.
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
from lowering_generator_chain import Measured, chain_of, measure, place_of
from lowering_generator_motion import FloatArray, G, Run, run
from lowering_generator_plan import DROPS, Draw, contacts, lift_n, schedule
from lowering_generator_unseen_plan import draw_unseen
from numpy.typing import NDArray

from analysis.reading.trace import make_trace

SEED = 20_261_126
OPTIONS: tuple[frozenset[str], ...] = tuple(
    frozenset(words.split())
    for words in (
        "", "saw wind", "stem gap", "gradual tag_line", "staged brush", "balanced",
        "drag roof", "tip_first gap_in_peak", "clipped", "above saw", "wind drag",
    )
)  # fmt: skip
"""What is special in each of the rounds."""
COUNT = len(CASES) * len(OPTIONS)
RATES_HZ = (20.0, 60.0, 250.0, 640.0, 1600.0)
_CHANCES = (0.12, 0.1, 0.25, 0.3, 0.23)


def _noisier(rng: np.random.Generator, m: Measured) -> Measured:
    """More white noise than the chain's own, and hum on every fourth record."""
    extra = float(rng.uniform(0.0, 8.0)) * rng.standard_normal(m.force_n.size)
    hum = float(rng.uniform(1.0, 5.0)) if rng.random() < 0.25 else 0.0
    extra += hum * np.sin(2 * np.pi * (50.0 * m.time_s + rng.random()))
    force = np.round((m.force_n + extra) / m.resolution_n) * m.resolution_n
    if m.clip_high_n is not None:
        force = np.where(
            m.force_n >= m.clip_high_n, m.clip_high_n, np.minimum(force, m.clip_high_n)
        )
    return replace(m, force_n=np.asarray(force))


def _down_s(d: Draw, r: Run, f: FloatArray, hang: float) -> tuple[float, float]:
    """Times at which the ground is met and the rope is slack."""
    t = r.time_s
    ground = np.flatnonzero(r.ground_n > 0.02 * d.path.weight_n)
    down = float(t[ground[0]]) if ground.size else float(t[-1])
    loaded = np.flatnonzero((f > 0.05 * hang) & (t > down))
    return down, float(t[loaded[-1]]) if loaded.size else down


def _touch_s(d: Draw, r: Run) -> tuple[float, float] | None:
    touching = np.flatnonzero(r.touch_n > 0.05 * d.path.weight_n)
    if not touching.size:
        return None
    return float(r.time_s[touching[0]]), float(r.time_s[touching[-1]])


def _rope_truth(d: Draw, r: Run, hung: NDArray[np.bool_]) -> dict[str, float]:
    """What is true of rope, sheave and ringing."""
    omega = np.sqrt(d.path.ea_n / d.path.lead_m / (d.path.weight_n / G))
    late = (r.time_s > d.release_end_s + 1.0) & (r.time_s < d.lowering_s)
    ring = float(np.ptp(lift_n(d.path, r)[late])) / 2 / d.path.weight_n if late.any() else 0.0
    return {
        "ea_n": d.path.ea_n,
        "damping_ratio": float(0.5 * d.path.tau_s * omega),
        "lead_m": float(np.median(np.hypot(r.x_m, r.y_m)[hung])),
        "fall_rope_m": d.path.fall_m,
        "eta": d.path.eta,
        "ring_amplitude_share": ring,
    }


def make_unseen(number: int) -> Lowering:
    """Play unseen lowering ``number`` (0 to ``COUNT`` - 1) and measure it.

    Parameters
    ----------
    number : int
        Which one; the same number gives the same lowering.

    Returns
    -------
    Lowering
    """
    rng = np.random.default_rng((SEED, number))
    method, station = CASES[number % len(CASES)]
    options = OPTIONS[number // len(CASES) % len(OPTIONS)]
    rate = float(rng.choice(RATES_HZ, p=_CHANCES))
    sharp = rate < 100.0 and bool(rng.random() < 0.7)
    d = draw_unseen(rng, method, options, sharp=sharp)
    tail = float(rng.uniform(1.5, 7.0)) + (5.0 if "drag" in options else 0.0)
    r = run(d.path, schedule(rng, d), d.start_m, contacts(rng, d), tail)
    t, f = r.time_s, station_force_n(d, r, station)
    hung = (t > d.lowering_s - 1.0) & (t < d.lowering_s)
    hang, drops = float(f[hung].mean()), method in DROPS
    down, ended = _down_s(d, r, f, hang)
    drag = (ended + 1.0, ended + 4.0) if "drag" in options and ended + 4.5 < t[-1] else None
    still = (t > d.release_s - 0.5) & (t < d.release_s)
    settled = None if drops else float(f[still].mean())
    first = _first_load(t, f, hang, d.release_s if drops else 0.0)
    peak, peak_at = _top(t, f)
    m = _noisier(rng, measure(rng, d, t, f, rate, hang, drag, (peak, peak_at)))
    touch = _touch_s(d, r)
    speed = float(r.vy_m_per_s[np.searchsorted(t, first) - 1])
    truth = Truth(
        number=number, method=method, station=station,
        mount={"lead": "end", "b_end": "end", "fall": "running_line"}.get(station, "sling"),
        rate_hz=rate, weight_n=d.path.weight_n, peak_n=peak, peak_time_s=peak_at,
        peak_samples_n=m.at_samples_top_n, settled_n=settled, hang_n=hang,
        share=0.0 if settled is None else float(lift_n(d.path, r)[still].mean()) / d.path.weight_n,
        kinds=_kinds(d, settled or 0.0, hang), first_load_s=first,
        release_s=first if drops else d.release_s, release_end_s=d.release_end_s,
        lowering_s=d.lowering_s, touchdown_s=down, unloaded_s=ended, drag_s=drag, touch_s=touch,
        stroke_s=d.stroke_s, fall_m=speed**2 / (2 * G) if drops else None,
        flags=_flags(d, m, touch is not None, drag is not None, peak, rate),
        **_rope_truth(d, r, hung),
    )  # fmt: skip
    noted = touch is not None and bool(rng.random() < 0.5)
    trace = make_trace(
        m.time_s, m.force_n, chain=chain_of(rng, d, r, station, m, hung), period_s=1.0 / rate,
        station=station, tag_line_tight="tag_line" in options, touched=noted,
        place=place_of(rng, d, r, station, hung),
    )  # fmt: skip
    return Lowering(trace, truth, t, f)
