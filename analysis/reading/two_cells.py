"""Two cells on one lowering: lead over fall, and what that says of the high block.

Comes in: two readings of one rope, one on each side of the high block or in its sling, on
one time line. Goes out: the ratio of the tensions in each motion, and the block's μθ with
U. Must not: take an efficiency from anywhere else (a load inferred with η cannot calibrate
η), or choose which lowering is looked at.

Notes
-----
T_lead/T_fall is exp(μθ) while lowering and in a first drop, exp(−μθ) while the winch
raises, anywhere between at rest. With raising and lowering of the same lowering
μθ = ½ ln[(T_lead/T_fall)_lower / (T_lead/T_fall)_raise], in which errors of both
calibrations cancel; with one motion alone they do not. η at the block's wrap is exp(−μθ).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

import numpy as np

from analysis.reading.place import Reads
from analysis.reading.summary import Features
from analysis.reading.trace import FloatArray, Trace

Motion = Literal["raising", "first_drop", "hang", "lowering"]

_BLOCK_S: Final[dict[Motion, float]] = {
    "raising": 0.1,
    "first_drop": 0.02,
    "hang": 0.1,
    "lowering": 0.1,
}
"""Length of a block; a first drop is over in a quarter of a swing."""
_LEAST_SHARE: Final = 0.25
"""Below this share of the hang reading the zeros decide the ratio."""
_FEWEST: Final = 3
_SIDES: Final[frozenset[frozenset[str]]] = frozenset(
    {frozenset({"piece", "fall"}), frozenset({"piece", "sling"}), frozenset({"fall", "sling"})}
)


@dataclass(frozen=True, slots=True, eq=False)
class CellReading:
    """What one cell of a lowering says.

    Parameters
    ----------
    cell, station : str
        Names.
    reads : str
        ``piece`` (the lead), ``fall``, or ``sling`` (of the high block).
    trace : Trace
        Newtons, zero not taken.
    features : Features
        Read from it.
    offset_s : float
        Time of the trace's second 0 on the line that both share.
    alignment_u_s : float
        Standard uncertainty of that.
    """

    cell: str
    station: str
    reads: Reads
    trace: Trace
    features: Features
    offset_s: float = 0.0
    alignment_u_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Ratio:
    """T_lead/T_fall in one motion; ``u`` is expanded (k = 2).

    ``scatter_rel_u`` is the part of its standard uncertainty that is not of the cells;
    ``lead_n``, ``fall_n`` are the levels at which it was seen, ``n`` the blocks.
    """

    motion: Motion
    lead_over_fall: float
    u: float
    scatter_rel_u: float
    lead_n: float
    fall_n: float
    n: int


@dataclass(frozen=True, slots=True)
class TwoCells:
    """Ratios by motion, and the friction of the high block.

    Parameters
    ----------
    cells, stations : pair of str
        In the order given.
    ratios : tuple of Ratio
        Of the motions that were seen.
    wrap_friction, wrap_friction_u : float or None
        μθ and its expanded uncertainty; None where no moving rope was seen.
    efficiency, efficiency_u : float or None
        exp(−μθ) at the block's wrap angle.
    source : str
        ``raising and lowering``, ``lowering`` or ``raising``.
    drop_efficiency, drop_efficiency_u : float or None
        T_fall/T_lead in the first drop: η for drops is not η for slow raising.
    disagree : bool
        Raising and lowering put μθ below 0 by more than U: the cells or their places
        are not what was entered.
    """

    cells: tuple[str, str]
    stations: tuple[str, str]
    ratios: tuple[Ratio, ...]
    wrap_friction: float | None
    wrap_friction_u: float | None
    efficiency: float | None
    efficiency_u: float | None
    source: str
    drop_efficiency: float | None
    drop_efficiency_u: float | None
    disagree: bool

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        out = asdict(self)
        out["cells"], out["stations"] = list(self.cells), list(self.stations)
        out["ratios"] = [asdict(ratio) for ratio in self.ratios]
        return out


def fall_from_sling_n(sling_n: FloatArray, lead_n: FloatArray, included_rad: float) -> FloatArray:
    """Tension of one leg from a block's sling and the other leg.

    Parameters
    ----------
    sling_n, lead_n : (n,) float64
        Resultant in the sling and tension of the other leg, newtons.
    included_rad : float
        Angle between the legs.

    Returns
    -------
    (n,) float64

    Examples
    --------
    >>> fall_from_sling_n(np.array([190.0]), np.array([100.0]), 0.0).tolist()
    [90.0]
    """
    across = lead_n * math.sin(included_rad)
    along = np.sqrt(np.maximum(sling_n**2 - across**2, 0.0))
    return np.asarray(along - lead_n * math.cos(included_rad))


def friction_of_pair(
    raise_n: float, lower_n: float, raise_rel_u: float = 0.0, lower_rel_u: float = 0.0
) -> tuple[float, float]:
    """Measure μθ of a contact from the fall: the same load raised, then lowered.

    Parameters
    ----------
    raise_n, lower_n : float
        Tension of the fall while the load goes up and while it comes down, newtons; or,
        where the lead is read too, per newton of the lead, which need not stay the same.
    raise_rel_u, lower_rel_u : float
        Relative standard uncertainties that the two do not share (not the calibration).

    Returns
    -------
    wrap_friction, wrap_friction_u : float
        μθ = ½ ln(T_raise/T_lower), and its expanded uncertainty (k = 2).

    Examples
    --------
    >>> round(friction_of_pair(98.0, 50.0)[0], 4)
    0.3365
    """
    return 0.5 * math.log(raise_n / lower_n), math.hypot(raise_rel_u, lower_rel_u)


def compare_cells(
    first: CellReading, second: CellReading, included_rad: float = 0.0
) -> TwoCells | None:
    """Set two cells of one lowering beside each other.

    Parameters
    ----------
    first, second : CellReading
        On either side of the high block, or one of them in its sling; one rope, no span rig.
    included_rad : float
        Angle between lead and fall at the high block.

    Returns
    -------
    TwoCells or None
        None where the two places say nothing of the block, or no motion was seen by both.
    """
    if frozenset({first.reads, second.reads}) not in _SIDES:
        return None
    told = first if first.reads == "piece" or second.reads == "sling" else second
    time_s, lead_n, fall_n = _legs(first, second, included_rad)
    if time_s.size == 0:
        return None
    floor_n = _LEAST_SHARE * (told.features.hang_reading_n or float(np.max(lead_n)))
    cells = (first, second)
    ratios = tuple(
        ratio
        for motion, spans in _spans(told).items()
        if (ratio := _ratio(motion, spans, time_s, lead_n, fall_n, floor_n, cells)) is not None
    )
    if not ratios:
        return None
    return _told(cells, {ratio.motion: ratio for ratio in ratios})


def _legs(
    first: CellReading, second: CellReading, included_rad: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give times of the slower cell and both tensions there; nothing inside a gap."""
    slow, fast = sorted((first, second), key=lambda one: one.trace.rate_hz)
    time_s = slow.trace.time_s + slow.offset_s
    there = fast.trace.time_s + fast.offset_s
    keep = (time_s >= there[0]) & (time_s <= there[-1])
    for gap in fast.trace.gaps:
        keep &= ~((time_s > gap.start_s + fast.offset_s) & (time_s < gap.end_s + fast.offset_s))
    time_s = time_s[keep]
    slow_n = slow.trace.force_n[keep] - slow.features.zero_n
    fast_n = _near_means(time_s, there, fast.trace.force_n - fast.features.zero_n, slow)
    by: dict[str, FloatArray] = {slow.reads: slow_n, fast.reads: fast_n}
    if "sling" in by:
        other = "piece" if "piece" in by else "fall"
        rest = fall_from_sling_n(by["sling"], by[other], included_rad)
        by = {other: by[other], "fall" if other == "piece" else "piece": rest}
    return time_s, by["piece"], by["fall"]


def _near_means(
    at_s: FloatArray, time_s: FloatArray, force_n: FloatArray, slow: CellReading
) -> FloatArray:
    """Mean of the faster cell over the sample period of the slower, about each time."""
    if at_s.size == 0:
        return at_s
    half = 0.5 * slow.trace.period_s
    area = np.concatenate([[0.0], np.cumsum(0.5 * (force_n[1:] + force_n[:-1]) * np.diff(time_s))])
    low, high = np.maximum(at_s - half, time_s[0]), np.minimum(at_s + half, time_s[-1])
    return np.asarray((np.interp(high, time_s, area) - np.interp(low, time_s, area)) / (high - low))


def _spans(told: CellReading) -> dict[Motion, list[tuple[float, float]]]:
    """When the rope ran over the block, and when it hung still, on the shared line."""
    f, shift = told.features, told.offset_s
    spans: dict[Motion, list[tuple[float, float]]] = {
        "raising": [(s.start_s + 0.4 * (s.top_s - s.start_s), s.top_s) for s in f.strokes],
        "first_drop": [],
        "hang": [],
        "lowering": [(p.start_s + 0.5, p.end_s) for p in f.phases if p.name == "lowering"],
    }
    if f.release_time_s is not None and f.release_peak_time_s is not None:
        spans["first_drop"] = [(f.release_time_s, f.release_peak_time_s)]
    if f.hang_start_s is not None and f.hang_end_s is not None:
        spans["hang"] = [(f.hang_start_s, f.hang_end_s)]
    return {m: [(a + shift, b + shift) for a, b in found] for m, found in spans.items()}


def _ratio(
    motion: Motion,
    spans: Iterable[tuple[float, float]],
    time_s: FloatArray,
    lead_n: FloatArray,
    fall_n: FloatArray,
    floor_n: float,
    cells: tuple[CellReading, CellReading],
) -> Ratio | None:
    """Median over blocks of T_lead/T_fall where both carry enough."""
    lead, fall, slopes = [], [], []
    block_s = _BLOCK_S[motion]
    for start_s, end_s in spans:
        inside = np.flatnonzero(
            (time_s >= start_s) & (time_s <= end_s) & (lead_n > floor_n) & (fall_n > floor_n)
        )
        numbers = np.floor((time_s[inside] - start_s) / block_s)
        for number in np.unique(numbers):
            part = inside[numbers == number]
            lead.append(float(lead_n[part].mean()))
            fall.append(float(fall_n[part].mean()))
            slopes.append(float(np.ptp(lead_n[part])) / lead[-1] / block_s)
    if len(lead) < _FEWEST:
        return None
    logs = np.log(np.array(lead) / np.array(fall))
    middle = float(np.median(logs))
    spread = 1.4826 * float(np.median(np.abs(logs - middle)))
    late = math.hypot(cells[0].alignment_u_s, cells[1].alignment_u_s) * float(np.median(slopes))
    scatter = math.hypot(1.25 * spread / math.sqrt(len(lead)), late)
    level = (float(np.median(lead)), float(np.median(fall)))
    rel_u = math.sqrt(
        scatter**2 + sum(c.trace.chain.calibration_rel_u**2 for c in cells)
        + sum((c.features.zero_n_u / 2.0 / min(level)) ** 2 for c in cells)
    )  # fmt: skip
    ratio = math.exp(middle)
    return Ratio(motion, ratio, 2.0 * rel_u * ratio, scatter, *level, len(lead))


def _told(cells: tuple[CellReading, CellReading], by: dict[Motion, Ratio]) -> TwoCells:
    """Tell the block's friction, from raising and lowering rather than from either alone."""
    up, down, drop = by.get("raising"), by.get("lowering"), by.get("first_drop")
    friction: float | None = None
    u = 0.0
    source = ""
    if up is not None and down is not None:
        zeros = sum(
            (c.features.zero_n_u / 2.0 * (1.0 / up.lead_n - 1.0 / down.lead_n)) ** 2 for c in cells
        )
        friction, u = friction_of_pair(
            1.0 / up.lead_over_fall,
            1.0 / down.lead_over_fall,
            math.hypot(up.scatter_rel_u, math.sqrt(zeros)),
            down.scatter_rel_u,
        )
        source = "raising and lowering"
    elif (one := down or up) is not None:
        friction = math.log(one.lead_over_fall) * (1.0 if one is down else -1.0)
        u = one.u / one.lead_over_fall
        source = one.motion
    efficiency = None if friction is None else math.exp(-friction)
    known = friction is not None
    return TwoCells(
        cells=(cells[0].cell, cells[1].cell),
        stations=(cells[0].station, cells[1].station),
        ratios=tuple(by.values()),
        wrap_friction=friction,
        wrap_friction_u=u if known else None,
        efficiency=efficiency,
        efficiency_u=None if efficiency is None else u * efficiency,
        source=source,
        drop_efficiency=None if drop is None else 1.0 / drop.lead_over_fall,
        drop_efficiency_u=None if drop is None else drop.u / drop.lead_over_fall**2,
        disagree=friction is not None and friction < -u,
    )
