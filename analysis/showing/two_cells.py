"""Several cells of one lowering in words: each reading, each ratio, the block's friction.

Comes in: the cells. Goes out: rows of text. Must not: read a trace, or leave out an uncertainty.
"""

from __future__ import annotations

from typing import Final

from analysis.reading.two_cells import CellReading, TwoCells
from analysis.several_cells import Cells
from logger.units import ForceUnit, format_force

Rows = list[tuple[str, str]]

HEADING: Final = "Cells of this lowering"
_MOTIONS: Final = {
    "raising": "winch raising",
    "first_drop": "first drop",
    "hang": "hanging",
    "lowering": "lowering",
}


def cell_rows(cells: Cells, unit: ForceUnit) -> Rows:
    """Give a row for each cell, each ratio, and the block's friction.

    Parameters
    ----------
    cells : Cells
    unit : str
        Unit of force.

    Returns
    -------
    list of (name, words)
    """
    rows = [(one.station, _cell_words(one, unit)) for one in cells.readings]
    for pair in cells.pairs:
        rows += _pair_rows(pair, several=len(cells.pairs) > 1)
    return rows


def _force(value_n: float | None, u_n: float | None, unit: ForceUnit) -> str:
    if value_n is None:
        return "not in the record"
    return format_force(value_n, unit, u_n=u_n)


def _cell_words(one: CellReading, unit: ForceUnit) -> str:
    f = one.features
    least = "at least " if f.peak_is_lower_bound else ""
    return (
        f"cell {one.cell}: peak {least}{_force(f.peak_n, f.peak_n_u, unit)}, "
        f"hang {_force(f.hang_reading_n, f.hang_reading_n_u, unit)}"
    )


def _pair_rows(pair: TwoCells, *, several: bool) -> Rows:
    """Ratios by motion, then what they say of the block."""
    of = f" ({pair.stations[0]} and {pair.stations[1]})" if several else ""
    told = "; ".join(
        f"{_MOTIONS[ratio.motion]} {ratio.lead_over_fall:.3f} ± {ratio.u:.3f}"
        for ratio in pair.ratios
    )
    rows = [(f"lead / fall{of}", told)]
    if pair.disagree:
        doubt = (
            "the two cells say that it pushes the rope: look at which cell sat where, "
            "and at both calibrations"
        )
        return [*rows, (f"high block{of}", doubt)]
    if pair.efficiency is not None and pair.wrap_friction is not None:
        words = (
            f"efficiency {pair.efficiency:.3f} ± {pair.efficiency_u or 0.0:.3f} at its wrap "
            f"(μθ {pair.wrap_friction:.3f} ± {pair.wrap_friction_u or 0.0:.3f}), "
            f"measured from {pair.source}"
        )
        rows.append((f"high block{of}", words))
    if pair.drop_efficiency is not None:
        words = (
            f"efficiency {pair.drop_efficiency:.3f} ± {pair.drop_efficiency_u or 0.0:.3f}, "
            "measured in the first drop; not that of slow raising"
        )
        rows.append((f"in the drop{of}", words))
    return rows
