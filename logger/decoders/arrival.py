"""Times of declared sensors that have no clock: they follow the arrivals, evened out.

Comes in: messages and faults of one piece of bytes, with the host time of its arrival.
Goes out: data frames, whose ticks are microseconds of the host's clock, and faults. Must
not: do I/O, look at a clock, or know the bytes.

Unlike all else that decoders give, these ticks depend on how the bytes were cut into
pieces, as the arrivals do; index and counts do not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence as Ordered
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.decoders.base import Decoded, fault
from logger.decoders.messages import Message
from logger.decoders.numbering import frame_of, wrap_of
from logger.profile import Profile
from logger.samples import Fault

WARM_UP_US: Final = 1_000_000
WARM_UP_MESSAGES: Final = 16
WARM_UP_LONGEST_US: Final = 10_000_000
WARM_UP_MOST: Final = 4096
SILENT_PERIODS: Final = 10
SILENT_US: Final = 250_000
RESTART_US: Final = 1_000_000
"""A sequence that runs so far ahead of the host's clock has begun again."""
BACKLOG_BYTES: Final = 2048
"""A piece so long says that more waits behind it: its arrival tells no time."""
FOLLOW_US: Final = 2_000_000
FOLLOW_MESSAGES: Final = 50
MOST_SLEW: Final = 0.02
MOST_RATE_ERROR: Final = 0.1
INTEGRATED_US: Final = 20_000
RATE_DIFFERS: Final = 0.02
LEAST_JITTER_US: Final = 1000
LOST: Final = frozenset({"bad_crc", "bad_checksum", "bad_line", "bad_value"})
"""Faults that each stand for one message; of other kinds several may stand for one."""


@dataclass(frozen=True, slots=True)
class _Piece:
    """What came at once."""

    items: tuple[Message | Fault, ...]
    n_bytes: int
    received_ns: int

    @property
    def messages(self) -> list[Message]:
        """Without the faults."""
        return [item for item in self.items if isinstance(item, Message)]

    @property
    def faults(self) -> list[Decoded]:
        """Without the messages."""
        return [item for item in self.items if isinstance(item, Fault)]

    def cut(self, n: int) -> tuple[_Piece, _Piece]:
        """Cut before message ``n``; of the first part nobody knows when it came."""
        at = [i for i, item in enumerate(self.items) if isinstance(item, Message)][n]
        return (
            _Piece(self.items[:at], BACKLOG_BYTES, self.received_ns),
            _Piece(self.items[at:], self.n_bytes, self.received_ns),
        )


class ByArrival:
    """For sensors without a clock: ticks follow the arrivals, evened out.

    Notes
    -----
    During the first second what comes is held back: a straight line through the arrivals
    gives rate and jitter. Then the tick goes on by the number of samples times their
    interval, drawn towards the arrivals with a time constant of two seconds, or 50 messages, by at most
    2 % of the time gone by, so that late pieces do not bend it. A silence longer than ten
    messages and 0.25 s moves the tick; without a sequence also the index, by the host's
    clock. Without a sequence a shorter loss cannot be seen.
    """

    __slots__ = (
        "_begun", "_damaged", "_held", "_index", "_interval_us", "_n", "_n_held", "_per_step",
        "_sequence", "_strayed_us", "_t_us", "_warm", "_wrap", "_zero_ns", "jitter_us", "rate_hz",
    )  # fmt: skip

    def __init__(self, profile: Profile) -> None:
        sequence = profile.sequence
        self._n = profile.n_per_message
        self._per_step = self._n if sequence is None or sequence.counts == "messages" else 1
        self._wrap: int | None = None
        if sequence is not None:
            self._wrap = wrap_of(profile, sequence.field, sequence.wrap)
        self.rate_hz = profile.sample_rate_hz
        self.jitter_us = max(profile.jitter_us, LEAST_JITTER_US)
        self._interval_us = 1e6 / self.rate_hz
        self._strayed_us = 0.0
        self._warm = self._begun = False
        self._held: list[_Piece] = []
        self._n_held = self._damaged = self._index = self._zero_ns = 0
        self._t_us = 0.0
        self._sequence: int | None = None

    # --- warm-up -----------------------------------------------------------------------

    def take(
        self, items: Ordered[Message | Fault], n_bytes: int, received_ns: int
    ) -> list[Decoded]:
        """Give numbers to one piece; hold it back during warm-up."""
        piece = _Piece(tuple(items), n_bytes, received_ns)
        if self._warm:
            return self._go_on(piece)
        n_messages = len(piece.messages)
        if not items or not (self._held or n_messages):
            return piece.faults
        self._held.append(piece)
        self._n_held += n_messages
        span_us = (received_ns - self._held[0].received_ns) / 1000
        enough = span_us >= WARM_UP_US and self._n_held >= WARM_UP_MESSAGES
        late = span_us >= WARM_UP_LONGEST_US or len(self._held) >= WARM_UP_MOST
        return self._start() if enough or late or self._n_held >= WARM_UP_MOST else []

    def finish(self) -> list[Decoded]:
        """Give what is held back."""
        return self._start() if self._held else []

    def _start(self) -> list[Decoded]:
        """End the warm-up: learn rate and jitter, then number what is held."""
        held, self._held, self._n_held = self._held, [], 0
        self._warm = True
        told = self._learn(held)
        return told + [reading for piece in held for reading in self._go_on(piece)]

    def _learn(self, held: list[_Piece]) -> list[Decoded]:
        """Fit a line through the arrivals of the last message of each piece."""
        places: list[int] = []
        arrived_us: list[float] = []
        place = 0
        for piece in held:
            steps = self._steps(piece)
            place += sum(steps)
            if steps:
                places.append(place)
                arrived_us.append((piece.received_ns - held[0].received_ns) / 1000)
        self._sequence, self._damaged = None, 0
        if len(places) < 3 or places[-1] <= places[0]:
            return []
        x, y = np.array(places, dtype=float), np.array(arrived_us)
        x, y = x - x.mean(), y - y.mean()
        slope = float((x @ y) / (x @ x))
        spread_us = float(np.ptp(y - slope * x))
        self.jitter_us = max(self.jitter_us, min(math.ceil(2 * spread_us), 2**31 - 1))
        off = slope / self._interval_us - 1
        error = 2 * spread_us / max(float(np.ptp(y)), 1.0)
        if len(places) < WARM_UP_MESSAGES or abs(off) <= error or not -0.5 < off < 1:
            return []
        stated_hz, self._interval_us = self.rate_hz, slope
        if abs(off) <= RATE_DIFFERS:
            return []
        self.rate_hz = 1e6 / slope
        detail = f"{self.rate_hz:.4g} samples/s come, the profile says {stated_hz:g}"
        return [fault("rate_differs", held[-1].received_ns, detail)]

    # --- after it ------------------------------------------------------------------------

    def _go_on(self, piece: _Piece) -> list[Decoded]:
        """Give numbers to one piece."""
        steps = self._steps(piece)
        if not steps:
            return piece.faults
        if not self._begun:
            return self._begin(piece, steps)
        arrived_us = (piece.received_ns - self._zero_ns) / 1000
        again = self._begins_again(steps, arrived_us)
        if again is not None:
            before, after = piece.cut(again)
            told = before.faults if again == 0 else self._number(before, steps[:again], arrived_us)
            return told + self._begin(after, steps[again:])
        return self._number(piece, steps, arrived_us)

    def _steps(self, piece: _Piece) -> list[int]:
        """How many samples the index goes on to each message."""
        steps = []
        for item in piece.items:
            if isinstance(item, Fault):
                self._damaged += item.kind in LOST or not self._damaged
                continue
            step = 1 + self._damaged
            if item.sequence is not None:
                step = item.sequence - (item.sequence if self._sequence is None else self._sequence)
                step = step if self._wrap is None else step % self._wrap
            steps.append(step * self._per_step)
            self._sequence, self._damaged = item.sequence, 0
        return steps

    def _begin(self, piece: _Piece, steps: list[int]) -> list[Decoded]:
        """Take a piece's first message for the first of a segment: its tick is 0."""
        self._begun = True
        first = piece.messages[0]
        self._index = (first.sequence or 0) * self._per_step
        steps = [0, *steps[1:]]
        self._t_us = (self._n - 1) * self._interval_us
        arrived_us = self._t_us + sum(steps) * self._interval_us
        self._zero_ns = piece.received_ns - round(arrived_us * 1000)
        return self._frames(piece, steps, self._interval_us)

    def _begins_again(self, steps: list[int], arrived_us: float) -> int | None:
        """Find the message whose sequence has run ahead of time, or gone back."""
        limit_us = max(0.0, arrived_us - self._t_us) + RESTART_US
        for i, step in enumerate(steps):
            if step < 0 or (self._sequence is not None and step * self._interval_us > limit_us):
                return i
        return None

    def _number(self, piece: _Piece, steps: list[int], arrived_us: float) -> list[Decoded]:
        """Give numbers to a piece that goes on."""
        told: list[Decoded] = []
        interval_us = self._interval_us
        if piece.n_bytes < BACKLOG_BYTES:
            ahead_us = self._ahead_us(steps, arrived_us)
            if ahead_us > self._patience_us:
                told.append(self._bridge(steps, ahead_us, piece.received_ns))
                ahead_us = self._ahead_us(steps, arrived_us)
            elif abs(ahead_us) > max(self.jitter_us, self._strayed_us):
                self._strayed_us = 2 * abs(ahead_us)
                told.append(self._strayed(ahead_us, piece.received_ns))
            interval_us = self._follow(sum(steps), ahead_us)
        return told + self._frames(piece, steps, interval_us)

    def _ahead_us(self, steps: list[int], arrived_us: float) -> float:
        """How much later than predicted the last message came."""
        return arrived_us - self._t_us - sum(steps) * self._interval_us

    @property
    def _patience_us(self) -> float:
        return max(SILENT_US, SILENT_PERIODS * self._n * self._interval_us, 2 * self.jitter_us)

    def _bridge(self, steps: list[int], ahead_us: float, received_ns: int) -> Fault:
        """Go over a silence; without a sequence by the host's clock."""
        if self._sequence is None:
            lost = round(ahead_us / self._interval_us / self._n) * self._n
            how = f"about {lost} samples by the host's clock"
        elif self._wrap is not None:
            wrap = self._wrap * self._per_step
            lost = round(ahead_us / self._interval_us / wrap) * wrap
            how = f"the sequence began again {lost // wrap} times, by the host's clock"
        else:
            lost, how = 0, "the sequence goes on"
        steps[0] += lost
        left_us = ahead_us - lost * self._interval_us
        if left_us > self._patience_us:
            self._t_us += left_us
        return fault("silent", received_ns, f"nothing came for {ahead_us / 1e6:.2f} s; {how}")

    def _strayed(self, ahead_us: float, received_ns: int) -> Fault:
        detail = (
            f"a message came {ahead_us / 1000:+.1f} ms off its time; the stream states a bound of "
            f"{self.jitter_us / 1000:.1f} ms"
        )
        return fault("jitter", received_ns, detail)

    def _follow(self, n: int, ahead_us: float) -> float:
        """Draw towards the arrival; the interval to go on by."""
        gone_us = n * self._interval_us
        if n <= 0:
            return self._interval_us
        least = -0.5 if ahead_us < -self._patience_us else -MOST_SLEW
        follow_us = max(FOLLOW_US, FOLLOW_MESSAGES * self._n * self._interval_us)
        drawn = max(least, min(MOST_SLEW, ahead_us * min(1.0, gone_us / follow_us) / gone_us))
        interval_us = self._interval_us * (1 + drawn)
        known_us = max(-INTEGRATED_US, min(INTEGRATED_US, ahead_us))
        self._interval_us *= 1 + known_us * min(gone_us, follow_us) / (4 * follow_us**2)
        stated_us = 1e6 / self.rate_hz
        most = 1 + MOST_RATE_ERROR
        self._interval_us = max(stated_us / most, min(stated_us * most, self._interval_us))
        return interval_us

    def _frames(self, piece: _Piece, steps: list[int], interval_us: float) -> list[Decoded]:
        """Make the frames, the faults between them in their places."""
        told: list[Decoded] = []
        left = iter(steps)
        for item in piece.items:
            if isinstance(item, Fault):
                told.append(item)
                continue
            step = next(left)
            self._index += step
            self._t_us += step * interval_us
            first_us = self._t_us - (self._n - 1) * self._interval_us
            told.append(frame_of(item, self._index, first_us, piece.received_ns))
        return told
