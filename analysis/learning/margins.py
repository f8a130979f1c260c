"""A measured load set against the limits that people entered.

Comes in: a limit, the rig, a reading at the station. Goes out: a :class:`Margin`: how far
the load is from the limit, or that nothing can be said. Must not: judge whether anything
holds, or treat a breaking strength as a limit.

Notes
-----
A limit at the station itself is set against the reading. One elsewhere (the rope, another
sling, another station) is set against the load that ``predicting/inverse.py`` infers
there from the reading, with the friction band.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

from analysis.errors import PredictionError
from analysis.predicting.inverse import loads_from_reading
from analysis.predicting.rig import State as Motion
from logger.records import Leg, Limit, Rig

State = Literal["peak", "pretension", "hang"]

_STATE: Final[dict[State, Motion]] = {
    "peak": "first_drop",
    "pretension": "raising",
    "hang": "holding",
}


@dataclass(frozen=True, slots=True)
class PlaceLoad:
    """Load at a place, and the ends of its friction band; ``inferred`` away from the station."""

    force_n: float
    low_n: float
    high_n: float
    inferred: bool


@dataclass(frozen=True, slots=True)
class Margin:
    """A load and a limit at the same place.

    Parameters
    ----------
    limit : Limit
        As entered, with who and when.
    state : str
        ``peak``, ``pretension`` or ``hang``: which reading it comes from.
    reading_n : float
        At the station.
    load_n, low_n, high_n : float
        At the limit's place, and the ends of its friction band.
    inferred : bool
        The place is not the station.
    lower_bound : bool
        The reading is at least this (clipped, or a gap in the peak): the margin is then at
        most what it says.
    """

    limit: Limit
    state: State
    reading_n: float
    load_n: float
    low_n: float
    high_n: float
    inferred: bool
    lower_bound: bool = False

    @property
    def margin_n(self) -> float:
        """Limit less load; negative when the load was larger."""
        return self.limit.force_n - self.load_n

    @property
    def share(self) -> float:
        """Load over limit."""
        return self.load_n / self.limit.force_n

    @property
    def reading_at_limit_n(self) -> float:
        """What the station reads when the limit is reached."""
        return self.limit.force_n * self.reading_n / self.load_n


def margin_of(
    limit: Limit,
    reading_n: float,
    state: State,
    rig: Rig | None,
    station: set[str],
    *,
    lower_bound: bool = False,
) -> Margin | None:
    """Set a reading against a limit.

    Parameters
    ----------
    limit : Limit
        Not a breaking strength.
    reading_n : float
        At the station, more than 0.
    state : str
        What the rope did then.
    rig : Rig or None
        The rig with its station.
    station : set of str
        Names under which the place of the cell itself goes (cell, station).
    lower_bound : bool
        The true reading is at least this.

    Returns
    -------
    Margin or None
        None for a breaking strength, and where the rig does not say what the place bears.

    Examples
    --------
    >>> limit = Limit(on="red", kind="peak_allowance", force_n=10e3, by="Wren", entered="today")
    >>> margin_of(limit, 4e3, "peak", None, {"red"}).margin_n
    6000.0
    """
    if limit.kind == "breaking_strength":
        return None
    load = load_at(limit.on, reading_n, state, rig, station)
    if load is None:
        return None
    return Margin(
        limit, state, reading_n, load.force_n, load.low_n, load.high_n, load.inferred, lower_bound
    )


def load_at(
    place: str, reading_n: float, state: State, rig: Rig | None, station: set[str]
) -> PlaceLoad | None:
    """Infer the load at a place from a reading at the station.

    Parameters
    ----------
    place : str
        The rope, a node of the rig, the cell or the station.
    reading_n, state, rig, station
        As for :func:`margin_of`.

    Returns
    -------
    PlaceLoad or None
        None where the rig does not say what the place bears.

    Examples
    --------
    >>> load_at("red", 4e3, "peak", None, {"red"}).force_n
    4000.0
    """
    if reading_n <= 0:
        return None
    if place in station:
        return PlaceLoad(reading_n, reading_n, reading_n, inferred=False)
    return None if rig is None else _elsewhere(place, reading_n, state, rig)


def _elsewhere(place: str, reading_n: float, state: State, rig: Rig) -> PlaceLoad | None:
    """Infer the load of a node's sling, another station, or the largest in the rope."""
    try:
        found = loads_from_reading(rig, None, rig.station, reading_n, 0.0, _STATE[state])
    except PredictionError:
        return None
    wanted = {("sling", place), *(("station", s.name) for s in rig.stations if s.cell == place)}
    if place == rig.rope:
        wanted |= {("leg", leg) for leg in get_args(Leg)}
    there = [load for load in found.places if (load.kind, load.place) in wanted]
    if not there:
        return None
    middle = max(load.force_n for load in there)
    low, high = max(load.low_n for load in there), max(load.high_n for load in there)
    return PlaceLoad(middle, low, high, inferred=not low == middle == high == reading_n)
