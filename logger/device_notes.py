"""What a device says beside its samples, as items for the record: clock answers, counters.

Comes in: answers to TIME, statuses. Goes out: exchanges with unwrapped ticks, and faults for
what the counters gained. Must not: do I/O, ask a clock, or place samples.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from typing import Final

from logger.handshake import TimeExchange
from logger.placing import Placer
from logger.samples import ExchangeNoted, Fault, StatusFrame

_HELD: Final = 16


class ClockAnswers:
    """Answers to TIME on their way to the record; those before the first frame wait for it."""

    __slots__ = ("_newest", "_waiting")

    def __init__(self) -> None:
        self._newest: TimeExchange | None = None
        self._waiting: deque[TimeExchange] = deque(maxlen=_HELD)

    def take(self, newest: TimeExchange | None) -> None:
        """Take the newest answer of a handshake, once."""
        if newest is not None and newest is not self._newest:
            self._newest = newest
            self._waiting.append(newest)

    def forget(self) -> None:
        """Drop what waits: the device has booted since."""
        self._waiting.clear()

    def ready(self, stream_id: int, placer: Placer) -> Iterator[ExchangeNoted]:
        """Give what can be put on record with a stream."""
        while self._waiting:
            answer = self._waiting[0]
            tick_us = placer.tick_at(answer.tick_us, answer.host_ns)
            if tick_us is None:
                return
            self._waiting.popleft()
            yield ExchangeNoted(stream_id, tick_us, answer.sent_ns, answer.received_ns)


class Counters:
    """A device's counters since its boot: what they gained is a fault.

    Nobody knows how many of the overruns in a stream's first status happened before the stream.
    Those are the stream's that it is seen to miss by then, or is found to miss until the next
    status after a frame, or its end: statuses can be heard before the frame that shows the hole.

    Attributes
    ----------
    gained_overruns : int
        Samples that the last status, or the end, has added.
    """

    __slots__ = (
        "_clipped", "_earlier", "_missing", "_next_index", "_overruns", "_since", "gained_overruns",
    )  # fmt: skip

    def __init__(self) -> None:
        self.gained_overruns = 0
        self._overruns: int | None = None
        self._clipped: int | None = None
        self._earlier = self._missing = self._since = self._next_index = 0

    def booted(self) -> None:
        """Begin at zero: the device has just booted."""
        self._overruns = self._clipped = 0
        self._earlier = 0

    def unknown(self) -> None:
        """Take the next status for where counting begins."""
        self._overruns = self._clipped = None
        self._earlier = 0

    def take(self, status: StatusFrame, not_sent: int, next_index: int) -> list[Fault]:
        """Compare with the status before.

        Parameters
        ----------
        status : StatusFrame
            The newest.
        not_sent : int
            Samples missing in this stream that nothing else explains.
        next_index : int
            Index after the stream's last sample so far.
        """
        clipped = 0 if self._clipped is None else max(0, status.clipped - self._clipped)
        if self._overruns is None:
            overrun = min(status.overruns, not_sent)
            self._earlier, self._missing = status.overruns - overrun, not_sent
            self._since, self._next_index = 0, next_index
        else:
            overrun = max(0, status.overruns - self._overruns)
            self._since += overrun
            if next_index != self._next_index:
                overrun += self._shown_since(not_sent)
        self._overruns, self._clipped = status.overruns, status.clipped
        self.gained_overruns = overrun
        return _faults(status.received_ns, overrun, clipped)

    def end(self, not_sent: int, now_ns: int) -> list[Fault]:
        """Take the end of the stream: what it misses by now, as for :meth:`take`."""
        self.gained_overruns = self._shown_since(not_sent)
        return _faults(now_ns, self.gained_overruns, 0)

    def _shown_since(self, not_sent: int) -> int:
        """How many of the first status's overruns the stream has been found to miss since."""
        shown = min(self._earlier, max(0, not_sent - self._missing - self._since))
        self._earlier = 0
        return shown


def _faults(at_ns: int, overrun: int, clipped: int) -> list[Fault]:
    gained = (
        ("device_overrun", overrun, "dropped before the link"),
        ("clipped", clipped, "at a count limit"),
    )
    return [Fault(kind, at_ns, n, f"{n} samples {what}") for kind, n, what in gained if n]
