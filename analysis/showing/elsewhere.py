"""Loads at places without a cell, inferred from the one that has one.

Comes in: a lowering as loaded, its features. Goes out: inferred loads at hang and peak, and
their rows of text. Must not: show an inferred load without saying so and without its band.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from analysis.errors import PredictionError
from analysis.predicting.inverse import InferredLoad, LoadsFromReading, loads_from_reading
from analysis.predicting.rig import State, station_place
from analysis.reading.place_of_rig import station_at
from analysis.reading.summary import Features
from analysis.source import LoweringSource
from logger.units import ForceUnit, format_force

Rows = list[tuple[str, str]]

HEADING: Final = "Loads elsewhere, inferred from this cell (not measured)"


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
    """

    moment: str
    lower_bound: bool
    loads: LoadsFromReading
    own: tuple[str, str] = ("", "")

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "moment": self.moment,
            "lower_bound": self.lower_bound,
            **self.loads.to_dict(),
        }


def loads_elsewhere(source: LoweringSource, features: Features) -> tuple[Elsewhere, ...]:
    """Infer the loads of the whole rig at hang and peak.

    Parameters
    ----------
    source : LoweringSource
        With its rig.
    features : Features
        Of the lowering.

    Returns
    -------
    tuple of Elsewhere
        Empty without a rig, or where the cell was at none of its stations.
    """
    rig = source.rig
    station = None if rig is None else station_at(rig, source.stream.station, source.stream.cell)
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
        found.append(Elsewhere(moment, low, loads, station_place(rig, station)))
    return tuple(found)


def elsewhere_rows(found: tuple[Elsewhere, ...], unit: ForceUnit) -> Rows:
    """Give a row for each leg and sling without a cell.

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
            words.setdefault(name, []).append(f"{one.moment} {_band(load, one, unit)}")
    return [(name, "; ".join(said)) for name, said in words.items()]


def _band(load: InferredLoad, one: Elsewhere, unit: ForceUnit) -> str:
    """Show a load with the friction band; the larger of band and U."""
    least = "at least " if one.lower_bound else ""
    low = min(load.low_n, load.force_n - 2.0 * load.u_n)
    high = max(load.high_n, load.force_n + 2.0 * load.u_n)
    ends = f"{format_force(max(low, 0.0), unit).removesuffix(f' {unit}')} to {format_force(high, unit)}"
    return f"{least}{format_force(load.force_n, unit)} ({ends})"
