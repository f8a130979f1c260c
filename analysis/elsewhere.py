"""Loads at the other places of a rig, inferred from one cell; beside them what others measured.

Comes in: a lowering as loaded, its features, its other cells. Goes out: inferred loads at
hang and peak, the measured ones where another cell sat. Must not: choose words, or put an
inferred load in the place of a measured one.

Notes
-----
Measured and inferred are compared by E_n = (measured − inferred) / √(U_m² + U_i²), both U
expanded (k = 2); at most 1 either way, they agree (ISO/IEC 17043:2010, annex B.3.1.3).
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

import numpy as np

from analysis.errors import PredictionError
from analysis.predicting.inverse import InferredLoad, LoadsFromReading, loads_from_reading
from analysis.predicting.rig import State, station_place
from analysis.reading.summary import Features
from analysis.reading.two_cells import CellReading
from analysis.several_cells import ONE_CELL, Cells
from analysis.source import LoweringSource

NEAR_S: Final = 0.1
"""Own choice: a rope passes its peak on within this time of what the other cell read."""


@dataclass(frozen=True, slots=True)
class Beside:
    """What another cell measured where a load was inferred too.

    Parameters
    ----------
    kind, place : str
        The leg or sling.
    station, cell : str
        Who read it.
    measured_n, measured_u_n : float
        And its expanded uncertainty (k = 2).
    measured_is_lower_bound : bool
        That cell's peak was clipped or lies in a gap.
    difference_n : float
        Measured less inferred.
    normalised : float or None
        E_n, see the module's notes; None where one of the two is a lower bound.
    """

    kind: str
    place: str
    station: str
    cell: str
    measured_n: float
    measured_u_n: float
    measured_is_lower_bound: bool
    difference_n: float
    normalised: float | None


@dataclass(frozen=True, slots=True)
class Elsewhere:
    """Inferred loads at one moment.

    Parameters
    ----------
    moment : str
        ``hang`` or ``peak``.
    lower_bound : bool
        The reading was clipped or lies in a gap.
    loads : LoadsFromReading
        Of every place of the rig.
    own : (kind, place)
        The leg or sling that the cell itself reads.
    beside : tuple of Beside
        What other cells measured then, at their places.
    """

    moment: str
    lower_bound: bool
    loads: LoadsFromReading
    own: tuple[str, str] = ("", "")
    beside: tuple[Beside, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "moment": self.moment,
            "lower_bound": self.lower_bound,
            **self.loads.to_dict(),
            "measured_beside": [asdict(one) for one in self.beside],
        }

    def measured_at(self, load: InferredLoad) -> Beside | None:
        """Find what another cell measured where this load was inferred."""
        place = (load.kind, load.place)
        return next((one for one in self.beside if (one.kind, one.place) == place), None)


def loads_elsewhere(
    source: LoweringSource, features: Features, cells: Cells = ONE_CELL
) -> tuple[Elsewhere, ...]:
    """Infer the loads of the whole rig at hang and peak.

    Parameters
    ----------
    source : LoweringSource
        With its rig.
    features : Features
        Of the lowering.
    cells : Cells
        The other cells' readings.

    Returns
    -------
    tuple of Elsewhere
        Empty without a rig, or where the cell was at none of its stations.
    """
    rig = source.rig
    station = source.station
    if rig is None or station is None:
        return ()
    rising = features.peak_phase == "pretension"
    moments: list[tuple[str, float | None, float | None, State]] = [
        ("hang", features.hang_reading_n, features.hang_reading_n_u, "holding"),
        ("peak", features.peak_n, features.peak_n_u, "raising" if rising else "first_drop"),
    ]
    found = []
    for moment, reading_n, u_n, state in moments:
        if reading_n is None or u_n is None or reading_n <= 0:
            continue
        try:
            loads = loads_from_reading(rig, source.rope, station, reading_n, u_n / 2.0, state)
        except PredictionError:
            continue
        low = moment == "peak" and features.peak_is_lower_bound
        one = Elsewhere(moment, low, loads, station_place(rig, station))
        found.append(replace(one, beside=_beside(one, source, features, cells)))
    return tuple(found)


def _beside(
    one: Elsewhere, source: LoweringSource, features: Features, cells: Cells
) -> tuple[Beside, ...]:
    """Set what other cells measured at this moment beside what is inferred there."""
    rig, found = source.rig, []
    stations = {other.stream.cell: other.station for other in source.others}
    for reading in cells.readings:
        station = stations.get(reading.cell)
        if rig is None or station is None:
            continue
        kind, place = station_place(rig, station)
        load = one.loads.at(kind, place)
        measured = _measured(reading, one.moment, features.peak_time_s)
        if measured is None or (kind, place) == one.own:
            continue
        force_n, u_n, at_least = measured
        apart = force_n - load.force_n
        spoilt = at_least or one.lower_bound
        normalised = None if spoilt else apart / math.hypot(u_n, 2.0 * load.u_n)
        found.append(
            Beside(
                kind, place, reading.station, reading.cell, force_n, u_n, at_least, apart,
                normalised,
            )
        )  # fmt: skip
    return tuple(found)


def _measured(
    reading: CellReading, moment: str, peak_time_s: float | None
) -> tuple[float, float, bool] | None:
    """Give what a cell read at a moment of the main cell, its U, and whether it is a bound."""
    f = reading.features
    if moment == "hang":
        if f.hang_reading_n is None or f.hang_reading_n_u is None:
            return None
        return f.hang_reading_n, f.hang_reading_n_u, False
    if peak_time_s is None:
        return None
    near_s = NEAR_S + 2.0 * reading.alignment_u_s
    time_s = reading.trace.time_s + reading.offset_s - peak_time_s
    if f.peak_n is not None and f.peak_n_u is not None and f.peak_time_s is not None:
        own_s = f.peak_time_s + reading.offset_s - peak_time_s
        if abs(own_s) <= near_s:
            return f.peak_n, f.peak_n_u, f.peak_is_lower_bound
    there = reading.trace.force_n[np.abs(time_s) <= near_s]
    if not there.size:
        return None
    force_n = float(there.max()) - f.zero_n
    u_n = math.hypot(2.0 * reading.trace.chain.calibration_rel_u * force_n, f.zero_n_u)
    return force_n, u_n, False
