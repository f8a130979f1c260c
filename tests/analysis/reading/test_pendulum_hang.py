"""The weight of a piece that swings: a rigid pendulum integrated by scipy, other motions refused."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from analysis.reading.pendulum_hang import pendulum_hang, pulse_hz
from analysis.reading.place import RopeInPlay
from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

WEIGHT_N = 1500.0
ROPE = RopeInPlay(lead_m=4.0, fall_m=12.0)


def swinging(
    angle: float, seconds: float = 7.0, rate_hz: float = 200.0
) -> tuple[FloatArray, FloatArray]:
    """Tension W cos θ + m L ω² of a rigid pendulum let go at an angle."""
    t = np.arange(0.0, seconds, 1.0 / rate_hz)
    found = solve_ivp(
        lambda _, y: (y[1], -G / ROPE.lead_m * np.sin(y[0])), (0.0, seconds), (angle, 0.0),
        t_eval=t, rtol=1e-9, atol=1e-9,
    )  # fmt: skip
    theta, omega = found.y
    return t, WEIGHT_N * (np.cos(theta) + ROPE.lead_m * omega**2 / G)


@pytest.mark.parametrize(("angle", "within"), [(0.15, 1e-3), (0.4, 1e-3), (0.8, 2e-3), (1.1, 3e-3)])
def test_a_pendulum_pulls_more_than_it_weighs(angle: float, within: float) -> None:
    time_s, force_n = swinging(angle)
    found = pendulum_hang(time_s, force_n, ROPE, 1.0)
    assert found is not None
    assert found.value_n == pytest.approx(WEIGHT_N, rel=within)
    assert float(force_n.mean()) - WEIGHT_N > 3.0 * abs(found.value_n - WEIGHT_N)
    assert abs(found.value_n - WEIGHT_N) <= 2.0 * max(found.u_n, 0.5)


def test_another_rate_is_no_pendulum() -> None:
    t = np.arange(0.0, 6.0, 0.005)
    ring = WEIGHT_N * (1.0 + 0.05 * np.exp(-0.1 * t) * np.cos(2 * np.pi * 1.8 * t))
    assert pulse_hz(ROPE) == pytest.approx(0.4984, abs=1e-3)
    assert pendulum_hang(t, ring, ROPE, 1.0) is None
    assert pendulum_hang(t, np.full_like(t, WEIGHT_N), ROPE, 1.0) is None
    assert pendulum_hang(t[:100], ring[:100], ROPE, 1.0) is None


def test_a_swing_wider_than_the_sheave_sticks_may_be_a_bounce() -> None:
    time_s, force_n = swinging(0.4)
    assert pendulum_hang(time_s, force_n, ROPE, 1.0, most_share=0.2) is not None
    assert pendulum_hang(time_s, force_n, ROPE, 1.0, most_share=0.05) is None


def test_two_legs_are_not_read_as_a_pendulum() -> None:
    time_s, force_n = swinging(0.4)
    legs = RopeInPlay(lead_m=8.0, fall_m=12.0, legs=2, leg_cos=1.0)
    assert pendulum_hang(time_s, force_n, legs, 1.0) is None
