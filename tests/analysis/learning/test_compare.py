"""Measured against predicted: log ratio, percentile, clipped peaks as lower bounds."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

from analysis.errors import PredictionError
from analysis.learning.compare import compare_peak
from analysis.predicting.predict import predict
from logger.records import Diameter, Drop, Piece, Rig, Rope, Station

STORED = {
    "peak_quantiles": {
        "p": [0.01, 0.05, 0.5, 0.95, 0.99],
        "force_n": [700.0, 800.0, 1000.0, 1300.0, 1500.0],
    }
}


def test_the_median_is_in_the_middle() -> None:
    found = compare_peak(STORED, 1000.0, measured_u_n=20.0)
    assert (found.log_ratio, found.percentile) == pytest.approx((0.0, 50.0))
    assert found.log_ratio_u == pytest.approx(0.02)
    assert found.within_90 is True
    assert not found.censored
    assert json.loads(json.dumps(found.to_dict()))["predicted_n"] == 1000.0


@pytest.mark.parametrize(
    ("measured", "percentile", "inside"),
    [(100.0, 1.0, False), (800.0, 5.0, True), (1150.0, 72.5, True), (9000.0, 99.0, False)],
)
def test_percentile_is_interpolated_and_held_at_the_ends(
    measured: float, percentile: float, inside: bool
) -> None:
    found = compare_peak(STORED, measured)
    assert found.percentile == pytest.approx(percentile)
    assert found.within_90 is inside
    assert found.log_ratio == pytest.approx(math.log(measured / 1000.0))
    assert found.log_ratio_u is None


@pytest.mark.parametrize(("measured", "inside"), [(900.0, None), (1290.0, None), (1400.0, False)])
def test_a_clipped_peak_is_a_lower_bound(measured: float, inside: bool | None) -> None:
    found = compare_peak(STORED, measured, clipped=True)
    assert found.censored
    assert found.within_90 is inside


@pytest.mark.parametrize("measured", [0.0, -10.0, math.nan, math.inf])
def test_no_peak_no_comparison(measured: float) -> None:
    with pytest.raises(PredictionError, match="cannot be compared"):
        compare_peak(STORED, measured)


@pytest.mark.parametrize(
    "stored",
    [
        {},
        {"peak_quantiles": None},
        {"peak_quantiles": {"p": [0.5], "force_n": ["much"]}},
        {"peak_quantiles": {"p": [0.5], "force_n": [1.0]}},
        {"peak_quantiles": {"p": [0.1, 0.5], "force_n": [1.0]}},
        {"peak_quantiles": {"p": [0.1, 0.5], "force_n": [-1.0, 2.0]}},
    ],
)
def test_a_prediction_without_quantiles_is_told(stored: dict[str, Any]) -> None:
    with pytest.raises(PredictionError, match="stored prediction"):
        compare_peak(stored, 1000.0)


def test_percentiles_of_own_draws_are_even() -> None:
    station = Station(name="tie", mount="end", leg="lead")
    rig = Rig(name="R", method="snubbed_drop", rope="b", station=station, fall_length_m=8.0)
    piece = Piece(
        name="P", length_m=2.0, rig="R", density_kg_per_m3=900.0,
        diameters=(Diameter(at_m=1.0, diameter_m=0.3),),
        drop=Drop(tie_above_block_m=0.5, centre_above_tie_m=0.5),
    )  # fmt: skip
    rope = Rope(name="b", stiffness_n=6e4)
    stored = predict(piece, rig, rope, draws=20_000)
    other = predict(piece, rig, rope, draws=20_000, seed=9)
    fresh = np.interp(
        np.random.default_rng(0).uniform(0.001, 0.999, 2000),
        other["peak_quantiles"]["p"],
        other["peak_quantiles"]["force_n"],
    )
    percentiles = np.array([compare_peak(stored, float(force)).percentile for force in fresh])
    counts, _ = np.histogram(percentiles, bins=10, range=(0.0, 100.0))
    assert np.all(np.abs(counts - 200) < 60)
