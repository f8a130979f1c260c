"""What each cell of a lowering measured at its own place, as margins and gear ask for it.

Comes in: a lowering as loaded, its features, its other cells. Goes out: :class:`Readings`
of one moment. Must not: infer a load, or pass off as whole what a cell only saw in part.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.elsewhere import NEAR_S
from analysis.reading.summary import Features
from analysis.reading.two_cells import CellReading
from analysis.several_cells import Cells, Place, place_of
from analysis.source import LoweringSource
from logger.records import Rig, Station

State = Literal["peak", "pretension", "hang"]
Moment = Literal["peak", "hang"]


@dataclass(frozen=True, slots=True)
class CellLoad:
    """What one cell read: its largest force, or the hang.

    Parameters
    ----------
    cell : str
        Its name.
    names : frozenset of str
        Names under which a limit on its place may be entered (cell, station).
    place : (kind, name) or None
        The leg or sling it read; None when it was at none of the rig's stations.
    force_n : float
        Above 0.
    u_n : float or None
        Expanded uncertainty (k = 2).
    state : str
        What the rope did then.
    lower_bound : bool
        The true load is at least this: clipped, or samples are missing where it mattered.
    station : Station or None
        Which of the rig's it was at.
    """

    cell: str
    names: frozenset[str]
    place: Place | None
    force_n: float
    u_n: float | None
    state: State
    lower_bound: bool = False
    station: Station | None = None


@dataclass(frozen=True, slots=True)
class Readings:
    """What the cells of one lowering read at a moment.

    Parameters
    ----------
    rig : Rig or None
        Tells whose place is whose.
    main : CellLoad or None
        The cell from which loads elsewhere are inferred; None where it read nothing.
    others : tuple of CellLoad
        Those beside it.
    """

    rig: Rig | None = None
    main: CellLoad | None = None
    others: tuple[CellLoad, ...] = ()

    @property
    def all(self) -> tuple[CellLoad, ...]:
        """Every reading, the main one first."""
        return self.others if self.main is None else (self.main, *self.others)


def readings_of(
    source: LoweringSource, features: Features, cells: Cells, moment: Moment
) -> Readings:
    """Gather what the cells of a lowering read at the peak, or hanging.

    Parameters
    ----------
    source : LoweringSource
        Window and records.
    features : Features
        Of the main cell.
    cells : Cells
        The other cells' readings.
    moment : str
        ``peak``: each cell's own largest force, whenever it came; ``hang``.

    Returns
    -------
    Readings
    """
    rig = source.rig
    cell, own = source.stream.cell, source.station
    main = _load(features, moment, cell, own_names(source), (own, place_of(rig, own)))
    stations = {one.stream.cell: one.station for one in source.others}
    others = []
    for one in cells.readings[1:]:
        station = stations.get(one.cell)
        names = frozenset({one.cell, *(() if station is None else (station.name,))})
        missed = moment == "peak" and not _saw(one, features.peak_time_s)
        others.append(
            _load(
                one.features,
                moment,
                one.cell,
                names,
                (station, place_of(rig, station)),
                missed=missed,
            )
        )
    return Readings(rig, main, tuple(one for one in others if one is not None))


def own_names(source: LoweringSource) -> frozenset[str]:
    """Names under which the place of the main cell goes: the cell's and its station's."""
    return frozenset({source.stream.cell, source.trace.station} - {""})


def _load(
    features: Features,
    moment: Moment,
    cell: str,
    names: frozenset[str],
    at: tuple[Station | None, Place | None],
    *,
    missed: bool = False,
) -> CellLoad | None:
    """Give one cell's reading; None where there is none above zero."""
    station, place = at
    hang = moment == "hang"
    force_n = features.hang_reading_n if hang else features.peak_n
    if force_n is None or force_n <= 0:
        return None
    if hang:
        return CellLoad(
            cell, names, place, force_n, features.hang_reading_n_u, "hang", station=station
        )
    state: State = "pretension" if features.peak_phase == "pretension" else "peak"
    least = features.peak_is_lower_bound or missed
    return CellLoad(cell, names, place, force_n, features.peak_n_u, state, least, station)


def _saw(one: CellReading, peak_time_s: float | None) -> bool:
    """Whether a cell recorded without a gap while the main cell had its peak."""
    if peak_time_s is None:
        return True
    trace, near_s = one.trace, NEAR_S + 2.0 * one.alignment_u_s
    low, high = peak_time_s - one.offset_s - near_s, peak_time_s - one.offset_s + near_s
    if low < trace.time_s[0] or high > trace.time_s[-1]:
        return False
    return not any(gap.start_s < high and gap.end_s > low for gap in trace.gaps)
