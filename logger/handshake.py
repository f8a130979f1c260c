"""Requests to a device: ask who it is, start it, exchange clocks, stop it.

Comes in: link events, readings and the time, from the pipeline. Goes out: bytes to send
and faults. Must not: do I/O, own a thread, or ask a clock: time is a parameter.

A request is repeated with the same id every 0.5 s until its answer comes; after
``LOUD_AFTER`` tries without an answer a ``no_reply`` fault is given, and again after as
many more, but it never gives up. An unsolicited INFO with another boot id, or a returned
link, begins again with INFO and START.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum
from typing import Final

from logger.decoders.base import Commanded, Commands, Decoder, Opcode
from logger.samples import CellInfo, Fault, InfoFrame, ReplyFrame

RETRY_NS: Final = 500_000_000
REFUSED_RETRY_NS: Final = 5_000_000_000
LOUD_AFTER: Final = 6
TIME_EVERY_NS: Final = 30_000_000_000
FIRST_TIMES: Final = 4
START_AGAIN_NS: Final = 15_000_000_000

_TICK: Final = struct.Struct("<I")
_INDEX16: Final = struct.Struct("<H")


class State(Enum):
    """Where the conversation stands."""

    IDLE = "idle"
    ASKING = "asking"
    STARTING = "starting"
    RUNNING = "running"
    STOPPING = "stopping"
    STOPPED = "stopped"


@dataclass(frozen=True, slots=True)
class TimeExchange:
    """One TIME answer.

    The device read the request between ``sent_ns`` and ``received_ns``, when its tick was
    ``tick_us``: so the middle of the two is the tick's host time within ``bound_ns``.
    """

    tick_us: int
    sent_ns: int
    received_ns: int

    @property
    def host_ns(self) -> int:
        """Middle of the exchange."""
        return (self.sent_ns + self.received_ns) // 2

    @property
    def bound_ns(self) -> int:
        """Half the round trip."""
        return (self.received_ns - self.sent_ns + 1) // 2


@dataclass(slots=True)
class _Pending:
    opcode: Opcode
    request_id: int
    first_sent_ns: int
    due_ns: int
    tries: int = 0


def end_index16_of(reply: ReplyFrame) -> int | None:
    """Low 16 bits of the index after the last sample, from an answer to STOP that says it."""
    if reply.opcode != Opcode.STOP or len(reply.payload) != _INDEX16.size:
        return None
    (index16,) = _INDEX16.unpack(reply.payload)
    return int(index16)


class Handshake:
    """Conversation with one device.

    Parameters
    ----------
    encode : callable
        ``encode_request`` of the link's decoder.
    start : bool
        Whether to send START once the device has said who it is.

    Attributes
    ----------
    info : CellInfo or None
        What the device said of itself.
    newest_exchange : TimeExchange or None
        The newest answer to TIME.
    end_index16 : int or None
        Low 16 bits of the index after the device's last sample, from its answer to STOP; None
        before that, and from a device that does not say it.
    """

    answers = True

    __slots__ = (
        "_encode", "_faults", "_id", "_next_time_ns", "_pending", "_start", "_times_left",
        "end_index16", "info", "newest_exchange", "state",
    )  # fmt: skip

    def __init__(
        self,
        encode: Callable[[int, int, bytes], bytes],
        *,
        start: bool = True,
    ) -> None:
        self.state = State.IDLE
        self.info: CellInfo | None = None
        self.newest_exchange: TimeExchange | None = None
        self.end_index16: int | None = None
        self._encode = encode
        self._start = start
        self._id = 0
        self._pending: _Pending | None = None
        self._faults: list[Fault] = []
        self._next_time_ns = 0
        self._times_left = 0

    def link_up(self, now_ns: int) -> None:
        """Begin, or begin again: the port was opened."""
        if self.state not in {State.STOPPING, State.STOPPED}:
            self.state = State.ASKING
            self._request(Opcode.INFO, now_ns)

    def link_down(self) -> None:
        """Stop asking until the link is back."""
        self._pending = None
        if self.state is State.STOPPING:
            self.state = State.STOPPED
        elif self.state is not State.STOPPED:
            self.state = State.IDLE

    def stop(self, now_ns: int) -> None:
        """Ask the device to stop sending; nothing to ask when the link is down."""
        if self.state is State.IDLE:
            self.state = State.STOPPED
        elif self.state is not State.STOPPED:
            self.state = State.STOPPING
            self._request(Opcode.STOP, now_ns)

    def on_reading(self, reading: InfoFrame | ReplyFrame) -> None:
        """Take an answer, or the INFO that a device sends after a boot."""
        if isinstance(reading, InfoFrame):
            self._on_info(reading)
        else:
            self._on_reply(reading)

    def poll(self, now_ns: int) -> list[bytes]:
        """Give what has to be sent now; call at least every 0.1 s and after each reading."""
        if self._time_is_due(now_ns):
            self._request(Opcode.TIME, now_ns)
        pending = self._pending
        if pending is None or now_ns < pending.due_ns:
            return []
        if pending.tries == 0:
            pending.first_sent_ns = now_ns
        elif pending.tries % LOUD_AFTER == 0:
            self._complain("no_reply", pending, now_ns, f"{pending.tries} tries")
        pending.tries += 1
        pending.due_ns = now_ns + RETRY_NS
        return [self._encode(pending.opcode, pending.request_id, b"")]

    def take_faults(self) -> list[Fault]:
        """Give the faults since the last call."""
        faults, self._faults = self._faults, []
        return faults

    def _time_is_due(self, now_ns: int) -> bool:
        """Whether to ask for the tick now; one that the host itself has told says nothing."""
        has_clock = self.info is not None and not self.info.host_timed
        idle = self.state is State.RUNNING and self._pending is None
        return has_clock and idle and now_ns >= self._next_time_ns

    def _request(self, opcode: Opcode, now_ns: int) -> None:
        self._id = self._id % 255 + 1
        self._pending = _Pending(opcode, self._id, now_ns, now_ns)

    def _on_info(self, reading: InfoFrame) -> None:
        pending = self._pending
        answered = (
            pending is not None
            and pending.opcode is Opcode.INFO
            and reading.request_id == pending.request_id
        )
        rebooted = (
            reading.request_id == 0
            and self.state not in {State.IDLE, State.STOPPING, State.STOPPED}
            and (self.info is None or self.info.boot_id != reading.info.boot_id)
        )
        if not answered and not rebooted:
            return
        self.info = reading.info
        if self._start:
            self.state = State.STARTING
            self._request(Opcode.START, reading.received_ns)
        else:
            self.state = State.RUNNING
            self._started(reading.received_ns)

    def _on_reply(self, reply: ReplyFrame) -> None:
        pending = self._pending
        if pending is None or (reply.opcode, reply.request_id) != (
            pending.opcode,
            pending.request_id,
        ):
            return
        if reply.status != 0:
            self._refused(pending, reply)
        elif pending.opcode is Opcode.START:
            self.state = State.RUNNING
            self._started(reply.received_ns)
        elif pending.opcode is Opcode.STOP:
            self.state = State.STOPPED
            self._pending = None
            self.end_index16 = end_index16_of(reply)
        elif pending.opcode is Opcode.TIME:
            self._on_time(pending, reply)

    def _started(self, now_ns: int) -> None:
        self._pending = None
        self._times_left = FIRST_TIMES
        self._next_time_ns = now_ns

    def _on_time(self, pending: _Pending, reply: ReplyFrame) -> None:
        self._pending = None
        self._times_left = max(0, self._times_left - 1)
        wait_ns = RETRY_NS if self._times_left else TIME_EVERY_NS
        self._next_time_ns = reply.received_ns + wait_ns
        if len(reply.payload) != _TICK.size:
            self._complain("bad_length", pending, reply.received_ns, "its answer has no tick")
            return
        (tick_us,) = _TICK.unpack(reply.payload)
        self.newest_exchange = TimeExchange(tick_us, pending.first_sent_ns, reply.received_ns)

    def _refused(self, pending: _Pending, reply: ReplyFrame) -> None:
        """Say so, then try again later under a new id; without TIME one can record."""
        self._complain("refused", pending, reply.received_ns, f"status {reply.status}")
        if pending.opcode is Opcode.TIME:
            self._pending = None
            self._next_time_ns = reply.received_ns + TIME_EVERY_NS
        elif pending.opcode is Opcode.STOP:
            self._pending = None
            self.state = State.STOPPED
        else:
            self._request(pending.opcode, reply.received_ns + REFUSED_RETRY_NS)

    def _complain(self, kind: str, pending: _Pending, now_ns: int, detail: str) -> None:
        text = f"{pending.opcode.name} request {pending.request_id}: {detail}"
        self._faults.append(Fault(kind, now_ns, 1, text))


class SilentHandshake:
    """What stands for the conversation with a device that answers nothing.

    Its decoder says who it is. START is sent when the link is up, and again, at most every
    15 s, when the line asks because nothing comes; STOP is sent once.

    Parameters
    ----------
    commands : Commands
        Bytes that start and stop it; none need be sent.
    """

    answers = False

    __slots__ = (
        "_commands", "_started_ns", "_waiting", "end_index16", "info", "newest_exchange", "state",
    )  # fmt: skip

    def __init__(self, commands: Commands) -> None:
        self.state = State.IDLE
        self.info: CellInfo | None = None
        self.newest_exchange: TimeExchange | None = None
        self.end_index16: int | None = None
        self._commands = commands
        self._waiting = b""
        self._started_ns = 0

    def link_up(self, now_ns: int) -> None:
        """Start it, or start it again."""
        if self.state in {State.STOPPING, State.STOPPED}:
            return
        if self.state is State.IDLE or now_ns - self._started_ns >= START_AGAIN_NS:
            self._started_ns = now_ns
            self._waiting = self._commands.start
        self.state = State.RUNNING

    def link_down(self) -> None:
        """Send nothing until the link is back."""
        self._waiting = b""
        if self.state in {State.STOPPING, State.STOPPED}:
            self.state = State.STOPPED
        else:
            self.state = State.IDLE

    def stop(self, _now_ns: int) -> None:
        """Stop it; nothing to send when the link is down."""
        if self.state is State.RUNNING:
            self.state = State.STOPPING
            self._waiting = self._commands.stop
        elif self.state is State.IDLE:
            self.state = State.STOPPED

    def on_reading(self, reading: InfoFrame | ReplyFrame) -> None:
        """Take what the decoder says of the device."""
        if isinstance(reading, InfoFrame):
            self.info = reading.info

    def poll(self, _now_ns: int) -> list[bytes]:
        """Give what has to be sent now."""
        waiting, self._waiting = self._waiting, b""
        if self.state is State.STOPPING:
            self.state = State.STOPPED
        return [waiting] if waiting else []

    def take_faults(self) -> list[Fault]:
        """Give none: nothing is asked."""
        return []


def handshake_of(decoder: Decoder) -> Handshake | SilentHandshake:
    """Make the conversation that fits a link's decoder."""
    if isinstance(decoder, Commanded):
        return SilentHandshake(decoder.commands)
    return Handshake(decoder.encode_request)
