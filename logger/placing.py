"""Places frames in their stream: full index and tick, losses, restarts.

Comes in: data frames with the low 16 bits of their index and a 32-bit tick. Goes out:
full index and tick, how many samples are missing before a frame, faults, or that the
device restarted. Must not: do I/O, ask a clock, or touch counts.

Unwrapping. The tick wraps every 71.6 minutes: the multiple of 2³² µs that fits the host's
clock best is taken, so also a gap longer than a wrap is bridged. The index wraps every
65 536 samples: the multiple that fits the tick times the sample rate best is taken; the
rate is measured as the stream goes on, so that long gaps are bridged too.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.samples import Fault, Int64Array, SampleFrame, SampleRun

_TICK_WRAP_US: Final = 2**32
_INDEX_WRAP: Final = 2**16
_RECENT: Final = 64
_LATE: Final = 4096
"""Samples that a radio may deliver after the answer to STOP."""
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


class Placer:
    """Places the frames of one segment: from the first after a boot to the next boot.

    Parameters
    ----------
    sample_rate_hz : float
        As the device says.
    jitter_bound_us : int
        Bound of the error of a tick, as the device says.
    """

    __slots__ = ("_backward", "_first", "_jitter_us", "_last", "_late", "_nominal_hz", "_recent")

    def __init__(self, sample_rate_hz: float, jitter_bound_us: int = 0) -> None:
        self._nominal_hz = sample_rate_hz
        self._jitter_us = jitter_bound_us
        self._first: _Seen | None = None
        self._last: _Seen | None = None
        self._recent: deque[tuple[int, int]] = deque(maxlen=_RECENT)
        self._backward: list[SampleFrame] = []
        self._late: list[Fault] = []

    @property
    def measured_rate_hz(self) -> float | None:
        """Samples per second of the device's own clock; None before ten seconds."""
        first, last = self._first, self._last
        if first is None or last is None or last.tick_us - first.tick_us < _RATE_SPAN_US:
            return None
        return (last.first_index - first.first_index) / (last.tick_us - first.tick_us) * 1e6

    def place(self, frame: SampleFrame) -> Placed | Fault | Restart | None:
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
            ``duplicate``: the frame is not used.
        Restart
            The device counts and ticks from the beginning again.
        None
            It does not go forward. Those to come tell whether the device began anew (then
            it is among the restart's) or it was late (then :meth:`take_late` gives a fault).
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
            return self._look_back(frame, step_us, agree=agree)
        if not agree and self._looks_fresh(frame):
            return self._restart(frame, "its index and tick start again")
        unsure = None
        if not agree or tolerance >= _INDEX_WRAP / 2:
            unsure = self._unsure(frame, steps, step_us, rate_hz)
        return self._accept(
            frame, last.first_index + steps, last.tick_us + step_us, steps - last.n, unsure
        )

    def place_on(self, run: SampleRun) -> Int64Array:
        """Place the frames that follow the one just placed as they should.

        Parameters
        ----------
        run : SampleRun
            Its first frame is the last that :meth:`place` has placed.

        Returns
        -------
        (k,) int64
            Unwrapped ticks of that frame and the k - 1 after it that go on where it ended,
            placed now. The next one, if there is one, is for :meth:`place`, which would have
            placed these k in the very same way.
        """
        last, n = self._last, run.frame_size
        assert last is not None  # noqa: S101 - a frame has been placed
        came, received = run.tick_us.tolist(), run.received_ns.tolist()
        steps = [after - before for before, after in itertools.pairwise(came)]
        if self._all_go_on(n, steps, received):
            tick_us: Int64Array = run.tick_us + (last.tick_us - came[0])
        else:
            tick_us = np.array(list(self._going_on(n, steps, received)), dtype=np.int64)
        k = len(tick_us)
        if k > 1:
            index = last.first_index + (k - 1) * n
            self._last = _Seen(index, int(tick_us[-1]), n, received[k - 1])
            newest = range(max(1, k - _RECENT), k)
            self._recent.extend(((run.index16 + i * n) % _INDEX_WRAP, came[i]) for i in newest)
        return tick_us

    def _all_go_on(self, n: int, steps: list[int], received: list[int]) -> bool:
        """Whether all frames surely go on, whatever rate is believed from frame to frame.

        Notes
        -----
        The measured rate after a frame lies between that before it and the frame's own, so
        none leaves the range of the rates taken here; the tolerance is the least of any.
        """
        if not steps:
            return True
        least, most = min(steps), max(steps)
        if least <= 0 or most > _HOST_SLACK_US // 2:
            return False
        if (max(received) - min(received)) // 1000 > _HOST_SLACK_US // 2:
            return False
        rates = [self._nominal_hz, n / least * 1e6, n / most * 1e6]
        first, last = self._first, self._last
        assert first is not None and last is not None  # noqa: S101, PT018
        if last.tick_us > first.tick_us:
            rates.append(
                (last.first_index - first.first_index) / (last.tick_us - first.tick_us) * 1e6
            )
        low_hz, high_hz = min(rates), max(rates)
        off = max(n - least * low_hz / 1e6, most * high_hz / 1e6 - n)
        jitter = self._jitter_us * low_hz / 1e6, self._jitter_us * high_hz / 1e6
        widest = 2 + _NOMINAL_RATE_ERROR * n + jitter[1]
        return off < 1.999 + _MEASURED_RATE_ERROR * n + jitter[0] and widest < _INDEX_WRAP / 4

    def _going_on(self, n: int, steps: list[int], received: list[int]) -> Iterator[int]:
        """Unwrapped ticks of the frame just placed and of those that go on, one by one."""
        first, last = self._first, self._last
        assert first is not None and last is not None  # noqa: S101, PT018
        index, tick_us = last.first_index, last.tick_us
        yield tick_us
        for step, (before_ns, after_ns) in zip(steps, itertools.pairwise(received), strict=True):
            rate_hz, rate_error = _believed(
                self._nominal_hz, index - first.first_index, tick_us - first.tick_us
            )
            step_us, host_us = step % _TICK_WRAP_US, (after_ns - before_ns) / 1000
            tolerance = 2 + rate_error * n + self._jitter_us * rate_hz / 1e6
            if (
                abs(n - step_us * rate_hz / 1e6) > tolerance
                or tolerance >= _INDEX_WRAP / 2
                or step_us == 0
                or abs(step_us - host_us) > _HOST_SLACK_US + 0.001 * abs(host_us)
            ):
                return
            index += n
            tick_us += step_us
            yield tick_us

    def tick_at(self, tick_us: int, host_ns: int) -> int | None:
        """Unwrap a tick that is no frame's: an answer to TIME, read at about ``host_ns``.

        Parameters
        ----------
        tick_us : int
            As it came, 32 bit.
        host_ns : int
            Host time, to within half a wrap (35 minutes).

        Returns
        -------
        int or None
            On the same line as the frames' ticks; None before the first frame.
        """
        last = self._last
        if last is None:
            return None
        host_us = (host_ns - last.received_ns) / 1000
        return last.tick_us + _nearest(tick_us - last.tick_us, _TICK_WRAP_US, host_us)

    def missing_at_end(self, index16: int) -> int:
        """How many samples the device made after the last placed frame and never sent.

        Parameters
        ----------
        index16 : int
            Low 16 bits of the index that the device's next sample would have had. One that
            lies behind the last frame says nothing is missing.
        """
        last = self._last
        if last is None:
            return 0
        missing = (index16 - last.first_index - last.n) % _INDEX_WRAP
        return missing if missing < _INDEX_WRAP - _LATE else 0

    def _rate(self) -> tuple[float, float]:
        """Rate to expect and its relative error."""
        first, last = self._first, self._last
        assert first is not None and last is not None  # noqa: S101, PT018
        samples = last.first_index - first.first_index
        return _believed(self._nominal_hz, samples, last.tick_us - first.tick_us)

    def _accept(
        self, frame: SampleFrame, index: int, tick_us: int, n_missing: int, unsure: Fault | None
    ) -> Placed:
        self._last = _Seen(index, tick_us, len(frame.counts), frame.received_ns)
        if self._first is None or unsure is not None:
            self._first = self._last
        self._recent.append((frame.index16, frame.tick_us))
        if self._backward:
            self._give_up(list(self._backward))
        return Placed(index, tick_us, n_missing, unsure)

    def _look_back(
        self, frame: SampleFrame, step_us: int, *, agree: bool
    ) -> Fault | Restart | None:
        """Judge a frame that does not go forward: seen before, late, or of a new boot."""
        if (frame.index16, frame.tick_us) in self._recent:
            return _fault("duplicate", frame, f"index {frame.index16} came before")
        self._backward.append(frame)
        if not agree or step_us < -_BACKWARD_US:
            return self._restart(frame, "its index and tick start again")
        if len(self._row()) >= _BACKWARD_IN_A_ROW:
            return self._restart(frame, "it goes on from an earlier index")
        if len(self._backward) > _RECENT:
            self._give_up(self._backward[:1])
        return None

    def _row(self) -> list[SampleFrame]:
        """Give the newest of the frames held back that follow each other."""
        begin = len(self._backward) - 1
        while begin > 0 and _follows(self._backward[begin - 1], self._backward[begin]):
            begin -= 1
        return self._backward[begin:]

    def _restart(self, frame: SampleFrame, reason: str) -> Restart:
        if frame not in self._backward:
            self._backward.append(frame)
        row = self._row()
        self._give_up(self._backward[: len(self._backward) - len(row)])
        self._backward.clear()
        return Restart(reason, tuple(row))

    def _give_up(self, late: list[SampleFrame]) -> None:
        """Take frames held back for late ones."""
        last = self._last
        assert last is not None  # noqa: S101
        for frame in late:
            behind = (last.first_index - frame.index16) % _INDEX_WRAP
            detail = f"{behind} samples before index {last.first_index}"
            self._late.append(_fault("out_of_order", frame, detail))
        self._backward = self._backward[len(late) :]

    def take_late(self, *, at_end: bool = False) -> list[Fault]:
        """Give what turned out to be late since the last call; at the end also what is held."""
        if at_end and self._backward:
            self._give_up(list(self._backward))
        late, self._late = self._late, []
        return late

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


def _believed(nominal_hz: float, samples: int, span_us: int) -> tuple[float, float]:
    """Rate and its relative error: as the device says, or as measured over a long span."""
    if span_us >= _RATE_SPAN_US:
        measured_hz = samples / span_us * 1e6
        if abs(measured_hz / nominal_hz - 1) <= 2 * _NOMINAL_RATE_ERROR:
            return measured_hz, _MEASURED_RATE_ERROR
    return nominal_hz, _NOMINAL_RATE_ERROR


def _nearest(difference: int, wrap: int, expected: float) -> int:
    """Find the number congruent to ``difference`` modulo ``wrap`` nearest to ``expected``."""
    return difference + round((expected - difference) / wrap) * wrap


def _follows(before: SampleFrame, after: SampleFrame) -> bool:
    """Whether a frame begins where the one before it ended."""
    return (before.index16 + len(before.counts) - after.index16) % _INDEX_WRAP == 0


def _fault(kind: str, frame: SampleFrame, detail: str) -> Fault:
    return Fault(kind, frame.received_ns, len(frame.counts), detail)
