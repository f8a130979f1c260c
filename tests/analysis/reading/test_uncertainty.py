"""Published half-sine values, and peaks with known loss."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.reading.uncertainty import (
    Budget,
    averaged_peak_share,
    half_sine_s,
    highest_of_noise,
    missed_peak_share,
    peak_loss,
)


@pytest.mark.parametrize(("intervals", "percent"), [(4, 7.6), (8, 1.92), (20, 0.31)])
def test_missed_peak_of_a_half_sine(intervals: int, percent: float) -> None:
    """references.md §8: worst case 1 − cos(π/2N): N 4 7.6 %, 8 1.92 %, 20 0.31 %."""
    assert 100 * missed_peak_share(intervals) == pytest.approx(percent, abs=0.02)
    phase = (np.arange(intervals + 2) - 0.5) / intervals
    sampled = np.sin(np.pi * phase[(phase >= 0) & (phase <= 1)])
    assert 100 * (1 - sampled.max()) <= percent + 0.02


def test_averaging_four_intervals_loses_ten_percent() -> None:
    """physics.md §8.8: a converter that averages over its interval, N 4: 10 %."""
    assert 100 * averaged_peak_share(4) == pytest.approx(10.0, abs=0.05)
    fine = np.sin(np.pi * (np.arange(4000) + 0.5) / 4000).reshape(4, 1000).mean(axis=1)
    assert averaged_peak_share(4) == pytest.approx(1 - fine.max(), abs=1e-5)
    assert averaged_peak_share(4, 0.0) == pytest.approx(missed_peak_share(4))


def test_shares_of_too_few_intervals_are_total() -> None:
    assert missed_peak_share(1.0) == averaged_peak_share(0.5) == 1.0


@pytest.mark.parametrize("length", [0.02, 0.05, 0.3])
@pytest.mark.parametrize("base", [0.0, 900.0])
def test_width_of_a_peak_gives_its_half_sine(length: float, base: float) -> None:
    time = np.arange(-0.5, 0.5, 0.0005)
    inside = np.abs(time) < length / 2
    force = np.where(inside, 2000.0 * np.cos(np.pi * time / length), 0.0)
    if base:
        force = base + 2000.0 * np.cos(np.pi * time / length)
    found = half_sine_s(time, force, int(np.argmax(force)), 0.0)
    curvature = (base + 2000.0) / found**2
    assert curvature == pytest.approx(2000.0 / length**2, rel=0.05)


def test_width_with_one_flank_only_or_none() -> None:
    time = np.arange(0.0, 0.1, 0.001)
    force = 1000.0 * np.cos(np.pi * time / 0.1)
    assert half_sine_s(time, force, 0, 0.0) == pytest.approx(0.1, rel=0.05)
    assert math.isinf(half_sine_s(time, np.full(time.size, 5.0), 3, 0.0))
    assert math.isinf(half_sine_s(time, -force, 0, 0.0))
    assert peak_loss(math.inf, 0.001, 0.001).share == 0.0


def test_loss_grows_with_the_filter() -> None:
    bare, averaged = peak_loss(0.02, 0.001, 0.0), peak_loss(0.02, 0.001, 0.0005)
    assert bare.share == bare.sampling_share == averaged.sampling_share
    assert averaged.share > bare.share
    assert bare.intervals == pytest.approx(20.0)


def test_budget_adds_in_squares_and_k_is_two() -> None:
    assert Budget({"a": 3.0, "b": 4.0}).standard_n == 5.0
    assert Budget({}).expanded_n == 0.0


def test_highest_of_noise_is_about_right() -> None:
    rng = np.random.default_rng(1)
    highest = rng.normal(0.0, 1.0, (400, 500)).max(axis=1).mean()
    assert highest_of_noise(1.0, 500) == pytest.approx(highest, rel=0.25)
