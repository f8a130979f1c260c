"""Rules in words: ranges with their unit, residuals, what is not in the data."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from analysis.learning.hierarchy import Sampling
from analysis.learning.rule_fit import fit_rule
from analysis.learning.rule_result import Residual, RuleResult
from analysis.learning.rules import Observation, default_rule
from analysis.showing import rules_wording as words

QUICK = Sampling(chains=4, warm_up=20, sweeps=40)


def fitted(rule: str = "peak", method: str = "swing", **more: object) -> RuleResult:
    seen = [
        Observation(
            lowering=f"a:{at}", job=f"J{at % 3}", crew="c", method=method, species_group="oak",
            quantity=default_rule(rule).quantity, measured=1000.0 + 20.0 * at, predicted=1000.0,
            estimate=900.0, x={"angle_rad": 0.5 + 0.05 * at},
        )
        for at in range(8)
    ]  # fmt: skip
    changed = [replace(one, **more) for one in seen]  # type: ignore[arg-type]
    return fit_rule(default_rule(rule), changed, sampling=QUICK)


def test_a_range_is_told_in_its_unit() -> None:
    assert words.range_words(fitted().groups[0], "kN") == "angle from plumb 29° to 49°"
    weight = fitted("weight").groups[0]
    assert words.range_words(weight, "lbf") == "computed weight 202 to 202 lbf"
    unknown = fitted(x={}).groups[0]
    assert words.range_words(unknown, "kN") == "angle from plumb, not on record"


def test_a_group_says_where_the_default_lies_and_why_the_number_stands() -> None:
    group = fitted().groups[0]
    told = words.group_words(group, "kN")
    assert group.planning.reason in told
    assert "Evidence met." in told
    lacking = words.group_words(fitted(job="one").groups[0], "kN")
    assert "Evidence met." not in lacking
    assert "1 of 3 jobs" in lacking


@pytest.mark.parametrize(
    ("rule", "at_least", "told"),
    [
        ("peak", False, "a:3, peak rule, snubbed drop: 1.52 times what the rule expects"),
        ("peak", True, "at least 1.52 times"),
        ("pretension", False, "+1.52 estimated weights off the rule"),
    ],
)
def test_a_large_residual_is_told(rule: str, at_least: bool, told: str) -> None:
    result = fit_rule(default_rule(rule), [])
    row = Residual("a:3", "J", "snubbed_drop", "2026-05-01", 1.52, 3.1, at_least, large=True)
    said = words.residual_words(result, row)
    assert told in said
    assert said.endswith("(+3.1 spreads)")


def test_exclusions_name_the_rules_once_and_stand_in_order() -> None:
    results = [
        fitted("peak", excluded_reason="why"),
        fitted("weight", excluded_reason="why"),
        fitted("guess"),
    ]
    rows = words.exclusions(results)
    assert rows[:2] == [
        ("a:0", "guess", "no guess_by on record"),
        ("a:0", "peak, weight", "why"),
    ]
    assert [row[0] for row in rows if row[2] == "why"] == [f"a:{at}" for at in range(8)]
    everything = words.exclusions(
        [fitted("peak", excluded_reason="w"), fitted("weight", excluded_reason="w")]
    )
    assert {row[1] for row in everything} == {"all rules"}


def test_what_is_not_recorded_is_said() -> None:
    assert "is not known; crews log the calm ones" in words.missing_words((), (), None)
    told = words.missing_words(("j/P1",), ("a:2", "a:3"), 7)
    assert "without a lowering: 1; lowerings not tied to a piece: 2" in told
    assert "as entered: 7" in told


def test_no_number_is_a_dash() -> None:
    assert (words.number(None), words.number(math.inf), words.number(1.234)) == ("-", "-", "1.23")
