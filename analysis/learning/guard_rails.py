"""Guard rails: which number a crew may plan with, and why.

Comes in: default, calibrated constant, 95/95 bound, how many pieces and jobs back them, who
accepted what. Goes out: one planning number with its reason in words. Must not: fit anything,
or say that a load is acceptable.

Towards caution a number moves at once; away from it only when the 95/95 bound exists, at
least three jobs back it and a named person accepted it on record. Outside the range seen the
default returns.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from analysis.learning.hierarchy import Side
from analysis.learning.rules import Acceptance

MIN_JOBS: Final = 3
MIN_PIECES: Final = 6
"""Own choice: below this many unclipped pieces of its own a group has no 95/95 bound."""

Source = Literal["default", "constant", "bound", "accepted"]


@dataclass(frozen=True, slots=True)
class PlanningNumber:
    """The number to plan with, which of the candidates it is, and the reason in words."""

    number: float
    source: Source
    reason: str


@dataclass(frozen=True, slots=True)
class Candidates:
    """What the guard rails choose from, for one rule and group.

    Parameters
    ----------
    default, constant, bound : float
        The bound is the 95/95 bound on the adverse side, for a next piece.
    adverse : {"high", "low"}
        Side on which a wrong number hurts.
    missing : tuple of str
        Evidence that is missing, from :func:`missing_evidence`.
    acceptance : Acceptance or None
        The latest acceptance on record for this rule and group.
    """

    default: float
    constant: float
    bound: float
    adverse: Side
    missing: tuple[str, ...]
    acceptance: Acceptance | None = None


def missing_evidence(pieces: int, jobs: int) -> tuple[str, ...]:
    """Name what is still missing before a bound counts.

    Parameters
    ----------
    pieces, jobs : int
        Unclipped pieces of this group, and the jobs that they come from.

    Returns
    -------
    tuple of str
        Empty when the evidence is met.

    Examples
    --------
    >>> missing_evidence(9, 2)
    ('2 of 3 jobs',)
    """
    wanted = ((pieces, MIN_PIECES, "unclipped pieces"), (jobs, MIN_JOBS, "jobs"))
    return tuple(f"{have} of {need} {what}" for have, need, what in wanted if have < need)


def more_careful(first: float, second: float, adverse: Side) -> float:
    """Whichever of two numbers lies further on the adverse side.

    Examples
    --------
    >>> more_careful(1.0, 1.2, "high"), more_careful(1.0, 1.2, "low")
    (1.2, 1.0)
    """
    return max(first, second) if adverse == "high" else min(first, second)


def _moved(number: float, source: Source, c: Candidates, towards: str, away: str) -> PlanningNumber:
    """Give the candidate when it is the more careful one, else the default."""
    if number == more_careful(c.default, number, c.adverse):
        return PlanningNumber(number, source, towards)
    return PlanningNumber(c.default, "default", away)


def plan(c: Candidates) -> PlanningNumber:
    """Choose the planning number inside the range seen.

    Parameters
    ----------
    c : Candidates

    Returns
    -------
    PlanningNumber

    Examples
    --------
    >>> plan(Candidates(1.0, 0.8, 0.9, "high", ())).number
    1.0
    >>> plan(Candidates(1.0, 0.8, 0.9, "high", (), Acceptance("peak", "x", 0.9, "A", ""))).number
    0.9
    """
    beyond = "below" if c.adverse == "high" else "above"
    if c.missing:
        lack = f"the evidence is not met ({', '.join(c.missing)})"
        return _moved(
            c.constant, "constant", c,
            f"the constant, more careful than the default; {lack}",
            f"the default: {lack}, so the number does not go {beyond} it",
        )  # fmt: skip
    if c.acceptance is None:
        return _moved(
            c.bound, "bound", c,
            "the 95/95 bound, more careful than the default, so nobody need accept it",
            f"the default: the 95/95 bound {c.bound:.3g} lies {beyond} it, but no named person "
            "has accepted that on record",
        )  # fmt: skip
    who = f"{c.acceptance.by} ({c.acceptance.date})"
    if more_careful(c.acceptance.number, c.bound, c.adverse) == c.acceptance.number:
        return PlanningNumber(
            c.acceptance.number, "accepted", f"accepted by {who}; 95/95 bound {c.bound:.3g}"
        )
    return PlanningNumber(
        c.bound,
        "bound",
        f"the 95/95 bound: {who} accepted {c.acceptance.number:.3g}, which the pieces since "
        "then no longer support",
    )


def plan_outside(c: Candidates, value: float, seen: tuple[float, float] | None) -> PlanningNumber:
    """Fall back on the default for a piece outside the range seen.

    Parameters
    ----------
    c : Candidates
    value : float
        Where the piece lies.
    seen : (low, high) or None
        Range of the pieces in the fit; None when it is not on record.

    Returns
    -------
    PlanningNumber

    Examples
    --------
    >>> plan_outside(Candidates(1.0, 0.8, 0.9, "high", ()), 3.0, (0.2, 1.1)).reason
    'the default: 3 is outside the range seen, 0.2 to 1.1'
    """
    where = "is not known" if seen is None else f"{seen[0]:.3g} to {seen[1]:.3g}"
    verb = "the range seen" if seen is None else f"{value:.3g} is outside the range seen,"
    reason = f"the default: {verb} {where}"
    if c.constant == more_careful(c.default, c.constant, c.adverse) != c.default:
        reason += f"; inside it the pieces ran beyond the default ({c.constant:.3g})"
    return PlanningNumber(c.default, "default", reason)
