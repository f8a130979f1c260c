"""The fit of a device's clock, slow and obvious: a twin of ``timebase.py`` and ``envelope.py``.

Lines are found by linear programming (scipy's HiGHS) over one constraint a point, bounds by
looking at every point for every moment, all else by loops. It follows what the fast code says
that it does, and shares none of it.
"""

from __future__ import annotations

import itertools
import statistics
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

from logger.timebase import Exchanges

Pairs = list[tuple[float, float]]
"""(seconds, nanoseconds)."""


def line_under(points: Pairs) -> tuple[float, float, float]:
    """Highest line at the mean time that no point lies below: (time, value, slope in ns/s).

    Maximise a with a + b (x - mean) <= y for each point and |b| <= 500 ppm; in milliseconds, so
    that the solver's tolerance of 1e-7 is 0.1 ns.
    """
    mean_s = statistics.fmean(at for at, _ in points)
    least_ms = min(value for _, value in points) / 1e6
    solved = linprog(
        c=[-1.0, 0.0],
        A_ub=[[1.0, at - mean_s] for at, _ in points],
        b_ub=[value / 1e6 - least_ms for _, value in points],
        bounds=[(None, None), (-0.5, 0.5)],
        method="highs",
    )
    assert solved.x is not None, solved.message
    value_ms, slope_ms = solved.x
    return mean_s, (value_ms + least_ms) * 1e6, slope_ms * 1e6


def highest_by_looking(points: Pairs, slope: float, at_s: float) -> float:
    """Least over the points of value + slope x distance; infinite without any."""
    return min((value + slope * abs(at_s - at) for at, value in points), default=float("inf"))


def lowest_by_looking(points: Pairs, slope: float, at_s: float) -> float:
    """Largest over the points of value - slope x distance; minus infinity without any."""
    return max((value - slope * abs(at_s - at) for at, value in points), default=-float("inf"))


def least_by_looking(points: Pairs, reach_s: float) -> list[float]:
    """The least of the points at most so far from each."""
    return [min(v for at, v in points if abs(at - here) <= reach_s) for here, _ in points]


def on(knots: Pairs, at_s: float) -> float:
    """Value of the line through the knots, straight on beyond its ends."""
    k = 0
    while k < len(knots) - 2 and knots[k + 1][0] < at_s:
        k += 1
    (x0, y0), (x1, y1) = knots[k], knots[k + 1]
    return y0 + (y1 - y0) * (at_s - x0) / (x1 - x0)


def cut(points: Pairs, piece_s: float = 60.0) -> list[Pairs]:
    """Pieces of about one length in time; those with a single moment are left out."""
    first, last = points[0][0], points[-1][0]
    n = max(1, round((last - first) / piece_s))
    pieces: list[Pairs] = [[] for _ in range(n)]
    for at, value in points:
        k = sum(at >= first + (last - first) * cut_k / n for cut_k in range(1, n))
        pieces[k].append((at, value))
    return [piece for piece in pieces if len({at for at, _ in piece}) > 1]


def offset_line(points: Pairs) -> Pairs:
    """Knots of the line under the points: the ends, and of several pieces one in each."""
    lines = [line_under(piece) for piece in cut(points) or [points]]
    (at0, value0, slope0), (at1, value1, slope1) = lines[0], lines[-1]
    first, last = points[0][0], points[-1][0]
    begin = (first, value0 + slope0 * (first - at0))
    end = (last, value1 + slope1 * (last - at1))
    if len(lines) == 1:
        return [begin, end]
    knots = [begin, *((at, value) for at, value, _ in lines), end]
    at, value, slope = line_under(points)
    off = [(x, y - value - slope * (x - at)) for x, y in knots]
    pulled = [highest_by_looking(off, 20e3, x) for x, _ in knots]
    return [(x, y + value + slope * (x - at)) for (x, _), y in zip(knots, pulled, strict=True)]


def unsteadiness_by_looking(points: Pairs, line: Pairs) -> float:
    """Nanoseconds a second: of the least points of the pieces' quarters, and of the bends."""
    rates = []
    for piece in cut([(at, value - on(line, at)) for at, value in points]):
        first, quarter = piece[0][0], (piece[-1][0] - piece[0][0]) / 4
        groups: dict[int, list[float]] = {}
        for at, value in piece:
            k = sum(at >= edge for edge in np.linspace(first, piece[-1][0], 5)[1:4])
            groups.setdefault(k, []).append(value)
        least = [min(group) for group in groups.values()]
        rates.append((max(least) - min(least)) / quarter)
    slopes = [(y1 - y0) / (x1 - x0) for (x0, y0), (x1, y1) in itertools.pairwise(line) if x1 > x0]
    bends = [abs(after - before) for before, after in itertools.pairwise(slopes)]
    return max(statistics.median(rates or [0.0]), statistics.median(bends or [0.0]))


@dataclass(frozen=True)
class SlowFit:
    """A line, what was added to it at its knots, and the points less the line that bound that."""

    line: Pairs
    moved: Pairs
    slope: float
    above: Pairs
    below: Pairs
    first_us: int
    base_ns: int

    def _at_s(self, tick_us: int) -> float:
        return (tick_us - self.first_us) / 1e6

    def host_ns(self, tick_us: int) -> float:
        """Host time of a tick."""
        at_s = self._at_s(tick_us)
        return tick_us * 1000 + self.base_ns + on(self.line, at_s) + on(self.moved, at_s)

    def off_ns(self, tick_us: int) -> float:
        """How far the offset can be from the one chosen, at this very moment."""
        at_s = self._at_s(tick_us)
        chosen = on(self.moved, at_s)
        off = abs(highest_by_looking(self.above, self.slope, at_s) - chosen)
        if self.below:
            off = max(off, abs(chosen - lowest_by_looking(self.below, self.slope, at_s)))
        return off


def slow_fit(
    tick_us: NDArray[np.int64], received_ns: NDArray[np.int64], exchanges: Exchanges
) -> SlowFit:
    """Fit as :func:`logger.timebase.fit_envelope`; at least two frames at two moments."""
    frames = sorted(zip(tick_us.tolist(), received_ns.tolist(), strict=True))
    first_us = frames[0][0]
    base_ns = frames[0][1] - first_us * 1000

    def points(ticks: list[int], host_ns: list[int]) -> Pairs:
        return [
            ((tick - first_us) / 1e6, float(ns - tick * 1000 - base_ns))
            for tick, ns in sorted(zip(ticks, host_ns, strict=True))
        ]

    came = points([tick for tick, _ in frames], [ns for _, ns in frames])
    asked = exchanges.tick_us.tolist()
    held = came[-1][0] < 30.0
    if held:
        least = min(value for _, value in came)
        line, slope = [(came[0][0], least), (came[-1][0], least)], 100e3
    else:
        line = offset_line(came)
        slope = min(100e3, 2e3 + 3.0 * unsteadiness_by_looking(came, line))
    above = came + points(asked, exchanges.received_ns.tolist())
    below = points(asked, exchanges.sent_ns.tolist())
    above = [(at, value - on(line, at)) for at, value in above]
    below = [(at, value - on(line, at)) for at, value in below]
    while True:
        high = [highest_by_looking(above, slope, at) for at, _ in line]
        low = [lowest_by_looking(below, slope, at) for at, _ in line]
        if slope >= 100e3 or all(a <= b for a, b in zip(low, high, strict=True)):
            break
        slope = min(100e3, 2 * slope)
    if below:
        middle = [(a + b) / 2 for a, b in zip(low, high, strict=True)]
    else:
        middle = [min(b, 0.0) for b in high]
    if held:
        middle = [statistics.fmean(middle)] * len(line)
    moved = [(at, more) for (at, _), more in zip(line, middle, strict=True)]
    return SlowFit(line, moved, slope, above, below, first_us, base_ns)
