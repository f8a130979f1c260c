"""How well times are known, told while recording; failures that cost no sample."""

from __future__ import annotations

import itertools
from dataclasses import replace

import logbook_items as items
import numpy as np
import pytest
from fake_cell import FakeCell, PipelineBench
from simulated_clocks import Link, Run, simulate

from logger.errors import RecordingError
from logger.follower import FAILED_EVERY_NS, FIT_EVERY_NS, Failures, Follower
from logger.handshake import FIRST_TIMES
from logger.live import CellState
from logger.samples import ExchangeNoted, RecordItem, placed_frame
from logger.trigger import TriggerSettings

INFO = replace(items.info(), jitter_bound_us=0)


class Nobody:
    """A hub that no lowering reaches."""

    def record(self, item: RecordItem) -> None:
        raise AssertionError(item)

    def open_lowering(self, stream_id: int) -> int:
        raise AssertionError(stream_id)

    def close_lowering(self, stream_id: int) -> None:
        raise AssertionError(stream_id)


def follow(run: Run, *, host_timed: bool = False) -> list[tuple[int, CellState]]:
    """Show a follower a run as it came; its live state after each frame, by frame."""
    state = CellState("c")
    info = replace(INFO, host_timed=host_timed)
    follower = Follower(1, info, None, state, Nobody(), TriggerSettings())
    told = []
    answers = list(
        zip(run.exchanges.tick_us, run.exchanges.sent_ns, run.exchanges.received_ns, strict=True)
    )
    for k in np.argsort(run.received_ns, kind="stable").tolist():
        while answers and answers[0][2] <= run.received_ns[k]:
            tick, sent, came = answers.pop(0)
            follower.answered(ExchangeNoted(1, int(tick), int(sent), int(came)))
        frame = placed_frame(
            1, k, int(run.tick_us[k]), np.zeros(1, np.int32), int(run.received_ns[k])
        )
        follower.see([frame])
        told.append((k, replace(state)))
    return told


def test_the_error_told_live_is_that_of_a_fit_of_what_came_so_far() -> None:
    rng = np.random.default_rng(4)
    run = simulate(Link(span_s=120.0, base_s=0.01, base_back_s=0.004, bursty=0.0), rng)
    k, state = follow(run)[-1]
    assert state.time_error_s is not None
    assert state.latency_s == pytest.approx(run.fit().latency_ns / 1e9, rel=1e-9)  # type: ignore[operator]
    whole_s = float(run.fit().error_ns(run.tick_us[k])) / 1e9
    assert state.time_error_s == pytest.approx(whole_s, rel=0.2)
    assert state.drift_ppm == pytest.approx(20.0, abs=8.0)


def test_nothing_bounds_the_latency_before_the_first_answer_and_then_something_does() -> None:
    run = simulate(Link(span_s=4.0), np.random.default_rng(6))
    seen = [state.latency_s for _, state in follow(run)]
    assert seen[-1] is not None
    silent = follow(run.silent())
    assert [state.latency_s for _, state in silent] == [None] * len(silent)
    assert all(state.time_error_s is not None for _, state in silent)


def test_a_sensor_that_the_host_times_has_an_error_and_no_drift() -> None:
    run = simulate(Link(span_s=60.0, drift_ppm=0.0), np.random.default_rng(7))
    _, state = follow(run, host_timed=True)[-1]
    assert state.time_error_s is not None
    assert (state.latency_s, state.drift_ppm) == (None, None)


def test_an_answer_is_taken_up_with_the_next_frame_others_every_few_seconds() -> None:
    run = simulate(Link(span_s=90.0, bursty=0.0), np.random.default_rng(8))
    errors = [state.time_error_s for _, state in follow(run)]
    changes = sum(after != before for before, after in itertools.pairwise(errors))
    assert FIRST_TIMES <= changes <= 90e9 / FIT_EVERY_NS + len(run.exchanges.tick_us) + 1


def test_a_recording_shows_the_error_of_its_times() -> None:
    clock = items.StillClock()
    cell = FakeCell(clock)
    bench = PipelineBench(cell, clock=clock)
    cell.samples(50)
    bench.turn(1)
    clock.sleep(0.001)
    for _ in range(4):
        cell.samples(500)
        bench.turn(1)
    view = bench.pipeline.snapshot.cells[0]
    assert view.latency_s is not None
    assert view.time_error_s is not None
    assert view.time_error_s < 0.02


# --- failures ---------------------------------------------------------------------------


def broken() -> None:
    raise ZeroDivisionError("a bug")


def fine() -> None:
    return None


def test_failures_are_told_at_most_once_a_second_with_their_number() -> None:
    failures, again = Failures(), 0

    def afresh() -> None:
        nonlocal again
        again += 1

    assert failures.guard(fine, afresh, 0) is None
    first = failures.guard(broken, afresh, 5)
    assert first is not None
    assert (first.kind, first.n) == ("consumer_failed", 1)
    assert failures.guard(broken, afresh, 6) is None
    assert failures.guard(broken, afresh, 7) is None
    later = failures.guard(fine, afresh, 5 + FAILED_EVERY_NS)
    assert later is not None
    assert (later.n, again) == (2, 3)
    assert "ZeroDivisionError: a bug" in later.detail


def test_a_recorder_that_has_ended_is_no_failure_of_the_follower() -> None:
    def ended() -> None:
        raise RecordingError("ended")

    with pytest.raises(RecordingError):
        Failures().guard(ended, broken, 0)
