"""When a hanging piece is stirred: a growing swing, a dip while it swings, and nothing."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.reading.stirring import stirred_s
from analysis.reading.trace import FloatArray

W = 2000.0


def fading(time_s: FloatArray, share: float = 0.3, period_s: float = 0.6) -> FloatArray:
    return W * (1.0 + share * np.exp(-0.9 * time_s) * np.cos(2 * np.pi * time_s / period_s))


def found(time_s: FloatArray, force_n: FloatArray, noise_n: float = 1.0) -> float | None:
    return stirred_s(time_s, force_n, level_n=W, period_s=0.6, noise_n=noise_n)


@pytest.mark.parametrize("rate_hz", [320.0, 1000.0])
def test_fading_swings_and_slow_wander_are_not_stirred(rate_hz: float) -> None:
    time = np.arange(0.0, 9.0, 1 / rate_hz)
    noise = np.random.default_rng(3).normal(0.0, 3.0, time.size)
    assert found(time, fading(time) + noise, 3.0) is None
    wander = 30.0 * np.sin(2 * np.pi * time / 6.0)
    assert found(time, fading(time) + wander + noise, 3.0) is None


def test_the_start_of_a_lowering_from_rest_is_seen() -> None:
    time = np.arange(0.0, 9.0, 1 / 320)
    dip = np.where((time > 6.0) & (time < 6.8), -0.05 * W, 0.0)
    assert found(time, fading(time) + dip) == pytest.approx(6.0, abs=0.4)


def test_a_start_while_it_still_swings_is_seen_as_a_dip_of_the_mean() -> None:
    time = np.arange(0.0, 9.0, 1 / 320)
    swings = W * (1.0 + 0.1 * np.exp(-0.05 * time) * np.cos(2 * np.pi * time / 0.6))
    dip = np.where((time > 5.0) & (time < 5.8), -0.06 * W, 0.0)
    assert found(time, swings + dip) == pytest.approx(5.0, abs=0.6)


def test_too_little_to_tell() -> None:
    time = np.arange(0.0, 0.5, 1 / 320)
    assert found(time, fading(time)) is None
    assert found(time[:4], fading(time[:4])) is None
    assert stirred_s(time, fading(time), level_n=0.0, period_s=0.5, noise_n=1.0) is None
