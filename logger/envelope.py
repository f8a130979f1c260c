"""Lower envelopes of points: lines under them, and bands that move no faster than a slope.

Comes in: points, seconds and nanoseconds. Goes out: knots of a piecewise-linear line, bounds
on a grid. Must not: know about devices, frames or clocks.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MOST_SLOPE: Final = 500e3
"""Nanoseconds a second, 500 ppm: more is not believed of two clocks."""
_MOST_WANDER: Final = 20e3
"""Nanoseconds a second off the mean drift (own assumption): a piece that seems to say more lies
in a burst of late frames."""
_QUARTERS: Final = 4
_TOUCHES_NS: Final = 1.0
_GRID_S: Final = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """Points in order of time; also the knots of a line.

    Parameters
    ----------
    at_s : (n,) float64
        Never decreasing, seconds.
    offset_ns : (n,) float64
        Nanoseconds.
    """

    at_s: Floats
    offset_ns: Floats

    def value(self, at_s: Floats) -> Floats:
        """Value of the line through the points, which goes on straight beyond its ends."""
        x, y = self.at_s, self.offset_ns
        value: Floats = np.interp(at_s, x, y)
        if len(x) > 1 and x[-1] > x[0]:
            low, high = ((y[i + 1] - y[i]) / (x[i + 1] - x[i]) for i in (0, -2))
            value += low * np.minimum(0.0, at_s - x[0]) + high * np.maximum(0.0, at_s - x[-1])
        return value

    def less(self, line: Points) -> Points:
        """Give the points less a line."""
        return Points(self.at_s, self.offset_ns - line.value(self.at_s))

    def part(self, begin: int, end: int) -> Points:
        """Give the points from one place to another."""
        return Points(self.at_s[begin:end], self.offset_ns[begin:end])


def envelope(points: Points, piece_s: float) -> Points:
    """Find a piecewise-linear line under points, piece by piece.

    Parameters
    ----------
    points : Points
        At least two, over some time.
    piece_s : float
        Length of a piece, about. A piece with a single moment in it is passed over.

    Returns
    -------
    Points
        Knots: the ends and, of several pieces, one in the middle of each.
    """
    first, last = float(points.at_s[0]), float(points.at_s[-1])
    lines = [_support_line(piece) for piece in pieces_of(points, piece_s) or [points]]
    inner = [(at, value) for at, value, _ in lines]
    (at0, value0, slope0), (at1, value1, slope1) = lines[0], lines[-1]
    ends = (first, value0 + slope0 * (first - at0)), (last, value1 + slope1 * (last - at1))
    if len(inner) < 2:
        return Points(*np.array(ends).T)
    return _steadied(Points(*np.array([ends[0], *inner, ends[1]]).T), _support_line(points))


def _steadied(knots: Points, whole: tuple[float, float, float]) -> Points:
    """Pull down knots of pieces in which every frame was late, by the neighbours' and the drift."""
    at, value, slope = whole
    drift_ns = value + slope * (knots.at_s - at)
    pulled = highest(Points(knots.at_s, knots.offset_ns - drift_ns), _MOST_WANDER, knots.at_s)
    return Points(knots.at_s, pulled + drift_ns)


def piece_edges(points: Points, piece_s: float) -> Floats:
    """Cut the points' time into pieces of about one length: where they begin, and the end."""
    first, last = float(points.at_s[0]), float(points.at_s[-1])
    return np.linspace(first, last, max(1, round((last - first) / piece_s)) + 1)


def pieces_of(points: Points, piece_s: float) -> list[Points]:
    """Cut points into pieces of about one length; those of a single moment are left out."""
    edges = piece_edges(points, piece_s)
    cuts = [0, *np.searchsorted(points.at_s, edges[1:-1]).tolist(), len(points.at_s)]
    parts = [points.part(a, b) for a, b in itertools.pairwise(cuts) if b - a >= 2]
    return [part for part in parts if part.at_s[-1] > part.at_s[0]]


def unsteadiness(residual: Points, line: Points, piece_s: float) -> float:
    """How fast what the line stands for may move against it, nanoseconds a second.

    Parameters
    ----------
    residual : Points
        The points less the line.
    line : Points
        Its knots.
    piece_s : float
        As for :func:`envelope`.

    Returns
    -------
    float
        Median over the pieces of: the spread of the least points of its quarters over the
        quarter's length; and over the knots of the change of slope.
    """
    rates = [0.0]
    for piece in pieces_of(residual, piece_s):
        edges = np.linspace(piece.at_s[0], piece.at_s[-1], _QUARTERS + 1)
        starts = np.searchsorted(piece.at_s, edges[:-1])
        starts = starts[starts < len(piece.at_s)]
        least = np.minimum.reduceat(piece.offset_ns, starts)
        rates.append(float(np.ptp(least) / (edges[1] - edges[0])))
    run = np.diff(line.at_s)
    slopes = np.diff(line.offset_ns)[run > 0] / run[run > 0]
    bends = np.abs(np.diff(slopes))
    return max(float(np.median(rates[1:] or rates)), float(np.median(bends)) if len(bends) else 0.0)


def highest(points: Points, slope: float, at_s: Floats) -> Floats:
    """Bound from above what lies under all points and moves no faster than ``slope``.

    Returns
    -------
    (n,) float64
        The least over the points of offset + slope x distance; infinite without any.

    Examples
    --------
    >>> highest(Points(np.array([0.0, 4.0]), np.array([1.0, 9.0])), 1.0, np.array([0.0, 2, 4]))
    array([1., 3., 5.])
    """
    x, y = points.at_s, points.offset_ns
    if not len(x):
        return np.full(len(at_s), np.inf)
    before = np.minimum.accumulate(y - slope * x)
    after = np.minimum.accumulate((y + slope * x)[::-1])[::-1]
    place = np.searchsorted(x, at_s, side="right")
    from_before = np.where(place > 0, before[np.maximum(place - 1, 0)] + slope * at_s, np.inf)
    last = len(x) - 1
    from_after = np.where(place <= last, after[np.minimum(place, last)] - slope * at_s, np.inf)
    bound: Floats = np.minimum(from_before, from_after)
    return bound


def nearby_least(points: Points, reach_s: float) -> Floats:
    """Find the least of the points around each.

    Parameters
    ----------
    points : Points
        Of n points.
    reach_s : float
        How far around, seconds.

    Returns
    -------
    (n,) float64
        The least offset of those at most so far before or after.

    Examples
    --------
    >>> nearby_least(Points(np.array([0.0, 1.0, 2.0, 9.0]), np.array([7.0, 1.0, 8.0, 5.0])), 1.0)
    array([1., 1., 1., 5.])
    """
    x = points.at_s
    begins = np.searchsorted(x, x - reach_s, side="left")
    ends = np.searchsorted(x, x + reach_s, side="right")
    closed = np.append(points.offset_ns, np.inf)  # an end may be the place after the last
    least: Floats = np.minimum.reduceat(closed, np.column_stack([begins, ends]).ravel())[::2]
    return least


def lowest(points: Points, slope: float, at_s: Floats) -> Floats:
    """Bound from below what lies over all points and moves no faster than ``slope``."""
    return -highest(Points(points.at_s, -points.offset_ns), slope, at_s)


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """What bounds an offset that moves no faster than a slope: each point less one line.

    Parameters
    ----------
    frames, came : Points
        Lie above the offset: frames when they came, answers when they came.
    sent : Points
        Lie below it: the requests of these answers when they were sent.

    Notes
    -----
    Slopes are nanoseconds a second.
    """

    frames: Points
    sent: Points
    came: Points

    @property
    def latency_ns(self) -> float | None:
        """Half the shortest time between a request and its answer; None without one."""
        trips = self.came.offset_ns - self.sent.offset_ns
        return float(trips.min()) / 2 if len(trips) else None

    def ends(self, slope: float, at_s: Floats) -> tuple[Floats, Floats]:
        """Lowest and highest the offset can be; minus infinity without an answer."""
        high = np.minimum(highest(self.frames, slope, at_s), highest(self.came, slope, at_s))
        return lowest(self.sent, slope, at_s), high

    def wide_enough(self, slope: float, at_s: Floats, *, most: float) -> float:
        """Double the slope, up to ``most``, while the bounds contradict each other."""
        while slope < most:
            low, high = self.ends(slope, at_s)
            if (low <= high).all():
                break
            slope = min(most, 2 * slope)
        return slope

    def middle_ns(self, slope: float, at_s: Floats, *, held: bool) -> Floats:
        """Where in the band the offset is put; one value for all when the line is held level."""
        low, high = self.ends(slope, at_s)
        middle: Floats = np.minimum(high, 0.0) if self.latency_ns is None else (low + high) / 2
        return np.full(len(at_s), middle.mean()) if held else middle

    def error_ns(self, slope: float, chosen: Points) -> Floats:
        """How far the ends are from the offset chosen, from each knot to the next."""
        grids = [
            np.linspace(begin, end, max(1, math.ceil((end - begin) / _GRID_S)) + 1)
            for begin, end in itertools.pairwise(chosen.at_s.tolist())
        ]
        at_s = np.concatenate(grids)
        low, high = self.ends(slope, at_s)
        middle = chosen.value(at_s)
        off = np.abs(high - middle)
        if self.latency_ns is not None:
            off = np.maximum(off, np.abs(middle - low))
        starts = np.cumsum([0, *map(len, grids[:-1])])
        half_steps_s = np.array([grid[1] - grid[0] for grid in grids]) / 2
        errors = np.maximum.reduceat(off, starts) + half_steps_s * slope
        return np.append(errors, errors[-1])


def _support_line(points: Points) -> tuple[float, float, float]:
    """Highest line at the points' mean time that none lies below: (time, value, slope).

    It touches a point on either side of that time. From the least of each side the line is
    brought down to the point farthest below it, until there is none.
    """
    at = float(points.at_s.mean())
    x, y = points.at_s - at, points.offset_ns
    split = int(np.clip(np.searchsorted(x, 0.0, side="right"), 1, len(x) - 1))
    left, right = int(np.argmin(y[:split])), split + int(np.argmin(y[split:]))
    for _ in range(len(x)):
        slope = float((y[right] - y[left]) / (x[right] - x[left]))
        over = y - slope * x
        lowest_one = int(np.argmin(over))
        if over[lowest_one] > min(over[left], over[right]) - _TOUCHES_NS:
            break
        left, right = (lowest_one, right) if lowest_one < split else (left, lowest_one)
    slope = float(np.clip(slope, -_MOST_SLOPE, _MOST_SLOPE))
    return at, float(np.min(y - slope * x)), slope
