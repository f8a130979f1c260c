"""The pooled sampler against quadrature, a published example and a library's mixed model."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from pooling_oracles import (
    EIGHT_SCHOOLS_SD,
    EIGHT_SCHOOLS_Y,
    clipped_posterior,
    known_sd_posterior,
)
from pooling_ranks import ranks
from scipy.stats import kstest, truncnorm
from scipy.stats import t as student_t

from analysis.learning.hierarchy import BoolArray, FloatArray, IntArray, Prior, Sampling, Values
from analysis.learning.pooling import draw_above, sample_pooled, split_rhat

LONG = Sampling(seed=3, chains=16, warm_up=100, sweeps=1000)
FLAT = Prior(0.0, np.inf, np.inf, 0.0, 1.0, sd_limit=200.0)


def plain_values(
    y: FloatArray,
    cell: IntArray,
    cell_group: IntArray,
    lower_bound: BoolArray | None = None,
    known_sd: FloatArray | None = None,
) -> Values:
    cut = np.zeros(y.size, dtype=np.bool_) if lower_bound is None else lower_bound
    return Values(y, np.ones(y.size), cell, cell_group, cut, known_sd)


@pytest.fixture(scope="module")
def schools() -> FloatArray:
    eight = np.arange(8)
    values = plain_values(EIGHT_SCHOOLS_Y, eight, eight, known_sd=EIGHT_SCHOOLS_SD)
    return sample_pooled(values, FLAT, LONG).group


def test_eight_schools_agree_with_quadrature(schools: FloatArray) -> None:
    mean, sd, _, _ = known_sd_posterior(EIGHT_SCHOOLS_Y, EIGHT_SCHOOLS_SD, sd_limit=200.0)
    assert schools.mean(axis=0) == pytest.approx(mean, abs=0.25)
    assert schools.std(axis=0) == pytest.approx(sd, rel=0.04)


def test_eight_schools_agree_with_the_book(schools: FloatArray) -> None:
    # Bayesian Data Analysis 3rd ed., Table 5.3, posterior medians from 200 draws [M]:
    # recalled, not looked up, hence the wide tolerance.
    published = [10, 8, 7, 8, 5, 6, 10, 8]
    assert np.median(schools, axis=0) == pytest.approx(published, abs=1.6)


@pytest.mark.slow
def test_agrees_with_a_library_mixed_model() -> None:
    """Uncensored, nested jobs, flat priors: statsmodels' MixedLM by REML."""
    rng = np.random.default_rng(8)
    groups, jobs, pieces = 10, 6, 6
    cell = np.repeat(np.arange(groups * jobs), pieces)
    cell_group = np.repeat(np.arange(groups), jobs)
    centre = 1.0 + rng.normal(0, 0.4, groups)
    job = rng.normal(0, 0.2, groups * jobs)
    y = centre[cell_group[cell]] + job[cell] + rng.normal(0, 0.3, cell.size)
    values = plain_values(y, cell, cell_group)
    # spreads nearly alike over groups, as the library has a single one
    prior = Prior(0.0, np.inf, 1.0, 1.0, 0.3, spread_df=1000.0)
    ours = sample_pooled(values, prior, LONG)
    table = pd.DataFrame({"y": y, "group": cell_group[cell], "job": cell})
    model = smf.mixedlm(
        "y ~ 1", table, groups="group", re_formula="1", vc_formula={"job": "0 + C(job)"}
    )
    fit = model.fit(reml=True)
    for number in range(groups):
        theirs = fit.params["Intercept"] + fit.random_effects[number].iloc[0]
        draws = ours.group[:, number]
        assert draws.mean() == pytest.approx(theirs, abs=0.25 * draws.std())
    assert np.median(ours.group_sd) == pytest.approx(np.sqrt(fit.cov_re.iloc[0, 0]), rel=0.2)
    assert np.median(ours.job_sd) == pytest.approx(np.sqrt(fit.vcomp[0]), rel=0.15)
    assert np.median(ours.spread[:, 0]) == pytest.approx(np.sqrt(fit.scale), rel=0.05)
    assert ours.largest_rhat < 1.02


def test_clipped_values_agree_with_quadrature() -> None:
    y = np.array([0.1, 0.25, 0.2, 0.3, 0.28])
    cut = np.array([False, False, False, True, True])
    cell = np.zeros(5, dtype=np.intp)
    values = plain_values(y, cell, cell[:1], cut, known_sd=np.full(5, 0.1))
    drawn = sample_pooled(values, Prior(0.0, 0.25, 1e-6, 0.0, 0.1), LONG).group[:, 0]
    mean, sd = clipped_posterior(y, cut, 0.1, 0.0, 0.25)
    as_read, _ = clipped_posterior(y, np.zeros(5, dtype=np.bool_), 0.1, 0.0, 0.25)
    assert drawn.mean() == pytest.approx(mean, abs=0.05 * sd)
    assert drawn.std() == pytest.approx(sd, rel=0.04)
    assert drawn.mean() > as_read + 0.2 * sd


def test_draws_above_a_bound_follow_the_cut_normal_far_out() -> None:
    rng = np.random.default_rng(4)
    for bound in (-3.0, 0.5, 6.0, 30.0):
        drawn = draw_above(rng, np.zeros(40_000), np.ones(1), np.full(1, bound))
        expected = truncnorm(bound, np.inf)
        assert drawn.min() >= bound
        assert drawn.mean() == pytest.approx(expected.mean(), abs=5 * expected.std() / 200)
        assert np.isfinite(drawn).all()


def test_levers_make_a_line_through_the_origin() -> None:
    rng = np.random.default_rng(6)
    lever = rng.uniform(0.1, 0.8, 400)
    y = 0.6 * lever + rng.normal(0, 0.02, 400)
    cell = np.arange(400) % 20
    values = Values(y, lever, cell, np.zeros(20, np.intp), np.zeros(400, np.bool_))
    drawn = sample_pooled(values, Prior(0.74, 0.3, 0.1, 0.05, 0.1), Sampling(seed=1))
    least_squares = (lever @ y) / (lever @ lever)
    assert drawn.group.mean() == pytest.approx(least_squares, abs=0.004)
    assert np.median(drawn.spread) == pytest.approx(0.02, rel=0.12)


def test_student_t_shrugs_off_a_wild_value_and_a_normal_does_not() -> None:
    rng = np.random.default_rng(7)
    y = np.append(rng.normal(0.0, 0.1, 30), [2.0, 2.5])
    cell = np.arange(32) % 8
    values = plain_values(y, cell, np.zeros(8, np.intp))
    normal = sample_pooled(values, Prior(0.0, 0.3, 0.1, 0.05, 0.1))
    heavy = sample_pooled(values, Prior(0.0, 0.3, 0.1, 0.05, 0.1, tail_df=(2.0, 4.0, 30.0)))
    assert abs(heavy.group.mean()) < 0.03
    assert normal.group.mean() > 0.06
    assert np.median(heavy.spread) < 0.5 * np.median(normal.spread)
    assert np.mean(heavy.tail_df) < 4.0


def test_student_t_spread_agrees_with_quadrature() -> None:
    """One group, fixed 3 df, no jobs: constant and spread on a two-dimensional grid."""
    y = np.array([0.1, 0.15, 0.12, 0.9, 0.2, 0.16, 0.08, 0.11])
    values = plain_values(y, np.zeros(8, np.intp), np.zeros(1, np.intp))
    prior = Prior(0.0, 0.5, 1e-6, 0.0, 0.1, spread_df=400.0, tail_df=(3.0,))
    drawn = sample_pooled(values, prior, LONG)
    # with very many df the group's spread is the common one: s² ~ exponential, mean scale²
    m, s = np.meshgrid(np.linspace(-0.5, 0.8, 651), np.linspace(0.005, 0.8, 400))
    log_p = -0.5 * (m / 0.5) ** 2 - s**2 / 0.1**2 + np.log(s)
    for value in y:
        log_p += student_t.logpdf(value, 3.0, m, s)
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    assert drawn.group[:, 0].mean() == pytest.approx(float((weight * m).sum()), abs=0.004)
    assert drawn.spread[:, 0].mean() == pytest.approx(float((weight * s).sum()), rel=0.05)


def test_the_same_seed_gives_the_same_draws() -> None:
    y = np.array([0.1, 0.3, 0.2, 0.4])
    values = plain_values(y, np.array([0, 0, 1, 1]), np.array([0, 0]))
    prior = Prior(0.0, 0.3, 0.1, 0.05, 0.1)
    first, again = (sample_pooled(values, prior, Sampling(seed=5)) for _ in range(2))
    other = sample_pooled(values, prior, Sampling(seed=6))
    assert np.array_equal(first.group, again.group)
    assert not np.array_equal(first.group, other.group)


def test_rhat_sees_chains_that_disagree() -> None:
    draws = np.random.default_rng(1).normal(size=(100, 4))
    assert split_rhat(draws + np.array([0, 0, 0, 3])) > 1.5
    assert split_rhat(np.ones((10, 4))) == 1.0


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_true_parameters_rank_evenly_among_their_draws() -> None:
    """Levers, clipping, heavy tails and jobs together; more in ``tests/evidence/rules_ranks.py``."""
    for name, found in ranks(100, seed=42).items():
        assert kstest(found, "uniform").pvalue > 0.001, name
