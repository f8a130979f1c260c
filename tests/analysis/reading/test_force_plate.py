"""A real force record of the shape of a snub, read by the general algorithm.

``tests/data/force_plate_jump.csv``: vertical ground force of one countermovement jump,
1 kHz; source and licence stand in its first line (test data of the PyPI package biomdp
0.11.2, MIT licence, J. Elvira). Expected numbers: references.md §8.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from analysis.reading.csv_file import read_csv
from analysis.reading.features import Features, read_features
from analysis.reading.trace import make_trace

PLATE = Path(__file__).parents[2] / "data" / "force_plate_jump.csv"


@pytest.fixture(scope="module")
def plate() -> Features:
    time_s, force_n = read_csv(PLATE)
    return read_features(make_trace(time_s, force_n))


def test_standing_weight_before_and_after(plate: Features) -> None:
    assert plate.pretension_settled_n == pytest.approx(765.6, rel=0.005)
    assert plate.hang_weight_n == pytest.approx(767.1, rel=0.005)
    assert plate.hang_weight_n_u is not None
    assert plate.hang_weight_n_u < 5.0
    assert "hang_not_still" not in plate.flags


def test_landing_peak_and_its_time(plate: Features) -> None:
    assert plate.peak_n == pytest.approx(3219.4, rel=0.001)
    assert plate.peak_time_s == pytest.approx(4.038, abs=0.0005)
    assert plate.peak_phase == "catch"
    assert plate.release_kind == "catch"
    assert plate.release_peak_n == plate.peak_n
    assert not plate.peak_is_lower_bound


def test_flight_is_slack(plate: Features) -> None:
    flight = next(phase for phase in plate.phases if phase.name == "slack")
    assert flight.start_s == pytest.approx(3.422, abs=0.003)
    assert flight.end_s == pytest.approx(3.976, abs=0.003)


def test_a_record_that_starts_loaded_has_no_zero(plate: Features) -> None:
    assert "no_zero" in plate.flags
    assert plate.zero_n == 0.0


def test_every_tenth_sample_can_lose_what_is_stated() -> None:
    """references.md §8: every tenth sample can lose up to 5.8 % of the landing peak."""
    time_s, force_n = read_csv(PLATE)
    losses = []
    for first in range(10):
        found = read_features(make_trace(time_s[first::10], force_n[first::10]))
        assert found.peak_n is not None
        assert found.peak_n_u is not None
        assert 3219.4 - found.peak_n <= found.peak_n_u
        losses.append(1.0 - found.peak_n / 3219.4)
        assert found.hang_weight_n == pytest.approx(767.1, rel=0.005)
        assert "rate_too_low" in found.flags
    assert max(losses) == pytest.approx(0.058, abs=0.001)
