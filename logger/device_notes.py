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

    Attributes
    ----------
    gained_overruns : int
        Samples that the last status has added.
    """

    __slots__ = ("_clipped", "_overruns", "gained_overruns")

    def __init__(self) -> None:
        self.gained_overruns = 0
        self._overruns: int | None = None
        self._clipped: int | None = None

    def booted(self) -> None:
        """Begin at zero: the device has just booted."""
        self._overruns = self._clipped = 0

    def unknown(self) -> None:
        """Take the next status for where counting begins."""
        self._overruns = self._clipped = None

    def take(self, status: StatusFrame, not_sent: int) -> list[Fault]:
        """Compare with the status before.

        Parameters
        ----------
        status : StatusFrame
            The newest.
        not_sent : int
            Samples missing in this stream that nothing else explains; so many of the first
            status's overruns are this stream's.
        """
        if self._overruns is None:
            self._overruns = status.overruns - min(status.overruns, not_sent)
        if self._clipped is None:
            self._clipped = status.clipped
        self.gained_overruns = max(0, status.overruns - self._overruns)
        faults = []
        for kind, before, after, what in (
            ("device_overrun", self._overruns, status.overruns, "dropped before the link"),
            ("clipped", self._clipped, status.clipped, "at a count limit"),
        ):
            if after > before:
                n = after - before
                faults.append(Fault(kind, status.received_ns, n, f"{n} samples {what}"))
        self._overruns, self._clipped = status.overruns, status.clipped
        return faults
