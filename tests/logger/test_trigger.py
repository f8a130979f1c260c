"""Windows: against the slow twin, under any blocking, and on the cases that matter in the field."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reference_trigger import reference_windows

from logger.errors import InputError
from logger.samples import CountArray, Scaling
from logger.trigger import (
    DEFAULT_SETTINGS,
    UNCALIBRATED,
    Closed,
    Opened,
    Trigger,
    TriggerSettings,
    Window,
    _bins,
    find_windows,
)

SCALING = Scaling(zero_counts=500.0, n_per_count=0.1, rel_u=0.0, offset_u_n=0.0, origin="test")
RATE_HZ = 320.0
Blocks = list[tuple[int, CountArray]]


def counts_of(force_n: NDArray[np.float64], noise_n: float = 3.0, seed: int = 1) -> CountArray:
    noisy = force_n + np.random.default_rng(seed).normal(0, noise_n, len(force_n))
    return np.rint(noisy / SCALING.n_per_count + SCALING.zero_counts).astype(np.int32)


def steps(*parts: tuple[float, float], rate_hz: float = RATE_HZ) -> NDArray[np.float64]:
    """Force that holds each (newtons, seconds) in turn."""
    return np.concatenate([np.full(round(s * rate_hz), n) for n, s in parts])


def windows(force_n: NDArray[np.float64], **changes: float) -> list[Window]:
    chosen = replace(DEFAULT_SETTINGS, **changes)  # type: ignore[arg-type]
    return find_windows([(0, counts_of(force_n))], SCALING, RATE_HZ, chosen)


def seconds(window: Window, rate_hz: float = RATE_HZ) -> tuple[float, float, float]:
    return tuple(  # type: ignore[return-value]
        round(i / rate_hz, 1)
        for i in (window.trigger_index, window.first_index, window.last_index + 1)
    )


# --- against the twin ------------------------------------------------------------------

LEVEL = st.sampled_from([-60.0, 0.0, 40.0, 74.0, 100.0, 149.0, 160.0, 320.0, 900.0, 3000.0])
PARTS = st.lists(st.tuples(LEVEL, st.floats(0.02, 9.0)), min_size=1, max_size=9)
QUICK = TriggerSettings(
    hold_s=1.5, history_s=2.0, settle_s=4.0, longest_s=15.0, drift_s=6.0, zero_limit_n=200.0
)


@st.composite
def streams(draw: st.DrawFn) -> tuple[list[tuple[int, int]], Blocks]:
    """Samples with gaps, and the same samples cut into blocks anyhow."""
    parts = draw(PARTS)
    counts = counts_of(steps(*parts, rate_hz=100.0), noise_n=draw(st.sampled_from([0.0, 20.0])))
    n = len(counts)
    index = np.arange(n) + draw(st.integers(0, 70_000))
    for at, missing in draw(
        st.lists(st.tuples(st.integers(0, n), st.integers(1, 900)), max_size=3)
    ):
        index[at:] += missing
    cuts = set(draw(st.lists(st.integers(1, max(1, n - 1)), max_size=30)))
    cuts |= set((np.flatnonzero(np.diff(index) > 1) + 1).tolist())
    places = [0, *sorted(c for c in cuts if c < n), n]
    blocks = [(int(index[a]), counts[a:b]) for a, b in itertools.pairwise(places) if b > a]
    return list(zip(index.tolist(), counts.tolist(), strict=True)), blocks


@pytest.mark.no_cover
@settings(max_examples=150, deadline=None)
@given(stream=streams(), bins_to_open=st.integers(1, 3))
def test_same_windows_as_the_slow_twin_under_any_blocking(
    stream: tuple[list[tuple[int, int]], Blocks], bins_to_open: int
) -> None:
    samples, blocks = stream
    chosen = replace(QUICK, bins_to_open=bins_to_open)
    found = find_windows(blocks, SCALING, 100.0, chosen)
    expected = reference_windows(samples, SCALING, 100.0, chosen)
    assert [(w.trigger_index, w.first_index, w.last_index) for w in found] == expected
    for window in found:
        assert window.first_index <= window.trigger_index <= window.last_index
    for before, after in itertools.pairwise(found):
        assert before.last_index < after.first_index


@given(first=st.integers(0, 500), n=st.integers(1, 200), size=st.integers(1, 40))
def test_bins_hold_their_samples(first: int, n: int, size: int) -> None:
    counts = np.random.default_rng(n).integers(-(2**31), 2**31, n).astype(np.int32)
    expected: dict[int, list[int]] = {}
    for i, count in enumerate(counts.tolist()):
        expected.setdefault((first + i) // size, []).append(count)
    assert _bins(first, counts, size) == [sum(held) for held in expected.values()]


def test_sample_by_sample_is_the_same() -> None:
    counts = counts_of(steps((0, 12), (2000, 3), (0, 8), (900, 2), (0, 3)))
    whole = find_windows([(0, counts)], SCALING, RATE_HZ)
    single = find_windows([(i, counts[i : i + 1]) for i in range(len(counts))], SCALING, RATE_HZ)
    assert single == whole
    assert len(whole) == 2


# --- the field -------------------------------------------------------------------------


def test_a_lowering_has_ten_seconds_of_history_and_ends_after_the_hold() -> None:
    (window,) = windows(steps((0, 30), (2000, 4), (1500, 6), (0, 20)))
    assert seconds(window) == (30.0, 20.0, 45.0)


def test_history_is_cut_at_the_beginning_of_the_stream() -> None:
    (window,) = windows(steps((0, 3), (2000, 4), (0, 20)))
    assert window.first_index == 0


def test_history_never_reaches_into_the_window_before() -> None:
    first, second = windows(steps((0, 20), (2000, 4), (0, 7), (2000, 4), (0, 9)))
    assert second.first_index == first.last_index + 1
    assert seconds(second)[0] == 31.0


def test_hysteresis_bridges_a_dip_and_ignores_a_load_between_the_thresholds() -> None:
    (one,) = windows(steps((0, 20), (2000, 2), (0, 4.5), (2000, 2), (0, 9)))
    assert seconds(one) == (20.0, 10.0, 33.5)
    (held,) = windows(steps((0, 20), (2000, 2), (100, 12), (0, 9)))
    assert seconds(held) == (20.0, 10.0, 39.0)
    assert windows(steps((0, 20), (140, 5), (0, 20))) == []


def test_one_bin_of_vibration_is_no_lowering() -> None:
    force_n = steps((0, 40))
    force_n[5000:5008] = 4000.0  # 25 ms
    assert windows(force_n) == []


@pytest.mark.parametrize("offset_n", [-400.0, 150.0, 600.0])
def test_a_zero_offset_neither_triggers_nor_holds_a_window_open(offset_n: float) -> None:
    assert windows(steps((0, 120)) + offset_n) == []
    (window,) = windows(steps((0, 30), (2000, 4), (0, 20)) + offset_n)
    assert seconds(window) == (30.0, 20.0, 39.0)


def test_a_drifting_zero_does_not_trigger() -> None:
    hour = steps((0, 3600))
    drift_n = 400.0 * np.sin(np.linspace(0, 6 * np.pi, len(hour)))
    assert windows(hour + drift_n) == []


def test_a_cell_that_starts_under_load_reads_it_as_load() -> None:
    (window,) = windows(steps((3000, 12), (0, 20)))
    assert seconds(window) == (0.0, 0.0, 17.0)


def test_slack_falls_back_fast_when_the_start_was_taken_for_zero_too_high() -> None:
    (window,) = windows(steps((600, 2), (0, 8), (700, 4), (0, 20)))
    assert seconds(window)[0] == 10.0


def test_rope_left_hanging_ends_the_window_and_becomes_slack() -> None:
    first, second = windows(steps((0, 20), (4000, 5), (250, 100), (3000, 4), (250, 20)))
    assert seconds(first)[0] == 20.0
    assert 54.0 <= seconds(first)[2] <= 56.0
    assert seconds(second) == (125.0, 115.0, 134.0)


def test_a_hanging_piece_stays_in_its_window_until_the_longest() -> None:
    (window,) = windows(steps((0, 20), (4000, 1), (2000, 300), (0, 20)))
    assert seconds(window) == (20.0, 10.0, 326.0)
    first, *_ = windows(steps((0, 20), (2000, 300), (0, 20)), longest_s=60.0)
    assert seconds(first)[2] == pytest.approx(80.0, abs=0.2)


def test_a_gap_is_jumped_over() -> None:
    quiet, loaded = counts_of(steps((0, 20))), counts_of(steps((2000, 5)))
    after = counts_of(steps((0, 20)))
    n1, n2 = len(quiet), len(loaded)
    (window,) = find_windows(
        [(0, quiet), (n1 + 999, loaded), (n1 + 999 + n2 + 500, after)], SCALING, RATE_HZ
    )
    assert window.trigger_index == pytest.approx(n1 + 999, abs=16)
    assert window.first_index == window.trigger_index - 3200
    assert window.last_index == pytest.approx(n1 + 999 + n2 + 500 + 5 * RATE_HZ, abs=16)


def test_finish_closes_an_open_window_at_the_last_sample() -> None:
    counts = counts_of(steps((0, 20), (2000, 3.01)))
    trigger = Trigger(SCALING, RATE_HZ)
    (opened,) = trigger.feed(0, counts)
    assert isinstance(opened, Opened)
    assert [trigger.is_open, trigger.finish(), trigger.is_open, trigger.finish()] == [
        True,
        [Closed(len(counts) - 1)],
        False,
        [],
    ]


def test_finish_without_samples_or_window_says_nothing() -> None:
    assert Trigger(SCALING, RATE_HZ).finish() == []
    trigger = Trigger(SCALING, RATE_HZ)
    assert trigger.feed(0, np.empty(0, np.int32)) == []
    assert trigger.feed(0, counts_of(steps((150, 5)))) == []
    assert trigger.finish() == []
    assert trigger.slack_n == pytest.approx(150, abs=5)


def test_samples_must_come_in_order() -> None:
    trigger = Trigger(SCALING, RATE_HZ)
    trigger.feed(100, np.zeros(10, np.int32))
    with pytest.raises(ValueError, match="index 109 after 109"):
        trigger.feed(109, np.zeros(1, np.int32))


def test_a_cell_wired_the_other_way_round_is_found_too() -> None:
    turned = Scaling(500.0, -0.1, 0.0, 0.0, "test")
    counts = (1000 - counts_of(steps((0, 30), (2000, 4), (0, 20)))).astype(np.int32)
    (window,) = find_windows([(0, counts)], turned, RATE_HZ)
    assert seconds(window) == (30.0, 20.0, 39.0)


def test_an_uncalibrated_cell_is_watched_at_an_assumed_scale() -> None:
    counts = np.zeros(20_000, np.int32)
    counts[10_000:12_000] = 100_000
    assert find_windows([(0, counts)], None, RATE_HZ) == find_windows(
        [(0, counts)], UNCALIBRATED, RATE_HZ
    )


def test_no_samples_no_windows() -> None:
    assert find_windows([], SCALING, RATE_HZ) == []


@pytest.mark.parametrize(
    "wrong",
    [
        {"close_n": 200.0},
        {"close_n": 0.0},
        {"hold_s": 0.0},
        {"history_s": -1.0},
        {"bins_to_open": 0},
    ],
)
def test_settings_that_make_no_sense_are_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(InputError, match="trigger"):
        TriggerSettings(**wrong)  # type: ignore[arg-type]
