"""Ties the device's tick to the host's clock: a fitted, piecewise-linear line, and its error.

Comes in: unwrapped ticks and host times of frames, answers to TIME. Goes out: the map from
tick to host time and how far it can be off. Must not: do I/O, ask a clock, or touch counts.
:func:`fit_times` chooses by what the cell says: a clock of its own, or ticks that the host told.

What holds, whatever the link does: a frame arrives after its last sample was taken, so
(received - tick) bounds the clocks' offset from above; a TIME request is read after it was
sent and before its answer came, so each answer bounds it from both sides. Between those
moments the offset moves by no more than the two clocks drift apart.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.envelope import Band, Floats, Points, envelope, nearby_least, piece_edges, unsteadiness
from logger.samples import CellInfo

SLOPE_AFTER_US: Final = 30_000_000
PIECE_S: Final = 60.0
HELD_DRIFT_PPM: Final = 100.0
"""Most that a device's clock is taken to be off while nothing has been fitted (wire format)."""

_LEAST_WANDER_PPM: Final = 2.0
_WANDER_MARGIN: Final = 3.0
_NS_PER_PPM_S: Final = 1000.0
_NEARBY_S: Final = 1.0
"""Own assumption: of the messages so near, one is hardly late."""
_OUTERMOST: Final = 0.01


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
        Ticks of the knots, two or more, in order.
    knot_offset_ns : (k,) float64
        Host time minus tick at the knots.
    drift_ppm : float or None
        Mean rate of the host's clock against the device's, minus one; None where the ticks are
        the host's own.
    wander_ppm : float or None
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
    drift_ppm: float | None
    wander_ppm: float | None = 0.0
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
        slope = np.diff(value) / np.maximum(np.diff(at), 1.0)
        beyond = ticks - np.clip(ticks, at[0], at[-1])
        offset = np.interp(ticks, at, value) + beyond * np.where(beyond < 0, slope[0], slope[-1])
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

    def most_error_ns(self, tick_us: ArrayLike) -> float:
        """Largest of :meth:`error_ns` over ticks in order, from those few that can have it.

        The bound is level from knot to knot and grows beyond the ends, so the first tick after
        each knot, the first of all and the last tell.
        """
        ticks = np.asarray(tick_us, dtype=np.int64)
        after = np.searchsorted(ticks, self.knot_tick_us)
        telling = np.concatenate(([0], after[after < ticks.size], [-1]))
        return float(self.error_ns(ticks[telling]).max())


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


def fit_times(
    info: CellInfo,
    tick_us: ArrayLike,
    received_ns: ArrayLike,
    exchanges: Exchanges = NO_EXCHANGES,
) -> TimeFit:
    """Fit a cell's times, as its clock or the want of one asks.

    Parameters
    ----------
    info : CellInfo
        What the cell said of itself.
    tick_us, received_ns, exchanges
        As for :func:`fit_envelope`.

    Returns
    -------
    TimeFit

    Raises
    ------
    ValueError
        No frames, or arrays of different lengths.
    """
    if info.host_timed:
        return fit_arrivals(tick_us, received_ns, jitter_us=info.jitter_bound_us)
    return fit_envelope(tick_us, received_ns, exchanges, jitter_us=info.jitter_bound_us)


def _ordered(tick_us: ArrayLike, received_ns: ArrayLike) -> tuple[Points, int, int]:
    """Give (received - tick) over tick, less the first of both; these too, µs and ns."""
    ticks = np.asarray(tick_us, dtype=np.int64)
    received = np.asarray(received_ns, dtype=np.int64)
    if ticks.size == 0 or ticks.shape != received.shape:
        raise ValueError("a fit needs at least one frame and arrays of equal length")
    order = np.argsort(ticks, kind="stable")
    ticks, offset = ticks[order], (received - ticks * 1000)[order]
    first, base = int(ticks[0]), int(offset[0])
    return Points((ticks - first) / 1e6, (offset - base).astype(np.float64)), first, base


def fit_arrivals(tick_us: ArrayLike, received_ns: ArrayLike, *, jitter_us: float = 0.0) -> TimeFit:
    """Fit ticks that the host has told by arrivals: one offset, and how far they stray from it.

    Parameters
    ----------
    tick_us, received_ns
        As for :func:`fit_envelope`.
    jitter_us : float
        Bound of the error of a tick, as learnt when the sensor began; added to the error.

    Returns
    -------
    TimeFit
        Without drift: there is only the host's clock. Its error is for pieces of a minute.

    Raises
    ------
    ValueError
        No frames, or arrays of different lengths.

    Notes
    -----
    Such ticks are drawn after late messages and back again within seconds. The message least
    late of those within a second shows how far they have been drawn. The offset is the middle
    of what these show, without the outermost hundredth on either side; the error in a piece is
    the largest distance from it there. All times are late by the link's least latency, which
    nothing bounds.

    Examples
    --------
    >>> fit = fit_arrivals([0, 500_000, 5_000_000], [0, 540_000_000, 5_002_000_000])
    >>> fit.host_ns([0, 5_000_000]).tolist(), fit.error_ns([0]).tolist(), fit.latency_ns
    ([980000, 5000980000], [1020000.0], None)
    """
    points, first, base = _ordered(tick_us, received_ns)
    drawn_ns = nearby_least(points, _NEARBY_S)
    middle_ns = float(np.quantile(drawn_ns, [_OUTERMOST, 1 - _OUTERMOST]).mean())
    off_ns = np.abs(drawn_ns - middle_ns)
    edges_s = piece_edges(points, PIECE_S)
    errors_ns = np.zeros(len(edges_s))
    piece = np.clip(np.searchsorted(edges_s, points.at_s, side="right") - 1, 0, len(edges_s) - 2)
    np.maximum.at(errors_ns, piece, off_ns)
    errors_ns[np.bincount(piece, minlength=len(edges_s)) == 0] = off_ns.max()
    errors_ns[-1] = errors_ns[-2]
    return TimeFit(
        knot_tick_us=edges_s * 1e6 + first,
        knot_offset_ns=np.full(len(edges_s), middle_ns + base),
        drift_ppm=None,
        wander_ppm=None,
        knot_error_ns=errors_ns + jitter_us * 1000.0,
        slack_ppm=0.0,
    )


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
    frames, first, base = _ordered(tick_us, received_ns)
    answers = np.argsort(exchanges.tick_us, kind="stable")
    answered_s = (exchanges.tick_us[answers] - first) / 1e6
    sent, came = (
        Points(answered_s, (ns[answers] - exchanges.tick_us[answers] * 1000 - base).astype(float))
        for ns in (exchanges.sent_ns, exchanges.received_ns)
    )
    held = bool(frames.at_s[-1] < SLOPE_AFTER_US / 1e6)
    if held:
        line = Points(frames.at_s[[0, -1]], np.full(2, frames.offset_ns.min()))
        slack_ppm = HELD_DRIFT_PPM
    else:
        line = envelope(frames, PIECE_S)
        unsteady = unsteadiness(frames.less(line), line, PIECE_S) / _NS_PER_PPM_S
        slack_ppm = min(HELD_DRIFT_PPM, _LEAST_WANDER_PPM + _WANDER_MARGIN * unsteady)
    band = Band(frames.less(line), sent.less(line), came.less(line))
    slope = band.wide_enough(
        slack_ppm * _NS_PER_PPM_S, line.at_s, most=HELD_DRIFT_PPM * _NS_PER_PPM_S
    )
    moved = Points(line.at_s, band.middle_ns(slope, line.at_s, held=held))
    offset_ns = line.offset_ns + moved.offset_ns
    return TimeFit(
        knot_tick_us=line.at_s * 1e6 + first,
        knot_offset_ns=offset_ns + base,
        drift_ppm=_mean_ppm(line.at_s, offset_ns),
        wander_ppm=_half_range_ppm(line),
        knot_error_ns=band.error_ns(slope, moved) + jitter_us * 1000.0,
        slack_ppm=slope / _NS_PER_PPM_S,
        latency_ns=band.latency_ns,
    )


def _mean_ppm(at_s: Floats, offset_ns: Floats) -> float:
    span_s = at_s[-1] - at_s[0]
    return float((offset_ns[-1] - offset_ns[0]) / span_s) / _NS_PER_PPM_S if span_s > 0 else 0.0


def _half_range_ppm(line: Points) -> float:
    run_s = np.diff(line.at_s)
    slopes = np.diff(line.offset_ns)[run_s > 0] / run_s[run_s > 0]
    return float(np.ptp(slopes)) / 2 / _NS_PER_PPM_S if len(slopes) else 0.0
