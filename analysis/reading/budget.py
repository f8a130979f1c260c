"""The uncertainty budget of one value as a table, after the GUM (JCGM 100).

Comes in: standard uncertainties by cause. Goes out: rows with their share, the combined
value with effective degrees of freedom. Must not: measure any of them
(``features.py`` does).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

CAUSE_WORDS: Final[dict[str, str]] = {
    "calibration": "slope of the static calibration",
    "zero": "what the slack rope reads, and its drift",
    "resolution": "one count",
    "noise": "noise of the samples",
    "motion": "the piece still moving, or what its followed motion leaves open",
    "sampling": "top of the peak between two samples",
    "filter": "the converter averages over its interval",
    "station": "friction band and geometry between station and piece",
    "temperature": "temperature, as the device sent it",
}
"""Cause -> what it is, in the order of the table."""

NOT_SENT: Final = "temperature: not sent by the device or no figures for it; U leaves it out"


@dataclass(frozen=True, slots=True)
class BudgetRow:
    """One cause: its standard uncertainty, and its share of the combined variance."""

    cause: str
    standard_n: float
    share: float
    words: str

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class Combined:
    """A combined standard uncertainty and what follows from it.

    Parameters
    ----------
    standard : float
        u_c, in the unit of the components.
    effective_dof : float
        Welch–Satterthwaite; infinite when every component's are.
    coverage_factor : float
        t of the wanted probability for the whole number of degrees of freedom below.
    expanded : float
        U, coverage factor times u_c.
    """

    standard: float
    effective_dof: float
    coverage_factor: float
    expanded: float


def combine(
    components: Mapping[str, float],
    dof: Mapping[str, float] | None = None,
    probability: float = 0.9545,
) -> Combined:
    """Combine independent standard uncertainties.

    Parameters
    ----------
    components : mapping of str to float
        Standard uncertainties, sensitivity already in them, one unit.
    dof : mapping, optional
        Degrees of freedom by component; infinite where none are given.
    probability : float
        Of the interval, two-sided; 0.9545 is k = 2 for many degrees of freedom.

    Returns
    -------
    Combined

    References
    ----------
    JCGM 100:2008, clauses 5.1.2 and G.4.1 (degrees of freedom truncated, G.4.1 note 1).

    Examples
    --------
    >>> combine({"a": 3.0, "b": 4.0}).standard
    5.0
    """
    from scipy.special import stdtrit  # noqa: PLC0415 - reading a trace needs no scipy

    squares = {name: value * value for name, value in components.items()}
    variance = math.fsum(squares.values())
    held = dof or {}
    weight = math.fsum(square**2 / held[name] for name, square in squares.items() if name in held)
    effective = variance**2 / weight if weight > 0 else math.inf
    whole = math.floor(effective) if math.isfinite(effective) else 1e12
    factor = float(stdtrit(max(whole, 1), 0.5 + probability / 2.0))
    standard = math.sqrt(variance)
    return Combined(standard, effective, factor, factor * standard)


def budget_rows(parts_n: Mapping[str, float]) -> tuple[BudgetRow, ...]:
    """Give the table of a budget, in the order of :data:`CAUSE_WORDS`.

    Parameters
    ----------
    parts_n : mapping of str to float
        Standard uncertainties, newtons.

    Returns
    -------
    tuple of BudgetRow

    Examples
    --------
    >>> [(row.cause, round(row.share, 2)) for row in budget_rows({"noise": 4.0, "zero": 3.0})]
    [('zero', 0.36), ('noise', 0.64)]
    """
    variance = math.fsum(part * part for part in parts_n.values())
    order = [*(cause for cause in CAUSE_WORDS if cause in parts_n)]
    order += [cause for cause in parts_n if cause not in CAUSE_WORDS]
    return tuple(
        BudgetRow(
            cause,
            parts_n[cause],
            parts_n[cause] ** 2 / variance if variance > 0 else 0.0,
            CAUSE_WORDS.get(cause, cause),
        )
        for cause in order
    )
