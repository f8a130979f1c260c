from __future__ import annotations

import numpy as np
import pytest

from analysis.reading.filters import (
    block_means,
    moving_mean,
    noise_sd,
    robust_sd,
    runs,
    shorth,
    smallest_step,
    swings_about,
    window_range,
)


@pytest.mark.parametrize("step", [0.0, 0.5, 3.0])
def test_noise_is_found_under_motion_and_rounding(step: float) -> None:
    rng = np.random.default_rng(2)
    time = np.arange(20_000) / 1000.0
    force = np.where(time < 10, 0.0, 3000.0 * np.sin(2 * np.pi * 2.0 * time))
    force = force + rng.normal(0.0, 2.0, time.size)
    if step:
        force = np.round(force / step) * step
    assert noise_sd(force) == pytest.approx(np.hypot(2.0, step / np.sqrt(12)), rel=0.15)


def test_noise_of_short_and_constant_records() -> None:
    assert noise_sd(np.array([1.0])) == 0.0
    assert noise_sd(np.full(500, 3.0)) == 0.0
    assert noise_sd(np.array([0.0, 1.0, 0.0, 1.0])) > 0
    assert smallest_step(np.full(5, 2.0)) == 0.0
    assert robust_sd(np.empty(0)) == 0.0


def test_block_means_leave_nan_over_a_gap() -> None:
    time = np.concatenate((np.arange(0.0, 1.0, 0.01), np.arange(2.0, 3.0, 0.01)))
    blocks = block_means(time, np.ones(time.size), 0.1, 0.0)
    assert np.isnan(blocks.mean_n[12:18]).all()
    assert np.nanmax(blocks.mean_n) == 1.0
    assert blocks.time_s(5) == pytest.approx(0.5)
    assert blocks.index(-3.0) == 0
    span, _ = window_range(blocks.mean_n, 4)
    assert np.isinf(span[12])
    assert window_range(np.ones(2), 4)[0].size == 0


def test_moving_mean_against_the_obvious_loop() -> None:
    force = np.random.default_rng(3).normal(size=50)
    slow = [force[max(i - 2, 0) : i + 3].mean() for i in range(50)]
    assert moving_mean(force, 5) == pytest.approx(np.array(slow))
    assert moving_mean(force, 1) is force


def test_runs_and_shorth() -> None:
    assert runs(np.zeros(3, dtype=bool)) == []
    assert shorth(np.array([5.0])).tolist() == [5.0]


def test_swings_about_a_level() -> None:
    time = np.arange(0.0, 2.0, 0.001)
    swings = swings_about(np.sin(2 * np.pi * time), 0.0, 0.1)
    assert swings.above == (True, False, True, False)
    assert swings.amplitude_n == pytest.approx((1.0,) * 4, abs=1e-4)
    assert np.diff(swings.first) == pytest.approx(500, abs=2)
    assert swings_about(np.zeros(5), 0.0, 0.1).first == ()


@pytest.mark.parametrize("size", [0, 1, 2, 5, 40])
@pytest.mark.parametrize("n", [1, 2, 5, 10, 100])
def test_a_moving_mean_is_the_mean_of_what_is_there(size: int, n: int) -> None:
    force = np.random.default_rng(size).normal(size=size)
    half = n // 2
    slow = [force[max(i - half, 0) : i + half + 1].mean() for i in range(size)]
    assert moving_mean(force, n) == pytest.approx(slow, abs=1e-12)
