"""The winch's work on a trace: strokes, pawl drops, creep, and what the saw changed.

Comes in: smoothed forces, the zero, the release. Goes out: strokes and how the settled
level moves. Must not: find the release (``release.py``) or state uncertainties.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.filters import Blocks, moving_mean, runs
from analysis.reading.levels import Zero
from analysis.reading.release import Release
from analysis.reading.trace import FloatArray

_STROKE_S: Final = 0.03
_STROKE_SHARE: Final = 0.015
_PAWL_S: Final = 0.6
_LEAST_CREEP_S: Final = 0.8
_AFTER_STROKE_S: Final = 0.7
_SAW_SHARE: Final = 0.02


@dataclass(frozen=True, slots=True)
class Stroke:
    """One pull of the winch.

    Parameters
    ----------
    start_s, top_s : float
        Where the force begins to rise, and its top.
    rise_n : float
        How far it rises.
    top_n : float
        Force at the top, zero taken.
    pawl_drop_n : float
        How far it falls back within 0.6 s: the handle goes back, the pawl takes the load.
    """

    start_s: float
    top_s: float
    rise_n: float
    top_n: float
    pawl_drop_n: float


@dataclass(frozen=True, slots=True)
class Winching:
    """The pretension as a staircase.

    Parameters
    ----------
    strokes : tuple of Stroke
        In order of time.
    creep_n_per_min : float or None
        Loss of the last settled level, newtons a minute; negative when it rises.
    creep_n_per_min_u : float or None
        Its expanded uncertainty (k = 2), from what the level leaves around a line.
    since_stroke_s : float or None
        From the last stroke's top to the release.
    saw_relief_n : float or None
        Change of the level between the last stroke and the release that a line through the
        creep does not explain: the piece leans on the rope (above 0) or the hinge, or the
        rope is eased (below 0). None below 2 % of the load.
    """

    strokes: tuple[Stroke, ...]
    creep_n_per_min: float | None
    creep_n_per_min_u: float | None
    since_stroke_s: float | None
    saw_relief_n: float | None


NO_WINCHING: Final = Winching((), None, None, None, None)


def find_strokes(
    time_s: FloatArray, smooth_n: FloatArray, zero: Zero, release: Release | None
) -> tuple[Stroke, ...]:
    """Find the winch strokes: rises of at least 1.5 % of the load, each after a pause.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    zero : Zero
        The record's zero and scale.
    release : Release or None
        Strokes are sought before it; none without a settled level.

    Returns
    -------
    tuple of Stroke
    """
    if release is None or release.kind in {"catch", "none"} or release.settled is None:
        return ()
    few = max(round(_STROKE_S / float(time_s[1] - time_s[0])), 1)
    span = (zero.load_s - 0.1, min(release.settled.end_s, release.start_s) - 0.2)
    first, last = (int(i) for i in np.searchsorted(time_s, span))
    part = moving_mean(smooth_n[first:last], few)[::few]
    times = time_s[first:last][::few]
    if part.size < 3:
        return ()
    slope = np.diff(part)
    steep = slope > max(0.2 * float(np.percentile(slope, 98.0)), 0.001 * zero.scale_n)
    steep[1:-1] |= steep[:-2] & steep[2:]
    rises = [(a, b) for a, b in runs(steep) if part[b] - part[a] > _STROKE_SHARE * zero.scale_n]
    if not rises:
        return ()
    ends = [*(a for a, _ in rises[1:]), part.size - 1]
    return tuple(_stroke(times, part, a, b, end) for (a, b), end in zip(rises, ends, strict=True))


def _stroke(times: FloatArray, part: FloatArray, a: int, b: int, end: int) -> Stroke:
    until = min(end, int(np.searchsorted(times, times[b] + _PAWL_S)))
    after = part[b : max(until, b) + 1]
    top = b + int(np.argmax(after))
    low = float(part[top : max(until, top) + 1].min())
    return Stroke(
        start_s=float(times[a]),
        top_s=float(times[top]),
        rise_n=float(part[top] - part[a]),
        top_n=float(part[top]),
        pawl_drop_n=max(float(part[top]) - low, 0.0),
    )


def read_winching(
    time_s: FloatArray,
    smooth_n: FloatArray,
    blocks: Blocks,
    zero: Zero,
    release: Release | None,
) -> Winching:
    """Read strokes, creep and what the saw changed before the release.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    blocks : Blocks
        Block means, zero not taken.
    zero : Zero
        The record's zero and scale.
    release : Release or None
        The release.

    Returns
    -------
    Winching
    """
    strokes = find_strokes(time_s, smooth_n, zero, release)
    if release is None or release.settled is None or release.kind == "catch":
        return Winching(strokes, None, None, None, None)
    since = release.start_s - strokes[-1].top_s if strokes else None
    start = release.settled.start_s
    if strokes:
        start = max(start, strokes[-1].top_s + _AFTER_STROKE_S)
    slope, slope_u = _line(blocks, start, min(release.start_s, release.settled.end_s) - 0.1)
    calm = strokes[-1].top_s + _AFTER_STROKE_S if strokes else start
    relief = _relief(blocks, zero, calm, release.start_s)
    creep = None if slope is None else -60.0 * slope
    creep_u = None if slope_u is None else 120.0 * slope_u
    return Winching(strokes, creep, creep_u, since, relief)


def _line(blocks: Blocks, start_s: float, end_s: float) -> tuple[float | None, float | None]:
    """Slope of the block means and its standard uncertainty, N/s."""
    a, b = blocks.index(start_s) + 1, blocks.index(end_s)
    part = blocks.mean_n[a:b]
    good = np.isfinite(part)
    if end_s - start_s < _LEAST_CREEP_S or np.count_nonzero(good) < 6:
        return None, None
    times = blocks.width_s * np.flatnonzero(good)
    away = times - times.mean()
    slope = float(away @ part[good] / (away @ away))
    left = part[good] - part[good].mean() - slope * away
    spread = float(left @ left) / (left.size - 2)
    return slope, float(np.sqrt(spread / (away @ away)))


def _relief(blocks: Blocks, zero: Zero, start_s: float, end_s: float) -> float | None:
    """Level just before the release minus the level after the last stroke."""
    few = max(round(0.3 / blocks.width_s), 2)
    a, b = blocks.index(start_s), blocks.index(end_s)
    part = blocks.mean_n[a:b]
    part = part[np.isfinite(part)]
    if part.size < 3 * few:
        return None
    change = float(np.median(part[-few - 1 : -1]) - np.median(part[:few]))
    return change if abs(change) > _SAW_SHARE * zero.scale_n else None
