"""The pipeline, turned by hand on a clock that stands still: what goes on record, in order."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
import pytest
from fake_cell import SCALING, FakeCell, PipelineBench, uncalibrated
from logbook_items import StillClock

from logger import cell_line, held_frames
from logger.errors import RecordingError
from logger.live import CellState, Consumer, Snapshot
from logger.pipeline import ByteQueue, HostClocks, Lowerings, Pipeline, TransportEvent, room_for
from logger.samples import (
    Fault,
    FaultNoted,
    GapNoted,
    RecordItem,
    SamplesPlaced,
    StatusNoted,
    StreamClosed,
    StreamOpened,
    WindowClosed,
    WindowOpened,
)
from logger.simcell import wire
from logger.timebase import fit_envelope
from logger.trigger import Trigger, find_windows

pytest_plugins = ("bench_fixtures",)


def event(n: int, line: int = 0) -> TransportEvent:
    return TransportEvent(line, bytes(n), 0)


def faults(bench: PipelineBench) -> list[tuple[str, int]]:
    return [(f.kind, f.n) for f in bench.items if isinstance(f, FaultNoted)]


# --- queue ---------------------------------------------------------------------------


def test_a_full_queue_drops_bytes_counted_and_keeps_notices() -> None:
    queue = ByteQueue(500)
    for _ in range(5):
        queue.put(event(100))
    notice = TransportEvent(0, b"", 0, Fault("disconnected", 0, 1, ""))
    queue.put(notice)
    events, dropped = queue.take()
    assert events == [event(100), event(100), notice]
    assert dropped == {0: 300}
    assert queue.waiting_bytes == 0
    assert queue.take() == ([], {})


def test_a_patient_source_waits_for_room_until_released() -> None:
    queue = ByteQueue(500)
    done = threading.Event()

    def fill() -> None:
        for _ in range(8):
            queue.put(event(100), patient=True)
        done.set()

    filler = threading.Thread(target=fill)
    filler.start()
    taken: list[TransportEvent] = []
    while not done.wait(0.001):
        taken += queue.take()[0]
    filler.join()
    taken += queue.take()[0]
    assert len(taken) == 8
    queue.release()
    for _ in range(8):
        queue.put(event(100), patient=True)
    assert queue.take()[1] == {0: 600}


def test_room_is_a_minute_of_each_link() -> None:
    assert room_for(2) == 2 * 60 * 100_000


# --- numbering, clocks ---------------------------------------------------------------


def test_streams_loaded_at_once_share_a_lowering() -> None:
    lowerings = Lowerings(5)
    assert (lowerings.open(1), lowerings.open(2)) == (5, 5)
    lowerings.close(1)
    assert lowerings.n_closed == 0
    assert lowerings.open(1) == 6
    lowerings.close(1)
    lowerings.close(2)
    assert lowerings.n_closed == 2
    assert lowerings.open(2) == 7


def test_a_jump_of_wall_time_is_noticed_once_and_creep_is_not() -> None:
    class Clocks(StillClock):
        moved_ns = 0

        def wall_ns(self) -> int:
            return super().wall_ns() + self.moved_ns

    clocks = Clocks()
    host = HostClocks(clocks)
    clocks.moved_ns = 50_000_000
    assert host.jump_ns() == 0
    clocks.moved_ns += 3_000_000_000
    assert host.jump_ns() == 3_000_000_000
    assert host.jump_ns() == 0
    boot_ns, wall_ns = host.anchor()
    assert wall_ns - boot_ns == clocks.wall_ns() - clocks.boot_ns()


def test_a_jump_of_wall_time_is_on_record(cell: FakeCell) -> None:
    class Clocks(StillClock):
        moved_ns = 0

        def wall_ns(self) -> int:
            return super().wall_ns() + self.moved_ns

    clocks = Clocks()
    bench = PipelineBench(FakeCell(clocks), clock=clocks)
    clocks.moved_ns = -5_000_000_000
    clocks.sleep(1.0)
    bench.turn()
    (noted,) = [item for item in bench.items if isinstance(item, FaultNoted)]
    assert (noted.kind, noted.stream_id) == ("clock_jump", None)
    assert "-5.000 s" in noted.detail


def test_a_suspend_is_on_record_and_times_are_unaffected() -> None:
    class Clocks(StillClock):
        slept_ns = 0

        def awake_ns(self) -> int:
            return self.now_ns - self.slept_ns

    clocks = Clocks()
    cell = FakeCell(clocks)
    bench = PipelineBench(cell, clock=clocks)
    for _ in range(100):
        cell.samples(500)
        bench.turn(1)
    clocks.slept_ns = 40_000_000_000
    cell.lose(40_000)
    for _ in range(100):
        cell.samples(500)
        bench.turn(1)
    (noted,) = [f for f in bench.items if isinstance(f, FaultNoted) and f.stream_id is None]
    assert (noted.kind, noted.n) == ("host_suspended", 1)
    assert "suspended for 40.0 s" in noted.detail
    assert faults(bench) == [("host_suspended", 1)]
    (gap,) = [item for item in bench.items if isinstance(item, GapNoted)]
    assert gap.n_missing == 40_000
    placed = [item for item in bench.items if isinstance(item, SamplesPlaced)]
    ticks = np.concatenate([item.frames.tick_us for item in placed])
    received = np.concatenate([item.frames.received_ns for item in placed])
    assert np.ptp(fit_envelope(ticks, received).host_ns(ticks) - ticks * 1000) < 1000
    assert len({item.stream_id for item in placed}) == 1


# --- a stream --------------------------------------------------------------------------


def test_a_stream_opens_with_the_first_frame_after_info(
    bench: PipelineBench, cell: FakeCell
) -> None:
    assert [r.opcode for r in cell.requests[:2]] == [wire.OP_INFO, wire.OP_START]
    assert bench.items == []
    cell.samples(200)
    bench.turn()
    opened, first = bench.items[:2]
    assert isinstance(opened, StreamOpened)
    assert (opened.stream_id, opened.cell, opened.info.boot_id) == (4, "c0", 7)
    assert (opened.scaling is not None, opened.overload_n) == (True, 20_000.0)
    assert isinstance(first, SamplesPlaced)
    assert bench.stored(4) == list(range(200))
    view = bench.pipeline.snapshot.cells[0]
    assert (view.cell, view.stream_id, view.connected) == ("c0", 4, True)


def test_frames_before_info_wait_for_it(clock: StillClock) -> None:
    cell = FakeCell(clock)
    cell.silent = True
    bench = PipelineBench(cell, clock=clock)
    cell.samples(100)
    bench.turn()
    assert bench.items == []
    cell.silent = False
    clock.sleep(0.5)
    bench.turn()
    assert bench.stored(4) == list(range(100))


def test_too_many_frames_before_info_are_counted(
    clock: StillClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(held_frames, "ROOM_FRAMES", 2)
    cell = FakeCell(clock)
    cell.silent = True
    bench = PipelineBench(cell, clock=clock)
    cell.samples(200)
    bench.turn()
    assert faults(bench) == [("no_reply", 100)]
    cell.silent = False
    clock.sleep(0.5)
    bench.turn()
    assert bench.stored(4) == list(range(100, 200))


def test_a_device_that_never_says_who_it_is_loses_nothing_in_silence(clock: StillClock) -> None:
    cell = FakeCell(clock)
    cell.silent = True
    bench = PipelineBench(cell, clock=clock)
    cell.samples(100)
    bench.turn()
    bench.pipeline.start()
    bench.pipeline.finish()
    assert faults(bench) == [("no_reply", 100)]


def test_no_answer_is_on_record_in_the_end(clock: StillClock) -> None:
    cell = FakeCell(clock)
    cell.deaf = True
    bench = PipelineBench(cell, clock=clock)
    for _ in range(10):
        clock.sleep(0.5)
        bench.turn()
    assert faults(bench)[0] == ("no_reply", 1)


def test_a_gap_says_how_many_and_why(bench: PipelineBench, cell: FakeCell) -> None:
    cell.samples(100)
    cell.lose(30)
    cell.samples(50)
    damaged = bytearray(cell.frame([1] * 50))
    damaged[20] ^= 0x55
    cell.give(bytes(damaged))
    cell.samples(50)
    bench.turn()
    gaps = [(g.first_index, g.n_missing, g.reason) for g in bench.items if isinstance(g, GapNoted)]
    assert gaps == [(100, 30, "not_sent"), (180, 50, "damaged")]
    assert faults(bench) == [("bad_crc", 1)]
    view = bench.pipeline.snapshot.cells[0]
    assert bench.stored(4) == [*range(100), *range(130, 180), *range(230, 280)]
    assert view is not None


def test_faults_of_one_kind_in_one_piece_become_one_row(
    bench: PipelineBench, cell: FakeCell
) -> None:
    cell.samples(50)
    bench.turn()
    cell.give(b"\x00" + b"\x05\x01\x02\x03\x04\x00" * 3)
    bench.turn()
    (fault,) = [item for item in bench.items if isinstance(item, FaultNoted)]
    assert fault.n == 3
    assert fault.detail.endswith("(the first of 3)")


def test_dropped_bytes_are_on_record_and_the_gap_says_so(clock: StillClock) -> None:
    cell = FakeCell(clock)
    bench = PipelineBench(cell, clock=clock, room_bytes=700)
    cell.samples(50)
    bench.turn()
    cell.samples(200)
    bench.turn()
    cell.samples(50)
    bench.turn()
    (kind, n), *_ = faults(bench)
    assert kind == "queue_dropped"
    assert n > 400
    (gap,) = [item for item in bench.items if isinstance(item, GapNoted)]
    assert gap.reason == "queue_dropped"
    assert gap.n_missing + len(bench.stored(4)) == 300


def test_a_duplicate_is_a_fault_and_stored_once(bench: PipelineBench, cell: FakeCell) -> None:
    frame = cell.frame([1] * 50)
    cell.give(frame + frame)
    cell.samples(50)
    bench.turn()
    assert bench.stored(4) == list(range(100))
    assert faults(bench) == [("duplicate", 50)]


def test_an_index_that_its_tick_contradicts_is_placed_and_said(
    bench: PipelineBench, cell: FakeCell, clock: StillClock
) -> None:
    cell.samples(50)
    clock.sleep(0.1)
    cell.give(wire.BinaryTalk().data(700, 100_000, np.zeros(10, np.int32)))
    bench.turn()
    assert faults(bench) == [("index_unsure", 10)]
    assert bench.stored(4) == [*range(50), *range(700, 710)]
    (gap,) = bench.of(GapNoted)
    assert isinstance(gap, GapNoted)
    assert (gap.first_index, gap.n_missing) == (50, 650)


# --- status ---------------------------------------------------------------------------


def test_overruns_on_record_are_those_of_this_stream(bench: PipelineBench, cell: FakeCell) -> None:
    cell.samples(50)
    cell.lose(40)
    cell.samples(50)
    cell.status(overruns=140, clipped=3)
    cell.lose(10)
    cell.samples(50)
    cell.status(overruns=150, clipped=5)
    bench.turn()
    assert faults(bench) == [("device_overrun", 40), ("device_overrun", 10), ("clipped", 2)]
    assert len(bench.of(StatusNoted)) == 2
    cell.samples(100)
    bench.turn()
    view = bench.pipeline.snapshot.cells[0]
    assert (view.overruns, view.battery_pct, view.temperature_c) == (50, 80, 21.5)


def test_a_status_before_the_first_sample_is_not_on_record(
    bench: PipelineBench, cell: FakeCell
) -> None:
    cell.status()
    bench.turn()
    assert bench.items == []


# --- resets and links ------------------------------------------------------------------


def test_another_boot_id_begins_a_new_stream(bench: PipelineBench, cell: FakeCell) -> None:
    cell.samples(100)
    bench.turn()
    cell.reboot()
    bench.turn()
    assert [r.opcode for r in cell.requests].count(wire.OP_START) == 2
    cell.samples(100)
    cell.status(overruns=6)
    bench.turn()
    assert bench.stored(4) == bench.stored(5) == list(range(100))
    (closed,) = bench.of(StreamClosed)
    assert isinstance(closed, StreamClosed)
    assert (closed.stream_id, closed.reason) == (4, "reset")
    assert faults(bench) == [("reset", 1), ("device_overrun", 6)]


def test_a_restart_without_a_word_begins_a_new_stream_after_asking(
    bench: PipelineBench, cell: FakeCell, clock: StillClock
) -> None:
    cell.samples(5000)
    bench.turn()
    clock.sleep(1.0)
    cell.reboot(say=False)
    cell.samples(200)
    bench.turn()
    assert bench.stored(4) == list(range(5000))
    assert bench.stored(5) == list(range(200))
    infos = [item.info.boot_id for item in bench.items if isinstance(item, StreamOpened)]
    assert infos == [7, 8]
    assert faults(bench)[-1] == ("reset", 1)


def test_a_device_that_falls_silent_is_asked_again(
    bench: PipelineBench, cell: FakeCell, clock: StillClock
) -> None:
    cell.samples(100)
    bench.turn()
    cell.reboot(say=False)
    clock.sleep(2.5)
    bench.turn()
    assert [r.opcode for r in cell.requests].count(wire.OP_START) == 2
    cell.samples(100)
    bench.turn()
    assert bench.stored(5) == list(range(100))


@pytest.mark.parametrize("rebooted", [False, True])
def test_a_link_that_returns_goes_on_or_begins_anew(
    bench: PipelineBench, cell: FakeCell, clock: StillClock, rebooted: bool
) -> None:
    cell.samples(100)
    bench.turn()
    cell.notice("disconnected")
    bench.turn()
    assert not bench.pipeline._lines[0].state.connected
    cell.lose(1000)
    if rebooted:
        cell.reboot(say=False)
    cell.notice("connected")
    bench.turn()
    cell.samples(100)
    bench.turn()
    expected = [("disconnected", 1), ("connected", 1)] + [("reset", 1)] * rebooted
    assert faults(bench) == expected
    if rebooted:
        assert bench.stored(5) == list(range(100))
    else:
        assert bench.stored(4) == [*range(100), *range(1100, 1200)]
        (gap,) = bench.of(GapNoted)
        assert isinstance(gap, GapNoted)
        assert (gap.n_missing, gap.reason) == (1000, "disconnected")


def test_another_device_on_the_same_link_begins_a_new_stream(
    bench: PipelineBench, cell: FakeCell
) -> None:
    cell.samples(100)
    bench.turn()
    cell.notice("disconnected")
    cell.device_id = "fake-2"
    cell.notice("connected")
    bench.turn()
    cell.samples(100)
    bench.turn()
    ids = [item.info.device_id for item in bench.items if isinstance(item, StreamOpened)]
    assert ids == ["fake-1", "fake-2"]


def test_a_replay_takes_info_as_it_comes_and_ends_without_a_fault(clock: StillClock) -> None:
    cell = FakeCell(clock, answers=False)
    bench = PipelineBench(cell, clock=clock)
    cell.info(request_id=9)
    cell.samples(100)
    cell.notice("bad_length")
    cell.samples(100)
    cell.reboot()
    cell.samples(50)
    cell.notice("disconnected")
    bench.turn()
    assert cell.requests == []
    assert bench.stored(4) == list(range(200))
    assert bench.stored(5) == list(range(50))
    assert faults(bench) == [("bad_length", 1), ("reset", 1)]


def test_a_replay_that_starts_again_unannounced_keeps_its_info(clock: StillClock) -> None:
    cell = FakeCell(clock, answers=False)
    bench = PipelineBench(cell, clock=clock)
    cell.info()
    cell.samples(5000)
    cell.reboot(say=False)
    cell.samples(200)
    bench.turn()
    assert bench.stored(5) == list(range(200))


# --- lowerings ---------------------------------------------------------------------------


def lower(cell: FakeCell, seconds: float = 2.0) -> None:
    """Slack, load of 500 N, slack long enough to end it."""
    cell.samples(2000)
    cell.samples(round(seconds * 1000), level=5000)
    cell.samples(6000)


def test_a_lowering_is_a_window_on_record(bench: PipelineBench, cell: FakeCell) -> None:
    lower(cell)
    bench.turn()
    (opened,), (closed,) = bench.of(WindowOpened), bench.of(WindowClosed)
    assert isinstance(opened, WindowOpened)
    assert isinstance(closed, WindowClosed)
    assert (opened.lowering, opened.stream_id, opened.first_index) == (9, 4, 0)
    assert opened.trigger_index == pytest.approx(2000, abs=50)
    assert closed.last_index == pytest.approx(9000, abs=100)
    cell.samples(100)
    bench.turn()
    snapshot = bench.pipeline.snapshot
    view = snapshot.cells[0]
    assert (snapshot.lowerings, view.lowering, view.window_open) == (1, 9, False)
    assert view.peak_n == pytest.approx(500.0)


def test_samples_are_recorded_before_their_window(bench: PipelineBench, cell: FakeCell) -> None:
    cell.samples(2000)
    cell.samples(1000, level=5000)
    bench.turn()
    order = [type(item) for item in bench.items]
    assert order.index(WindowOpened) > max(i for i, t in enumerate(order) if t is SamplesPlaced) - 1


def test_without_calibration_counts_are_recorded_and_no_window(clock: StillClock) -> None:
    cell = FakeCell(clock)
    bench = PipelineBench(cell, clock=clock, scaling=uncalibrated)
    lower(cell)
    bench.turn()
    assert len(bench.stored(4)) == 10_000
    assert bench.of(WindowOpened) == []
    assert bench.pipeline.snapshot.cells[0].force_n is None


def test_an_open_window_ends_with_its_stream(bench: PipelineBench, cell: FakeCell) -> None:
    cell.samples(2000)
    cell.samples(1000, level=5000)
    bench.turn()
    bench.pipeline.start()
    bench.pipeline.finish()
    assert [type(item) for item in bench.items[-2:]] == [WindowClosed, StreamClosed]
    closed = bench.items[-2]
    assert isinstance(closed, WindowClosed)
    assert closed.last_index == 2999


@pytest.mark.parametrize("loaded", [49, 50, 51, 99, 100, 101, 120, 150])
def test_windows_at_the_end_of_a_stream_are_those_of_a_later_run(
    bench: PipelineBench, cell: FakeCell, loaded: int
) -> None:
    """The trigger's last bin is half full at the end: it counts live as it does later."""
    cell.samples(2000)
    cell.samples(loaded, level=5000, per_frame=loaded)
    bench.turn()
    bench.pipeline.start()
    bench.pipeline.finish()
    placed = [item for item in bench.items if isinstance(item, SamplesPlaced)]
    again = find_windows(
        [(item.first_index, item.counts) for item in placed], SCALING, cell.rate_hz
    )
    opened = [item for item in bench.items if isinstance(item, WindowOpened)]
    closed = [item for item in bench.items if isinstance(item, WindowClosed)]
    assert [
        (begin.trigger_index, begin.first_index, end.last_index)
        for begin, end in zip(opened, closed, strict=True)
    ] == [(found.trigger_index, found.first_index, found.last_index) for found in again]
    assert len(again) == (loaded > 50)


def test_a_trigger_that_raises_at_the_end_still_lets_the_stream_close(
    bench: PipelineBench, cell: FakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell.samples(2000)
    cell.samples(1000, level=5000)
    bench.turn()

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(Trigger, "finish", broken)
    bench.pipeline.start()
    bench.pipeline.finish()
    assert bench.pipeline.failure is None
    assert faults(bench) == [("consumer_failed", 1)]
    assert [type(item) for item in bench.items[-1:]] == [StreamClosed]
    assert len(bench.of(WindowClosed)) == 1


def test_two_cells_share_the_number_of_a_lowering(clock: StillClock) -> None:
    one, two = FakeCell(clock), FakeCell(clock)
    bench = PipelineBench(one, two, clock=clock)
    for level in (0, 0, 5000):
        for _ in range(20):
            one.samples(50, level)
            two.samples(50, level)
        bench.turn()
    opened = [item for item in bench.items if isinstance(item, WindowOpened)]
    assert {item.lowering for item in opened} == {9}
    assert {item.stream_id for item in opened} == {4, 5}


def test_a_trigger_that_raises_costs_no_sample_and_is_on_record(
    bench: PipelineBench, cell: FakeCell, clock: StillClock, monkeypatch: pytest.MonkeyPatch
) -> None:
    cell.samples(2000)
    cell.samples(1000, level=5000)
    bench.turn()

    def broken(*_: Any) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(Trigger, "feed", broken)
    for _ in range(3):
        cell.samples(500, level=5000)
        bench.turn()
    monkeypatch.undo()
    clock.sleep(1.0)
    cell.samples(2000)
    bench.turn()
    assert len(bench.stored(4)) == 6500
    assert faults(bench) == [("consumer_failed", 1), ("consumer_failed", 2)]
    assert "ZeroDivisionError: a bug" in str(bench.items)
    assert len(bench.of(WindowClosed)) == 1


def test_a_live_state_that_raises_costs_no_sample(
    bench: PipelineBench, cell: FakeCell, monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*_: Any) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(CellState, "samples", broken)
    cell.samples(500)
    bench.turn()
    assert bench.stored(4) == list(range(500))
    assert faults(bench) == [("consumer_failed", 1)]


def test_drift_of_the_clocks_is_shown_after_half_a_minute(
    bench: PipelineBench, cell: FakeCell
) -> None:
    for _ in range(80):
        cell.samples(500)
        bench.turn(1)
    drift = bench.pipeline._lines[0].state.drift_ppm
    assert drift == pytest.approx(0.0, abs=1.0)


# --- the thread -----------------------------------------------------------------------------


def pipeline_of(
    cell: FakeCell, clock: StillClock, record: Any, **more: Any
) -> tuple[Pipeline, ByteQueue]:
    queue = ByteQueue(1_000_000)
    plan = cell_line.CellPlan("c", cell.url, uncalibrated)
    pipeline = Pipeline(record, [(plan, cell)], queue, clock=clock, **more)
    cell.start(
        lambda data, ns: queue.put(TransportEvent(0, data, ns)),
        lambda fault: queue.put(TransportEvent(0, b"", fault.received_ns, fault)),
    )
    return pipeline, queue


def test_what_waits_is_taken_before_the_end(cell: FakeCell, clock: StillClock) -> None:
    items: list[RecordItem] = []
    ended = threading.Event()
    pipeline, _ = pipeline_of(cell, clock, items.append, on_end=ended.set)
    pipeline.start()
    while pipeline._lines[0]._info is None:
        ended.wait(0.001)
    cell.samples(5000)
    pipeline.stop_cells()
    assert pipeline.stopped.wait(60)
    assert cell.requests[-1].opcode == wire.OP_STOP
    cell.samples(100)
    pipeline.finish()
    assert ended.is_set()
    n = sum(len(item.counts) for item in items if isinstance(item, SamplesPlaced))
    assert n == 5100
    assert isinstance(items[-1], StreamClosed)
    assert pipeline.failure is None
    assert pipeline.snapshot.cells[0].n_samples == 5100


def test_a_recorder_that_refuses_ends_the_pipeline(cell: FakeCell, clock: StillClock) -> None:
    def refuse(_: RecordItem) -> None:
        raise RecordingError("ended")

    ended = threading.Event()
    pipeline, _ = pipeline_of(cell, clock, refuse, on_end=ended.set)
    pipeline.start()
    while pipeline._lines[0]._info is None:
        ended.wait(0.001)
    cell.samples(50)
    assert ended.wait(60)
    assert isinstance(pipeline.failure, RecordingError)
    pipeline.stop_cells()
    assert pipeline.stopped.is_set()
    pipeline.finish()


def test_a_recorder_that_refuses_a_window_is_no_bug_of_the_trigger(
    bench: PipelineBench, cell: FakeCell
) -> None:
    cell.samples(2000)
    bench.turn()
    taken = bench.items.append

    def refuse(item: RecordItem) -> None:
        if isinstance(item, WindowOpened):
            raise RecordingError("ended")
        taken(item)

    bench.pipeline.record = refuse
    cell.samples(1000, level=5000)
    with pytest.raises(RecordingError):
        bench.turn()


def test_a_consumer_that_failed_is_on_record(cell: FakeCell, clock: StillClock) -> None:
    def bad(_: Snapshot) -> None:
        raise ValueError("a view")

    items: list[RecordItem] = []
    consumer = Consumer("bad", bad)
    pipeline, _ = pipeline_of(cell, clock, items.append, consumers=[consumer])
    pipeline._turn()
    consumer.start()
    assert consumer.stop(60)
    clock.sleep(1.0)
    pipeline._turn()
    (fault,) = [item for item in items if isinstance(item, FaultNoted)]
    assert (fault.kind, fault.detail) == ("consumer_failed", "bad: ValueError: a view")


def test_counts_are_handed_on_untouched(bench: PipelineBench, cell: FakeCell) -> None:
    values = [-(2**31), 2**31 - 1, 0, -1]
    cell.give(cell.frame(values))
    bench.turn()
    (placed,) = bench.of(SamplesPlaced)
    assert isinstance(placed, SamplesPlaced)
    assert placed.counts.tolist() == values
    assert placed.counts.dtype == np.int32
