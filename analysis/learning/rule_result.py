"""What a fitted rule says: per group the numbers, what backs them, and every residual.

Comes in: numbers from ``rule_fit``. Goes out: frozen records and plain values for JSON.
Must not: fit or decide.
"""

from __future__ import annotations

from dataclasses import dataclass

from analysis.learning.guard_rails import Candidates, PlanningNumber, plan_outside
from analysis.learning.hierarchy import Posterior
from analysis.learning.rules import Rule


@dataclass(frozen=True, slots=True)
class Excluded:
    """A lowering that does not calibrate the rule, and why."""

    lowering: str
    job: str
    reason: str


@dataclass(frozen=True, slots=True)
class Residual:
    """One piece against its group's constant; ``at_least`` marks a clipped peak.

    Parameters
    ----------
    off : float
        Ratio rules: measured over (constant × reference). Slope rules: measured minus
        fitted, in estimated weights.
    spreads : float
        The same in SDs of the next piece; beyond 2.58 it is ``large``.
    """

    lowering: str
    job: str
    group: str
    date: str
    off: float
    spreads: float
    at_least: bool
    large: bool


@dataclass(frozen=True, slots=True)
class GroupResult:
    """What one rule says for one group.

    Parameters
    ----------
    rule, group : str
    default, constant : float
        The constant is the posterior median, like for like with the default.
    constant_interval_90, next_interval_90 : (float, float)
        Of the constant itself; of the constant as the next piece (of a new job) will show it.
    upper_95_95, lower_95_95 : float
        Cover 95 % of next pieces with 95 % confidence.
    bound_method : str
        How the bounds were made.
    n, clipped, jobs : int
        Pieces in the fit, how many of them are only lower bounds, their jobs.
    spread, job_spread : float
        Posterior medians of the SD of one piece and of a job, on the scale of the fit.
    range_name : str
        What ``range_seen`` is in (SI, unit in the name); ``range_seen`` is None when not on
        record.
    default_excluded : bool
        The constant's 90 % interval does not hold the default.
    evidence_missing : tuple of str
        Empty when the evidence is met.
    planning : PlanningNumber
        Inside the range seen; :meth:`plan_at` for a given piece.
    """

    rule: str
    group: str
    default: float
    constant: float
    constant_interval_90: tuple[float, float]
    next_interval_90: tuple[float, float]
    upper_95_95: float
    lower_95_95: float
    bound_method: str
    n: int
    clipped: int
    jobs: int
    spread: float
    job_spread: float
    range_name: str
    range_seen: tuple[float, float] | None
    default_excluded: bool
    evidence_missing: tuple[str, ...]
    planning: PlanningNumber
    candidates: Candidates

    def plan_at(self, value: float) -> PlanningNumber:
        """Planning number of a piece at ``value`` of ``range_name``."""
        if self.range_seen is None or not self.range_seen[0] <= value <= self.range_seen[1]:
            return plan_outside(self.candidates, value, self.range_seen)
        return self.planning

    def to_dict(self) -> dict[str, object]:
        """Plain values for JSON; SI, unit in the key."""
        return {
            "group": self.group,
            "default": self.default,
            "constant": self.constant,
            "constant_interval_90": list(self.constant_interval_90),
            "next_interval_90": list(self.next_interval_90),
            "upper_95_95": self.upper_95_95,
            "lower_95_95": self.lower_95_95,
            "bound_method": self.bound_method,
            "n": self.n,
            "clipped": self.clipped,
            "jobs": self.jobs,
            "spread": self.spread,
            "job_spread": self.job_spread,
            "range_name": self.range_name,
            "range_seen": None if self.range_seen is None else list(self.range_seen),
            "default_excluded": self.default_excluded,
            "evidence_met": not self.evidence_missing,
            "evidence_missing": list(self.evidence_missing),
            "planning_number": self.planning.number,
            "planning_source": self.planning.source,
            "planning_reason": self.planning.reason,
        }


@dataclass(frozen=True, slots=True)
class RuleResult:
    """A rule fitted: its groups, every residual, every exclusion.

    Parameters
    ----------
    not_recorded : int or None
        Lowerings of the same time that were not recorded; None when nobody said.
    posterior : Posterior or None
        Draws of the fit, groups numbered as in ``groups``; None when nothing was fitted.
    """

    rule: Rule
    groups: tuple[GroupResult, ...]
    residuals: tuple[Residual, ...]
    excluded: tuple[Excluded, ...]
    not_recorded: int | None
    posterior: Posterior | None

    @property
    def largest_rhat(self) -> float:
        """Agreement of the chains, near 1; 1 when nothing was fitted."""
        return 1.0 if self.posterior is None else self.posterior.largest_rhat

    @property
    def not_recorded_words(self) -> str:
        """Sentence about what is not in the data."""
        if self.not_recorded is None:
            return "How many pieces were not recorded is not known; crews log the calm ones."
        return f"{self.not_recorded} pieces were not recorded; crews log the calm ones."

    def group(self, name: str) -> GroupResult:
        """Find a group's result; KeyError when no piece of it was usable."""
        for result in self.groups:
            if result.group == name:
                return result
        raise KeyError(f"no usable piece of {name!r} for the rule {self.rule.name!r}")

    def to_dict(self) -> dict[str, object]:
        """Plain values for JSON; SI, unit in the key."""
        return {
            "rule": self.rule.name,
            "title": self.rule.title,
            "what": self.rule.what,
            "from_what": self.rule.from_what,
            "form": self.rule.form,
            "group_by": self.rule.group_by,
            "adverse": self.rule.adverse,
            "other_side": self.rule.other_side,
            "default": self.rule.default,
            "default_origin": self.rule.default_origin,
            "groups": [result.to_dict() for result in self.groups],
            "residuals": [
                {name: getattr(row, name) for name in Residual.__slots__} for row in self.residuals
            ],
            "excluded": [
                {name: getattr(row, name) for name in Excluded.__slots__} for row in self.excluded
            ],
            "not_recorded": self.not_recorded,
            "not_recorded_words": self.not_recorded_words,
            "largest_rhat": self.largest_rhat,
        }
