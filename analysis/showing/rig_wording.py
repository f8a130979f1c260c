"""A rig's loads and margins in words, for a drawing's key, a terminal or a page.

Comes in: loads and margins, units. Goes out: text. Must not: compute, or word a number so
that it could be obeyed.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Final

from analysis.predicting.place_loads import SHOCK_TWICE, LimitMargin, PlaceLoad
from analysis.showing.page_units import Units
from analysis.showing.wording import KINDS, entered
from logger.records import Limit, Rig
from logger.units import format_force

STANDING: Final = (
    "A computed load is never permission to stand closer or cut bigger. The strength of the tree "
    "is not in it. Nobody below or in line with a loaded rope."
)
METHODS: Final = {
    "butt_tied": "butt-tied",
    "tip_tied": "tip-tied",
    "span_rig": "span rig",
    "snubbed_drop": "snubbed drop",
    "let_run_drop": "let-run drop",
    "swing": "swing",
}
PLACE_HEAD: Final = ("place", "hanging", "if heavy", "peak 50 %", "peak 95 %")
"""Heading of the table of loads; with a unit in each cell."""


def place_name(load: PlaceLoad) -> str:
    """Name a place.

    Examples
    --------
    >>> place_name(PlaceLoad("station", "rope end", 1.0, 1.0, 1.0, 1.0))
    'cell at rope end'
    """
    return {"station": "cell at ", "leg": "", "sling": "at "}[load.kind] + load.name


def place_rows(loads: Iterable[PlaceLoad], units: Units) -> list[tuple[str, ...]]:
    """Give a table's rows under :data:`PLACE_HEAD`."""
    return [
        (
            place_name(load),
            units.band(load.low_n, load.high_n),
            format_force(load.heavy_n, units.force),
            _peak(load.peak_p50_n, units),
            _peak(load.peak_p95_n, units),
        )
        for load in loads
    ]


def _peak(force_n: float | None, units: Units) -> str:
    return "-" if force_n is None else format_force(force_n, units.force)


def place_words(load: PlaceLoad, units: Units) -> str:
    """Say in one line what a place carries."""
    words = f"{place_name(load)}: {units.band(load.low_n, load.high_n)} hanging"
    if load.heavy_n > load.high_n:
        words += f", {format_force(load.heavy_n, units.force)} if heavy"
    if load.peak_p95_n is not None:
        words += f"; peak to {format_force(load.peak_p95_n, units.force)}"
    return words


def place_line(load: PlaceLoad, units: Units) -> str:
    """Say in a line of a phone's width what a place carries: hanging, if heavy, at the peak."""
    told = [f"{units.band(load.low_n, load.high_n)}", f"heavy {_peak(load.heavy_n, units)}"]
    if load.peak_p95_n is not None:
        told.append(f"peak {_peak(load.peak_p95_n, units)}")
    bare = [one.removesuffix(f" {units.force}") for one in told]
    return f"{place_name(load)}: {', '.join(bare)} {units.force}"


def margin_words(margin: LimitMargin, units: Units) -> str:
    """Set a load against a limit, with the limit's type, who entered it and when."""
    limit = margin.limit
    load = "95 % predicted peak" if margin.judged == "peak" else "heavy piece hanging"
    size = format_force(abs(margin.margin_n), units.force)
    side = f"{size} below" if margin.margin_n >= 0 else f"{size} PAST"
    words = (
        f"{limit.on}: {load} {format_force(margin.load_n, units.force)} is {side} the "
        f"{KINDS[limit.kind]} {format_force(limit.force_n, units.force)} "
        f"({100 * margin.share:.0f} %; entered by {entered(limit)})"
    )
    if margin.judged == "peak" and limit.kind == "working_limit":
        words += f"; {SHOCK_TWICE}"
    return words


def not_judged(limits: Sequence[Limit], rig: Rig, units: Units) -> list[str]:
    """Name the breaking strengths, against which nothing is set."""
    names = {rig.rope, *(node.name for node in rig.nodes)}
    names |= {name for station in rig.stations for name in (station.name, station.cell)}
    return [
        f"{limit.on}: breaking strength {format_force(limit.force_n, units.force)} "
        f"({entered(limit)}) is not a limit to work to; nothing is set against it"
        for limit in limits
        if limit.kind == "breaking_strength" and limit.on in names
    ]
