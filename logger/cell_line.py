"""One cell's way from readings to record items: handshake, stream, gaps, faults, windows.

Comes in: readings and faults of one link, and the time. Goes out: record items in the
order in which they must be stored, and requests to send. Must not: do I/O, own a thread,
ask a clock, or let the trigger or the live state cost a sample: what is recorded has been
handed on before either sees it.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final, Protocol

from logger.decoders import Decoded, Decoder
from logger.errors import RecordingError
from logger.follower import Follower, LoweringHub
from logger.handshake import Handshake, State
from logger.live import CellState
from logger.samples import (
    CellInfo,
    Fault,
    FaultNoted,
    GapNoted,
    InfoFrame,
    ReplyFrame,
    SampleFrame,
    SamplesPlaced,
    Scaling,
    StatusFrame,
    StatusNoted,
    StreamClosed,
    StreamOpened,
)
from logger.timebase import Placed, Restart, TimeBase
from logger.trigger import TriggerSettings

PENDING_FRAMES: Final = 4096
"""Frames kept while a device has not yet said who it is."""
FAILED_EVERY_NS: Final = 1_000_000_000
SILENT_NS: Final = 2_000_000_000
"""A running device that is silent for so long may have booted unheard: it is asked again."""

ScalingOf = Callable[[CellInfo], tuple[Scaling | None, float | None]]
"""What is known of a device: its calibration and its entered overload limit, newtons."""


@dataclass(frozen=True, slots=True)
class CellPlan:
    """A cell to record: its name, where it is, and how its counts are read."""

    name: str
    url: str
    scaling_of: ScalingOf
    station: str | None = None


class Hub(LoweringHub, Protocol):
    """What a line needs of the pipeline around it."""

    def new_stream(self) -> int:
        """Give a stream number that the logbook has not used."""
        ...

    def anchor(self) -> tuple[int, int]:
        """One moment on both host clocks: boot and wall nanoseconds."""
        ...


@dataclass(slots=True)
class _Stream:
    """The open stream of a line."""

    id: int
    time: TimeBase
    follower: Follower
    next_index: int = 0
    not_sent: int = 0


class CellLine:
    """What happens to one cell's bytes, owned by the pipeline's thread.

    Parameters
    ----------
    plan : CellPlan
        The cell.
    decoder : Decoder
        Of its link.
    hub : Hub
        Takes what comes out.
    asks : bool
        Whether the link can be asked; a replayed file cannot, its INFO frames are taken
        as they come.
    trigger : TriggerSettings
        When a lowering opens and closes.
    """

    def __init__(
        self, plan: CellPlan, decoder: Decoder, hub: Hub, *, asks: bool, trigger: TriggerSettings
    ) -> None:
        self.plan = plan
        self.state = CellState(plan.name)
        self.handshake = Handshake(decoder.encode_request) if asks else None
        self._decoder = decoder
        self._hub = hub
        self._settings = trigger
        self._info: CellInfo | None = None
        self._known = self._was_up = False
        self._pending: deque[SampleFrame] = deque()
        self._stream: _Stream | None = None
        self._fresh: list[SamplesPlaced] = []
        self._loss = ""
        self._overruns: int | None = None
        self._clipped: int | None = None
        self._failed, self._failed_why, self._failed_due_ns = 0, "", 0
        self._heard_ns = 0

    # --- link ------------------------------------------------------------------------

    def link_up(self, notice: Fault) -> None:
        """Take note that the port was opened: ask who is there."""
        if self._was_up:
            self.note(notice)
        self._was_up = self.state.connected = True
        self._known = False
        self._ask(notice.received_ns)

    def link_down(self, notice: Fault) -> None:
        """Take note that the port is gone; the stream stays open for its return."""
        self._take_all(self._decoder.finish(notice.received_ns))
        self.state.connected = False
        self._known = False
        if self.handshake is not None:
            self.handshake.link_down()
        self.note(notice)
        self._loss = "disconnected"

    def stop(self, now_ns: int) -> None:
        """Ask the device to stop sending; again does nothing."""
        if self.handshake is not None and self.handshake.state is not State.STOPPING:
            self.handshake.stop(now_ns)

    @property
    def is_stopped(self) -> bool:
        """Whether the device has stopped, or cannot be asked."""
        return self.handshake is None or self.handshake.state is State.STOPPED

    def _ask(self, now_ns: int) -> None:
        """Ask the device who it is, and start it."""
        self._heard_ns = now_ns
        if self.handshake is not None:
            self.handshake.link_up(now_ns)

    def feed(self, data: bytes, received_ns: int) -> None:
        """Take bytes as they came."""
        self._take_all(self._decoder.feed(data, received_ns))

    def dropped(self, n_bytes: int, now_ns: int) -> None:
        """Take note that bytes of this cell found no room in the queue."""
        self.note(Fault("queue_dropped", now_ns, n_bytes, f"no room for {n_bytes} bytes"))
        self._loss = "queue_dropped"

    def poll(self, now_ns: int) -> list[bytes]:
        """Give what has to be sent to the device now."""
        if self.handshake is None:
            return []
        if self.handshake.state is not State.RUNNING:
            self._heard_ns = now_ns
        elif now_ns - self._heard_ns > SILENT_NS:
            self._ask(now_ns)
        requests = self.handshake.poll(now_ns)
        for fault in self.handshake.take_faults():
            self.note(fault)
        return requests

    def finish(self, now_ns: int, reason: str) -> None:
        """End the line: what is half read is a fault, what is open is closed."""
        self._take_all(self._decoder.finish(now_ns))
        if self._stream is None and self._pending:
            n = sum(len(frame.counts) for frame in self._pending)
            self._pending.clear()
            detail = f"{n} samples came, but the device never said who it is (INFO)"
            self.note(Fault("no_reply", now_ns, n, detail))
        self._close(now_ns, reason)

    def note(self, fault: Fault) -> None:
        """Put a fault on record."""
        self.state.n_faults += fault.n
        stream_id = None if self._stream is None else self._stream.id
        self._hub.record(
            FaultNoted(
                stream_id, self.plan.name, fault.kind, fault.received_ns, fault.n, fault.detail
            )
        )

    # --- readings ----------------------------------------------------------------------

    def _take_all(self, decoded: list[Decoded]) -> None:
        """Take readings in order; faults of one kind in one piece become one row."""
        faults: dict[str, list[Fault]] = {}
        for reading in decoded:
            if isinstance(reading, SampleFrame):
                self._heard_ns = reading.received_ns
                if self._known:
                    self._place(reading)
                else:
                    self._keep(reading)
            elif isinstance(reading, Fault):
                faults.setdefault(reading.kind, []).append(reading)
                self._loss = self._loss or "damaged"
            elif isinstance(reading, StatusFrame):
                self._take_status(reading)
            else:
                self._take_answer(reading)
        for alike in faults.values():
            first, n = alike[0], sum(fault.n for fault in alike)
            more = f" (the first of {len(alike)})" if len(alike) > 1 else ""
            self.note(Fault(first.kind, first.received_ns, n, first.detail + more))

    def _take_answer(self, reading: InfoFrame | ReplyFrame) -> None:
        if self.handshake is not None:
            self.handshake.on_reading(reading)
        if isinstance(reading, InfoFrame) and (
            self.handshake is None or self.handshake.info is reading.info
        ):
            self._identified(reading.info, reading.received_ns)

    def _identified(self, info: CellInfo, now_ns: int) -> None:
        """Go on with the stream if it is the same device since the same boot."""
        before = self._info
        if before is not None and (info.boot_id, info.device_id) != (
            before.boot_id,
            before.device_id,
        ):
            detail = (
                f"{before.device_id} boot {before.boot_id}, now {info.device_id} {info.boot_id}"
            )
            self.note(Fault("reset", now_ns, 1, detail))
            self._close(now_ns, "reset")
            self._overruns = self._clipped = 0
        self._info, self._known = info, True
        self._place_pending()

    def _place_pending(self) -> None:
        while self._pending and self._known:
            self._place(self._pending.popleft())

    def _keep(self, frame: SampleFrame) -> None:
        """Hold a frame back until the device has said who it is."""
        if len(self._pending) >= PENDING_FRAMES:
            lost = self._pending.popleft()
            detail = "the device has not said who it is (INFO)"
            self.note(Fault("no_reply", frame.received_ns, len(lost.counts), detail))
            self._loss = "not_identified"
        self._pending.append(frame)

    def _place(self, frame: SampleFrame) -> None:
        stream = self._stream or self._open()
        placed = stream.time.place(frame)
        if isinstance(placed, Placed):
            self._record(stream, placed, frame)
        elif isinstance(placed, Fault):
            self.note(placed)
        else:
            self._restart(placed, frame.received_ns)

    def _record(self, stream: _Stream, placed: Placed, frame: SampleFrame) -> None:
        record = self._hub.record
        if placed.fault is not None:
            self.note(placed.fault)
        if placed.n_missing:
            reason = self._loss or "not_sent"
            if reason == "not_sent":
                stream.not_sent += placed.n_missing
            first = placed.first_index - placed.n_missing
            record(GapNoted(stream.id, first, placed.n_missing, frame.received_ns, reason))
            self.state.gap(placed.n_missing)
        self._loss = ""
        item = SamplesPlaced(
            stream.id, placed.first_index, placed.tick_us, frame.counts, frame.received_ns
        )
        record(item)
        stream.next_index = placed.first_index + len(frame.counts)
        self._fresh.append(item)

    def _restart(self, restart: Restart, now_ns: int) -> None:
        """Begin a new stream; a device that can be asked is asked who it is now."""
        self.note(Fault("reset", now_ns, 1, restart.reason))
        self._close(now_ns, "reset")
        self._overruns = self._clipped = None
        if self.handshake is not None:
            self._info, self._known = None, False
            self._ask(now_ns)
        self._pending.extendleft(reversed(restart.frames))
        self._place_pending()

    def _take_status(self, status: StatusFrame) -> None:
        """Put a status on record, and what its counters gained as faults."""
        self.state.battery_pct = status.battery_pct
        self.state.temperature_c = status.temperature_c
        stream = self._stream
        if stream is None or not self._known:
            return
        self._hub.record(StatusNoted(stream.id, status))
        if self._overruns is None:
            self._overruns = status.overruns - min(status.overruns, stream.not_sent)
        if self._clipped is None:
            self._clipped = status.clipped
        for kind, before, after, what in (
            ("device_overrun", self._overruns, status.overruns, "dropped before the link"),
            ("clipped", self._clipped, status.clipped, "at a count limit"),
        ):
            if after > before:
                n = after - before
                self.note(Fault(kind, status.received_ns, n, f"{n} samples {what}"))
        self.state.overruns += max(0, status.overruns - self._overruns)
        self._overruns, self._clipped = status.overruns, status.clipped

    # --- stream ------------------------------------------------------------------------

    def _open(self) -> _Stream:
        info = self._info
        assert info is not None  # noqa: S101 - frames wait until the device is known
        scaling, overload_n = self.plan.scaling_of(info)
        stream_id = self._hub.new_stream()
        boot_ns, wall_ns = self._hub.anchor()
        self._hub.record(
            StreamOpened(
                stream_id=stream_id,
                cell=self.plan.name,
                url=self.plan.url,
                station=self.plan.station,
                info=info,
                scaling=scaling,
                overload_n=overload_n,
                anchor_boot_ns=boot_ns,
                anchor_wall_ns=wall_ns,
            )
        )
        self.state.opened(stream_id)
        self._stream = _Stream(
            id=stream_id,
            time=TimeBase(info.sample_rate_hz, info.jitter_bound_us),
            follower=Follower(stream_id, info, scaling, self.state, self._hub, self._settings),
        )
        return self._stream

    def _close(self, now_ns: int, reason: str) -> None:
        """End the open stream and its window, if there are any."""
        stream = self._stream
        if stream is None:
            return
        self.follow()
        stream.follower.end(stream.next_index - 1)
        self._hub.record(StreamClosed(stream.id, now_ns, reason))
        self._stream = None
        self._loss = ""

    # --- after recording ---------------------------------------------------------------

    def follow(self) -> None:
        """Show the follower what has been recorded since; isolated."""
        fresh, self._fresh = self._fresh, []
        stream = self._stream
        if stream is None or not fresh:
            return
        now_ns = fresh[-1].received_ns
        try:
            stream.follower.see(fresh)
        except RecordingError:
            raise
        except Exception as error:  # noqa: BLE001 - on record as a fault, the recording goes on
            self._failed += 1
            self._failed_why = f"trigger or live state: {type(error).__name__}: {error}"
            stream.follower.start_afresh(stream.next_index - 1)
        if self._failed and now_ns >= self._failed_due_ns:
            n, self._failed = self._failed, 0
            self._failed_due_ns = now_ns + FAILED_EVERY_NS
            self.note(Fault("consumer_failed", now_ns, n, self._failed_why))
