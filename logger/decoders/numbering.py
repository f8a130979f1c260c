"""Gives messages of declared sensors an index and a tick, so that they can be placed.

Comes in: messages and faults of one piece of bytes, with the host time of its arrival.
Goes out: data frames and faults. Must not: do I/O, look at a clock, or know the bytes.

:class:`ByTick` serves sensors with a clock of their own; with a sequence it numbers by
that, else by the tick. Those without a clock are numbered in ``arrival.py``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence as Ordered
from typing import Final, Protocol

import numpy as np

from logger.decoders.base import Decoded, fault
from logger.decoders.messages import Message
from logger.profile import TYPES, Profile, split_field
from logger.samples import Fault, SampleFrame

FURTHEST_US: Final = 2**62


class Numbering(Protocol):
    """Messages to frames."""

    @property
    def rate_hz(self) -> float:
        """Samples per second to state."""
        ...

    @property
    def jitter_us(self) -> int:
        """Bound of the error of a tick to state."""
        ...

    def take(
        self, items: Ordered[Message | Fault], n_bytes: int, received_ns: int
    ) -> list[Decoded]:
        """Give numbers to one piece; may hold it back until times can be told."""
        ...

    def finish(self) -> list[Decoded]:
        """Give what is held back: the link has ended."""
        ...


def wrap_of(profile: Profile, field: str, stated: int | None) -> int | None:
    """Where a number begins again: as stated, else where its type ends; None for never."""
    if stated is not None or profile.line is not None:
        return stated
    kind = dict(split_field(text) for text in profile.body.fields)[field]
    return None if kind.startswith("f") else 2 ** (8 * TYPES[kind][0])


def nearest(difference: float, wrap: int | None, expected: float) -> float:
    """Find the number congruent to ``difference`` modulo ``wrap`` nearest to ``expected``.

    Examples
    --------
    >>> nearest(-250, 256, 5), nearest(3, None, 900)
    (6, 3)
    """
    if wrap is None:
        return difference
    return difference + round((expected - difference) / wrap) * wrap


def frame_of(message: Message, index: int, tick_us: float, received_ns: int) -> SampleFrame:
    """Make a message's frame; index and tick are cut to what a frame carries."""
    counts = np.array(message.counts, dtype=np.int32)
    counts.flags.writeable = False
    return SampleFrame(index % 2**16, round(tick_us) % 2**32, counts, received_ns)


class ByTick:
    """For sensors with a clock of their own."""

    __slots__ = ("_index", "_last", "_n", "_profile", "_seq_wrap", "_tick_wrap", "_us", "jitter_us")

    def __init__(self, profile: Profile) -> None:
        tick = profile.tick
        assert tick is not None  # noqa: S101 - chosen by it
        self._profile = profile
        self._n = profile.n_per_message
        self._us = 1e6 / tick.per_s
        self._tick_wrap = wrap_of(profile, tick.field, tick.wrap)
        self._seq_wrap: int | None = None
        if profile.sequence is not None:
            self._seq_wrap = wrap_of(profile, profile.sequence.field, profile.sequence.wrap)
        self.jitter_us = math.ceil(self._us) + profile.jitter_us
        self._index = 0
        self._last: tuple[float, int, int] | None = None

    @property
    def rate_hz(self) -> float:
        """As the profile says."""
        return self._profile.sample_rate_hz

    def take(
        self, items: Ordered[Message | Fault], n_bytes: int, received_ns: int
    ) -> list[Decoded]:
        """Give numbers to what came in one piece."""
        del n_bytes
        return [
            item if isinstance(item, Fault) else self._number(item, received_ns) for item in items
        ]

    def finish(self) -> list[Decoded]:
        """Nothing is held back."""
        return []

    def _number(self, message: Message, received_ns: int) -> Decoded:
        tick, sequence = message.tick, message.sequence
        assert tick is not None  # noqa: S101 - the profile has a tick
        if not abs(tick * self._us) < FURTHEST_US:
            return fault("bad_value", received_ns, f"tick {tick:g} goes too far")
        last = self._last
        if last is not None:
            last_tick, last_sequence, last_ns = last
            host = (received_ns - last_ns) / 1000 / self._us
            step = nearest(tick - last_tick, self._tick_wrap, host)
            messages = step * self._us * self.rate_hz / 1e6 / self._n
            tick = last_tick + step
            self._index += self._step(sequence, last_sequence, messages)
        elif sequence is not None:
            self._index = sequence * self._samples_per_step
        self._last = (tick, sequence or 0, received_ns)
        return frame_of(message, self._index, tick * self._us, received_ns)

    @property
    def _samples_per_step(self) -> int:
        sequence = self._profile.sequence
        return self._n if sequence is None or sequence.counts == "messages" else 1

    def _step(self, sequence: int | None, last: int, messages: float) -> int:
        """How many samples the index goes on."""
        if sequence is None:
            return round(messages) * self._n
        expected = messages * self._n / self._samples_per_step
        return round(nearest(sequence - last, self._seq_wrap, expected)) * self._samples_per_step
