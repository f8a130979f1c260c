"""Loads elsewhere in words: what is inferred from one cell, beside what others measured.

Comes in: the loads of ``analysis/elsewhere.py``. Goes out: a heading and rows of text. Must
not: show an inferred load without saying so and without its band.
"""

from __future__ import annotations

from typing import Final

from analysis.elsewhere import Beside, Elsewhere
from analysis.predicting.inverse import InferredLoad
from logger.units import ForceUnit, format_force

Rows = list[tuple[str, str]]

HEADING: Final = "Loads elsewhere, inferred from this cell (not measured)"
HEADING_BESIDE: Final = "Loads elsewhere: inferred from this cell; measured where another sat"


def heading_of(found: tuple[Elsewhere, ...]) -> str:
    """Say in the heading whether anything there was measured too."""
    return HEADING_BESIDE if any(one.beside for one in found) else HEADING


def elsewhere_rows(found: tuple[Elsewhere, ...], unit: ForceUnit) -> Rows:
    """Give a row for each leg and sling where this cell was not.

    Parameters
    ----------
    found : tuple of Elsewhere
    unit : str
        Unit of force.

    Returns
    -------
    list of (place, words)
    """
    words: dict[str, list[str]] = {}
    for one in found:
        for load in one.loads.places:
            own = (load.kind, load.place) == one.own
            if load.measured or own or load.kind not in {"leg", "sling"}:
                continue
            name = f"{load.kind} {load.place}"
            measured = one.measured_at(load)
            inferred = _band(load, one, unit)
            told = inferred if measured is None else _both(measured, inferred, unit)
            words.setdefault(name, []).append(f"{one.moment} {told}")
    return [(name, "; ".join(said)) for name, said in words.items()]


def _both(one: Beside, inferred: str, unit: ForceUnit) -> str:
    """Show what was measured, then what is inferred, and whether they agree."""
    force = format_force(one.measured_n, unit, u_n=one.measured_u_n)
    least = "at least " if one.measured_is_lower_bound else ""
    apart = format_force(one.difference_n, unit)
    apart = apart if apart.startswith("-") else f"+{apart}"
    if one.normalised is None:
        judged = "one of them is a lower bound, so that is no test"
    elif abs(one.normalised) <= 1.0:
        judged = f"within their U (E_n {one.normalised:+z.1f})"
    else:
        judged = (
            f"MORE than their U (E_n {one.normalised:+z.1f}): look at both calibrations, at the "
            "friction written, at which cell sat where"
        )
    return f"measured {least}{force} (cell {one.cell}), inferred {inferred}: {apart}, {judged}"


def _band(load: InferredLoad, one: Elsewhere, unit: ForceUnit) -> str:
    """Show a load with the friction band; the larger of band and U."""
    least = "at least " if one.lower_bound else ""
    low = min(load.low_n, load.force_n - 2.0 * load.u_n)
    high = max(load.high_n, load.force_n + 2.0 * load.u_n)
    ends = f"{format_force(max(low, 0.0), unit).removesuffix(f' {unit}')} to {format_force(high, unit)}"
    return f"{least}{format_force(load.force_n, unit)} ({ends})"
