"""A pretension plan in words and table rows, for terminal and page.

Comes in: a :class:`~analysis.predicting.pretension_plan.PretensionPlan`, a unit. Goes out:
text. Must not: compute, or give a band without its condition.
"""

from __future__ import annotations

from typing import Final

from analysis.predicting.pretension_plan import NO_BAND, Band, PretensionPlan
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
        At the station and at the winch, winching up, where each has a band; what decides the
        ends; the same for a rope that is paid out; then the plan's words.
    """
    main = plan.reading or plan.band
    if main is None:
        return list(plan.words) or [NO_BAND]
    said = []
    if plan.reading is not None:
        said.append(f"Reading at {plan.station}: {from_to(plan.reading, unit)} (settled, estimate)")
    if plan.band is not None:
        said.append(f"Pull at the winch, winching up: {from_to(plan.band, unit)}")
    said.append(f"Lower end: {main.low_by}. Upper end: {main.high_by}.")
    return [*said, *easing_words(plan, unit), *plan.words]


def big_numbers(plan: PretensionPlan, unit: ForceUnit = "kN") -> tuple[tuple[str, str], ...]:
    """Give what the ground hand reads at arm's length: of what, and from where to where.

    Returns
    -------
    tuple of (label, number)
        As many as :func:`ground_hand` opens with; one that says that there is no band.
    """
    told = []
    if plan.reading is not None:
        told.append((f"Reading at {plan.station}, settled, estimate", plan.reading))
    if plan.band is not None:
        told.append(("Pull at the winch, winching up, estimate", plan.band))
    return tuple(
        (label, f"{_bare(band.low_n, unit)} to {format_force(band.high_n, unit)}")
        for label, band in told
    )


def easing_words(plan: PretensionPlan, unit: ForceUnit = "kN") -> list[str]:
    """Say the band for a rope that is paid out down to it; at the piece it is the same."""
    at = [] if plan.easing is None else [f"{from_to(plan.easing, unit)} at the winch"]
    held = plan.easing_reading
    if held is not None and (
        plan.reading is None or from_to(held, unit) != from_to(plan.reading, unit)
    ):
        at.append(f"reading at {plan.station} {from_to(held, unit)}")
    if not at:
        return []
    return [f"Paying out down to it: {', '.join(at)}; held still, anywhere between."]


def from_to(band: Band, unit: ForceUnit) -> str:
    """Give a band's two ends.

    Examples
    --------
    >>> from_to(Band(700.0, 900.0, "", ""), "kN")
    'from 0.70 kN to 0.90 kN'
    """
    return f"from {format_force(band.low_n, unit)} to {format_force(band.high_n, unit)}"


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
