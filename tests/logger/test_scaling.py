"""Two-point calibration."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.errors import InputError
from logger.records import Cell, LoadPoint
from logger.samples import CellInfo
from logger.scaling import own_scaling, range_of, scaling_of, to_counts, to_newtons


def cell(low: tuple[float, float], high: tuple[float, float], by: str = "", on: str = "") -> Cell:
    points = (
        LoadPoint(force_n=low[0], counts=low[1]),
        LoadPoint(force_n=high[0], counts=high[1]),
    )
    return Cell(name="A", points=points, calibrated_by=by, calibrated=on)


INFO = CellInfo(1, "a", 1, "b", 1_000_000, 1000.0, -1000, 3000, 0, 0)
FORCE = st.floats(-1e5, 1e5)
COUNTS = st.integers(-(2**31), 2**31 - 1)


@given(low=st.tuples(FORCE, COUNTS), high=st.tuples(FORCE, COUNTS), other=FORCE)
def test_the_line_goes_through_both_points_and_back(
    low: tuple[float, int], high: tuple[float, int], other: float
) -> None:
    if abs(low[0] - high[0]) < 1 or abs(low[1] - high[1]) < 100:
        return
    line = scaling_of(cell(low, high))
    span = abs(line.n_per_count) * 2**32 + 1e5
    assert to_newtons([low[1], high[1]], line) == pytest.approx([low[0], high[0]], abs=1e-9 * span)
    assert float(to_newtons(to_counts(other, line), line)) == pytest.approx(other, abs=1e-9 * span)


def test_the_origin_says_who_when_and_which_loads() -> None:
    made = cell((0, 0), (4903.325, 49033), by="M.", on="2026-03-01")
    line = scaling_of(made, zero_u_n=2.0)
    assert line.origin == "two points, 0 N and 4903.32 N, 2026-03-01 by M."
    assert (line.rel_u, line.offset_u_n) == (0.005, 2.0)


@pytest.mark.parametrize("high", [(0.0, 900.0), (900.0, 10.0)])
def test_points_that_make_no_line_are_refused(high: tuple[float, float]) -> None:
    with pytest.raises(InputError, match="cell 'A'"):
        scaling_of(cell((0.0, 10.0), high))


def test_counts_are_not_changed() -> None:
    counts = np.array([1, 2], np.int32)
    counts.flags.writeable = False
    assert to_newtons(counts, scaling_of(cell((0, 0), (1, 1)))).tolist() == [1.0, 2.0]


def test_the_range_of_a_cell_wired_the_other_way_round() -> None:
    assert range_of(INFO, scaling_of(cell((0, 0), (100, -1000)))) == (-300.0, 100.0)


def test_a_described_sensor_brings_its_own_line_and_no_known_offset() -> None:
    described = replace(INFO, n_per_count=0.25, rel_u=0.01)
    own = own_scaling(described)
    assert own is not None
    assert to_newtons([0, 400], own).tolist() == [0.0, 100.0]
    assert (own.rel_u, own.offset_u_n) == (0.01, 0.0)
    assert "0.25 N a count" in own.origin
    assert own_scaling(INFO) is None
