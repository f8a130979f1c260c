"""Live state and its consumers."""

from __future__ import annotations

import threading

import numpy as np
import pytest

from logger.live import CellState, Consumer, Snapshot
from logger.samples import Scaling

SCALING = Scaling(100.0, 0.5, 0.005, 0.0, "invented")
MS = 1_000_000


def counts(*values: int) -> np.ndarray[tuple[int], np.dtype[np.int32]]:
    return np.array(values, dtype=np.int32)


def snapshot(at_ns: int = 0) -> Snapshot:
    return Snapshot(at_ns, (), 0, None, 0)


def test_force_is_the_mean_of_the_newest_tenth_of_a_second_above_zero() -> None:
    state = CellState("a")
    state.zero_n = 10.0
    state.samples(counts(0, 0, 0, 300, 340), 5 * MS, 20.0, SCALING)
    view = state.view(6 * MS)
    assert view.counts == 320.0
    assert view.force_n == (320 - 100) * 0.5 - 10.0
    assert (view.n_samples, view.received_ns) == (5, 5 * MS)


def test_without_calibration_there_are_counts_and_no_force() -> None:
    state = CellState("a")
    state.samples(counts(7), 0, 10.0, None)
    view = state.view(0)
    assert (view.counts, view.force_n) == (7.0, None)


@pytest.mark.parametrize(("slope", "peak"), [(0.5, 200.0), (-0.5, 45.0)])
def test_peak_is_that_of_the_open_window(slope: float, peak: float) -> None:
    scaling = Scaling(100.0, slope, 0.005, 0.0, "invented")
    state = CellState("a")
    state.window_opened(3)
    for values in ((300, 200), (500, 400), (), (10, 300)):
        state.loaded(counts(*values), scaling)
    view = state.view(0)
    assert (view.lowering, view.window_open, view.peak_n) == (3, True, peak)


def test_rate_is_that_of_the_last_two_seconds() -> None:
    state = CellState("a")
    assert state.view(0).rate_hz == 0.0
    for i in range(50):
        state.samples(counts(*[0] * 100), i * 100 * MS, 1000.0, None)
    assert state.view(4900 * MS).rate_hz == pytest.approx(1000.0)
    assert state.view(60_000 * MS).rate_hz == 0.0


def test_a_new_stream_forgets_zero_and_window() -> None:
    state = CellState(
        "a", zero_n=4.0, drift_ppm=3.0, time_error_s=0.002, latency_s=0.001, window_open=True
    )
    before = state.view(0)
    assert (before.time_error_s, before.latency_s) == (0.002, 0.001)
    state.opened(8)
    view = state.view(0)
    assert (view.stream_id, view.zero_n, view.drift_ppm, view.window_open) == (8, None, None, False)
    assert (view.time_error_s, view.latency_s) == (None, None)


def test_a_number_is_stale_after_a_second() -> None:
    state = CellState("a")
    assert snapshot().stale(state.view(0))
    state.samples(counts(1), 0, 10.0, None)
    assert not snapshot(999 * MS).stale(state.view(0))
    assert snapshot(1001 * MS).stale(state.view(0))


def test_gaps_are_counted() -> None:
    state = CellState("a")
    state.gap(5)
    state.gap(7)
    view = state.view(0)
    assert (view.n_gaps, view.n_missing) == (2, 12)


def test_a_slow_consumer_sees_only_the_newest() -> None:
    seen: list[int] = []
    entered, gate = threading.Event(), threading.Event()

    def show(shown: Snapshot) -> None:
        seen.append(shown.at_ns)
        entered.set()
        assert gate.wait(60)

    consumer = Consumer("slow", show)
    consumer.start()
    consumer.offer(snapshot(1))
    assert entered.wait(60)
    for at_ns in (2, 3, 4):
        consumer.offer(snapshot(at_ns))
    gate.set()
    assert consumer.stop(60)
    assert seen == [1, 4]


def test_a_consumer_that_raises_is_counted_and_goes_on() -> None:
    seen: list[int] = []
    shown_again = threading.Semaphore(0)

    def show(shown: Snapshot) -> None:
        seen.append(shown.at_ns)
        shown_again.release()
        raise ValueError(shown.at_ns)

    consumer = Consumer("bad", show)
    consumer.start()
    for at_ns in (1, 2):
        consumer.offer(snapshot(at_ns))
        assert shown_again.acquire(timeout=60)
    assert consumer.stop(60)
    assert (seen, consumer.n_failed) == ([1, 2], 2)
    assert consumer.last_error == "ValueError: 2"


def test_a_stuck_consumer_is_left_behind() -> None:
    gate = threading.Event()

    def show(_: Snapshot) -> None:
        gate.wait(60)

    consumer = Consumer("stuck", show)
    consumer.start()
    consumer.offer(snapshot())
    assert not consumer.stop(0.01)
    gate.set()
    assert consumer.stop(60)
