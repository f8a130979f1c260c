"""Why measured and predicted differ, and the budgets, in words and rows.

Comes in: a :class:`~analysis.learning.why.Why` or features, a unit. Goes out: rows of text.
Must not: compute, or let a re-prediction pass for the stored one.
"""

from __future__ import annotations

import math
from typing import Final

from analysis.learning.why import Explanation, Why
from analysis.reading.budget import NOT_SENT
from analysis.reading.summary import Features
from analysis.reading.uncertainty import SHOCK_NOTE
from logger.units import ForceUnit, format_force, format_length, from_si

Rows = list[tuple[str, str]]

HEADING: Final = "Why they may differ (re-predicted later, other things as assumed)"
_NAMES: Final = {
    "weight": "hang weight",
    "stiffness": "rope stiffness",
    "free_fall": "free fall",
    "share": "share carried",
    "all": "all together",
}
_TOLD_SHARE: Final = 0.005
_BUDGETS: Final = {"peak_n": "Budget of the peak", "hang_weight_n": "Budget of the hang weight"}


def why_rows(why: Why | None, unit: ForceUnit) -> Rows:
    """Say each explanation in a sentence, best first.

    Parameters
    ----------
    why : Why or None
        As tested.
    unit : str
        Unit of force.

    Returns
    -------
    list of (name, sentence)
    """
    if why is None:
        return []
    rows = [(_NAMES[one.cause], why_sentence(one, unit)) for one in why.explanations]
    return rows + [(_NAMES[cause], f"not tried: {reason}") for cause, reason in why.left_out]


def why_sentence(one: Explanation, unit: ForceUnit) -> str:
    """Say what was measured, how far it is from what was assumed, and what follows.

    Parameters
    ----------
    one : Explanation
    unit : str
        Unit of force.

    Returns
    -------
    str
    """
    band = _band(one.peak_n, unit)
    if one.cause == "all" or one.measured is None or one.assumed is None:
        return f"with all measured values the prediction is {band}; {_verdict(one)}"
    return f"{_difference(one, unit)}; with that the prediction is {band}; {_verdict(one)}"


def _difference(one: Explanation, unit: ForceUnit) -> str:
    measured, assumed = one.measured or 0.0, one.assumed or 0.0
    if one.cause == "weight":
        shown = format_force(measured, unit, u_n=one.measured_u)
        return f"the piece was {_percent(measured / assumed, 'heavier', 'lighter')} than estimated ({shown})"
    if one.cause == "stiffness":
        shown = format_force(measured, unit, u_n=one.measured_u)
        return f"the rope was {_percent(measured / assumed, 'stiffer', 'softer')} than assumed (EA {shown})"
    if one.cause == "free_fall":
        return (
            f"it fell {format_length(measured)} before the rope took it "
            f"(assumed {format_length(assumed)})"
        )
    return f"the rope carried {100 * measured:.0f} % of the piece (planned {100 * assumed:.0f} %)"


def _percent(ratio: float, more: str, less: str) -> str:
    """Say a ratio as a percentage above or below.

    Examples
    --------
    >>> _percent(1.18, "heavier", "lighter"), _percent(0.9, "heavier", "lighter")
    ('18 % heavier', '10 % lighter')
    """
    change = 100.0 * (ratio - 1.0)
    if abs(change) < 0.5:
        return f"less than 1 % {more if change >= 0 else less}"
    return f"{abs(change):.0f} % {more if change > 0 else less}"


def _band(peak_n: dict[str, float], unit: ForceUnit) -> str:
    """Show median and 5 to 95 % of a re-prediction."""
    low, middle, high = (format_force(peak_n[key], unit) for key in ("p05", "p50", "p95"))
    return f"{middle} ({low.removesuffix(f' {unit}')} to {high.removesuffix(f' {unit}')})"


def _verdict(one: Explanation) -> str:
    """Say how much of the difference that takes away."""
    if abs(one.log_ratio_before) < 0.05:
        return "there was less than 5 % to explain"
    if one.explained > 0.9:
        return "that explains nearly all of the difference"
    if one.explained > 0.1:
        return f"that explains about {100 * one.explained:.0f} % of the difference"
    if one.explained < -0.1:
        return "that makes the difference larger"
    return "that explains none of the difference"


def small_force(force_n: float, unit: ForceUnit) -> str:
    """Show a small force with two significant digits.

    Examples
    --------
    >>> small_force(0.3612, "kN"), small_force(32.25, "kN"), small_force(0.0, "kN")
    ('0.00036 kN', '0.032 kN', '0 kN')
    """
    value = from_si(force_n, "force", unit)
    if value <= 0:
        return f"0 {unit}"
    digits = max(1 - math.floor(math.log10(value)), 0)
    return f"{value:.{digits}f} {unit}"


def budget_groups(features: Features, unit: ForceUnit) -> list[tuple[str, Rows]]:
    """Give the budgets of peak and hang weight as tables.

    Parameters
    ----------
    features : Features
        With budgets.
    unit : str
        Unit of force.

    Returns
    -------
    list of (heading, rows)
        Each row: cause, standard uncertainty, share of the variance; then what U covers.
    """
    groups = []
    for key, heading in _BUDGETS.items():
        table = features.budget_table(key)
        if not table:
            continue
        rows: Rows = [
            (
                row.cause,
                f"{small_force(row.standard_n, unit)} ({100 * row.share:.0f} %): {row.words}",
            )
            for row in table
            if row.share >= _TOLD_SHARE
        ]
        small = [row.cause for row in table if row.share < _TOLD_SHARE]
        if small:
            rows.append(("others", f"below {100 * _TOLD_SHARE:.1f} % each: {', '.join(small)}"))
        u_n = getattr(features, f"{key}_u")
        rows.append(("U (k = 2)", small_force(u_n, unit)))
        if "temperature" not in features.budgets[key]:
            rows.append(("not in it", NOT_SENT))
        rows.append(("shock", SHOCK_NOTE))
        groups.append((heading, rows))
    return groups
