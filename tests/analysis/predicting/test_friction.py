"""Friction: published capstan tables and pairs, and the sheave law against its twin."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_physics import sheave_ratio

from analysis.predicting.friction import (
    capstan_ratio,
    sheave_efficiency,
    wraps_ratio,
)
from analysis.reading.two_cells import friction_of_pair

DATA = Path(__file__).resolve().parents[2] / "data"


@pytest.mark.parametrize(
    ("friction", "expected"),
    [
        (0.1, (1.874, 3.514, 6.586)),
        (0.2, (3.514, 12.345, 43.376)),
        (0.3, (6.586, 43.376, 285.68)),
    ],
)
def test_capstan_table(friction: float, expected: tuple[float, ...]) -> None:
    # Source: references §4, exp(2πμn) for n = 1, 2, 3, recomputed.
    np.testing.assert_allclose(wraps_ratio(friction, [1, 2, 3]), expected, rtol=3e-4)


def test_delaney_capstan_table() -> None:
    # Source: R. Delaney, Physics for Roping Technicians, 2022, p. 88: μ 0.175.
    np.testing.assert_allclose(wraps_ratio(0.175, [1, 2, 3]), (3.00, 9.02, 27.08), atol=0.02)


def test_nine_raise_and_lower_pairs() -> None:
    # Source: the same page: μ = ln(T_raise/T_lower)/(2θ) within 0.006 of the published value.
    with (DATA / "friction_pairs.csv").open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert len(rows) == 9
    for row in rows:
        angle = math.radians(float(row["angle_deg"]))
        friction, _ = friction_of_pair(float(row["t_raise_kgf"]), float(row["t_lower_kgf"]))
        assert friction / angle == pytest.approx(float(row["mu_published"]), abs=0.006)


@pytest.mark.parametrize(("degrees", "expected"), [(180, 0.900), (90, 0.928), (60, 0.949)])
def test_sheave_by_angle(degrees: float, expected: float) -> None:
    # Source: physics notes §3: η 0.90 at 180° is 0.928 at 90° and 0.949 at 60°.
    assert float(sheave_efficiency(0.9, math.radians(degrees))) == pytest.approx(expected, abs=5e-4)


@given(st.floats(0.4, 0.999), st.floats(0.05, math.pi))
def test_sheave_law_agrees_with_bisection(efficiency: float, wrap: float) -> None:
    assert float(sheave_efficiency(efficiency, wrap)) == pytest.approx(
        sheave_ratio(efficiency, wrap), abs=1e-9
    )


def test_sheave_limits() -> None:
    assert float(sheave_efficiency(0.9, 0.0)) == pytest.approx(1.0)
    assert float(sheave_efficiency(1.0, math.pi)) == 1.0


def test_pair_of_tensions_gives_back_the_contact() -> None:
    ratio = float(capstan_ratio(0.21, 1.2))
    assert friction_of_pair(1000.0 * ratio, 1000.0 / ratio)[0] == pytest.approx(0.21 * 1.2)
