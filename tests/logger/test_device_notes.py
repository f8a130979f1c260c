"""What a device says beside its samples: answers to TIME, counters, where its index ends."""

from __future__ import annotations

import numpy as np
import pytest
from fake_cell import FakeCell, PipelineBench
from logbook_items import StillClock

from logger.device_notes import ClockAnswers, Counters
from logger.handshake import FIRST_TIMES, TimeExchange
from logger.placing import Placed, Placer
from logger.samples import (
    ExchangeNoted,
    FaultNoted,
    GapNoted,
    SampleFrame,
    StatusFrame,
    StreamClosed,
)
from logger.simcell import wire

pytest_plugins = ("bench_fixtures",)

WRAP = 2**32


class TellingCell(FakeCell):
    """Answers STOP as the wire format says: a status, then the next index."""

    overruns = 0

    def _answer(self, request: wire.Request) -> None:
        if request.opcode == wire.OP_STOP:
            self.status(overruns=self.overruns)
            end = (self.next_index % 2**16).to_bytes(2, "little")
            self.give(self._talk.reply(request, 0, end))
        else:
            super()._answer(request)


@pytest.fixture
def cell(clock: StillClock) -> TellingCell:
    return TellingCell(clock)


def end(bench: PipelineBench) -> None:
    bench.pipeline.stop_cells()
    bench.turn()
    for line in bench.pipeline._lines:
        line.finish(1, "stopped")


def test_every_answer_to_time_is_on_record_with_its_stream(
    bench: PipelineBench, cell: TellingCell, clock: StillClock
) -> None:
    for _ in range(12):
        cell.samples(500)
        bench.turn(1)
    noted = [item for item in bench.items if isinstance(item, ExchangeNoted)]
    assert len(noted) == FIRST_TIMES
    for answer in noted:
        assert answer.stream_id == 4
        assert answer.sent_ns <= answer.received_ns
        assert answer.tick_us == (answer.sent_ns - cell._booted_ns) // 1000


def test_answers_before_the_first_frame_wait_for_it_and_die_with_their_boot() -> None:
    answers, placer = ClockAnswers(), Placer(1000.0)
    exchange = TimeExchange(5000, 1_000_000, 3_000_000)
    answers.take(None)
    answers.take(exchange)
    answers.take(exchange)
    assert list(answers.ready(1, placer)) == []
    frame = SampleFrame(0, 6000, np.zeros(16, np.int32), 20_000_000)
    assert isinstance(placer.place(frame), Placed)
    assert list(answers.ready(1, placer)) == [ExchangeNoted(1, 5000, 1_000_000, 3_000_000)]
    assert list(answers.ready(1, placer)) == []
    answers.take(TimeExchange(9000, 1, 2))
    answers.forget()
    assert list(answers.ready(1, placer)) == []


@pytest.mark.parametrize("wraps", [0, 1, 5])
def test_a_tick_of_an_answer_is_unwrapped_by_the_hosts_clock(wraps: int) -> None:
    placer = Placer(1000.0)
    start = WRAP - 4_000_000
    assert placer.tick_at(start, 7) is None
    placer.place(SampleFrame(0, start, np.zeros(16, np.int32), 10**9))
    away_us = wraps * WRAP + 9_000_000
    host_ns = 10**9 + away_us * 1000 + 40_000_000
    assert placer.tick_at((start + away_us) % WRAP, host_ns) == start + away_us
    assert placer.tick_at(start - 2000, 10**9 - 30_000_000) == start - 2000


@pytest.mark.parametrize("lost", [0, 16, 4000, 60_000])
def test_what_the_device_dropped_after_its_last_frame_is_a_fault_and_a_gap(
    bench: PipelineBench, cell: TellingCell, lost: int
) -> None:
    cell.samples(2000)
    cell.status()
    bench.turn(1)
    cell.next_index += lost
    cell.overruns = lost
    end(bench)
    gaps = [item for item in bench.items if isinstance(item, GapNoted)]
    overruns = [item for item in bench.items if isinstance(item, FaultNoted)]
    if lost == 0:
        assert (gaps, overruns) == ([], [])
        return
    (gap,), (fault,) = gaps, overruns
    assert (gap.first_index, gap.n_missing, gap.reason) == (2000, lost, "not_sent")
    assert (fault.n, fault.stream_id) == (lost, 4)
    assert bench.pipeline._lines[0].state.n_missing == lost
    assert [type(item) for item in bench.items[-2:]] == [GapNoted, StreamClosed]


def overruns(bench: PipelineBench) -> list[int]:
    kinds = [item for item in bench.items if isinstance(item, FaultNoted)]
    assert {fault.kind for fault in kinds} <= {"device_overrun", "reset"}
    return [fault.n for fault in kinds if fault.kind == "device_overrun"]


@pytest.mark.parametrize("before_stream", [0, 70])
def test_overruns_after_the_last_frame_of_a_stream_without_a_status_are_a_fault(
    bench: PipelineBench, cell: TellingCell, before_stream: int
) -> None:
    """Its first status is the one before the answer to STOP; the gap shows after that."""
    cell.samples(2000)
    bench.turn(1)
    cell.next_index += 300
    cell.overruns = before_stream + 300
    end(bench)
    assert overruns(bench) == [300]
    assert bench.pipeline._lines[0].state.overruns == 300
    assert [type(item) for item in bench.items[-3:]] == [GapNoted, FaultNoted, StreamClosed]


def test_a_first_status_that_is_heard_before_the_hole_it_counts_is_a_fault(
    bench: PipelineBench, cell: TellingCell
) -> None:
    cell.samples(500)
    cell.lose(40)
    cell.status(overruns=540)
    cell.samples(500)
    bench.turn()
    assert overruns(bench) == []
    cell.lose(10)
    cell.samples(500)
    cell.status(overruns=550)
    bench.turn()
    assert overruns(bench) == [50]


@pytest.mark.parametrize("before_stream", [0, 70])
def test_two_statuses_that_are_heard_before_the_hole_make_one_whole_count(
    bench: PipelineBench, cell: TellingCell, before_stream: int
) -> None:
    """Nobody read for a while: what waited in the device ends with both, the hole shows at the end."""
    cell.samples(500)
    bench.turn()
    cell.next_index += 190
    cell.status(overruns=before_stream + 190)
    cell.next_index += 130
    cell.overruns = before_stream + 320
    end(bench)
    assert sum(overruns(bench)) == 320
    assert sum(item.n_missing for item in bench.items if isinstance(item, GapNoted)) == 320


def test_a_hole_after_the_second_status_is_no_overrun_of_before_the_first(
    bench: PipelineBench, cell: TellingCell
) -> None:
    """A radio that loses a frame leaves the same gap; only the counter tells the two apart."""
    cell.samples(500)
    cell.status(overruns=900)
    cell.samples(500)
    cell.status(overruns=900)
    cell.lose(50)
    cell.samples(500)
    cell.overruns = 900
    end(bench)
    assert len(bench.of(GapNoted)) == 1
    assert overruns(bench) == []


def test_without_any_status_nobody_can_know_of_an_overrun(
    bench: PipelineBench, cell: TellingCell
) -> None:
    """The device boots again before it has said a status: the gap is all there is to tell."""
    cell.samples(500)
    cell.lose(40)
    cell.samples(300)
    cell.reboot()
    cell.samples(100)
    bench.turn()
    end(bench)
    (gap,) = [item for item in bench.items if isinstance(item, GapNoted)]
    assert (gap.stream_id, gap.n_missing, gap.reason) == (4, 40, "not_sent")
    assert overruns(bench) == []


def test_frames_that_a_radio_delivers_after_the_answer_to_stop_are_no_gap(
    bench: PipelineBench, cell: TellingCell
) -> None:
    cell.samples(2000)
    bench.turn(1)
    late = cell.frame([0] * 50)
    cell.next_index += 10
    bench.pipeline.stop_cells()
    bench.turn()
    cell.give(late)
    bench.turn()
    end(bench)
    (gap,) = [item for item in bench.items if isinstance(item, GapNoted)]
    assert (gap.first_index, gap.n_missing) == (2050, 10)


def test_a_device_that_does_not_say_where_it_ended_leaves_no_gap(clock: StillClock) -> None:
    plain = FakeCell(clock)
    bench = PipelineBench(plain, clock=clock)
    plain.samples(2000)
    bench.turn(1)
    plain.next_index += 500
    end(bench)
    assert bench.of(GapNoted) == []
    assert bench.pipeline.stopped.is_set()


def test_a_device_that_measured_nothing_ends_without_a_gap(
    bench: PipelineBench, cell: TellingCell
) -> None:
    cell.next_index = 77
    end(bench)
    assert bench.of(GapNoted) == []


def test_where_the_index_ends_is_known_over_its_wrap() -> None:
    placer = Placer(1000.0)
    assert placer.missing_at_end(5) == 0
    placer.place(SampleFrame(65_530, 0, np.zeros(4, np.int32), 0))
    assert placer.missing_at_end(65_534) == 0
    assert placer.missing_at_end(10) == 12
    assert placer.missing_at_end(65_532) == 0


def test_counters_begin_where_they_are_found_unless_the_device_has_just_booted() -> None:
    counters = Counters()
    assert (
        counters.take(StatusFrame(0, 50, 7, None, None, 1), not_sent=20, next_index=100)[0].n == 20
    )
    (gained,) = counters.take(StatusFrame(0, 50, 9, None, None, 2), not_sent=20, next_index=100)
    assert (gained.kind, gained.n, counters.gained_overruns) == ("clipped", 2, 0)
    counters.booted()
    (gained,) = counters.take(StatusFrame(0, 3, 0, None, None, 3), not_sent=0, next_index=100)
    assert (gained.kind, gained.n, counters.gained_overruns) == ("device_overrun", 3, 3)
    counters.unknown()
    assert counters.take(StatusFrame(0, 900, 90, None, None, 4), not_sent=0, next_index=100) == []
