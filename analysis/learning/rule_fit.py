"""Fit a crew's rules of thumb from its observations.

Comes in: a rule, observations, acceptances, how many lowerings were not recorded. Goes out:
per group the constant, the interval of the next piece, the 95/95 bounds, what backs them and
the planning number with its reason; every residual; every excluded lowering with its reason.
Must not: read logbooks, drop a large residual, or let a clipped peak lower a number.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analysis.errors import RuleError
from analysis.learning.guard_rails import Candidates, missing_evidence, more_careful, plan
from analysis.learning.hierarchy import FloatArray, Posterior, Sampling, Side
from analysis.learning.next_piece import draw_next, next_bound
from analysis.learning.pooling import sample_pooled
from analysis.learning.rule_pieces import RulePiece, as_piece, as_values, sort_out
from analysis.learning.rule_result import GroupResult, Residual, RuleResult
from analysis.learning.rules import Acceptance, Observation, Rule
from analysis.learning.tolerance import tolerance_bound

_LARGE = 2.5758293035489004
"""A residual beyond the central 99 % of next pieces is called large."""
_POOLED = "posterior predictive, pooled over groups"
_EXACT = "one group: the wider of exact noncentral t (unclipped pieces) and posterior predictive"


class _GroupFit:
    """One group's pieces and draws; constants come back on their own scale.

    ``unclipped`` is the same without the clipped pieces, where there are some: by likelihood
    they can only raise the constant, but they may narrow the spread, and sampling wobbles.
    """

    def __init__(self, rule: Rule, pieces: Sequence[RulePiece], posterior: Posterior, at: int):
        self.rule, self.posterior, self.at = rule, posterior, at
        self.alone = posterior.group.shape[1] == 1
        self.pieces = pieces
        self.unclipped: _GroupFit | None = None
        self.measured = [one for one in pieces if not one.seen.measured_is_lower_bound]
        self.lever = float(np.median([one.lever for one in pieces]))

    def back(self, value: float) -> float:
        """Turn a value on the scale of the fit into a constant."""
        return math.exp(value) if self.rule.form == "ratio" else value

    def quantiles(self, draws: FloatArray, *shares: float) -> tuple[float, ...]:
        return tuple(self.back(float(value)) for value in np.quantile(draws, shares))

    def constants(self, *shares: float) -> tuple[float, ...]:
        return self.quantiles(self.posterior.group[:, self.at], *shares)

    def constant(self) -> float:
        """Posterior median; clipped pieces never lower it."""
        middle = self.constants(0.5)[0]
        return middle if self.unclipped is None else max(middle, self.unclipped.constant())

    def bound(self, side: Side) -> float:
        """95/95 bound; for a single group no narrower than the exact noncentral t."""
        found = self.back(next_bound(self.posterior, self.at, side=side, lever=self.lever))
        if self.has_exact_bound():
            own = [one.response for one in self.measured]
            found = more_careful(found, self.back(tolerance_bound(own, side=side)), side)
        if self.unclipped is not None and side == "high":
            found = max(found, self.unclipped.bound(side))
        return found

    def has_exact_bound(self) -> bool:
        return self.alone and self.rule.form == "ratio" and len(self.measured) >= 2

    def range_seen(self) -> tuple[float, float] | None:
        known = [one.range_value for one in self.pieces if one.range_value is not None]
        return (min(known), max(known)) if known else None

    def range_name(self) -> str:
        names = [self.rule.range_for(one.seen.method) for one in self.pieces]
        return " or ".join(sorted({valid.name for valid in names if valid is not None}))

    def missing(self) -> tuple[str, ...]:
        return missing_evidence(len(self.measured), len({one.job for one in self.measured}))


def _group_fits(
    rule: Rule, pieces: Sequence[RulePiece], sampling: Sampling
) -> dict[str, _GroupFit]:
    """Fit all groups together."""
    names = sorted({one.group for one in pieces})
    if not names:
        return {}
    posterior = sample_pooled(as_values(pieces, names), rule.prior, sampling)
    return {
        name: _GroupFit(rule, [one for one in pieces if one.group == name], posterior, at)
        for at, name in enumerate(names)
    }


def _fit_both(rule: Rule, pieces: Sequence[RulePiece], sampling: Sampling) -> dict[str, _GroupFit]:
    """Fit with all pieces and, when some are clipped, also without those."""
    fits = _group_fits(rule, pieces, sampling)
    measured = [one for one in pieces if not one.seen.measured_is_lower_bound]
    if len(measured) < len(pieces):
        for name, without in _group_fits(rule, measured, sampling).items():
            fits[name].unclipped = without
    return fits


def _group_result(name: str, fit: _GroupFit, acceptance: Acceptance | None) -> GroupResult:
    rule, posterior = fit.rule, fit.posterior
    low, high = fit.constants(0.05, 0.95)
    upper = fit.bound("high")
    lower = fit.bound("low")
    following = draw_next(posterior, fit.at, lever=fit.lever)
    next_low, next_high = fit.quantiles(following, 0.05, 0.95)
    candidates = Candidates(
        default=rule.default,
        constant=fit.constant(),
        bound=upper if rule.adverse == "high" else lower,
        adverse=rule.adverse,
        missing=fit.missing(),
        acceptance=acceptance,
    )
    return GroupResult(
        rule=rule.name,
        group=name,
        default=rule.default,
        constant=candidates.constant,
        constant_interval_90=(low, high),
        next_interval_90=(next_low, next_high),
        upper_95_95=upper,
        lower_95_95=lower,
        bound_method=_EXACT if fit.has_exact_bound() else _POOLED,
        n=len(fit.pieces),
        clipped=len(fit.pieces) - len(fit.measured),
        jobs=len({one.job for one in fit.pieces}),
        spread=float(np.median(posterior.spread[:, fit.at])),
        job_spread=float(np.median(posterior.job_sd)),
        range_name=fit.range_name(),
        range_seen=fit.range_seen(),
        default_excluded=not low <= rule.default <= high,
        evidence_missing=candidates.missing,
        planning=plan(candidates),
        candidates=candidates,
    )


def _residuals(fit: _GroupFit, result: GroupResult) -> list[Residual]:
    centre = math.log(result.constant) if fit.rule.form == "ratio" else result.constant
    rows = []
    for one in fit.pieces:
        rest = one.response - one.lever * centre
        spreads = rest / math.hypot(result.spread, one.lever * result.job_spread)
        at_least = one.seen.measured_is_lower_bound
        rows.append(
            Residual(
                lowering=one.seen.lowering,
                job=one.seen.job,
                group=result.group,
                date=one.seen.date,
                off=math.exp(rest) if fit.rule.form == "ratio" else rest,
                spreads=spreads,
                at_least=at_least,
                large=spreads > _LARGE or (spreads < -_LARGE and not at_least),
            )
        )
    return rows


def fit_rule(
    rule: Rule,
    observations: Sequence[Observation],
    *,
    acceptances: Sequence[Acceptance] = (),
    not_recorded: int | None = None,
    sampling: Sampling | None = None,
) -> RuleResult:
    """Fit one rule from observations; those of another quantity are passed over.

    Parameters
    ----------
    rule : Rule
    observations : sequence of Observation
        In any order; the order does not matter.
    acceptances : sequence of Acceptance
        On record, in order of time; the last one of a rule and group counts.
    not_recorded : int or None
        How many lowerings of the same time were not recorded.
    sampling : Sampling, optional
        Seed and length of the chains.

    Returns
    -------
    RuleResult
        Without groups when no observation was usable: the default stays.

    Examples
    --------
    >>> from analysis.learning.rules import default_rule
    >>> fit_rule(default_rule("peak"), []).groups
    ()
    """
    pieces, excluded = sort_out(rule, observations)
    fits = _fit_both(rule, pieces, sampling or Sampling())
    accepted = {each.group: each for each in acceptances if each.rule == rule.name}
    groups, residuals = [], []
    for name, fit in fits.items():
        result = _group_result(name, fit, accepted.get(name))
        groups.append(result)
        residuals.extend(_residuals(fit, result))
    return RuleResult(
        rule=rule,
        groups=tuple(groups),
        residuals=tuple(residuals),
        excluded=tuple(excluded),
        not_recorded=not_recorded,
        posterior=next((fit.posterior for fit in fits.values()), None),
    )


def expected(
    result: RuleResult, seen: Observation, *, share: float = 0.9
) -> tuple[float, float, float]:
    """Low end, median and high end of what the calibrated rule expects of one piece.

    Parameters
    ----------
    result : RuleResult
    seen : Observation
        The piece; its measured value is not used.
    share : float
        Part of such pieces between the two ends.

    Returns
    -------
    (float, float, float)
        In the unit of the rule's quantity.

    Raises
    ------
    KeyError
        No piece of its group is in the fit.
    RuleError
        The rule cannot be applied to it; the message says why.
    """
    piece = as_piece(result.rule, replace(seen, excluded_reason="", measured=1.0))
    if isinstance(piece, str):
        raise RuleError(f"lowering {seen.lowering}: {piece}")
    names = [group.group for group in result.groups]
    if piece.group not in names or result.posterior is None:
        raise KeyError(f"no usable piece of {piece.group!r} for the rule {result.rule.name!r}")
    draws = draw_next(result.posterior, names.index(piece.group), lever=piece.lever)
    tail = (1 - share) / 2
    low, middle, high = (float(q) for q in np.quantile(draws, (tail, 0.5, 1 - tail)))
    rule = result.rule
    return piece.in_units(rule, low), piece.in_units(rule, middle), piece.in_units(rule, high)


def with_tails(rule: Rule, tail_df: tuple[float, ...]) -> Rule:
    """Return the rule with a Student-t spread (robust), or normal when ``tail_df`` is empty.

    Examples
    --------
    >>> from analysis.learning.rules import default_rule
    >>> with_tails(default_rule("peak"), (4.0,)).prior.tail_df
    (4.0,)
    """
    return replace(rule, prior=replace(rule.prior, tail_df=tail_df))
