"""Rules fitted from observations: what they find, what they refuse, what they never drop."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from analysis.errors import RuleError
from analysis.learning.hierarchy import Posterior, Sampling
from analysis.learning.next_piece import draw_next, next_bound
from analysis.learning.rule_fit import expected, fit_rule, with_tails
from analysis.learning.rule_result import RuleResult
from analysis.learning.rules import RULES, Acceptance, Observation, default_rule
from analysis.learning.tolerance import tolerance_bound

PEAK = default_rule("peak")
QUICK = Sampling(seed=9, chains=8, warm_up=60, sweeps=150)


def peaks(
    seed: int,
    constant: float = 1.4,
    *,
    method: str = "snubbed_drop",
    n: int = 24,
    jobs: int = 6,
    spread: float = 0.1,
) -> list[Observation]:
    rng = np.random.default_rng(seed)
    return [
        Observation(
            lowering=f"{method}-{number:03d}",
            job=f"J{number % jobs}",
            crew="crew A",
            method=method,
            species_group="oak",
            quantity="peak_n",
            measured=5000.0 * constant * math.exp(rng.normal(0, spread)),
            predicted=5000.0,
            x={"fall_over_rope": rng.uniform(0.2, 0.9)},
            date=f"2026-05-{1 + number % 28:02d}",
        )
        for number in range(n)
    ]


def fit(observations: Sequence[Observation], *acceptances: Acceptance) -> RuleResult:
    return fit_rule(PEAK, observations, acceptances=acceptances, sampling=QUICK)


def test_a_wrong_default_is_found_and_not_planned_with_until_accepted() -> None:
    observations = peaks(1, 0.7) + peaks(2, 1.02, method="let_run_drop")
    group = fit(observations).group("snubbed_drop")
    assert group.constant == pytest.approx(0.7, abs=0.04)
    assert group.default_excluded
    assert not group.constant_interval_90[0] <= 1.0 <= group.constant_interval_90[1]
    assert group.next_interval_90[1] < 1.0
    assert group.constant < group.upper_95_95 < 1.0
    assert group.planning.number == 1.0
    record = Acceptance("peak", "snubbed_drop", group.upper_95_95, "R. Example", "2026-06-01")
    accepted = fit(observations, record).group("snubbed_drop")
    assert accepted.planning.number == pytest.approx(group.upper_95_95)
    assert accepted.plan_at(0.5).source == "accepted"
    assert accepted.plan_at(1.9).number == 1.0
    elsewhere = replace(record, rule="dynamic_factor")
    assert fit(observations, elsewhere).group("snubbed_drop").planning.number == 1.0


def test_a_right_default_is_left_alone() -> None:
    group = fit(peaks(3, 1.0)).group("snubbed_drop")
    assert not group.default_excluded


def test_groups_learn_from_each_other() -> None:
    many = peaks(4, 1.4) + peaks(5, 1.4, method="let_run_drop")
    few = [replace(one, method="swing", lowering=f"s{one.lowering}", x={}) for one in peaks(6, n=1)]
    alone = fit(few).group("swing")
    pooled = fit(many + few).group("swing")
    assert abs(math.log(pooled.constant / 1.4)) < abs(math.log(alone.constant / 1.4))
    assert pooled.range_seen is None
    assert pooled.plan_at(0.5).number == 1.0
    assert pooled.evidence_missing == ("1 of 6 unclipped pieces", "1 of 3 jobs")


def test_two_jobs_are_not_evidence() -> None:
    group = fit(peaks(7, 0.7, jobs=2)).group("snubbed_drop")
    assert group.evidence_missing == ("2 of 3 jobs",)
    assert group.planning.number == 1.0


@pytest.mark.parametrize("bound", [1.0, 1.35, 2.6])
def test_a_clipped_peak_never_lowers_a_rule(bound: float) -> None:
    observations = peaks(8, 1.4) + peaks(9, 1.1, method="let_run_drop")
    clipped = replace(
        observations[0], lowering="clip", measured=5000.0 * bound, measured_is_lower_bound=True
    )
    before = fit(observations).group("snubbed_drop")
    after_result = fit([*observations, clipped])
    after = after_result.group("snubbed_drop")
    assert after.constant >= before.constant
    assert after.upper_95_95 >= before.upper_95_95
    assert after.planning.number >= before.planning.number
    assert (after.n, after.clipped) == (before.n + 1, 1)
    row = next(row for row in after_result.residuals if row.lowering == "clip")
    assert row.at_least
    if bound < 1.4:
        assert not row.large


def test_clipped_as_if_measured_would_have_lowered_it() -> None:
    """The protection removed: the same low readings taken at face value."""
    observations = peaks(8, 1.4, n=10)
    low = [
        replace(one, lowering=f"clip {one.lowering}", measured=5500.0, measured_is_lower_bound=True)
        for one in observations[:6]
    ]
    right = fit(observations + low).group("snubbed_drop").constant
    wrong = (
        fit(observations + [replace(one, measured_is_lower_bound=False) for one in low])
        .group("snubbed_drop")
        .constant
    )
    assert wrong < fit(observations).group("snubbed_drop").constant <= right


def test_a_clipped_peak_of_another_method_does_not_lower_the_only_group() -> None:
    observations = peaks(31, 1.4, n=7, jobs=7)
    clipped = replace(
        observations[0], lowering="clip", method="let_run_drop", x={}, measured_is_lower_bound=True
    )
    before = fit(observations).group("snubbed_drop")
    after = fit([*observations, clipped]).group("snubbed_drop")
    assert after.constant >= before.constant
    assert after.upper_95_95 >= before.upper_95_95


def test_jobs_of_two_crews_are_different_jobs() -> None:
    observations = peaks(32, n=12, jobs=2)
    two = [
        replace(one, crew=("crew A", "crew B")[number // 6])
        for number, one in enumerate(observations)
    ]
    assert fit(observations).group("snubbed_drop").jobs == 2
    assert fit(two).group("snubbed_drop").jobs == 4


def test_only_clipped_peaks_in_a_group() -> None:
    clipped = [replace(one, measured_is_lower_bound=True) for one in peaks(10, 1.3, n=4)]
    group = fit(clipped + peaks(11, method="let_run_drop")).group("snubbed_drop")
    assert (group.n, group.clipped, group.jobs) == (4, 4, 4)
    assert group.evidence_missing
    assert group.planning.number >= 1.0


def test_excluded_lowerings_are_listed_with_the_reason() -> None:
    good = peaks(12)
    odd = [
        replace(good[0], lowering="a", excluded_reason="tag line tight"),
        replace(good[0], lowering="b", predicted=None),
        replace(good[0], lowering="c", measured=-3.0),
        replace(good[0], lowering="d", method="lift"),
        replace(good[0], lowering="e", method=""),
        replace(good[0], lowering="f", x={"fall_over_rope": 9.0}),
        replace(good[0], lowering="g", quantity="tip_share"),
    ]
    result = fit(good + odd)
    assert {each.lowering: each.reason for each in result.excluded} == {
        "a": "tag line tight",
        "b": "no predicted on record",
        "c": "measured value and predicted must be positive numbers",
        "d": "the rule does not serve the method 'lift'",
        "e": "the rule does not serve the method ''",
        "f": "fall_over_rope 9 is outside the rule's validity range",
    }
    assert result.group("snubbed_drop").n == len(good)


def test_a_large_residual_is_shown_and_kept() -> None:
    observations = peaks(13, n=30)
    observations[4] = replace(observations[4], measured=5000.0 * 3.5)
    result = fit(observations)
    large = [row for row in result.residuals if row.large]
    assert [row.lowering for row in large] == [observations[4].lowering]
    assert large[0].off == pytest.approx(3.5 / result.group("snubbed_drop").constant)
    assert len(result.residuals) == 30
    assert result.group("snubbed_drop").n == 30


def test_the_order_of_the_observations_does_not_matter() -> None:
    observations = peaks(14) + peaks(15, method="let_run_drop")
    assert fit(observations).to_dict() == fit(observations[::-1]).to_dict()


def test_one_group_takes_the_wider_of_exact_and_posterior_bound() -> None:
    observations = peaks(16, n=8, jobs=8)
    group = fit(observations).group("snubbed_drop")
    logs = [math.log(one.measured / 5000.0) for one in observations]
    exact = math.exp(tolerance_bound(logs))
    assert "noncentral t" in group.bound_method
    assert group.upper_95_95 >= exact - 1e-12
    assert group.lower_95_95 <= math.exp(tolerance_bound(logs, side="low")) + 1e-12


def test_weights_by_species_and_by_person() -> None:
    rng = np.random.default_rng(17)
    observations = [
        Observation(
            lowering=f"L{number}", job=f"J{number % 5}", crew="crew A", method="butt_tied",
            species_group=("oak", "spruce")[number % 2], quantity="hang_weight_n",
            measured=1000.0 * math.exp(rng.normal((0.0, 0.3)[number % 2], 0.05)),
            estimate=1000.0, guess=700.0, guess_by=("Robin", "")[number % 4 == 3],
        )
        for number in range(40)
    ]  # fmt: skip
    weights = fit_rule(default_rule("weight"), observations, sampling=QUICK)
    assert [group.group for group in weights.groups] == ["oak", "spruce"]
    assert weights.group("spruce").constant == pytest.approx(math.exp(0.3), rel=0.04)
    assert weights.group("oak").range_seen == (1000.0, 1000.0)
    guesses = fit_rule(default_rule("guess"), observations, sampling=QUICK)
    assert [group.group for group in guesses.groups] == ["Robin"]
    assert {each.reason for each in guesses.excluded} == {"no guess_by on record"}


def releases(seed: int, slope: float, *, weight_error: float = 0.0) -> list[Observation]:
    rng = np.random.default_rng(seed)
    rows = []
    for number in range(60):
        weight = math.exp(rng.normal(7.3, 0.4))
        share = rng.uniform(0.2, 0.9)
        rows.append(
            Observation(
                lowering=f"R{number:02d}", job=f"J{number % 6}", crew="crew A",
                method="span_rig", species_group="oak", quantity="release_peak_n",
                measured=weight * (1 + slope * (1 - share) + rng.normal(0, 0.03)),
                estimate=weight * math.exp(rng.normal(0, 0.1)),
                x={
                    "hang_weight_n": weight * (1 + rng.normal(0, weight_error)),
                    "pretension_lift_n": weight * share,
                    "share_carried": share,
                },
            )
        )  # fmt: skip
    return rows


@pytest.mark.parametrize("weight_error", [0.0, 0.02])
def test_the_pretension_slope_is_recovered(weight_error: float) -> None:
    rule = default_rule("pretension")
    observations = releases(18, 0.5, weight_error=weight_error)
    group = fit_rule(rule, observations, sampling=QUICK).group("span_rig")
    assert group.constant == pytest.approx(0.5, abs=0.03)
    assert group.default_excluded
    assert group.plan_at(0.97).source == "default"


def test_the_default_slope_is_the_closed_form() -> None:
    zeta = 0.1
    closed = math.exp(-zeta * (math.pi - 2 * math.asin(zeta)) / math.sqrt(1 - zeta**2))
    assert default_rule("pretension").default == pytest.approx(closed, abs=5e-4)


def test_pretension_observations_that_say_nothing_are_listed() -> None:
    rows = releases(19, 0.744)
    odd = [
        replace(rows[0], lowering="a", estimate=None),
        replace(rows[0], lowering="b", x={}),
        replace(rows[0], lowering="c", x={"hang_weight_n": 1e3, "pretension_lift_n": 990.0}),
        replace(rows[0], lowering="d", x={"hang_weight_n": 1e3, "pretension_lift_n": math.inf}),
    ]
    result = fit_rule(default_rule("pretension"), rows + odd, sampling=QUICK)
    reasons = {each.lowering: each.reason for each in result.excluded}
    assert "no estimate" in reasons["a"]
    assert "no hang weight" in reasons["b"]
    assert "says nothing about the slope" in reasons["c"]
    assert "not a finite number" in reasons["d"]


def test_what_the_rule_expects_of_a_piece_is_in_its_unit() -> None:
    result = fit(peaks(20))
    low, middle, high = expected(result, replace(peaks(21)[0], predicted=8000.0))
    group = result.group("snubbed_drop")
    assert middle == pytest.approx(8000.0 * group.constant, rel=0.01)
    assert (low / 8000, high / 8000) == pytest.approx(group.next_interval_90)
    slopes = fit_rule(default_rule("pretension"), releases(22, 0.6), sampling=QUICK)
    piece = releases(23, 0.6)[0]
    weight, lift = piece.x["hang_weight_n"], piece.x["pretension_lift_n"]
    constant = slopes.group("span_rig").constant
    assert expected(slopes, piece)[1] == pytest.approx(
        weight + constant * (weight - lift), rel=0.01
    )
    with pytest.raises(RuleError, match="no predicted"):
        expected(result, replace(peaks(20)[0], predicted=None))
    with pytest.raises(KeyError, match="let_run_drop"):
        expected(result, peaks(20, method="let_run_drop")[0])


def test_the_tip_rule_is_guarded_on_its_low_side() -> None:
    rows = [
        replace(row, quantity="tip_share", measured=1.1 * math.exp(0.1 * math.sin(number)))
        for number, row in enumerate(releases(24, 0.7))
    ]
    group = fit_rule(default_rule("tip"), rows, sampling=QUICK).group("span_rig")
    assert group.constant > 1.0
    assert group.lower_95_95 > 0.8
    assert group.planning.number == 0.8
    assert "lies above it" in group.planning.reason


def test_plain_values_for_json_and_how_many_were_not_recorded() -> None:
    result = fit_rule(PEAK, peaks(25), not_recorded=11, sampling=QUICK)
    text = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    assert text["not_recorded"] == 11
    assert "11 pieces were not recorded" in text["not_recorded_words"]
    assert text["groups"][0]["evidence_met"] is True
    assert set(text["groups"][0]) >= {
        "default", "constant", "next_interval_90", "upper_95_95", "n", "jobs", "range_seen",
        "evidence_met", "planning_number", "planning_reason",
    }  # fmt: skip
    assert "not known" in fit_rule(PEAK, []).not_recorded_words
    assert fit_rule(PEAK, []).to_dict()["largest_rhat"] == 1.0


def test_unknown_names_say_what_there_is() -> None:
    with pytest.raises(KeyError, match="peak"):
        default_rule("nosuch")
    with pytest.raises(KeyError, match="swing"):
        fit(peaks(26)).group("swing")


def test_every_prior_is_centred_on_its_default() -> None:
    for rule in RULES:
        default = math.log(rule.default) if rule.form == "ratio" else rule.default
        assert rule.prior.centre == pytest.approx(default, abs=1e-4), rule.name
        assert rule.default_origin


def known_posterior(tail_df: float) -> Posterior:
    row = np.full(4000, 0.2)
    return Posterior(
        centre=row, group=row[:, None], group_sd=row, job_sd=np.full(4000, 0.03),
        spread=np.full((4000, 1), 0.04), tail_df=np.full(4000, tail_df), largest_rhat=1.0,
    )  # fmt: skip


def test_next_piece_of_a_known_constant() -> None:
    normal = known_posterior(math.inf)
    assert next_bound(normal, 0, side="high") == pytest.approx(0.2 + 1.6449 * 0.05, abs=1e-4)
    assert next_bound(normal, 0, side="low") == pytest.approx(0.2 - 1.6449 * 0.05, abs=1e-4)
    assert draw_next(normal, 0).std() == pytest.approx(0.05, rel=0.03)
    assert draw_next(normal, 0, lever=0.5).std() == pytest.approx(math.hypot(0.03, 0.08), rel=0.03)
    heavy = known_posterior(4.0)
    drawn = draw_next(heavy, 0)
    assert drawn.std() == pytest.approx(math.hypot(0.03, 0.04 * math.sqrt(2)), rel=0.1)
    assert next_bound(heavy, 0, side="high") == pytest.approx(
        float(np.quantile(drawn, 0.95)), abs=0.02
    )


def test_a_heavy_tailed_fit_is_less_pulled() -> None:
    observations = peaks(27, 1.0, n=30)
    observations[3] = replace(observations[3], measured=5000.0 * 6.0)
    normal = fit(observations).group("snubbed_drop")
    robust = fit_rule(with_tails(PEAK, (3.0,)), observations, sampling=QUICK)
    assert robust.group("snubbed_drop").constant < normal.constant
    assert sum(row.large for row in robust.residuals) >= 1
