"""A recording, put together: builds the parts, wires them, starts and stops them in order.

Comes in: which cells, which logbook, who wants to see. Goes out: a running recording and,
at its end, a summary. Must not: decode, store, or decide anything that a part decides.

Stop order: the devices (STOP), the transports, then what waits in the pipeline, then what
waits in the recorder, then the logbook.
"""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from logger.cell_line import CellPlan
from logger.clock import Clock, SystemClock
from logger.errors import LoggerError, RecordingError
from logger.live import Consumer, Snapshot
from logger.logbook.writer import LogbookWriter
from logger.pipeline import ByteQueue, Pipeline, TransportEvent, room_for
from logger.recorder import BATCH_S, ROOM_BYTES, Recorder
from logger.samples import Ack, Fault, MarkMade
from logger.transports import Deliver, Notice, Transport, open_transport
from logger.trigger import DEFAULT_SETTINGS, TriggerSettings

STOP_S: Final = 1.5
"""How long the devices have to answer STOP: three tries."""
DISK_NS: Final = 2_000_000_000


@dataclass(frozen=True, slots=True)
class SessionPlan:
    """What to record, and where.

    ``room_bytes`` is that of the queue in front of the pipeline; 60 s of what the links are
    taken to bring when None. ``recorder_room_bytes`` is that of the queue behind it.
    """

    logbook: Path
    cells: tuple[CellPlan, ...]
    trigger: TriggerSettings = DEFAULT_SETTINGS
    batch_s: float = BATCH_S
    room_bytes: int | None = None
    recorder_room_bytes: int = ROOM_BYTES


class Session:
    """One recording.

    Parameters
    ----------
    plan : SessionPlan
        Cells and logbook.
    consumers : sequence of Consumer
        Get snapshots; started and stopped with the session.
    on_ack : callable, optional
        Called on the recorder's thread after each commit.
    clock : Clock, optional
        The machine's own when left out.
    opener : callable, optional
        Makes a transport from a URL.

    Attributes
    ----------
    acknowledged : dict
        Stream -> last index that is on disk.
    """

    def __init__(
        self,
        plan: SessionPlan,
        *,
        consumers: Sequence[Consumer] = (),
        on_ack: Callable[[Sequence[Ack]], None] | None = None,
        clock: Clock | None = None,
        opener: Callable[[str, Clock], Transport] = open_transport,
    ) -> None:
        self.plan = plan
        self._clock = clock or SystemClock()
        self._consumers = tuple(consumers)
        self._on_ack = on_ack
        self.acknowledged: dict[int, int] = {}
        self._open = opener
        self._woken = threading.Event()
        self._transports: list[Transport] = []
        self._queue = ByteQueue(0)
        self._running: _Running | None = None
        self._disk_due_ns = 0
        self._last = Snapshot(self._clock.boot_ns(), (), 0, None, 0)

    @property
    def snapshot(self) -> Snapshot:
        """The newest; after the stop, the last."""
        return self._last if self._running is None else self._running.pipeline.snapshot

    def start(self) -> None:
        """Open logbook and links, and record.

        Raises
        ------
        LogbookError
            The logbook cannot be written.
        TransportError
            A link cannot be opened; nothing is recorded.
        InputError
            A replayed file is none.
        """
        plan = self.plan
        links = [self._open(cell.url, self._clock) for cell in plan.cells]
        self._queue = ByteQueue(plan.room_bytes or room_for(len(links)))
        try:
            for number, link in enumerate(links):
                self._transports.append(link)
                link.start(*self._sink(number, patient=not link.answers))
            writer = LogbookWriter(plan.logbook, clock=self._clock)
        except BaseException:
            self._stop_transports()
            raise
        recorder = Recorder(
            writer,
            on_ack=self._acked,
            on_end=self._woken.set,
            batch_s=plan.batch_s,
            room_bytes=plan.recorder_room_bytes,
        )
        pipeline = Pipeline(
            recorder.put,
            list(zip(plan.cells, links, strict=True)),
            self._queue,
            clock=self._clock,
            first_stream=writer.next_stream_id,
            first_lowering=writer.next_lowering,
            trigger=plan.trigger,
            consumers=self._consumers,
            on_end=self._woken.set,
        )
        self._running = _Running(writer, recorder, pipeline)
        for consumer in self._consumers:
            consumer.start()
        recorder.start()
        pipeline.start()

    def wait(self, timeout_s: float) -> bool:
        """Wait that long at most for the recording to end by itself.

        Returns
        -------
        bool
            Whether there is nothing more to wait for: every link has ended (a replayed
            file), or a part has failed, which :meth:`stop` then tells.
        """
        running = self._running
        if running is None:
            return True
        now_ns = self._clock.boot_ns()
        if now_ns >= self._disk_due_ns:
            self._disk_due_ns = now_ns + DISK_NS
            running.pipeline.free_bytes = _free_bytes(self.plan.logbook)
        return self._woken.wait(timeout_s) or all(link.ended for link in self._transports)

    def mark(self, kind: str, note: str = "") -> None:
        """Put a key press on record."""
        if self._running is not None:
            self._running.recorder.put(MarkMade(kind, self._clock.boot_ns(), note))

    def stop(self) -> Snapshot:
        """Stop in order; everything that came is on disk afterwards.

        Returns
        -------
        Snapshot
            The last one.

        Raises
        ------
        LogbookWriteError
            The disk did not take a write. What was acknowledged is in the logbook.
        RecordingError
            The recording had to stop for another reason.
        """
        running, self._running = self._running, None
        if running is None:
            return self.snapshot
        running.pipeline.stop_cells()
        running.pipeline.stopped.wait(STOP_S)
        self._stop_transports()
        running.pipeline.finish()
        self._last = running.pipeline.snapshot
        for consumer in self._consumers:
            consumer.stop()
        failures = list(running.close())
        if failures:
            raise failures[0]
        return self._last

    def _acked(self, acks: Sequence[Ack]) -> None:
        """Keep what is on disk, tell who asked."""
        self.acknowledged |= {ack.stream_id: ack.last_index for ack in acks}
        if self._on_ack is not None:
            self._on_ack(acks)

    def _sink(self, number: int, *, patient: bool) -> tuple[Deliver, Notice]:
        """Give what a transport calls: it only puts."""
        put = self._queue.put

        def deliver(data: bytes, received_ns: int) -> None:
            put(TransportEvent(number, data, received_ns), patient=patient)

        def notice(fault: Fault) -> None:
            put(TransportEvent(number, b"", fault.received_ns, fault))

        return deliver, notice

    def _stop_transports(self) -> None:
        self._queue.release()
        for link in self._transports:
            link.stop()


@dataclass(frozen=True, slots=True)
class _Running:
    """The parts of a recording under way."""

    writer: LogbookWriter
    recorder: Recorder
    pipeline: Pipeline

    def close(self) -> Iterator[Exception]:
        """Drain the recorder, close the logbook; give what went wrong, cause first."""
        pipeline_failure = self.pipeline.failure
        reason = "stopped" if pipeline_failure is None else "failed"
        try:
            self.recorder.close()
        except LoggerError as error:
            reason = "failed"
            yield error
        if pipeline_failure is not None:
            what = f"{type(pipeline_failure).__name__}: {pipeline_failure}"
            stopped = RecordingError(
                f"the recording had to stop ({what}); everything acknowledged is in the logbook: "
                "run ropetally check"
            )
            stopped.__cause__ = pipeline_failure
            yield stopped
        try:
            self.writer.close(reason)
        except LoggerError as error:
            yield error


def _free_bytes(logbook: Path) -> int | None:
    """Room on the logbook's disk."""
    try:
        return shutil.disk_usage(logbook.absolute().parent).free
    except OSError:
        return None
