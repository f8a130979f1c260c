"""Score fitted rules on fresh pieces: coverage of the 90 % interval, error against default."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.stats import norm
from season_worlds import Kind, Season

from analysis.learning.hierarchy import Sampling
from analysis.learning.next_piece import draw_next
from analysis.learning.rule_fit import fit_rule
from analysis.learning.rule_pieces import sort_out
from analysis.learning.rule_result import RuleResult
from analysis.learning.rules import Rule


@dataclass(frozen=True, slots=True)
class Score:
    """One rule in one season, over all fresh pieces of groups that are in the fit.

    ``covered`` by the 90 % interval, ``above`` it, ``beyond_upper`` the 95/95 bound; errors
    are mean absolute, on the scale of the fit; ``bounds_hold`` counts against the known truth.
    """

    season: int
    kind: Kind
    rule: str
    n: int
    fresh: int
    covered: int
    above: int
    beyond_upper: int
    error: float
    default_error: float
    largest_rhat: float
    bounds: int
    bounds_hold: int


def _bounds_that_hold(season: Season, result: RuleResult) -> tuple[int, int]:
    """Of the groups with evidence met: how many, and how many bounds do cover 95 %."""
    known = [
        (season.truth[f"{group.rule}/{group.group}"], group.upper_95_95)
        for group in result.groups
        if not group.evidence_missing and f"{group.rule}/{group.group}" in season.truth
    ]
    hold = [norm.cdf((np.log(bound) - centre) / sd) >= 0.95 for (centre, sd), bound in known]
    return len(known), sum(hold)


def score_rule(number: int, season: Season, rule: Rule, sampling: Sampling) -> Score:
    """Fit on the season's observations, score on its fresh pieces."""
    result = fit_rule(rule, season.observations, sampling=sampling)
    names = [group.group for group in result.groups]
    pieces = [piece for piece in sort_out(rule, season.fresh)[0] if piece.group in names]
    assert result.posterior is not None
    default = np.log(rule.default) if rule.form == "ratio" else rule.default
    covered = above = beyond = 0
    errors, default_errors = [], []
    plain: dict[str, tuple[float, float, float]] = {}
    for piece in pieces:
        at = names.index(piece.group)
        group = result.groups[at]
        if rule.form == "slope" or piece.group not in plain:
            draws = draw_next(result.posterior, at, lever=piece.lever)
            low, middle, high = np.quantile(draws, (0.05, 0.5, 0.95))
            plain[piece.group] = (float(low), float(middle), float(high))
        low, middle, high = plain[piece.group]
        seen = piece.response / piece.lever
        covered += low <= seen <= high
        above += seen > high
        constant = np.log(group.constant) if rule.form == "ratio" else group.constant
        bound = np.log(group.upper_95_95) if rule.form == "ratio" else group.upper_95_95
        beyond += seen > bound
        errors.append(abs(piece.response - constant * piece.lever))
        default_errors.append(abs(piece.response - default * piece.lever))
    n = sum(group.n for group in result.groups)
    return Score(
        number, season.kind, rule.name, n, len(pieces), covered, above, beyond,
        float(np.mean(errors)), float(np.mean(default_errors)), result.largest_rhat, *_bounds_that_hold(season, result),
    )  # fmt: skip


def coverage(scores: Sequence[Score]) -> float:
    """Share of fresh pieces inside their interval."""
    return sum(each.covered for each in scores) / sum(each.fresh for each in scores)


def better_than_default(scores: Sequence[Score], least: int = 15) -> tuple[int, int]:
    """Seasons in which the summed error of all rules with enough pieces beats the default's."""
    seasons: dict[int, list[Score]] = {}
    for each in scores:
        if each.n >= least:
            seasons.setdefault(each.season, []).append(each)
    wins = sum(
        sum(each.error for each in rows) < sum(each.default_error for each in rows)
        for rows in seasons.values()
    )
    return wins, len(seasons)
