"""Release at a share carried: limits, the damped force against a time-stepped twin."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_physics import peak_on_rope

from analysis.predicting.pretension import (
    first_extreme_n,
    force_overshoot,
    largest_n,
    offset_peaks_n,
)


def test_release_without_pretension_doubles_the_weight() -> None:
    # Source: suddenly applied load, e.g. Gere, Mechanics of Materials 7e §9.10 (h = 0).
    assert float(first_extreme_n(1500.0, 0.0)) == pytest.approx(3000.0)


@pytest.mark.parametrize("share", [0.0, 0.4, 0.8])
@pytest.mark.parametrize("damping", [0.02, 0.1, 0.3, 0.6])
def test_damped_force_agrees_with_time_steps(share: float, damping: float) -> None:
    stiffness = 3e4
    stepped = peak_on_rope(
        1500.0, stiffness, stretch_m=share * 1500.0 / stiffness, damping_ratio=damping
    )
    assert float(first_extreme_n(1500.0, share, damping)) == pytest.approx(stepped, rel=1e-6)


def test_the_displacement_formula_reads_low() -> None:
    # Source: physics notes §5: up to 5 % low.
    zeta = np.linspace(0.0, 0.5, 50)
    displacement = np.exp(-np.pi * zeta / np.sqrt(1 - zeta**2))
    low = 1 - (1 + displacement) / (1 + force_overshoot(zeta))
    assert np.all(low >= 0)
    assert float(np.max(low)) > 0.03


def test_slope_of_the_pretension_rule() -> None:
    # Source: physics notes §12: about 0.74 at ζ 0.1.
    assert float(force_overshoot(0.1)) == pytest.approx(0.74, abs=0.005)


def test_a_share_above_one_lets_the_piece_jump() -> None:
    assert float(first_extreme_n(1000.0, 1.25, 0.1)) < 1000.0
    assert float(largest_n(1000.0, 1.25, 0.1)) == pytest.approx(1250.0)


@given(st.floats(0.0, 2.0), st.floats(0.0, 0.9))
def test_largest_is_never_below_weight_or_pretension(share: float, damping: float) -> None:
    largest = float(largest_n(1000.0, share, damping))
    assert largest >= max(1000.0, 1000.0 * share) - 1e-9
    assert largest <= 2000.0 + 1e-9


@given(st.floats(0.0, 0.99), st.floats(0.0, 0.9))
def test_more_pretension_means_less_release(share: float, damping: float) -> None:
    assert first_extreme_n(1.0, share, damping) >= first_extreme_n(1.0, share + 0.01, damping)


def test_offset_figures() -> None:
    held, free = offset_peaks_n(1000.0, 0.5, 1.0)
    assert float(held) == pytest.approx(1000 * (1 + 2 * 0.25 / 1.25))
    assert float(free) == pytest.approx(1500.0)
    centred = offset_peaks_n(1000.0, 0.0, 1.0)
    assert [float(v) for v in centred] == [1000.0, 1000.0]
    assert math.isfinite(float(free))


def test_a_uniform_rod_falling_about_its_end_pulls_two_and_a_half_weights() -> None:
    # Textbook: mg(1 - cos a) = (mL^2/3)w^2/2, so that m w^2 L/2 = 3/2 mg at the lowest point.
    rod_m = 3.0
    held, _ = offset_peaks_n(1000.0, rod_m / 2, rod_m / math.sqrt(12.0))
    assert float(held) == pytest.approx(2500.0)
