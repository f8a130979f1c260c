"""Lowerings with known truth, written without looking at the reader.

Comes in: the number of a lowering. Goes out: a :class:`Lowering` of its
:class:`~analysis.reading.trace.Trace` and :class:`Truth`. Deterministic by number. Must
not: call the predictor, or read a feature.

FROZEN on 2026-11-25 with the commit that adds this file, before the reader was tuned
against it. A later change goes into a new version beside it, never here.

Notes
-----
Own numerical integration (``lowering_generator_motion``), own statics. Stations: ``lead``
(mount end), ``piece_sling`` (sling), ``b_end`` (end), ``sling_a`` (sling), ``fall``
(running line). The piece is a point: a butt that turns about the tie is not played. The
release of a lift off centre is therefore a pendulum (``swing``) here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lowering_generator_chain import Measured, chain_of, measure, place_of
from lowering_generator_motion import FloatArray, G, Run, run
from lowering_generator_plan import DROPS, Draw, contacts, draw, lift_n, schedule

from analysis.reading.trace import Trace, make_trace

SEED = 640_125
CASES: tuple[tuple[str, str], ...] = (
    *((m, s) for m in ("butt_tied", "tip_tied", "snubbed_drop", "let_run_drop", "swing") for s in ("lead", "sling_a", "fall")),
    *(("span_rig", s) for s in ("piece_sling", "b_end", "sling_a", "fall")),
)  # fmt: skip
ROUNDS = 20
COUNT = len(CASES) * ROUNDS
OPTIONS: tuple[frozenset[str], ...] = tuple(
    frozenset(words.split())
    for words in (
        "saw", "wind", "stem", "share_1.25 gap", "drag", "staged saw", "roof", "gradual",
        "tag_line", "balanced", "brush", "wind", "staged", "drag gap", "tip_first",
        "saw gap_in_peak", "gradual", "tag_line", "tip_first stem", "clipped",
    )
)  # fmt: skip
"""What is special in each of the rounds."""


@dataclass(frozen=True, slots=True)
class Truth:
    """What is true of one lowering; forces at the station unless said, times in seconds.

    ``peak_n`` is of the whole lowering in continuous time, ``peak_samples_n`` at the
    samples. ``kinds`` are the release kinds that describe it rightly; ``balance`` is
    the change of the station's mean over the hand-over. ``fall_m`` is speed squared over
    2 g when the rope first carries a falling piece. ``flags`` ought to stand.
    """

    number: int
    method: str
    station: str
    mount: str
    rate_hz: float
    weight_n: float
    peak_n: float
    peak_time_s: float
    peak_samples_n: float
    settled_n: float | None
    hang_n: float
    share: float
    kinds: tuple[str, ...]
    first_load_s: float
    release_s: float
    release_end_s: float
    lowering_s: float
    touchdown_s: float
    unloaded_s: float
    drag_s: tuple[float, float] | None
    touch_s: tuple[float, float] | None
    stroke_s: tuple[float, ...]
    fall_m: float | None
    ea_n: float
    damping_ratio: float
    lead_m: float
    fall_rope_m: float
    eta: float
    ring_amplitude_share: float
    flags: frozenset[str]


@dataclass(frozen=True, slots=True, eq=False)
class Lowering:
    """A trace, its truth, and the true force at the station."""

    trace: Trace
    truth: Truth
    true_time_s: FloatArray
    true_force_n: FloatArray


def station_force_n(d: Draw, r: Run, station: str) -> FloatArray:
    """True force that the cell carries."""
    if station in ("lead", "fall", "b_end"):
        return {"lead": r.lead_n, "fall": r.fall_n, "b_end": r.standing_n}[station].copy()
    far = np.hypot(r.x_m, r.y_m)
    ux, uy = r.x_m / far, r.y_m / far
    if station == "sling_a":
        angle = -d.fall_angle_rad
        return np.hypot(  # type: ignore[no-any-return]
            r.lead_n * ux + r.fall_n * np.sin(angle), r.lead_n * uy + r.fall_n * np.cos(angle)
        )
    dx, dy = r.x_m - d.path.b_x_m, r.y_m - d.path.b_y_m
    near = np.hypot(dx, dy)
    return np.hypot(
        r.lead_n * ux + r.standing_n * dx / near, r.lead_n * uy + r.standing_n * dy / near
    )


def _top(t: FloatArray, f: FloatArray) -> tuple[float, float]:
    """Largest value and its time, by the parabola through the three points about it."""
    i = int(np.argmax(f))
    if not 0 < i < f.size - 1:
        return float(f[i]), float(t[i])
    a, b, c = f[i - 1 : i + 2]
    bend = a - 2 * b + c
    shift = 0.5 * (a - c) / bend if bend < 0.0 else 0.0
    return float(b - 0.25 * (a - c) * shift), float(t[i] + shift * (t[i + 1] - t[i]))


def _kinds(d: Draw, settled: float, hang: float) -> tuple[str, ...]:
    if d.method in DROPS:
        return ("catch",)
    step = (hang - settled) / hang
    if abs(step) < 0.06:
        return ("rise", "drop", "none", "gradual", "staged")
    if "gradual" in d.options:
        return ("gradual",)
    if "staged" in d.options:
        return ("staged",)
    return ("rise",) if step > 0 else ("drop",)


def _first_load(t: FloatArray, f: FloatArray, hang: float, after_s: float) -> float:
    over = np.flatnonzero((f > 0.02 * hang) & (t >= after_s))
    return float(t[over[0]]) if over.size else float(t[-1])


def _flags(
    d: Draw, m: Measured, touched: bool, dragged: bool, true_peak: float, rate: float
) -> frozenset[str]:
    stand = {
        "tag_line": "tag_line" in d.options,
        "wind": "wind" in d.options,
        "saw": "saw" in d.options and d.method not in DROPS,
        "touch": touched,
        "drag": dragged,
        "clipped": m.clipped,
        "gap_in_peak": m.gap_in_peak,
        "gap": m.has_gap,
        "rate_low": m.clean_top_n < 0.98 * true_peak,
        "slow_rate": rate < 200.0,
    }
    return frozenset(name for name, stands in stand.items() if stands)


def make_lowering(number: int) -> Lowering:
    """Play lowering ``number`` (0 to ``COUNT`` - 1) and measure it.

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
    options = OPTIONS[number // len(CASES) % ROUNDS]
    rate = float(rng.choice([320.0, 1000.0, 80.0], p=[0.45, 0.45, 0.1]))
    d = draw(rng, method, options)
    tail = float(rng.uniform(2.5, 5.0)) + (5.0 if "drag" in options else 0.0)
    r = run(d.path, schedule(rng, d), d.start_m, contacts(rng, d), tail)
    t, f = r.time_s, station_force_n(d, r, station)
    ground = np.flatnonzero(r.ground_n > 0.02 * d.path.weight_n)
    down = float(t[ground[0]]) if ground.size else float(t[-1])
    hung = (t > d.lowering_s - 1.0) & (t < d.lowering_s)
    hang = float(f[hung].mean())
    loaded = np.flatnonzero((f > 0.05 * hang) & (t > down))
    ended = float(t[loaded[-1]]) if loaded.size else down
    drag = (ended + 1.0, ended + 4.0) if "drag" in options and ended + 4.5 < t[-1] else None
    still = (t > d.release_s - 0.5) & (t < d.release_s)
    settled = None if method in DROPS else float(f[still].mean())
    first = _first_load(t, f, hang, d.release_s if method in DROPS else 0.0)
    m = measure(rng, d, t, f, rate, hang, drag, _top(t, f))
    touching = np.flatnonzero(r.touch_n > 0.05 * d.path.weight_n)
    touch = (float(t[touching[0]]), float(t[touching[-1]])) if touching.size else None
    peak, peak_at = _top(t, f)
    fell = None
    if method in DROPS:
        fell = float(r.vy_m_per_s[np.searchsorted(t, first) - 1] ** 2 / (2 * G))
    lead = float(np.median(np.hypot(r.x_m, r.y_m)[hung]))
    omega = np.sqrt(d.path.ea_n / d.path.lead_m / (d.path.weight_n / G))
    lift = lift_n(d.path, r)
    late = (t > d.release_end_s + 1.0) & (t < d.lowering_s)
    ring = float(np.ptp(lift[late])) / 2 / d.path.weight_n if late.any() else 0.0
    truth = Truth(
        number=number, method=method, station=station,
        mount={"lead": "end", "b_end": "end", "fall": "running_line"}.get(station, "sling"),
        rate_hz=rate, weight_n=d.path.weight_n, peak_n=peak, peak_time_s=peak_at,
        peak_samples_n=m.at_samples_top_n, settled_n=settled, hang_n=hang,
        share=0.0 if settled is None else float(lift[still].mean()) / d.path.weight_n,
        kinds=_kinds(d, settled or 0.0, hang), first_load_s=first,
        release_s=first if method in DROPS else d.release_s, release_end_s=d.release_end_s,
        lowering_s=d.lowering_s, touchdown_s=down, unloaded_s=ended, drag_s=drag, touch_s=touch,
        stroke_s=d.stroke_s, fall_m=fell, ea_n=d.path.ea_n,
        damping_ratio=float(0.5 * d.path.tau_s * omega), lead_m=lead, fall_rope_m=d.path.fall_m,
        eta=d.path.eta, ring_amplitude_share=ring,
        flags=_flags(d, m, touch is not None, drag is not None, peak, rate),
    )  # fmt: skip
    noted = bool(touch) and bool(rng.random() < 0.5)
    trace = make_trace(
        m.time_s, m.force_n, chain=chain_of(rng, d, r, station, m, hung), period_s=1.0 / rate,
        station=station, tag_line_tight="tag_line" in options, touched=noted,
        place=place_of(rng, d, r, station, hung),
    )  # fmt: skip
    return Lowering(trace, truth, t, f)
