"""Ring-downs: the log decrement, fits under noise and gaps, and what is no ring-down."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.reading.ringdown import RingDown, fit_ringdown, log_decrement_damping
from analysis.reading.trace import FloatArray


def ringing(
    time_s: FloatArray, frequency_hz: float = 1.6, damping: float = 0.08, level_n: float = 1800.0
) -> FloatArray:
    omega_d = 2.0 * math.pi * frequency_hz
    decay = damping * omega_d / math.sqrt(1.0 - damping**2)
    force: FloatArray = level_n + 500.0 * np.exp(-decay * time_s) * np.cos(omega_d * time_s + 0.7)
    return force


def fitted(time_s: FloatArray, force_n: FloatArray, start_hz: float = 1.5) -> RingDown:
    ring = fit_ringdown(time_s, force_n, frequency_hz=start_hz)
    assert ring is not None
    return ring


def test_log_decrement() -> None:
    """Textbook (e.g. Rao, Mechanical Vibrations, from memory): δ = 2πζ/√(1 − ζ²)."""
    for zeta in (0.02, 0.1, 0.3):
        decrement = 2.0 * math.pi * zeta / math.sqrt(1.0 - zeta**2)
        found = log_decrement_damping(math.exp(3.0 * decrement), 1.0, 3.0)
        assert found == pytest.approx(zeta, rel=1e-12)
    assert log_decrement_damping(2.0, 1.0, 1.0) == pytest.approx(0.1097, abs=5e-5)


def test_the_fit_agrees_with_the_log_decrement_of_its_own_peaks() -> None:
    time = np.arange(0.0, 3.0, 0.001)
    force = ringing(time)
    above = force - 1800.0
    tops = [i for i in range(1, time.size - 1) if above[i - 1] < above[i] >= above[i + 1]]
    by_peaks = log_decrement_damping(above[tops[0]], above[tops[3]], 3.0)
    ring = fitted(time, force)
    assert ring.damping_ratio == pytest.approx(by_peaks, rel=2e-3)
    assert ring.damping_ratio == pytest.approx(0.08, rel=1e-3)
    assert ring.frequency_hz == pytest.approx(1.6, rel=1e-5)
    assert ring.level_n == pytest.approx(1800.0, rel=1e-6)
    assert np.allclose(ring.force_n(time), force, atol=0.5)
    assert ring.amplitude_at(ring.start_s) == ring.amplitude_n


@pytest.mark.parametrize("seed", range(6))
def test_noise_and_a_gap_move_it_within_its_uncertainty(seed: int) -> None:
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, 2.5, 1 / 320)
    time = time[(time < 0.6) | (time > 0.85)]
    force = ringing(time) + rng.normal(0.0, 12.0, time.size)
    ring = fitted(time, force)
    assert abs(ring.frequency_hz - 1.6) < 3.0 * ring.frequency_hz_u < 0.1
    assert abs(ring.damping_ratio - 0.08) < 3.0 * ring.damping_ratio_u < 0.1
    assert abs(ring.level_n - 1800.0) < 3.0 * ring.level_n_u < 30.0


def test_a_start_a_fifth_off_finds_the_same() -> None:
    time = np.arange(0.0, 3.0, 0.002)
    found = [fitted(time, ringing(time), hz).frequency_hz for hz in (1.3, 1.6, 1.9)]
    assert found == pytest.approx([1.6] * 3, rel=1e-4)


def test_what_is_no_ring_down_is_not_fitted() -> None:
    rng = np.random.default_rng(1)
    time = np.arange(0.0, 3.0, 0.005)
    force = ringing(time)
    assert fit_ringdown(time[:60], force[:60], frequency_hz=1.6) is None
    assert fit_ringdown(time[::80], force[::80], frequency_hz=1.6) is None
    assert fit_ringdown(time, force, frequency_hz=0.0) is None
    assert fit_ringdown(time[:1], force[:1], frequency_hz=1.6) is None
    noise = 1800.0 + rng.normal(0.0, 20.0, time.size)
    assert fit_ringdown(time, noise, frequency_hz=1.6, noise_n=20.0) is None
    for level_n in (0.0, 1800.0):
        assert fit_ringdown(time, np.full(time.size, level_n), frequency_hz=1.6) is None
    growing = 1800.0 + 20.0 * np.exp(time) * np.cos(10.0 * time)
    assert fit_ringdown(time, growing, frequency_hz=1.6) is None
