"""The one thread between transports and recorder, and the queue in front of it.

Comes in: bytes and notices of transports. Goes out: record items to the recorder first,
then snapshots of the live state to consumers that are isolated; requests to devices. Must
not: write to the logbook, decode in a transport's thread, or let anything but the
recorder's failure end the recording.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

from logger.cell_line import CellLine, CellPlan
from logger.clock import Clock
from logger.decoders import Piece, open_decoder
from logger.errors import TransportError
from logger.live import Consumer, Snapshot
from logger.samples import Fault, FaultNoted, RecordItem
from logger.transports import Transport
from logger.trigger import DEFAULT_SETTINGS, TriggerSettings

ROOM_S: Final = 60
LINK_BYTES_PER_S: Final = 100_000
"""What a link is taken to bring at most: 20 000 samples/s, or 1 Mbaud."""
EVENT_BYTES: Final = 100
TURN_S: Final = 0.05
"""Between two looks at what has come: a snapshot follows each, so a sample is shown so late at most."""
TALK_S: Final = 0.01
"""The same while a device is asked, started or stopped."""
SLICE: Final = 512
SNAPSHOT_NS: Final = 45_000_000
LOOK_NS: Final = 1_000_000_000
CLOCK_JUMP_NS: Final = 100_000_000


@dataclass(frozen=True, slots=True)
class TransportEvent:
    """What a transport puts on the queue: bytes, or a notice, of the cell ``line``."""

    line: int
    data: bytes
    received_ns: int
    notice: Fault | None = None


class ByteQueue:
    """Events on their way to the pipeline, bounded by bytes.

    Parameters
    ----------
    room_bytes : int
        What may wait. Beyond it an event is dropped and counted: a transport's reader
        never waits, unless it says that it can (a replayed file).
    """

    def __init__(self, room_bytes: int) -> None:
        self._room_bytes = room_bytes
        self._room = threading.Condition()
        self._events: list[TransportEvent] = []
        self._dropped: dict[int, int] = {}
        self._bytes = 0
        self._closed = False

    @property
    def waiting_bytes(self) -> int:
        """What waits."""
        return self._bytes

    def put(self, event: TransportEvent, *, patient: bool = False) -> None:
        """Add an event; notices always find room."""
        size = len(event.data) + EVENT_BYTES
        with self._room:
            while patient and self._bytes + size > self._room_bytes and not self._closed:
                self._room.wait()
            if event.data and self._bytes + size > self._room_bytes:
                self._dropped[event.line] = self._dropped.get(event.line, 0) + len(event.data)
                return
            self._events.append(event)
            self._bytes += size

    def take(self) -> tuple[list[TransportEvent], dict[int, int]]:
        """Give all that waits, and by line how many bytes were dropped after it."""
        with self._room:
            events, self._events = self._events, []
            dropped, self._dropped = self._dropped, {}
            self._bytes = 0
            self._room.notify_all()
        return events, dropped

    def release(self) -> None:
        """Let nobody wait for room any more."""
        with self._room:
            self._closed = True
            self._room.notify_all()


@dataclass(slots=True)
class _Shown:
    """A consumer, and how many of its failures are on record."""

    consumer: Consumer
    n_failed: int = 0


class Lowerings:
    """Numbers lowerings over all cells: streams that are loaded at once share a number."""

    def __init__(self, first: int) -> None:
        self.n_closed = 0
        self._next = first
        self._open: set[int] = set()
        self._members: set[int] = set()

    def open(self, stream_id: int) -> int:
        """Let a stream join the lowering under way, unless it was part of it before."""
        if not self._open or stream_id in self._members:
            self._next += 1
            self._open.clear()
            self._members.clear()
        self._open.add(stream_id)
        self._members.add(stream_id)
        return self._next - 1

    def close(self, stream_id: int) -> None:
        """End a stream's part; the lowering ends with the last one's."""
        self._open.discard(stream_id)
        if not self._open:
            self.n_closed += 1


class HostClocks:
    """Pairs the host's clocks; notices when wall time jumps, and that the host has slept."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._offset_ns = self._offset()
        # Here the clock that sleeps is read first, later the other: a thread held up between the
        # two never looks like a suspend.
        self._asleep_ns = -clock.awake_ns() + clock.boot_ns()

    def anchor(self) -> tuple[int, int]:
        """One moment as boot and wall nanoseconds."""
        boot_ns = self._clock.boot_ns()
        return boot_ns, boot_ns + self._offset()

    def jump_ns(self) -> int:
        """How far wall time has jumped since the last call; 0 when it only crept."""
        moved_ns = self._offset() - self._offset_ns
        if abs(moved_ns) > CLOCK_JUMP_NS:  # or this thread was held up between the clocks
            moved_ns = self._offset() - self._offset_ns
        self._offset_ns += moved_ns
        return moved_ns if abs(moved_ns) > CLOCK_JUMP_NS else 0

    def slept_ns(self) -> int:
        """How long the host has slept since the last call; 0 when it was awake."""
        slept_ns = self._clock.boot_ns() - self._clock.awake_ns() - self._asleep_ns
        if slept_ns <= CLOCK_JUMP_NS:
            return 0
        self._asleep_ns += slept_ns
        return slept_ns

    def _offset(self) -> int:
        before_ns = self._clock.boot_ns()
        wall_ns = self._clock.wall_ns()
        return wall_ns - (before_ns + self._clock.boot_ns()) // 2


def room_for(n_links: int) -> int:
    """Bytes that 60 s of so many links come to."""
    return ROOM_S * LINK_BYTES_PER_S * n_links


class Pipeline:
    """Owns decoders, handshakes, time bases, triggers and live state of all cells.

    Parameters
    ----------
    record : callable
        Takes record items; what it raises ends the pipeline.
    cells : sequence of (CellPlan, Transport)
        Transports that have been started: their decoder is known.
    clock : Clock
        Host clocks.
    first_stream, first_lowering : int
        Numbers that the logbook has not used.
    trigger : TriggerSettings
        When a lowering opens and closes.
    queue : ByteQueue
        Where the transports put what comes; an event's ``line`` counts ``cells``.
    consumers : sequence of Consumer
        Get snapshots.
    on_end : callable, optional
        Called on the pipeline's thread when it ends, failed or not.

    Attributes
    ----------
    snapshot : Snapshot
        The newest; replaced, never changed.
    stopped : threading.Event
        Set once every cell that can be asked has stopped sending.
    """

    def __init__(
        self,
        record: Callable[[RecordItem], None],
        cells: Sequence[tuple[CellPlan, Transport]],
        queue: ByteQueue,
        *,
        clock: Clock,
        first_stream: int = 1,
        first_lowering: int = 1,
        trigger: TriggerSettings = DEFAULT_SETTINGS,
        consumers: Sequence[Consumer] = (),
        on_end: Callable[[], None] | None = None,
    ) -> None:
        self.record = record
        self.snapshot = Snapshot(clock.boot_ns(), (), 0, None, 0)
        self.stopped = threading.Event()
        self.free_bytes: int | None = None
        self._transports = [transport for _, transport in cells]
        self._lines = [
            CellLine(plan, open_decoder(link.decoder), self, asks=link.answers, trigger=trigger)
            for plan, link in cells
        ]
        self._queue = queue
        self._clock = clock
        self._host = HostClocks(clock)
        self._lowerings = Lowerings(first_lowering)
        self._next_stream = first_stream
        self._shown = [_Shown(consumer) for consumer in consumers]
        self._on_end = on_end
        self._failure: Exception | None = None
        self._look_due_ns = self._snapshot_due_ns = 0
        self._stopping = threading.Event()
        self._draining = threading.Event()
        self._thread = threading.Thread(target=self._run, name="pipeline", daemon=True)

    @property
    def failure(self) -> Exception | None:
        """Why the pipeline ended before it was told to."""
        return self._failure

    def start(self) -> None:
        """Begin to take what comes."""
        self._thread.start()

    def stop_cells(self) -> None:
        """Ask every device to stop sending; ``stopped`` is set when all have answered."""
        self._stopping.set()

    def finish(self) -> None:
        """Take all that waits, end the streams, end the thread."""
        self._draining.set()
        self._thread.join()

    # --- for the cells' lines ------------------------------------------------------------

    def new_stream(self) -> int:
        """Give a stream number that the logbook has not used."""
        self._next_stream += 1
        return self._next_stream - 1

    def anchor(self) -> tuple[int, int]:
        """One moment on both host clocks: boot and wall nanoseconds."""
        return self._host.anchor()

    def open_lowering(self, stream_id: int) -> int:
        """Give the number of the lowering that this stream takes part in from now on."""
        return self._lowerings.open(stream_id)

    def close_lowering(self, stream_id: int) -> None:
        """Take note that the stream's part of the lowering has ended."""
        self._lowerings.close(stream_id)

    # --- thread ----------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while self._turn() or not self._draining.is_set():
                settled = all(line.is_settled for line in self._lines)
                self._draining.wait(TURN_S if settled else TALK_S)
            self._look(self._clock.boot_ns())
            for line in self._lines:
                line.finish(self._clock.boot_ns(), "stopped")
            self._publish(self._clock.boot_ns())
        except Exception as error:  # noqa: BLE001 - kept, stops the session
            self._failure = error
        finally:
            self._queue.release()
            self.stopped.set()
            if self._on_end is not None:
                self._on_end()

    def _turn(self) -> bool:
        """Handle what waits, slice by slice; whether there was anything."""
        events, dropped = self._queue.take()
        for start in range(0, len(events), SLICE):
            self._handle(events[start : start + SLICE])
            for line in self._lines:
                line.follow()
            self._tick()
        for number, n_bytes in dropped.items():
            self._lines[number].dropped(n_bytes, self._clock.boot_ns())
        if not events:
            self._tick()
        return bool(events or dropped)

    def _handle(self, events: Sequence[TransportEvent]) -> None:
        """Give each line what came for it, in order: bytes together up to the next notice."""
        waiting: dict[int, list[Piece]] = {}
        for event in events:
            if event.notice is None:
                waiting.setdefault(event.line, []).append((event.data, event.received_ns))
                continue
            self._lines[event.line].feed(waiting.pop(event.line, ()))
            self._take_notice(event.line, event.notice)
        for number, pieces in waiting.items():
            self._lines[number].feed(pieces)

    def _take_notice(self, number: int, notice: Fault) -> None:
        line = self._lines[number]
        if notice.kind == "connected":
            line.link_up(notice)
        elif notice.kind != "disconnected":
            line.note(notice)
        elif self._transports[number].answers:
            line.link_down(notice)

    def _tick(self) -> None:
        """Do what is due by the clock."""
        now_ns = self._clock.boot_ns()
        for line, transport in zip(self._lines, self._transports, strict=True):
            if self._stopping.is_set():
                line.stop(now_ns)
            for request in line.poll(now_ns):
                with contextlib.suppress(TransportError):  # repeated, then on record as no_reply
                    transport.write(request)
        if self._stopping.is_set() and all(line.is_stopped for line in self._lines):
            self.stopped.set()
        if now_ns >= self._look_due_ns:
            self._look_due_ns = now_ns + LOOK_NS
            self._look(now_ns)
        if now_ns >= self._snapshot_due_ns:
            self._snapshot_due_ns = now_ns + SNAPSHOT_NS
            self._publish(now_ns)

    def _look(self, now_ns: int) -> None:
        """Put on record what went wrong around the cells."""
        jump_ns = self._host.jump_ns()
        if jump_ns:
            detail = f"the host's wall time jumped by {jump_ns / 1e9:+.3f} s"
            self.record(FaultNoted(None, "", "clock_jump", now_ns, 1, detail))
        slept_ns = self._host.slept_ns()
        if slept_ns:
            detail = f"the host was suspended for {slept_ns / 1e9:.1f} s"
            self.record(FaultNoted(None, "", "host_suspended", now_ns, 1, detail))
        for entry in self._shown:
            n = entry.consumer.n_failed - entry.n_failed
            if n:
                entry.n_failed += n
                detail = f"{entry.consumer.name}: {entry.consumer.last_error}"
                self.record(FaultNoted(None, "", "consumer_failed", now_ns, n, detail))

    def _publish(self, now_ns: int) -> None:
        """Replace the snapshot and offer it."""
        self.snapshot = Snapshot(
            at_ns=now_ns,
            cells=tuple(line.state.view(now_ns) for line in self._lines),
            lowerings=self._lowerings.n_closed,
            free_bytes=self.free_bytes,
            queued_bytes=self._queue.waiting_bytes,
        )
        for entry in self._shown:
            entry.consumer.offer(self.snapshot)
