"""Scores of many predictions: bias, coverage, percentiles; clipped values right-censored."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import kstwo, norm

from analysis.learning.estimate_scoring import score_estimates
from analysis.learning.scoring import (
    FEWEST_FOR_KS,
    Pit,
    censored_mean_sd,
    score_bias,
    score_coverage,
    score_methods,
    score_pit,
)


def test_clipped_mean_and_sd_agree_with_direct_maximisation() -> None:
    rng = np.random.default_rng(1)
    true = rng.normal(0.2, 0.15, 60)
    cut = true > 0.3
    read = np.minimum(true, 0.3)

    def misfit(at: np.ndarray) -> float:
        mean, sd = at[0], math.exp(at[1])
        return -float(
            norm.logpdf(read[~cut], mean, sd).sum() + norm.logsf(read[cut], mean, sd).sum()
        )

    best = minimize(misfit, [0.2, -2.0], method="Nelder-Mead", options={"xatol": 1e-9})
    measured = int((~cut).sum())
    mean, sd = censored_mean_sd(read, cut)
    assert mean == pytest.approx(best.x[0], abs=1e-5)
    assert sd == pytest.approx(math.exp(best.x[1]) * math.sqrt(measured / (measured - 1)), abs=1e-5)
    assert mean > read.mean()


def test_too_few_unclipped_values_have_no_sd() -> None:
    mean, sd = censored_mean_sd([0.1, 0.2], [False, True])
    assert mean == pytest.approx(0.15)
    assert math.isnan(sd)


def test_bias_counts_clipped_values() -> None:
    bias = score_bias([110, 120, 130], [100, 100, 100], [False, False, True])
    assert (bias.n, bias.clipped) == (3, 1)
    assert bias.ratio > 1.2


def test_percentiles_of_a_true_prediction_are_uniform_also_when_clipped() -> None:
    rng = np.random.default_rng(2)
    true = rng.normal(0, 1, 4000)
    limit = rng.uniform(0.5, 2.5, 4000)
    cut = true > limit
    at = norm.cdf(np.minimum(true, limit))
    pit = score_pit(at, cut)
    assert np.array(pit.share) == pytest.approx(np.full(10, 0.1), abs=0.02)
    assert sum(pit.share) == pytest.approx(1.0)
    assert p_of(pit) > 0.01
    assert p_of(score_pit(at)) < 1e-6  # the protection removed: clipped taken as measured
    coverage = score_coverage(at, cut, level=0.9)
    assert coverage.interval_90[0] < 0.9 < coverage.interval_90[1]
    assert coverage.least < coverage.share < coverage.most


def test_a_biased_prediction_is_seen() -> None:
    at = norm.cdf(np.random.default_rng(3).normal(0.8, 1.0, 200))
    assert p_of(score_pit(at)) < 1e-6
    assert score_coverage(at).interval_90[1] < 0.9


def p_of(pit: Pit) -> float:
    assert pit.ks_p is not None
    return pit.ks_p


def test_so_many_pieces_find_a_prediction_off_by_its_own_sd() -> None:
    """What the fewest pieces for a p value rests on: 80 of 100 seasons, and not one fewer."""
    rng = np.random.default_rng(4)
    for n, enough in ((FEWEST_FOR_KS, True), (FEWEST_FOR_KS - 1, False)):
        at = np.sort(norm.cdf(rng.normal(1.0, 1.0, (20_000, n))), axis=1)
        steps = np.arange(n + 1) / n
        distance = np.maximum(steps[1:] - at, at - steps[:-1]).max(axis=1)
        found = float(np.mean(distance > kstwo.isf(0.05, n)))
        assert (found > 0.8) is enough


def test_a_few_peaks_have_no_p_value() -> None:
    few = score_pit(np.linspace(0.2, 0.9, FEWEST_FOR_KS - 1))
    assert few.ks_p is None
    assert few.ks_distance > 0
    assert p_of(score_pit(np.linspace(0.2, 0.9, FEWEST_FOR_KS))) > 0.05


def test_percentiles_at_the_ends_have_a_bin() -> None:
    assert score_pit([0.0, 1.0], bins=4).share == (0.5, 0.0, 0.0, 0.5)
    assert score_pit([1.0], [True], bins=4).share == (0.0, 0.0, 0.0, 1.0)


def test_coverage_all_or_nothing_has_one_sided_intervals() -> None:
    # Clopper-Pearson: 10 of 10 gives 0.05^(1/10) = 0.741 as its lower 95 % end.
    assert score_coverage([0.5] * 10).interval_90 == pytest.approx((0.7411, 1.0), abs=1e-4)
    assert score_coverage([0.999] * 10).interval_90 == pytest.approx((0.0, 0.2589), abs=1e-4)


def test_each_method_by_itself() -> None:
    scores = score_methods(
        ["swing", "let_run_drop", "swing"], [100, 200, 130], [100, 100, 100], [0.5, 0.99, 0.8],
        [False, True, False],
    )  # fmt: skip
    assert [score.method for score in scores] == ["let_run_drop", "swing"]
    assert scores[0].bias.clipped == 1
    assert scores[1].bias.ratio == pytest.approx(math.sqrt(1.3))
    assert [each.level for each in scores[1].coverage] == [0.5, 0.9]
    assert json.dumps(scores[1].to_dict())


def test_ways_of_judging_are_scored_on_the_same_pieces() -> None:
    hang = [1000.0, 2000.0, 1500.0, math.nan]
    scores = score_estimates(
        hang,
        {
            "guess": [800.0, math.nan, 1200.0, 500.0],
            "chart": [1000.0, 2000.0, 1560.0, 500.0],
            "computed": [950.0, 1900.0, 1500.0, 500.0],
        },
    )
    assert [score.name for score in scores] == ["guess", "chart", "computed"]
    assert {score.bias.n for score in scores} == {2}
    assert scores[0].within_10_percent == 0.0
    assert scores[1].within_10_percent == 1.0
    assert scores[0].to_dict()["name"] == "guess"
    assert score_estimates(hang, {"guess": [math.nan] * 4}) == ()
    assert score_estimates(hang, {}) == ()


def test_refuses_nothing_and_marks_of_another_length() -> None:
    with pytest.raises(ValueError, match="no values"):
        score_bias([], [])
    with pytest.raises(ValueError, match="marks"):
        score_coverage([0.5, 0.6], [True])
