"""Budgets: GUM example H.1, and the table of causes."""

from __future__ import annotations

import math

import pytest

from analysis.reading.budget import budget_rows, combine


def test_gum_h1() -> None:
    """JCGM 100 example H.1 (references.md §8): u_c 32 nm, effective dof 16, U99 93 nm."""
    components = {
        "ls": 25.0,
        "d": 5.8,
        "random": 3.9,
        "systematic": 6.7,
        "alpha": 2.887,
        "dt": 16.599,
    }
    dof = {"ls": 18.0, "d": 24.0, "random": 5.0, "systematic": 8.0, "alpha": 50.0, "dt": 2.0}
    found = combine(components, dof, 0.99)
    assert round(found.standard) == 32
    assert math.floor(found.effective_dof) == 16
    assert found.coverage_factor == pytest.approx(2.92, abs=0.005)
    assert round(found.coverage_factor * round(found.standard)) == 93, "as H.1 rounds: 2.92 × 32"
    assert found.expanded == pytest.approx(93.0, abs=0.6)


def test_without_degrees_of_freedom_two_is_the_factor() -> None:
    found = combine({"a": 3.0, "b": 4.0})
    assert (found.standard, found.effective_dof) == (5.0, math.inf)
    assert found.coverage_factor == pytest.approx(2.0, abs=1e-4)


def test_rows_in_order_with_shares_that_add_up() -> None:
    rows = budget_rows({"noise": 1.0, "calibration": 2.0, "brush": 0.5})
    assert [row.cause for row in rows] == ["calibration", "noise", "brush"]
    assert sum(row.share for row in rows) == pytest.approx(1.0)
    assert rows[0].to_dict()["standard_n"] == 2.0
    assert budget_rows({"noise": 0.0})[0].share == 0.0
    assert budget_rows({}) == ()
