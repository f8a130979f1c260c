"""Ties the device's tick to the host's clock: a fitted, piecewise-linear line.

Comes in: unwrapped ticks and host times of frames. Goes out: the map from tick to host
time. Must not: do I/O, ask a clock, or touch counts.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

SLOPE_AFTER_US: Final = 30_000_000
KNOT_SPAN_US: Final = 300_000_000
_MAX_DRIFT: Final = 500e-6


@dataclass(frozen=True, slots=True, eq=False)
class TimeFit:
    """Piecewise-linear map from unwrapped tick to host time.

    Parameters
    ----------
    knot_tick_us : (k,) float64
        Ticks of the knots.
    knot_offset_ns : (k,) float64
        Host time minus tick at the knots.
    drift_ppm : float
        Mean rate of the host's clock against the device's, minus one.
    """

    knot_tick_us: NDArray[np.float64]
    knot_offset_ns: NDArray[np.float64]
    drift_ppm: float

    def host_ns(self, tick_us: ArrayLike) -> NDArray[np.int64]:
        """Host time of ticks.

        Parameters
        ----------
        tick_us : (n,) int64
            Unwrapped.

        Returns
        -------
        (n,) int64
            Nanoseconds of the clock that runs through suspend.
        """
        ticks = np.asarray(tick_us, dtype=np.int64)
        at, value = self.knot_tick_us, self.knot_offset_ns
        piece = np.clip(np.searchsorted(at, ticks) - 1, 0, max(len(at) - 2, 0))
        run = np.diff(at, append=at[-1] + 1.0)
        rise = np.diff(value, append=value[-1])
        offset = value[piece] + (ticks - at[piece]) * (rise[piece] / np.maximum(run[piece], 1.0))
        host: NDArray[np.int64] = ticks * 1000 + np.rint(offset).astype(np.int64)
        return host


def last_ticks(tick_us: ArrayLike, n: ArrayLike, sample_rate_hz: float) -> NDArray[np.int64]:
    """Give the tick of the last sample of each frame, as :func:`fit_envelope` wants it.

    Parameters
    ----------
    tick_us : (k,) int64
        Unwrapped tick of the first sample of each frame.
    n : (k,) int64
        Samples in each frame.
    sample_rate_hz : float
        Of the cell.

    Examples
    --------
    >>> last_ticks([1000, 17_000], [16, 1], 1000.0).tolist()
    [16000, 17000]
    """
    within = (np.asarray(n, dtype=np.int64) - 1) * (1e6 / sample_rate_hz)
    ticks: NDArray[np.int64] = np.asarray(tick_us, dtype=np.int64) + np.rint(within).astype(
        np.int64
    )
    return ticks


def fit_envelope(tick_us: ArrayLike, received_ns: ArrayLike) -> TimeFit:
    """Fit the lower envelope of (received − tick): latency only ever adds.

    Parameters
    ----------
    tick_us : (n,) int64
        Unwrapped tick of the *last* sample of each frame, as a frame is sent after it.
    received_ns : (n,) int64
        Host time at which the frame arrived.

    Returns
    -------
    TimeFit
        With knots at most five minutes apart. Before 30 s the slope is held at 0.

    Raises
    ------
    ValueError
        No frames, or arrays of different lengths.

    Notes
    -----
    In each piece the line is the edge of the lower convex hull under the mean tick: among
    all lines below the points it is the one nearest to them in the sum of distances. Drift
    beyond 500 ppm is not believed. What stays unknown is the least latency of the link
    (bounded by TIME exchanges); the fitted times are late by that much.

    References
    ----------
    S. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network
    delay measurements", INFOCOM 1999.

    Examples
    --------
    >>> fit_envelope([0, 16_000, 32_000], [2_000_000, 17_500_000, 40_000_000]).host_ns([0]).tolist()
    [1500000]
    """
    ticks = np.asarray(tick_us, dtype=np.int64)
    received = np.asarray(received_ns, dtype=np.int64)
    if ticks.size == 0 or ticks.shape != received.shape:
        raise ValueError("fit_envelope needs at least one frame and arrays of equal length")
    order = np.argsort(ticks, kind="stable")
    ticks, offset = ticks[order], (received - ticks * 1000)[order]
    base = int(offset[0])
    shifted = (offset - base).astype(np.float64)
    knots, values = _knots(ticks, shifted)
    span_us = knots[-1] - knots[0]
    drift = (values[-1] - values[0]) / span_us * 1e3 if span_us > 0 else 0.0
    return TimeFit(knots, values + base, float(drift))


def _knots(
    ticks: NDArray[np.int64], offset: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Find ends and inner knots of the envelope."""
    first, last = float(ticks[0]), float(ticks[-1])
    if last - first < SLOPE_AFTER_US:
        return np.array([first, last]), np.full(2, offset.min())
    pieces = max(1, round((last - first) / KNOT_SPAN_US))
    edges = np.linspace(first, last, pieces + 1)
    cuts = [0, *np.searchsorted(ticks, edges[1:-1]).tolist(), len(ticks)]
    lines = [
        _support_line(ticks[a:b], offset[a:b])
        for a, b in itertools.pairwise(cuts)
        if b - a >= 2 and ticks[b - 1] > ticks[a]
    ]
    inner = [(at, value) for at, value, _ in lines]
    (at0, value0, slope0), (at1, value1, slope1) = lines[0], lines[-1]
    points = [
        (first, value0 + slope0 * (first - at0)),
        *(inner if len(inner) > 1 else []),
        (last, value1 + slope1 * (last - at1)),
    ]
    knots = np.array(points)
    return knots[:, 0], knots[:, 1]


def _support_line(
    ticks: NDArray[np.int64], offset: NDArray[np.float64]
) -> tuple[float, float, float]:
    """Line under the points that touches them at the mean tick: (tick, value, slope)."""
    at = float(ticks.mean())
    hull = _lower_hull(ticks, offset)
    x = ticks[hull].astype(np.float64)
    y = offset[hull]
    i = int(np.clip(np.searchsorted(x, at), 1, len(x) - 1))
    limit = _MAX_DRIFT * 1e3
    slope = float(np.clip((y[i] - y[i - 1]) / (x[i] - x[i - 1]), -limit, limit))
    value = float(np.min(offset - slope * (ticks - at)))
    return at, value, slope


def _lower_hull(ticks: NDArray[np.int64], offset: NDArray[np.float64]) -> list[int]:
    """Find the lower convex hull, by Andrew's monotone chain over bucket minima."""
    buckets = ((ticks - ticks[0]) // 250_000).astype(np.int64)
    starts = np.flatnonzero(np.diff(buckets, prepend=-1))
    ends = np.append(starts[1:], len(ticks))
    lowest = [int(a + np.argmin(offset[a:b])) for a, b in zip(starts, ends, strict=True)]
    hull: list[int] = []
    for i in lowest:
        while len(hull) >= 2 and _above(hull[-2], hull[-1], i, ticks, offset):
            hull.pop()
        hull.append(i)
    return hull if len(hull) > 1 else [0, len(ticks) - 1]


def _above(a: int, b: int, c: int, ticks: NDArray[np.int64], offset: NDArray[np.float64]) -> bool:
    """Whether point b lies on or above the line from a to c."""
    run_b, run_c = float(ticks[b] - ticks[a]), float(ticks[c] - ticks[a])
    return bool((offset[b] - offset[a]) * run_c >= (offset[c] - offset[a]) * run_b)
