"""Observations as a fit sees them: response, lever, group; or the reason for leaving one out.

Comes in: a rule and observations. Goes out: usable pieces in a fixed order, and exclusions
with their reasons. Must not: leave one out for being far off.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.learning.hierarchy import Values
from analysis.learning.rule_result import Excluded
from analysis.learning.rules import HANG_WEIGHT, PRETENSION_LIFT, Observation, Rule

_SMALLEST_LEVER = 0.05


@dataclass(frozen=True, slots=True)
class RulePiece:
    """An observation as the fit sees it: response = lever × constant + scatter.

    Parameters
    ----------
    seen : Observation
    group : str
    response, lever : float
        On the scale of the fit: log(measured / reference) and 1, or (measured − W) and
        (W − lift) in estimated weights.
    offset, scale : float
        W and the estimate of a slope; 0 and the reference of a ratio.
    range_value : float or None
        Where it lies in the rule's range, when that is on record.
    """

    seen: Observation
    group: str
    response: float
    lever: float
    offset: float
    scale: float
    range_value: float | None

    @property
    def job(self) -> tuple[str, str]:
        """Crew and job: two crews may use the same name for a job."""
        return self.seen.crew, self.seen.job

    def in_units(self, rule: Rule, constant: float) -> float:
        """Measured value that a constant on the scale of the fit stands for."""
        if rule.form == "ratio":
            return self.scale * math.exp(constant)
        return self.offset + self.scale * self.lever * constant


def _range_value(seen: Observation, name: str) -> float | None:
    own = {"estimate_n": seen.estimate, "guess_n": seen.guess}
    return seen.x[name] if name in seen.x else own.get(name)


def _ratio(rule: Rule, seen: Observation) -> tuple[float, float, float, float] | str:
    references = {
        "predicted": seen.predicted,
        "estimate": seen.estimate,
        "guess": seen.guess,
        "one": 1.0,
    }
    reference = references[rule.reference]
    if reference is None:
        return f"no {rule.reference} on record"
    if not (seen.measured > 0 and reference > 0 and math.isfinite(seen.measured / reference)):
        return f"measured value and {rule.reference} must be positive numbers"
    return math.log(seen.measured / reference), 1.0, 0.0, reference


def _slope(seen: Observation) -> tuple[float, float, float, float] | str:
    if seen.estimate is None or not seen.estimate > 0:
        return "no estimate on record to scale by"
    if HANG_WEIGHT not in seen.x or PRETENSION_LIFT not in seen.x:
        return "no hang weight or pretension lift on record"
    weight, lift = seen.x[HANG_WEIGHT], seen.x[PRETENSION_LIFT]
    if not math.isfinite(seen.measured + weight + lift + seen.estimate):
        return "a value is not a finite number"
    lever = (weight - lift) / seen.estimate
    if lever < _SMALLEST_LEVER:
        return "the pretension carried nearly the whole weight: says nothing about the slope"
    return (seen.measured - weight) / seen.estimate, lever, weight, seen.estimate


def as_piece(rule: Rule, seen: Observation) -> RulePiece | str:
    """Turn an observation into a piece of the fit, or say why it is left out.

    Parameters
    ----------
    rule : Rule
    seen : Observation

    Returns
    -------
    RulePiece or str
    """
    if seen.excluded_reason:
        return seen.excluded_reason
    valid = rule.range_for(seen.method)
    if valid is None:
        return f"the rule does not serve the method {seen.method!r}"
    group = str(getattr(seen, rule.group_by))
    if not group:
        return f"no {rule.group_by} on record"
    value = _range_value(seen, valid.name)
    if value is not None and not valid.low <= value <= valid.high:
        return f"{valid.name} {value:.3g} is outside the rule's validity range"
    numbers = _ratio(rule, seen) if rule.form == "ratio" else _slope(seen)
    return numbers if isinstance(numbers, str) else RulePiece(seen, group, *numbers, value)


def sort_out(
    rule: Rule, observations: Sequence[Observation]
) -> tuple[list[RulePiece], list[Excluded]]:
    """Separate usable pieces from those left out.

    Parameters
    ----------
    rule : Rule
    observations : sequence of Observation
        Those of another quantity are passed over.

    Returns
    -------
    pieces : list of RulePiece
        By job and lowering.
    excluded : list of Excluded
        With the reason.
    """
    pieces, excluded = [], []
    for seen in sorted(observations, key=lambda each: (each.crew, each.job, each.lowering)):
        if seen.quantity != rule.quantity:
            continue
        piece = as_piece(rule, seen)
        if isinstance(piece, str):
            excluded.append(Excluded(seen.lowering, seen.job, piece))
        else:
            pieces.append(piece)
    return pieces, excluded


def as_values(pieces: Sequence[RulePiece], groups: Sequence[str]) -> Values:
    """Arrays of the fit; groups are numbered in the order given."""
    cells = sorted({(piece.group, piece.job) for piece in pieces})
    number = {cell: at for at, cell in enumerate(cells)}
    return Values(
        response=np.array([piece.response for piece in pieces]),
        lever=np.array([piece.lever for piece in pieces]),
        cell=np.array([number[piece.group, piece.job] for piece in pieces], dtype=np.intp),
        cell_group=np.array([groups.index(group) for group, _ in cells], dtype=np.intp),
        lower_bound=np.array([piece.seen.measured_is_lower_bound for piece in pieces]),
    )
