"""The span rig's statics: published problems, twins, symmetry, equilibrium."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from reference_physics import lowest_point, slid_to_rest

from analysis.errors import PredictionError
from analysis.predicting.span import SpanState, solve_span


def leg_tensions(state: SpanState, weight: float) -> tuple[float, float]:
    return weight * float(state.lead_share), weight * float(state.standing_share)


def random_rigs(n: int, seed: int) -> tuple[NDArray[np.float64], ...]:
    rng = np.random.default_rng(seed)
    span, height = rng.uniform(0.2, 20.0, n), rng.uniform(-6.0, 6.0, n)
    rope = np.hypot(span, height) * (1.0 + 10.0 ** rng.uniform(-2.0, 0.3, n))
    return span, height, rope, rng.uniform(0.75, 1.0, n), rng.uniform(-1.0, 1.0, n)


def test_hibbeler_3_36() -> None:
    # Source: Hibbeler, Statics 14e, Prob. 3-36 (g 9.81): 687 N, 1.38 m from one support.
    state = solve_span(3.5, 0.75, 5.0)
    lead, standing = leg_tensions(state, 100 * 9.81)
    assert lead == pytest.approx(686.84, abs=0.005)
    assert standing == pytest.approx(lead)
    assert 3.5 - float(state.from_high_block_m) == pytest.approx(1.38, abs=0.005)


@pytest.mark.parametrize(
    ("motion", "fall", "lead", "standing", "place"),
    [(1, 2364, 2128, 1915, 3.16), (-1, 1702, 1891, 2101, 3.72)],
)
def test_frictional_span_table(
    motion: float, fall: float, lead: float, standing: float, place: float
) -> None:
    # Source: physics notes §4.1: D 6, H 1, L 9 m, W 3000 N, η 0.9 taken as given.
    state = solve_span(6.0, 1.0, 9.0, efficiency=0.9, motion=motion, by_angle=False)
    found_lead, found_standing = leg_tensions(state, 3000.0)
    assert found_lead == pytest.approx(lead, abs=0.5)
    assert found_standing == pytest.approx(standing, abs=0.5)
    assert found_lead * 0.9**-motion == pytest.approx(fall, abs=0.5)
    assert float(state.from_high_block_m) == pytest.approx(place, abs=0.005)


def test_mid_span_load() -> None:
    # Source: Arboriculture Australia, Tree Rescue Manual 2022, p. 128: sag 10 % → 2.55 f.
    rope = 2.0 * math.hypot(5.0, 1.0)
    assert float(solve_span(10.0, 0.0, rope).lead_share) == pytest.approx(2.55, abs=0.005)


def test_closed_form_without_friction() -> None:
    # Source: physics notes §4.1: sin α = D/L, l = L/2 ± H/(2 cos α).
    state = solve_span(6.0, 1.0, 9.0)
    cos = math.sqrt(1 - (6 / 9) ** 2)
    assert float(state.lead_share) == pytest.approx(1 / (2 * cos), rel=1e-12)
    assert float(state.lead_m) == pytest.approx(4.5 + 1 / (2 * cos), rel=1e-12)
    assert math.sin(float(state.lead_angle_rad)) == pytest.approx(6 / 9, rel=1e-12)


def test_no_span_halves_the_weight() -> None:
    state = solve_span(0.0, 1.0, 9.0)
    assert leg_tensions(state, 1.0) == pytest.approx((0.5, 0.5))


def test_equilibrium_on_random_rigs() -> None:
    span, height, rope, eta, motion = random_rigs(1000, 5)
    state = solve_span(span, height, rope, efficiency=eta, motion=motion)
    sideways = state.lead_share * np.sin(state.lead_angle_rad) - state.standing_share * np.sin(
        state.standing_angle_rad
    )
    upward = state.lead_share * np.cos(state.lead_angle_rad) + state.standing_share * np.cos(
        state.standing_angle_rad
    )
    assert np.max(np.abs(sideways)) <= 1e-9
    assert np.max(np.abs(upward - 1.0)) <= 1e-9
    np.testing.assert_allclose(state.lead_m + state.standing_m, rope, rtol=1e-12)


def test_no_friction_agrees_with_the_lowest_point() -> None:
    for span, height, rope in [(6.0, 1.0, 9.0), (3.0, -2.0, 4.0), (10.0, 4.0, 12.0)]:
        state = solve_span(span, height, rope)
        x, depth = lowest_point(span, height, rope)
        assert float(state.from_high_block_m) == pytest.approx(x, abs=1e-5)
        assert float(state.depth_m) == pytest.approx(depth, abs=1e-8)


def test_friction_agrees_with_the_twin() -> None:
    span, height, rope, eta, motion = random_rigs(100, 6)
    state = solve_span(span, height, rope, efficiency=eta, motion=motion, by_angle=False)
    for i in range(100):
        place, lead, standing = slid_to_rest(
            float(span[i]), float(height[i]), float(rope[i]), float(eta[i] ** motion[i])
        )
        assert float(state.from_high_block_m[i]) == pytest.approx(place, abs=1e-6)
        assert float(state.lead_share[i]) == pytest.approx(lead, rel=1e-6)
        assert float(state.standing_share[i]) == pytest.approx(standing, rel=1e-6)


def test_mirror_symmetry() -> None:
    span, height, rope, eta, motion = random_rigs(200, 7)
    one = solve_span(span, height, rope, efficiency=eta, motion=motion)
    other = solve_span(span, -height, rope, efficiency=eta, motion=-motion)
    np.testing.assert_allclose(one.lead_share, other.standing_share, rtol=1e-9)
    np.testing.assert_allclose(one.from_high_block_m, span - other.from_high_block_m, atol=1e-9)


def test_without_friction_raising_is_lowering_and_lies_in_the_band() -> None:
    span, height, rope, eta, _ = random_rigs(200, 8)
    up = solve_span(span, height, rope, motion=1.0)
    down = solve_span(span, height, rope, motion=-1.0)
    np.testing.assert_allclose(up.lead_share, down.lead_share, rtol=1e-12)
    raising = solve_span(span, height, rope, efficiency=eta, motion=1.0)
    lowering = solve_span(span, height, rope, efficiency=eta, motion=-1.0)
    assert np.all(lowering.from_high_block_m >= up.from_high_block_m - 1e-9)
    assert np.all(raising.from_high_block_m <= up.from_high_block_m + 1e-9)


@pytest.mark.parametrize(
    ("span", "height", "rope"),
    [(6.0, 1.0, 9.0), (8.0, -2.0, 8.6), (8.0, 0.0, 8.01), (0.0, 1.0, 9.0)],
)
@pytest.mark.parametrize("motion", [-1.0, 1.0, None])
@pytest.mark.parametrize("by_angle", [True, False])
def test_many_frictions_in_one_geometry_are_solved_as_each_alone(
    span: float, height: float, rope: float, motion: float | None, *, by_angle: bool
) -> None:
    # The start differs (polynomial against frictionless place), the equilibrium must not.
    rng = np.random.default_rng(9)
    eta = np.clip(0.9 + 0.05 * rng.standard_normal(400), 0.3, 1.0)
    way = rng.uniform(-1.0, 1.0, 400) if motion is None else np.full(400, motion)
    many = solve_span(span, height, rope, efficiency=eta, motion=way, by_angle=by_angle)
    each = solve_span(
        np.full(400, span), height, rope, efficiency=eta, motion=way, by_angle=by_angle
    )
    np.testing.assert_allclose(many.from_high_block_m, each.from_high_block_m, atol=1e-9)
    np.testing.assert_allclose(many.lead_share, each.lead_share, rtol=1e-9)
    np.testing.assert_allclose(many.standing_share, each.standing_share, rtol=1e-9)


@settings(max_examples=50, deadline=None)
@given(st.floats(0.01, 100.0), st.floats(0.75, 1.0), st.floats(-1.0, 1.0))
def test_shares_do_not_depend_on_size(scale: float, eta: float, motion: float) -> None:
    one = solve_span(6.0, 1.0, 9.0, efficiency=eta, motion=motion)
    other = solve_span(6.0 * scale, scale, 9.0 * scale, efficiency=eta, motion=motion)
    assert float(other.lead_share) == pytest.approx(float(one.lead_share), rel=1e-9)
    assert float(other.lead_m) == pytest.approx(float(one.lead_m) * scale, rel=1e-9)


def test_wrap_angle_lessens_friction() -> None:
    by_angle = solve_span(6.0, 0.0, 7.0, efficiency=0.9, motion=1.0)
    as_given = solve_span(6.0, 0.0, 7.0, efficiency=0.9, motion=1.0, by_angle=False)
    ratio = float(by_angle.standing_share / by_angle.lead_share)
    assert 0.9 < ratio < 1.0
    assert float(as_given.standing_share / as_given.lead_share) == pytest.approx(0.9)
    assert float(by_angle.wrap_rad) < math.pi / 2


@pytest.mark.parametrize(
    ("span", "height", "rope", "eta", "words"),
    [
        (6.0, 1.0, 6.0, 0.9, "straight distance is 6.08 m"),
        (6.0, 0.0, 6.0003, 0.9, "longer length at which the piece hangs"),
        (-6.0, 1.0, 9.0, 0.9, "cannot be negative"),
        (6.0, math.nan, 9.0, 0.9, "must be numbers"),
        (6.0, 1.0, 9.0, 1.2, "efficiency"),
        (6.0, 1.0, 9.0, 0.0, "efficiency"),
    ],
)
def test_bad_geometry_is_told(
    span: float, height: float, rope: float, eta: float, words: str
) -> None:
    with pytest.raises(PredictionError, match=words):
        solve_span(span, height, rope, efficiency=eta)
