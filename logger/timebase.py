"""Ties the device's tick to the host's clock: a fitted, piecewise-linear line, and its error.

Comes in: unwrapped ticks and host times of frames, answers to TIME. Goes out: the map from
tick to host time and how far it can be off. Must not: do I/O, ask a clock, or touch counts.

What holds, whatever the link does: a frame arrives after its last sample was taken, so
(received - tick) bounds the clocks' offset from above; a TIME request is read after it was
sent and before its answer came, so each answer bounds it from both sides. Between those
moments the offset moves by no more than the two clocks drift apart.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.envelope import Floats, Points, envelope, highest, lowest, unsteadiness

SLOPE_AFTER_US: Final = 30_000_000
PIECE_S: Final = 60.0
HELD_DRIFT_PPM: Final = 100.0
"""Most that a device's clock is taken to be off while nothing has been fitted (wire format)."""

_LEAST_WANDER_PPM: Final = 2.0
_WANDER_MARGIN: Final = 3.0
_NS_PER_PPM_S: Final = 1000.0
_GRID_S: Final = 5.0


@dataclass(frozen=True, slots=True, eq=False)
class Exchanges:
    """Answers to TIME: the device read its tick between two host times, arrays of equal length.

    Parameters
    ----------
    tick_us : (m,) int64
        Unwrapped.
    sent_ns, received_ns : (m,) int64
        Host times of the request and of its answer.
    """

    tick_us: NDArray[np.int64]
    sent_ns: NDArray[np.int64]
    received_ns: NDArray[np.int64]


NO_EXCHANGES: Final = Exchanges(*(np.empty(0, dtype=np.int64) for _ in range(3)))


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
    wander_ppm : float
        Half the range of that rate over the pieces: what warming and cooling do to it.
    knot_error_ns : (k,) float64
        Bound of the error from each knot to the next (the last: beyond it), without the link's
        least latency where nothing bounds that.
    slack_ppm : float
        How fast the error grows beyond the ends.
    latency_ns : float or None
        Bound of what the link's least latency may still shift all times by, part of the
        error; None without an answer to TIME: all times are late by an unknown least latency.
    """

    knot_tick_us: Floats
    knot_offset_ns: Floats
    drift_ppm: float
    wander_ppm: float = 0.0
    knot_error_ns: Floats = field(default_factory=lambda: np.zeros(1))
    slack_ppm: float = HELD_DRIFT_PPM
    latency_ns: float | None = None

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

    def error_ns(self, tick_us: ArrayLike) -> Floats:
        """Bound of the error of :meth:`host_ns`, a half-width.

        Parameters
        ----------
        tick_us : (n,) int64
            Unwrapped.

        Returns
        -------
        (n,) float64
            Nanoseconds. It holds the latency's share where ``latency_ns`` is not None.
        """
        ticks = np.asarray(tick_us, dtype=np.float64)
        at = self.knot_tick_us
        piece = np.clip(np.searchsorted(at, ticks, side="right") - 1, 0, len(at) - 1)
        beyond_s = np.maximum(0.0, np.maximum(at[0] - ticks, ticks - at[-1])) / 1e6
        error: Floats = self.knot_error_ns[piece] + beyond_s * self.slack_ppm * _NS_PER_PPM_S
        return error


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


def fit_envelope(
    tick_us: ArrayLike,
    received_ns: ArrayLike,
    exchanges: Exchanges = NO_EXCHANGES,
    *,
    jitter_us: float = 0.0,
) -> TimeFit:
    """Fit the lower envelope of (received - tick), and bound the latency that is left in it.

    Parameters
    ----------
    tick_us : (n,) int64
        Unwrapped tick of the *last* sample of each frame, as a frame is sent after it.
    received_ns : (n,) int64
        Host time at which the frame arrived.
    exchanges : Exchanges
        Answers to TIME.
    jitter_us : float
        Bound of the error of a tick, as the device says; added to the error.

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
    beyond 500 ppm is not believed.

    The offset of the clocks, less this line, moves no faster than the slope of the line is
    uncertain: a rate taken from how far the least points of the quarters of the pieces lie
    off it, and from how the slope changes from piece to piece (three times the median, and
    2 ppm; an own assumption). So every frame bounds it from above and every answer to TIME
    from both sides, at all times, less tightly the further away. The middle of the band is
    the offset, half its width the error. Without an answer the line itself is the offset.

    References
    ----------
    S. Moon, P. Skelly, D. Towsley, "Estimation and removal of clock skew from network
    delay measurements", INFOCOM 1999.

    Examples
    --------
    >>> fit_envelope([0, 16_000, 32_000], [2_000_000, 17_500_000, 40_000_000]).host_ns([0]).tolist()
    [1500000]
    >>> asked = Exchanges(*(np.array([n]) for n in (20_000, 20_100_000, 21_700_000)))
    >>> fit = fit_envelope([0, 16_000, 32_000], [2_000_000, 17_500_000, 40_000_000], asked)
    >>> fit.host_ns([0]).tolist(), round(float(fit.error_ns(0)) / 1e6, 2)
    ([800000], 0.7)
    """
    ticks = np.asarray(tick_us, dtype=np.int64)
    received = np.asarray(received_ns, dtype=np.int64)
    if ticks.size == 0 or ticks.shape != received.shape:
        raise ValueError("fit_envelope needs at least one frame and arrays of equal length")
    order = np.argsort(ticks, kind="stable")
    ticks, offset = ticks[order], (received - ticks * 1000)[order]
    first, base = int(ticks[0]), int(offset[0])
    frames = Points((ticks - first) / 1e6, (offset - base).astype(np.float64))
    answers = np.argsort(exchanges.tick_us, kind="stable")
    answered_s = (exchanges.tick_us[answers] - first) / 1e6
    sent, came = (
        Points(answered_s, (ns[answers] - exchanges.tick_us[answers] * 1000 - base).astype(float))
        for ns in (exchanges.sent_ns, exchanges.received_ns)
    )
    held = bool(ticks[-1] - ticks[0] < SLOPE_AFTER_US)
    if held:
        line = Points(frames.at_s[[0, -1]], np.full(2, frames.offset_ns.min()))
        slack_ppm = HELD_DRIFT_PPM
    else:
        line = envelope(frames, PIECE_S)
        unsteady = unsteadiness(frames.less(line), line, PIECE_S) / _NS_PER_PPM_S
        slack_ppm = min(HELD_DRIFT_PPM, _LEAST_WANDER_PPM + _WANDER_MARGIN * unsteady)
    band = _Band(frames.less(line), sent.less(line), came.less(line))
    slack_ppm = band.wide_enough(slack_ppm, line.at_s)
    moved = Points(line.at_s, band.middle_ns(slack_ppm, line.at_s, held=held))
    offset_ns = line.offset_ns + moved.offset_ns
    return TimeFit(
        knot_tick_us=line.at_s * 1e6 + first,
        knot_offset_ns=offset_ns + base,
        drift_ppm=_mean_ppm(line.at_s, offset_ns),
        wander_ppm=_half_range_ppm(line),
        knot_error_ns=band.error_ns(slack_ppm, moved) + jitter_us * 1000.0,
        slack_ppm=slack_ppm,
        latency_ns=band.latency_ns,
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """What bounds the offset, each less the line: frames, and answers from below and above."""

    frames: Points
    sent: Points
    came: Points

    @property
    def latency_ns(self) -> float | None:
        """Half the shortest time between a request and its answer; None without one."""
        trips = self.came.offset_ns - self.sent.offset_ns
        return float(trips.min()) / 2 if len(trips) else None

    def ends(self, slack_ppm: float, at_s: Floats) -> tuple[Floats, Floats]:
        """Lowest and highest the offset can be; minus infinity without an answer."""
        slope = slack_ppm * _NS_PER_PPM_S
        high = np.minimum(highest(self.frames, slope, at_s), highest(self.came, slope, at_s))
        return lowest(self.sent, slope, at_s), high

    def wide_enough(self, slack_ppm: float, at_s: Floats) -> float:
        """Widen the slack while the bounds contradict each other: the drift was more."""
        while slack_ppm < HELD_DRIFT_PPM:
            low, high = self.ends(slack_ppm, at_s)
            if (low <= high).all():
                break
            slack_ppm = min(HELD_DRIFT_PPM, 2 * slack_ppm)
        return slack_ppm

    def middle_ns(self, slack_ppm: float, at_s: Floats, *, held: bool) -> Floats:
        """Where in the band the offset is put; one value for all when the slope is held."""
        low, high = self.ends(slack_ppm, at_s)
        middle: Floats = np.minimum(high, 0.0) if self.latency_ns is None else (low + high) / 2
        return np.full(len(at_s), middle.mean()) if held else middle

    def error_ns(self, slack_ppm: float, chosen: Points) -> Floats:
        """How far the ends are from the offset chosen, from each knot to the next."""
        errors = []
        for begin, end in itertools.pairwise(chosen.at_s.tolist()):
            at_s = np.linspace(begin, end, max(1, math.ceil((end - begin) / _GRID_S)) + 1)
            low, high = self.ends(slack_ppm, at_s)
            middle = chosen.value(at_s)
            off = np.abs(high - middle)
            if self.latency_ns is not None:
                off = np.maximum(off, np.abs(middle - low))
            half_step_s = (at_s[1] - at_s[0]) / 2
            errors.append(float(off.max()) + half_step_s * slack_ppm * _NS_PER_PPM_S)
        return np.array([*errors, errors[-1]])


def _mean_ppm(at_s: Floats, offset_ns: Floats) -> float:
    span_s = at_s[-1] - at_s[0]
    return float((offset_ns[-1] - offset_ns[0]) / span_s) / _NS_PER_PPM_S if span_s > 0 else 0.0


def _half_range_ppm(line: Points) -> float:
    run_s = np.diff(line.at_s)
    slopes = np.diff(line.offset_ns)[run_s > 0] / run_s[run_s > 0]
    return float(np.ptp(slopes)) / 2 / _NS_PER_PPM_S if len(slopes) else 0.0
