"""Places frames in their stream and ties the device's tick to the host's clock.

Comes in: data frames with the low 16 bits of their index and a 32-bit tick. Goes out:
full index and tick, how many samples are missing before a frame, faults, or that the
device restarted; and a fitted line from tick to host time. Must not: do I/O, ask a
clock, or touch counts.

Unwrapping. The tick wraps every 71.6 minutes: the multiple of 2³² µs that fits the host's
clock best is taken, so also a gap longer than a wrap is bridged. The index wraps every
65 536 samples: the multiple that fits the tick times the sample rate best is taken; the
rate is measured as the stream goes on, so that long gaps are bridged too.
"""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.samples import Fault, SampleFrame

_TICK_WRAP_US: Final = 2**32
_INDEX_WRAP: Final = 2**16
_RECENT: Final = 64
_BACKWARD_IN_A_ROW: Final = 3
_BACKWARD_US: Final = 5_000_000
_HOST_SLACK_US: Final = 60_000_000
_RATE_SPAN_US: Final = 10_000_000
_NOMINAL_RATE_ERROR: Final = 0.02
_MEASURED_RATE_ERROR: Final = 2e-4


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a frame belongs.

    ``n_missing`` samples before ``first_index`` never arrived; ``fault`` is set when the
    frame was placed although index and tick disagree, or although a gap was so long that
    the rate is not known well enough to say how often the index wrapped in it.
    """

    first_index: int
    tick_us: int
    n_missing: int
    fault: Fault | None = None


@dataclass(frozen=True, slots=True)
class Restart:
    """The device began anew without saying so: open a new segment with a new time base.

    ``frames`` are to be placed in it, in order; the last is the frame just given.
    """

    reason: str
    frames: tuple[SampleFrame, ...]


@dataclass(frozen=True, slots=True)
class _Seen:
    """Last frame that was placed."""

    first_index: int
    tick_us: int
    n: int
    received_ns: int


class TimeBase:
    """One segment: from the first frame after a boot to the next boot.

    Parameters
    ----------
    sample_rate_hz : float
        As the device says.
    jitter_bound_us : int
        Bound of the error of a tick, as the device says.
    """

    __slots__ = ("_backward", "_first", "_jitter_us", "_last", "_nominal_hz", "_recent")

    def __init__(self, sample_rate_hz: float, jitter_bound_us: int = 0) -> None:
        self._nominal_hz = sample_rate_hz
        self._jitter_us = jitter_bound_us
        self._first: _Seen | None = None
        self._last: _Seen | None = None
        self._recent: deque[tuple[int, int]] = deque(maxlen=_RECENT)
        self._backward: list[SampleFrame] = []

    @property
    def measured_rate_hz(self) -> float | None:
        """Samples per second of the device's own clock; None before ten seconds."""
        first, last = self._first, self._last
        if first is None or last is None or last.tick_us - first.tick_us < _RATE_SPAN_US:
            return None
        return (last.first_index - first.first_index) / (last.tick_us - first.tick_us) * 1e6

    def place(self, frame: SampleFrame) -> Placed | Fault | Restart:
        """Place the next frame.

        Parameters
        ----------
        frame : SampleFrame
            As it came from the decoder, in order of arrival.

        Returns
        -------
        Placed
            Its full index and tick.
        Fault
            ``duplicate`` or ``out_of_order``: the frame is not used.
        Restart
            The device counts and ticks from the beginning again.
        """
        last = self._last
        if last is None:
            return self._accept(frame, frame.index16, frame.tick_us, 0, None)
        host_us = (frame.received_ns - last.received_ns) / 1000
        step_us = _nearest(frame.tick_us - last.tick_us, _TICK_WRAP_US, host_us)
        rate_hz, rate_error = self._rate()
        steps = _nearest(frame.index16 - last.first_index, _INDEX_WRAP, step_us * rate_hz / 1e6)
        if abs(step_us - host_us) > _HOST_SLACK_US + 0.001 * abs(host_us):
            return self._restart(frame, "its tick contradicts the host's clock")
        tolerance = 2 + rate_error * abs(steps) + self._jitter_us * rate_hz / 1e6
        agree = abs(steps - step_us * rate_hz / 1e6) <= tolerance
        if steps < last.n or step_us <= 0:
            return self._look_back(frame, steps, step_us, agree=agree)
        if not agree and self._looks_fresh(frame):
            return self._restart(frame, "its index and tick start again")
        unsure = None
        if not agree or tolerance >= _INDEX_WRAP / 2:
            unsure = self._unsure(frame, steps, step_us, rate_hz)
        return self._accept(
            frame, last.first_index + steps, last.tick_us + step_us, steps - last.n, unsure
        )

    def _rate(self) -> tuple[float, float]:
        """Rate to expect and its relative error."""
        measured = self.measured_rate_hz
        if measured is None or abs(measured / self._nominal_hz - 1) > 2 * _NOMINAL_RATE_ERROR:
            return self._nominal_hz, _NOMINAL_RATE_ERROR
        return measured, _MEASURED_RATE_ERROR

    def _accept(
        self, frame: SampleFrame, index: int, tick_us: int, n_missing: int, unsure: Fault | None
    ) -> Placed:
        self._last = _Seen(index, tick_us, len(frame.counts), frame.received_ns)
        if self._first is None or unsure is not None:
            self._first = self._last
        self._recent.append((frame.index16, frame.tick_us))
        self._backward.clear()
        return Placed(index, tick_us, n_missing, unsure)

    def _look_back(
        self, frame: SampleFrame, steps: int, step_us: int, *, agree: bool
    ) -> Fault | Restart:
        """Judge a frame that does not go forward: seen before, late, or of a new boot."""
        if (frame.index16, frame.tick_us) in self._recent:
            return _fault("duplicate", frame, f"index {frame.index16} came before")
        self._backward.append(frame)
        if not agree or step_us < -_BACKWARD_US:
            return self._restart(frame, "its index and tick start again")
        if len(self._backward) >= _BACKWARD_IN_A_ROW and _consecutive(self._backward):
            return self._restart(frame, "it goes on from an earlier index")
        return _fault("out_of_order", frame, f"{-steps} samples before the last frame")

    def _restart(self, frame: SampleFrame, reason: str) -> Restart:
        frames = tuple(self._backward) if _consecutive(self._backward) else ()
        self._backward.clear()
        return Restart(reason, frames if frame in frames else (frame,))

    def _looks_fresh(self, frame: SampleFrame) -> bool:
        """Whether index and tick can be those of a device that booted since the last frame."""
        last = self._last
        assert last is not None  # noqa: S101
        host_us = (frame.received_ns - last.received_ns) / 1000
        booted_since = frame.tick_us < host_us + 1e6
        few = frame.tick_us * self._nominal_hz / 1e6 * (1 + _NOMINAL_RATE_ERROR) + 1
        return booted_since and frame.index16 <= few

    @staticmethod
    def _unsure(frame: SampleFrame, steps: int, step_us: int, rate_hz: float) -> Fault:
        expected = round(step_us * rate_hz / 1e6)
        return _fault("index_unsure", frame, f"index went {steps} on, tick {expected} samples on")


def _nearest(difference: int, wrap: int, expected: float) -> int:
    """Find the number congruent to ``difference`` modulo ``wrap`` nearest to ``expected``."""
    return difference + round((expected - difference) / wrap) * wrap


def _consecutive(frames: list[SampleFrame]) -> bool:
    """Whether each frame begins where the one before it ended."""
    return all(
        (before.index16 + len(before.counts) - after.index16) % _INDEX_WRAP == 0
        for before, after in itertools.pairwise(frames)
    )


def _fault(kind: str, frame: SampleFrame, detail: str) -> Fault:
    return Fault(kind, frame.received_ns, len(frame.counts), detail)


# --- tick to host time ---------------------------------------------------------------

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
