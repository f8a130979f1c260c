"""SAE J211 CFC-60: coefficients, -3 dB point, no shift; peaks only where the rate allows."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import butter, filtfilt

from analysis.reading.cfc import cfc60_peak_n, cfc_coefficients, cfc_filtered


def test_coefficients() -> None:
    """references.md §8, SAE J211-1 CFC 60 at T 1 ms."""
    assert cfc_coefficients(60.0, 1000.0) == pytest.approx(
        (0.097184625279, 0.945574009062, -0.334312510179), abs=1e-12
    )


@pytest.mark.parametrize("rate_hz", [600.0, 1000.0, 4000.0])
def test_equal_to_butterworth_run_both_ways(rate_hz: float) -> None:
    """references.md §8: equals scipy.signal.butter(2, 2.0775·CFC, fs), forwards and back."""
    force = np.random.default_rng(2).normal(size=4000).cumsum()
    b, a = butter(2, 2.0775 * 60.0, fs=rate_hz)
    wanted = filtfilt(b, a, force)
    assert np.abs(cfc_filtered(force, rate_hz) - wanted)[400:-400].max() < 1e-5


def test_minus_three_decibels_at_100_hz() -> None:
    """references.md §8: −3 dB after both passes at 100 Hz for CFC 60."""
    time = np.arange(0.0, 1.0, 1 / 10_000)
    wave = np.sin(2.0 * math.pi * 100.0 * time)
    middle = cfc_filtered(wave, 10_000.0)[3000:-3000]
    assert 20.0 * math.log10(middle.max()) == pytest.approx(-3.0, abs=0.1)
    assert np.corrcoef(middle, wave[3000:-3000])[0, 1] == pytest.approx(1.0, abs=1e-6)


def test_peak_where_the_rate_allows() -> None:
    period = 1 / 1000.0
    time = np.arange(0.0, 1.0, period)
    slow = 3000.0 * np.exp(-(((time - 0.5) / 0.08) ** 2))
    assert cfc60_peak_n(time, slow, 0.5, period) == pytest.approx(3000.0, rel=0.002)
    spike = slow + np.where(np.abs(time - 0.5) < period / 2, 2000.0, 0.0)
    found = cfc60_peak_n(time, spike, 0.5, period)
    assert found is not None
    assert 3100.0 < found < 3600.0
    assert cfc60_peak_n(time, slow, 0.0, period) == pytest.approx(slow[:31].max(), rel=0.5, abs=1.0)


def test_no_peak_at_a_low_rate_or_over_a_gap() -> None:
    time = np.arange(0.0, 1.0, 1 / 320)
    assert cfc60_peak_n(time, np.ones(time.size), 0.5, 1 / 320) is None
    fine = np.arange(0.0, 1.0, 0.001)
    holed = fine[(fine < 0.51) | (fine > 0.52)]
    assert cfc60_peak_n(holed, np.ones(holed.size), 0.5, 0.001) is None
    assert cfc60_peak_n(fine[:2], np.ones(2), 0.0, 0.001) is None
