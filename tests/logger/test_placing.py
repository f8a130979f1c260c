"""Unwrapping index and tick, faults, restarts."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.placing import Placed, Placer, Restart
from logger.samples import Fault, SampleFrame

PER_FRAME = 16
TICK_WRAP = 2**32


def frame(index: int, tick_us: float, host_s: float, n: int = PER_FRAME) -> SampleFrame:
    counts = np.zeros(n, np.int32)
    return SampleFrame(index % 2**16, round(tick_us) % TICK_WRAP, counts, round(host_s * 1e9))


class Cell:
    """A device whose true rate and clock differ from what it says."""

    def __init__(
        self,
        rate_hz: float = 1000.0,
        *,
        tick0_us: float = 0.0,
        ppm: float = 0.0,
        boot_s: float = 50,
    ) -> None:
        self.rate_hz = rate_hz
        self.tick0_us = tick0_us
        self.ppm = ppm
        self.boot_s = boot_s

    def tick_us(self, index: int) -> float:
        return self.tick0_us + index / self.rate_hz * 1e6

    def frame(self, index: int, n: int = PER_FRAME, late_s: float = 0.01) -> SampleFrame:
        true_s = (index + n) / self.rate_hz * (1 - self.ppm * 1e-6)
        return frame(index, self.tick_us(index), self.boot_s + true_s + late_s, n)


def place(base: Placer, sent: SampleFrame) -> Placed:
    placed = base.place(sent)
    assert isinstance(placed, Placed), placed
    return placed


def run_up(base: Placer, cell: Cell, first: int, last: int) -> None:
    for index in range(first, last, PER_FRAME):
        placed = place(base, cell.frame(index))
        assert placed.n_missing == 0
        assert placed.fault is None


def test_the_first_frame_stands_where_it_says() -> None:
    assert Placer(1000.0).place(frame(70_000, 12, 1.0)) == Placed(70_000 - 2**16, 12, 0)


def test_frames_in_a_row_have_nothing_missing_over_both_wraps() -> None:
    cell = Cell(4000.0, tick0_us=TICK_WRAP - 5e6)
    base = Placer(4000.0)
    for index in range(0, 150_000, PER_FRAME):
        placed = place(base, cell.frame(index))
        assert (placed.first_index, placed.n_missing, placed.fault) == (index, 0, None)
        assert placed.tick_us == round(cell.tick_us(index))


def test_missing_samples_are_counted() -> None:
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 160)
    assert place(base, cell.frame(167)) == Placed(167, 167_000, 7)
    assert place(base, cell.frame(183)) == Placed(183, 183_000, 0)


GAPS_S = st.one_of(st.floats(0.05, 100.0), st.floats(100.0, 3 * 4295.0), st.floats(0.05, 30_000.0))


@pytest.mark.no_cover
@settings(max_examples=200, deadline=None)
@given(
    rate=st.sampled_from([80.0, 320.0, 1000.0, 4000.0]),
    ppm=st.floats(-150, 150),
    start_us=st.integers(0, TICK_WRAP - 1),
    gaps=st.lists(GAPS_S, min_size=1, max_size=4),
    late=st.lists(st.floats(0, 0.5), min_size=5, max_size=5),
)
def test_gaps_longer_than_any_wrap_are_bridged(
    rate: float, ppm: float, start_us: int, gaps: list[float], late: list[float]
) -> None:
    """Index wraps (65 536 samples) and tick wraps (71.6 min) inside a gap, with a drifting clock."""
    cell = Cell(rate, tick0_us=start_us, ppm=ppm)
    base = Placer(rate)
    index = 0
    twentieth = int(rate) // 20
    for _ in range(12 * 20):
        place(base, cell.frame(index, twentieth))
        index += twentieth
    for gap_s, late_s in zip(gaps, late, strict=False):
        missing = max(1, round(gap_s * rate))
        index += missing
        placed = place(base, cell.frame(index, late_s=late_s))
        assert (placed.first_index, placed.n_missing, placed.fault) == (index, missing, None)
        assert abs(placed.tick_us - cell.tick_us(index)) <= 1
        index += PER_FRAME


@settings(max_examples=100, deadline=None)
@given(
    steps=st.lists(st.tuples(st.integers(0, 3000), st.integers(1, 255)), min_size=1, max_size=30),
    error=st.floats(-0.01, 0.01),
    jitter=st.lists(st.integers(-40, 40), min_size=30, max_size=30),
)
def test_any_losses_any_frame_sizes_are_placed_exactly(
    steps: list[tuple[int, int]], error: float, jitter: list[int]
) -> None:
    """The rate may be a percent off what INFO says, ticks may jitter as INFO allows."""
    true_hz = 1000.0 * (1 + error)
    base = Placer(1000.0, jitter_bound_us=80)
    index, end = 0, 0
    for i, ((missing, n), wobble) in enumerate(zip(steps, jitter, strict=False)):
        index = end + (missing if i else 0)
        tick_us = 5e6 + index / true_hz * 1e6 + wobble
        placed = place(base, frame(index, tick_us, 1 + (index + n) / true_hz, n))
        assert (placed.first_index, placed.fault) == (index, None)
        assert placed.n_missing == (missing if i else 0)
        end = index + n


def test_a_frame_that_came_before_is_a_duplicate() -> None:
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 800)
    for index in (784, 768, 320):
        again = base.place(cell.frame(index))
        assert isinstance(again, Fault)
        assert (again.kind, again.n) == ("duplicate", PER_FRAME)
    run_up(base, cell, 800, 960)


def test_a_late_frame_is_out_of_order_and_not_used() -> None:
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 160)
    assert place(base, cell.frame(176)).n_missing == 16
    assert base.place(cell.frame(160)) is None
    assert base.take_late() == []
    assert place(base, cell.frame(192)).n_missing == 0
    (late,) = base.take_late()
    assert (late.kind, late.n, late.detail) == ("out_of_order", 16, "32 samples before index 192")
    assert base.take_late(at_end=True) == []


def test_a_frame_that_overlaps_the_last_is_not_used() -> None:
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 160)
    assert base.place(cell.frame(152)) is None
    (overlapping,) = base.take_late(at_end=True)
    assert overlapping.kind == "out_of_order"


@pytest.mark.parametrize("uptime_s", [0.7, 3.0, 40.0, 1500.0, 3000.0, 4290.0, 5000.0])
@pytest.mark.parametrize("away_s", [0.05, 2.0, 45.0])
def test_a_reset_is_seen_without_info(uptime_s: float, away_s: float) -> None:
    """Index and tick begin again after any uptime, at any phase of the wraps."""
    base, cell = Placer(1000.0), Cell(boot_s=10.0, tick0_us=350_000)
    start = int(uptime_s * 1000) // PER_FRAME * PER_FRAME
    run_up(base, cell, max(0, start - 320), start)
    again = Cell(boot_s=10.0 + uptime_s + away_s, tick0_us=291_007)
    found: list[SampleFrame] = []
    for i in range(4):
        answer = base.place(again.frame(i * PER_FRAME))
        if isinstance(answer, Restart):
            found = list(answer.frames)
            break
        assert answer is None, (i, answer)
    assert found
    assert base.take_late(at_end=True) == []
    assert found[-1].index16 == (found[0].index16 + PER_FRAME * (len(found) - 1))
    assert found[0].index16 == 0


@pytest.mark.parametrize("uptime_s", [2400.0, 3300.0, 4000.0])
def test_a_reset_soon_after_the_first_frame_is_not_taken_for_a_long_gap(uptime_s: float) -> None:
    """The new tick lies ahead on the way round; only the host's clock tells the two apart."""
    base, cell = Placer(1000.0), Cell(tick0_us=uptime_s * 1e6)
    run_up(base, cell, 0, 3200)
    answer = base.place(Cell(boot_s=50 + 3.5, tick0_us=291_007).frame(0))
    assert isinstance(answer, Restart)
    assert "host" in answer.reason or "again" in answer.reason


def test_a_long_gap_is_bridged_by_the_measured_rate() -> None:
    """Three hours at a rate half a percent off what INFO says: 54 000 samples of error."""
    base, cell = Placer(1000.0), Cell(1005.0)
    run_up(base, cell, 0, 16_000)
    gap = 3 * 3600 * 1005
    assert place(base, cell.frame(16_000 + gap)) == Placed(
        16_000 + gap, round(cell.tick_us(16_000 + gap)), gap
    )


def test_a_long_gap_before_the_rate_is_measured_is_said_to_be_unsure() -> None:
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 160)
    placed = place(base, cell.frame(160 + 2_000_000))
    assert placed.n_missing == 2_000_000
    assert placed.fault is not None
    assert placed.fault.kind == "index_unsure"


def test_frames_held_back_on_the_way_to_a_restart_are_given_with_it() -> None:
    """A device that boots in lock step looks like late frames first; none of them is lost."""
    base, cell = Placer(1000.0), Cell(tick0_us=291_007)
    run_up(base, cell, 0, 1600)
    again = Cell(boot_s=50 + 2.0, tick0_us=291_007)
    given = [again.frame(8 + i * PER_FRAME) for i in range(3)]
    answers = [base.place(sent) for sent in given]
    assert answers[:2] == [None, None]
    assert base.take_late(at_end=True) == []
    assert isinstance(answers[2], Restart)
    assert answers[2].frames == tuple(given)


def test_index_and_tick_that_disagree_are_placed_and_said() -> None:
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 1600)
    tick_us = cell.tick_us(1600)
    odd = place(base, frame(5000, tick_us, 50 + 1.63))
    assert (odd.first_index, odd.tick_us, odd.n_missing) == (5000, round(tick_us), 3400)
    assert odd.fault is not None
    assert odd.fault.kind == "index_unsure"
    assert "index went 3416 on, tick 16 samples on" in odd.fault.detail
    follow = place(base, frame(5016, tick_us + 16_000, 50 + 1.65))
    assert (follow.first_index, follow.n_missing, follow.fault) == (5016, 0, None)


def test_an_index_that_begins_again_while_the_tick_goes_on_is_a_restart() -> None:
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 1600)
    answer = base.place(frame(0, cell.tick_us(1700), 50 + 1.73))
    assert isinstance(answer, Restart)
    assert len(answer.frames) == 1


def test_a_tick_that_begins_again_while_the_index_goes_on_is_a_restart() -> None:
    base, cell = Placer(1000.0), Cell(tick0_us=9e8)
    run_up(base, cell, 0, 1600)
    assert isinstance(base.place(frame(1600, 100, 50 + 1.63)), Restart)


def test_a_host_that_slept_is_no_restart() -> None:
    """The device went on while the laptop slept: the tick agrees with the clock."""
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 1600)
    slept = 3 * 3600 * 1000
    assert place(base, cell.frame(1600 + slept)).n_missing == slept


def test_a_reader_that_stalled_is_no_restart() -> None:
    """Frames that waited in a buffer for 20 s arrive together."""
    base, cell = Placer(1000.0), Cell()
    run_up(base, cell, 0, 1600)
    for i in range(100):
        assert place(base, cell.frame(1600 + 16 * i, late_s=20.0)).n_missing == 0
    assert place(base, cell.frame(3200)).n_missing == 0


def test_the_rate_is_measured_on_the_devices_own_clock() -> None:
    base, cell = Placer(1000.0), Cell(1003.0)
    run_up(base, cell, 0, 5000)
    assert base.measured_rate_hz is None
    run_up(base, cell, 5008, 20_000)
    assert base.measured_rate_hz == pytest.approx(1003.0, rel=1e-6)
    assert Placer(1000.0).measured_rate_hz is None


def test_a_rate_far_from_what_info_says_is_not_believed() -> None:
    base = Placer(1000.0)
    for i in range(30):
        base.place(frame(i * 16, i * 1e6, i))
    assert base.measured_rate_hz is None or base.measured_rate_hz < 1000
