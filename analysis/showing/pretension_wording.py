"""A pretension plan in words and table rows, for terminal and page.

Comes in: a :class:`~analysis.predicting.pretension_plan.PretensionPlan`, a unit. Goes out:
text. Must not: compute, or give a band without its condition.
"""

from __future__ import annotations

from typing import Final

from analysis.predicting.pretension_plan import NO_BAND, PretensionPlan
from logger.units import ForceUnit, format_force

HEAD: Final = ("pull", "reading", "share, %", "balance, %", "release peak", "hinge")
"""Column heads of :func:`pull_rows`; shares from the heavy to the light piece."""

HINGE_HEAD: Final = ("standing", "fails down below", "breaks up above", "notch closed, above")
"""Column heads of :func:`hinge_rows`; pulls at the winch."""


def ground_hand(plan: PretensionPlan, unit: ForceUnit = "kN") -> list[str]:
    """Give the two numbers that the ground hand reads, or that there are none.

    Parameters
    ----------
    plan : PretensionPlan
    unit : {"kN", "N", "kgf", "lbf"}

    Returns
    -------
    list of str
        At the winch and at the station, each end with what decides it; then the plan's words.
    """
    if plan.band is None or plan.reading is None:
        return list(plan.words) or [NO_BAND]
    reading, band = (
        (format_force(one.low_n, unit), format_force(one.high_n, unit))
        for one in (plan.reading, plan.band)
    )
    return [
        f"Reading at {plan.station}: from {reading[0]} to {reading[1]} (settled, estimate)",
        f"Pull at the winch: from {band[0]} to {band[1]}",
        f"Lower end: {plan.band.low_by}. Upper end: {plan.band.high_by}.",
        *plan.words,
    ]


def pull_rows(plan: PretensionPlan, unit: ForceUnit = "kN") -> list[tuple[str, ...]]:
    """Lay the pulls out in rows under :data:`HEAD`.

    A piece that is lifted off its centre has no central release peak to show alone; the column
    then says ``swings``.
    """
    off_centre = plan.offset.indications_n is not None
    rows: list[tuple[str, ...]] = []
    for row in plan.rows:
        peak = (
            f"{_bare(row.release_peak_n[0], unit)} to {format_force(row.release_peak_n[2], unit)}"
        )
        rows.append(
            (
                format_force(row.winch_n, unit),
                format_force(row.reading_n, unit),
                _percent(row.share),
                _percent(row.balance),
                "swings" if off_centre else peak,
                "" if row.hinge is None else row.hinge.replace("_", " "),
            )
        )
    return rows


def hinge_rows(plan: PretensionPlan, unit: ForceUnit = "kN") -> list[tuple[str, ...]]:
    """Lay the hinge window out in rows under :data:`HINGE_HEAD`; empty without a hinge."""
    return [
        (
            f"{1000 * row.thickness_m:.0f} mm",
            format_force(row.low_n, unit) if row.low_n > 0 else "never",
            format_force(row.high_n, unit),
            format_force(row.closed_n, unit),
        )
        for row in plan.hinge
    ]


def _percent(shares: tuple[float, float, float]) -> str:
    low, _, high = (100 * share for share in shares)
    return f"{low:.0f} to {high:.0f}"


def _bare(force_n: float, unit: ForceUnit) -> str:
    return format_force(force_n, unit).removesuffix(f" {unit}")
