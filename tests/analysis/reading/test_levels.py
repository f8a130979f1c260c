"""Levels between slow tails, and slow ramps that are none."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.reading.filters import block_means
from analysis.reading.levels import Plateau, find_plateaus, find_zero
from analysis.reading.trace import FloatArray

RATE_HZ = 200.0


def levels_of(corners: list[tuple[float, float]]) -> tuple[Plateau, ...]:
    """Find the levels of a force drawn from corner (s, N) to corner, with noise of 1 N."""
    at, force = np.array(corners).T
    time_s: FloatArray = np.arange(0.0, at[-1], 1.0 / RATE_HZ)
    noise = np.random.default_rng(2).normal(0.0, 1.0, time_s.size)
    blocks = block_means(time_s, np.interp(time_s, at, force) + noise, 0.05, 1.0)
    return find_plateaus(blocks, find_zero(blocks))


def test_a_level_between_two_slow_tails_is_found_where_it_holds() -> None:
    """It comes slowly from below and leaves slowly upwards: it reads like neither end."""
    found = levels_of(
        [(0, 0), (3, 0), (3.5, 1000), (6, 1000), (8, 1950), (9.5, 2000), (15.5, 2005), (17, 2060), (17.5, 0), (20, 0)]
    )  # fmt: skip
    (level,) = (p for p in found if p.level_n > 1500.0)
    assert level.level_n == pytest.approx(2002.0, abs=8.0)
    assert level.start_s == pytest.approx(9.0, abs=0.8)
    assert level.end_s == pytest.approx(16.0, abs=0.8)


def test_a_slow_ramp_is_no_level_for_its_middle() -> None:
    found = levels_of([(0, 0), (3, 0), (3.5, 1900), (15.5, 2100), (16, 0), (20, 0)])
    assert not [p for p in found if abs(p.level_n - 2000.0) < 20.0]
