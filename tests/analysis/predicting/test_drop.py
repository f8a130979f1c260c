"""Drops, runs, swings and the rope's stiffness: published values and time-stepped twins."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_physics import let_run_tension, peak_on_rope, swing_peak

from analysis.predicting.drop import (
    climbing_rope_n,
    climbing_rope_stiffness_n,
    free_fall_m,
    hand_n,
    let_run_n,
    moving_peak_n,
    snubbed_peak_n,
    swing_n,
    swing_peak_n,
)
from analysis.predicting.friction import wraps_ratio
from analysis.predicting.rope import (
    block_term_m_per_n,
    dynamic_stiffness_n,
    lead_stiffness_n_per_m,
)


@pytest.mark.parametrize(("ratio", "expected"), [(0.0, 2.0), (2.5, 3.45), (10.0, 5.58)])
def test_impact_factor(ratio: float, expected: float) -> None:
    # Source: Gere, Mechanics of Materials 7e §9.10: 1 + √(1 + 2h/δ_st).
    weight, stiffness = 2000.0, 40e3
    fall = ratio * weight / stiffness
    assert float(snubbed_peak_n(weight, stiffness, fall)) / weight == pytest.approx(
        expected, abs=0.005
    )


@pytest.mark.parametrize(("ea", "expected"), [(10e3, 6112.6), (20e3, 8278.6), (30e3, 9946.0)])
def test_climbing_rope_equation(ea: float, expected: float) -> None:
    # Source: climbing-rope equation, references §3: 80 kg, fall factor 1.77.
    assert float(climbing_rope_n(80.0, 1.77, ea)) == pytest.approx(expected, abs=0.05)


def test_climbing_rope_inverse() -> None:
    # Source: the same: 9 kN → EA 24 081 N.
    assert float(climbing_rope_stiffness_n(80.0, 1.77, 9000.0)) == pytest.approx(24081, abs=0.5)


def test_climbing_rope_is_the_snubbed_drop_by_fall_factor() -> None:
    stiffness = float(lead_stiffness_n_per_m(20e3, 2.8, 0.0, 1.0))
    snubbed = snubbed_peak_n(80.0 * 9.80665, stiffness, 1.77 * 2.8)
    assert float(snubbed) == pytest.approx(float(climbing_rope_n(80.0, 1.77, 20e3)))


@pytest.mark.parametrize(("degrees", "expected"), [(60, 2.0), (90, 3.0), (0, 1.0)])
def test_pendulum(degrees: float, expected: float) -> None:
    # Source: T = mg(3 cos θ − 2 cos θ0), references §3.
    assert float(swing_peak_n(1.0, math.radians(degrees))) == pytest.approx(expected)


@pytest.mark.parametrize(("reaction", "expected"), [(0.0, 1.6), (0.25, 2.4), (0.5, 3.4)])
def test_let_run_worked_example(reaction: float, expected: float) -> None:
    # Source: physics notes §6: h 1.2 m, d 2 m.
    assert float(let_run_n(1.0, 1.2, reaction, 2.0)) == pytest.approx(expected, abs=0.05)


def test_free_fall_worked_example() -> None:
    # Source: physics notes §6: tie 0.6 m above the block, centre 0.7 m above the tie.
    falls = free_fall_m(0.6, 0.7, 0.0, np.array([math.pi, 0.0]))
    np.testing.assert_allclose(falls, [1.2, 2.6])


@given(st.floats(0.0, 3.0), st.floats(0.0, 0.6), st.floats(0.3, 5.0))
def test_let_run_agrees_with_its_twin(fall: float, reaction: float, braking: float) -> None:
    assert float(let_run_n(1500.0, fall, reaction, braking)) == pytest.approx(
        let_run_tension(1500.0, fall, reaction, braking), rel=1e-6
    )


@pytest.mark.parametrize("fall", [0.0, 0.4, 2.0])
def test_snubbed_agrees_with_time_steps(fall: float) -> None:
    stepped = peak_on_rope(1500.0, 2e4, speed_m_per_s=math.sqrt(2 * 9.80665 * fall))
    assert float(snubbed_peak_n(1500.0, 2e4, fall)) == pytest.approx(stepped, rel=1e-5)


@pytest.mark.parametrize(("share", "speed"), [(0.0, 1.0), (0.5, 2.0), (1.0, 0.8)])
def test_moving_piece_agrees_with_time_steps(share: float, speed: float) -> None:
    stretch = share * 1500.0 / 2e4
    stepped = peak_on_rope(1500.0, 2e4, stretch_m=stretch, speed_m_per_s=speed)
    assert float(moving_peak_n(1500.0, 2e4, share, speed)) == pytest.approx(stepped, rel=1e-5)


def test_braked_while_lowering() -> None:
    expected = 1500.0 + 0.8 * math.sqrt(2e4 * 1500.0 / 9.80665)
    assert float(moving_peak_n(1500.0, 2e4, 1.0, 0.8)) == pytest.approx(expected)


@pytest.mark.parametrize("degrees", [20, 60, 90])
def test_swing_agrees_with_time_steps(degrees: float) -> None:
    angle = math.radians(degrees)
    assert float(swing_peak_n(900.0, angle)) == pytest.approx(swing_peak(900.0, angle), rel=1e-5)
    assert float(swing_n(1.0, angle, angle)) == pytest.approx(math.cos(angle))


@given(st.floats(200.0, 5000.0), st.floats(1.01, 2.0), st.floats(1e3, 1e6), st.floats(0.0, 4.0))
def test_heavier_pieces_pull_harder(
    weight: float, more: float, stiffness: float, fall: float
) -> None:
    light, heavy = snubbed_peak_n([weight, weight * more], stiffness, fall)
    assert heavy > light
    assert heavy / (weight * more) <= light / weight + 1e-9


@given(st.floats(0.1, 10.0))
def test_forces_scale_with_weight_at_equal_stretch(scale: float) -> None:
    one = float(snubbed_peak_n(1000.0, 3e4, 1.5))
    assert float(snubbed_peak_n(1000.0 * scale, 3e4 * scale, 1.5)) == pytest.approx(one * scale)


def test_hand_force() -> None:
    assert float(hand_n(3000.0, 0.9, wraps_ratio(0.175, 2))) == pytest.approx(
        3000 * 0.9 / 9.02, rel=1e-3
    )


def test_stiffness_counts_only_the_efficient_part_of_the_fall() -> None:
    assert float(lead_stiffness_n_per_m(1e5, 2.0, 10.0, 0.9)) == pytest.approx(1e5 / 11.0)
    assert float(lead_stiffness_n_per_m(1e5, 2.0, 0.0, 0.9)) == pytest.approx(5e4)


def test_a_soft_anchor_adds_twice_its_load() -> None:
    assert float(block_term_m_per_n(2e5, 0.9)) == pytest.approx(2 * 1.9 / 2e5)
    soft = lead_stiffness_n_per_m(1e5, 2.0, 10.0, 0.9, 2e5)
    assert float(1.0 / soft) == pytest.approx(11.0 / 1e5 + 3.8 / 2e5)


@pytest.mark.parametrize("degrees", [0.0, 40.0, 120.0])
def test_anchor_term_is_the_matrix_product(degrees: float) -> None:
    # Source: physics notes §6: (u_l + u_f)ᵀ K⁻¹ (u_l + η u_f).
    angle = math.radians(degrees)
    lead, fall = np.array([0.0, -1.0]), np.array([math.sin(angle), -math.cos(angle)])
    expected = (lead + fall) @ np.linalg.inv(2e5 * np.eye(2)) @ (lead + 0.9 * fall)
    assert float(block_term_m_per_n(2e5, 0.9, angle)) == pytest.approx(float(expected))


def test_dynamic_factor() -> None:
    np.testing.assert_allclose(dynamic_stiffness_n(1e5, [1.0, 2.0]), [1e5, 2e5])
