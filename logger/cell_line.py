"""One cell's way from readings to record items: handshake, stream, gaps, faults, windows.

Comes in: readings and faults of one link, and the time. Goes out: record items in the
order in which they must be stored, and requests to send. Must not: do I/O, own a thread,
ask a clock, or let the trigger or the live state cost a sample: what is recorded has been
handed on before either sees it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from logger.decoders import Decoded, Decoder, Opcode, Piece, feeding
from logger.device_notes import ClockAnswers, Counters
from logger.follower import Failures, Follower, LoweringHub
from logger.handshake import State, end_index16_of, handshake_of
from logger.held_frames import HeldFrames
from logger.live import CellState
from logger.placing import Placed, Placer, Restart
from logger.samples import (
    CellInfo,
    Fault,
    FaultNoted,
    GapNoted,
    InfoFrame,
    ReplyFrame,
    SampleFrame,
    SampleRun,
    SamplesPlaced,
    Scaling,
    StatusFrame,
    StatusNoted,
    StreamClosed,
    StreamOpened,
)
from logger.trigger import TriggerSettings

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
    placer: Placer
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
        self.handshake = handshake_of(decoder) if asks else None
        self._decoder = decoder
        self._feed = feeding(decoder)
        self._hub = hub
        self._settings = trigger
        self._info: CellInfo | None = None
        self._known = self._was_up = False
        self._held = HeldFrames()
        self._stream: _Stream | None = None
        self._fresh: list[SamplesPlaced] = []
        self._loss = ""
        self._end_index16: int | None = None
        self._counters, self._clock_answers = Counters(), ClockAnswers()
        self._failures = Failures()
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

    @property
    def is_settled(self) -> bool:
        """Whether nothing is being asked of the device but the time."""
        return self.handshake is None or self.handshake.state in {State.RUNNING, State.STOPPED}

    def _ask(self, now_ns: int) -> None:
        """Ask the device who it is, and start it."""
        self._heard_ns = now_ns
        if self.handshake is not None:
            self.handshake.link_up(now_ns)

    def feed(self, pieces: Sequence[Piece]) -> None:
        """Take bytes as they came, each piece with the host time of its arrival."""
        self._take_all(self._feed(pieces))

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
        self._note_all(self.handshake.take_faults())
        return requests

    def finish(self, now_ns: int, reason: str) -> None:
        """End the line: what is half read is a fault, what is open is closed."""
        self._take_all(self._decoder.finish(now_ns))
        if self._stream is None and self._held:
            n = self._held.n_samples
            self._held.clear()
            detail = f"{n} samples came, but the device never said who it is (INFO)"
            self.note(Fault("no_reply", now_ns, n, detail))
        self._close(now_ns, reason)

    def note(self, fault: Fault) -> None:
        """Put a fault on record."""
        self.state.n_faults += fault.n
        where = None if self._stream is None else self._stream.id, self.plan.name, fault.kind
        self._hub.record(FaultNoted(*where, fault.received_ns, fault.n, fault.detail))

    def _note_all(self, faults: list[Fault]) -> None:
        for fault in faults:
            self.note(fault)

    # --- readings ----------------------------------------------------------------------

    def _take_all(self, decoded: list[Decoded]) -> None:
        """Take readings in order; faults of one kind in one piece become one row."""
        faults: dict[tuple[str, int], list[Fault]] = {}
        for reading in decoded:
            if isinstance(reading, SampleFrame | SampleRun):
                run = reading if isinstance(reading, SampleRun) else reading.run()
                self._heard_ns = int(run.received_ns[-1])
                self._place(run)
            elif isinstance(reading, Fault):
                faults.setdefault((reading.kind, reading.received_ns), []).append(reading)
                self._loss = self._loss or ("silent" if reading.kind == "silent" else "damaged")
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
            was_stopped = self.is_stopped
            self.handshake.on_reading(reading)
            self._clock_answers.take(self.handshake.newest_exchange)
            self._note_clock()
            if self.is_stopped and not was_stopped:
                self._end_index16 = self.handshake.end_index16
        elif isinstance(reading, ReplyFrame) and reading.opcode in {Opcode.START, Opcode.STOP}:
            self._end_index16 = end_index16_of(reading)  # a replay holds the answers, not us
        if isinstance(reading, InfoFrame) and (
            self.handshake is None or self.handshake.info is reading.info
        ):
            self._identified(reading.info, reading.received_ns)

    def _note_clock(self) -> None:
        """Put answers to TIME on record, once their stream has a tick to unwrap them by."""
        if self._stream is not None:
            for item in self._clock_answers.ready(self._stream.id, self._stream.placer):
                self._hub.record(item)
                self._stream.follower.answered(item)

    def _note_end(self, stream: _Stream, now_ns: int) -> None:
        """Put on record what was measured after the last frame, which may follow STOP's answer."""
        index16, self._end_index16 = self._end_index16, None
        if index16 is not None:
            self._note_gap(stream, stream.next_index, stream.placer.missing_at_end(index16), now_ns)

    def _note_gap(self, stream: _Stream, first: int, n_missing: int, now_ns: int) -> None:
        """Put missing samples on record, if there are any."""
        if n_missing:
            reason = self._loss or "not_sent"
            stream.not_sent += n_missing if reason == "not_sent" else 0
            self._hub.record(GapNoted(stream.id, first, n_missing, now_ns, reason))
            self.state.gap(n_missing)

    def _identified(self, info: CellInfo, now_ns: int) -> None:
        """Go on with the stream if it is the same device since the same boot."""
        before = self._info
        now = f"{info.device_id} boot {info.boot_id}"
        was = now if before is None else f"{before.device_id} boot {before.boot_id}"
        if was != now:
            self.note(Fault("reset", now_ns, 1, f"{was}, now {now}"))
            self._close(now_ns, "reset")
            self._counters.booted()
            self._clock_answers.forget()
        self._info, self._known = info, True
        self._place_held()

    def _place_held(self) -> None:
        while self._held and self._known:
            self._place(self._held.take())

    def _keep(self, run: SampleRun) -> None:
        """Hold frames back until the device has said who it is."""
        for lost in self._held.keep(run):
            detail = "the device has not said who it is (INFO)"
            self.note(Fault("no_reply", int(run.received_ns[-1]), len(lost.counts), detail))
            self._loss = "not_identified"

    def _place(self, run: SampleRun) -> None:
        """Place frames, as many at once as go on as they should."""
        if not self._known:
            self._keep(run)
            return
        while True:
            stream = self._stream or self._open()
            placed, used = stream.placer.place(run.frame(0)), 1
            if isinstance(placed, Placed):
                used = self._record(stream, placed, run)
            elif isinstance(placed, Fault):
                self.note(placed)
            rest = run.part(used, run.n_frames) if used < run.n_frames else None
            if isinstance(placed, Restart):
                self._restart(placed, rest, int(run.received_ns[0]))
            if rest is None or isinstance(placed, Restart):
                return
            run = rest

    def _record(self, stream: _Stream, placed: Placed, run: SampleRun) -> int:
        """Record a run's first frame, and those that follow it; how many."""
        self._note_all(stream.placer.take_late())
        if placed.fault is not None:
            self.note(placed.fault)
        missing = placed.n_missing
        self._note_gap(stream, placed.first_index - missing, missing, int(run.received_ns[0]))
        self._loss = ""
        tick_us = stream.placer.place_on(run)
        item = run.placed(stream.id, placed.first_index, tick_us)
        self._hub.record(item)
        stream.next_index = item.next_index
        self._fresh.append(item)
        self._note_clock()
        return len(tick_us)

    def _restart(self, restart: Restart, rest: SampleRun | None, now_ns: int) -> None:
        """Begin a new stream; a device that can be asked is asked who it is now."""
        self.note(Fault("reset", now_ns, 1, restart.reason))
        self._close(now_ns, "reset")
        self._counters.unknown()
        self._clock_answers.forget()
        if self.handshake is not None:
            if self.handshake.answers:
                self._info, self._known = None, False
            self._ask(now_ns)
        self._held.put_before([] if rest is None else [rest])
        self._held.put_before([frame.run() for frame in restart.frames])
        self._place_held()

    def _take_status(self, status: StatusFrame) -> None:
        """Put a status on record, and what its counters gained as faults."""
        self.state.battery_pct = status.battery_pct
        self.state.temperature_c = status.temperature_c
        stream = self._stream
        if stream is None or not self._known:
            return
        self._hub.record(StatusNoted(stream.id, status))
        self._note_counted(self._counters.take(status, stream.not_sent, stream.next_index))

    def _note_counted(self, faults: list[Fault]) -> None:
        self._note_all(faults)
        self.state.overruns += self._counters.gained_overruns

    # --- stream ------------------------------------------------------------------------

    def _open(self) -> _Stream:
        info = self._info
        assert info is not None  # noqa: S101 - frames wait until the device is known
        scaling, overload_n = self.plan.scaling_of(info)
        stream_id = self._hub.new_stream()
        boot_ns, wall_ns = self._hub.anchor()
        self._hub.record(
            StreamOpened(
                stream_id, self.plan.name, self.plan.url, self.plan.station, info, scaling,
                overload_n, anchor_boot_ns=boot_ns, anchor_wall_ns=wall_ns,
            )
        )  # fmt: skip
        self.state.opened(stream_id)
        self._stream = _Stream(
            id=stream_id,
            placer=Placer(info.sample_rate_hz, info.jitter_bound_us),
            follower=Follower(stream_id, info, scaling, self.state, self._hub, self._settings),
        )
        return self._stream

    def _close(self, now_ns: int, reason: str) -> None:
        """End the open stream and its window, if there are any."""
        stream = self._stream
        if stream is None:
            return
        self._note_all(stream.placer.take_late(at_end=True))
        self._note_end(stream, now_ns)
        self._note_counted(self._counters.end(stream.not_sent, now_ns))
        self.follow()
        self._isolated(lambda: stream.follower.finish(stream.next_index - 1), stream, now_ns)
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
        self._isolated(lambda: stream.follower.see(fresh), stream, fresh[-1].received_ns)

    def _isolated(self, work: Callable[[], None], stream: _Stream, now_ns: int) -> None:
        def start_afresh() -> None:
            stream.follower.start_afresh(stream.next_index - 1)

        failed = self._failures.guard(work, start_afresh, now_ns)
        if failed is not None:
            self.note(failed)
