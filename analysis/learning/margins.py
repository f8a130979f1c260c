"""A load set against the limits that people entered.

Comes in: a limit, what the cells of a lowering read. Goes out: a :class:`Margin`: how far
the load is from the limit, or that nothing can be said. Must not: judge whether anything
holds, or treat a breaking strength as a limit.

Notes
-----
A limit at a place that a cell read is set against that reading. One elsewhere (another
sling, the other leg) is set against the load that ``predicting/inverse.py`` infers there
from the main cell's reading, with the friction band. A rope bears what its most loaded leg
bears. A reading that is only a lower bound counts where it is more than what is inferred.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Final, get_args

from analysis.errors import PredictionError
from analysis.learning.measured_at import CellLoad, Readings, State
from analysis.predicting.inverse import InferredLoad, loads_from_reading
from analysis.predicting.rig import State as Motion
from analysis.predicting.rig import find_station, places_of
from analysis.several_cells import Place, place_of
from logger.records import Leg, Limit, Rig

_STATE: Final[dict[State, Motion]] = {
    "peak": "first_drop",
    "pretension": "raising",
    "hang": "holding",
}


@dataclass(frozen=True, slots=True)
class PlaceLoad:
    """Load at a place, measured by a cell there or inferred from another.

    Parameters
    ----------
    force_n, low_n, high_n : float
        The load and the ends of its friction band; all the same where measured.
    inferred : bool
        No cell read it there.
    state : str
        What the rope did then.
    lower_bound : bool
        The true load is at least this (clipped, or samples are missing).
    u_n : float or None
        Expanded uncertainty (k = 2) of a measured load.
    cell : str
        Who measured it; empty where inferred.
    from_main_n : float or None
        The load there by the main cell's reading, whoever measured it.
    normalised : float or None
        E_n of what another cell measured and what is inferred there, as in
        ``analysis/elsewhere.py``; less than a lower bound counts too.
    """

    force_n: float
    low_n: float
    high_n: float
    inferred: bool
    state: State = "peak"
    lower_bound: bool = False
    u_n: float | None = None
    cell: str = ""
    from_main_n: float | None = None
    normalised: float | None = None

    @property
    def doubted(self) -> bool:
        """Whether a cell measured less than is inferred there, by more than both U."""
        return self.normalised is not None and self.normalised < -1.0

    def to_dict(self) -> dict[str, float | bool | str | None]:
        """Give plain values, SI, but for state and lower bound."""
        return {
            "load_n": self.force_n,
            "load_low_n": self.low_n,
            "load_high_n": self.high_n,
            "load_u_n": self.u_n,
            "inferred": self.inferred,
            "measured_by": self.cell or None,
            "load_by_main_cell_n": self.from_main_n,
            "normalised": self.normalised,
        }


@dataclass(frozen=True, slots=True)
class Margin:
    """A load and a limit at the same place.

    Parameters
    ----------
    limit : Limit
        As entered, with who and when.
    load : PlaceLoad
        At the limit's place.
    reading_n : float or None
        Of the main cell at that moment.
    """

    limit: Limit
    load: PlaceLoad
    reading_n: float | None

    @property
    def margin_n(self) -> float:
        """Limit less load; negative when the load was larger."""
        return self.limit.force_n - self.load.force_n

    @property
    def share(self) -> float:
        """Load over limit."""
        return self.load.force_n / self.limit.force_n

    @property
    def reading_at_limit_n(self) -> float | None:
        """What the main cell reads when the limit is reached; None where nothing tells it."""
        if self.reading_n is None or self.load.from_main_n is None:
            return None
        return self.limit.force_n * self.reading_n / self.load.from_main_n


def margin_of(limit: Limit, readings: Readings) -> Margin | None:
    """Set what the cells read against a limit.

    Parameters
    ----------
    limit : Limit
        Not a breaking strength.
    readings : Readings
        Of one moment.

    Returns
    -------
    Margin or None
        None for a breaking strength, and where nobody can say what the place bears.

    Examples
    --------
    >>> limit = Limit(on="red", kind="peak_allowance", force_n=10e3, by="Wren", entered="today")
    >>> red = CellLoad("red", frozenset({"red"}), None, 4e3, 40.0, "peak")
    >>> margin_of(limit, Readings(main=red)).margin_n
    6000.0
    """
    if limit.kind == "breaking_strength":
        return None
    load = load_at(limit.on, readings)
    if load is None:
        return None
    return Margin(limit, load, None if readings.main is None else readings.main.force_n)


def load_at(on: str, readings: Readings) -> PlaceLoad | None:
    """Give the load at a place: measured where a cell sat, else inferred from the main cell.

    Parameters
    ----------
    on : str
        The rope, a node of the rig, a cell or a station.
    readings : Readings
        Of one moment.

    Returns
    -------
    PlaceLoad or None
        None where nobody can say what the place bears.

    Examples
    --------
    >>> red = CellLoad("red", frozenset({"red"}), None, 4e3, 40.0, "peak")
    >>> load_at("red", Readings(main=red)).force_n
    4000.0
    """
    named = [one for one in readings.all if on in one.names]
    if named and named[0] is readings.main:
        return _measured(named[0], None, readings.main)
    known = _inferred(readings)
    if named:
        beside = None if named[0].place is None else known.get(named[0].place)
        return _told(named, beside, readings.main)
    found = [
        _told([x for x in readings.all if x.place == place], known.get(place), readings.main)
        for place in _places(on, readings.rig)
    ]
    return _largest(one for one in found if one is not None)


def _places(on: str, rig: Rig | None) -> list[Place]:
    """Find the legs and slings that something of the rig is about."""
    if rig is None:
        return []
    places: list[Place] = []
    for kind, name in places_of(rig, on):
        if kind == "leg":
            places += [("leg", leg) for leg in get_args(Leg)]
        elif kind == "sling":
            places.append((kind, name))
        elif (place := place_of(rig, find_station(rig, name))) is not None:
            places.append(place)
    return places


@lru_cache(maxsize=4)  # every limit is set against the same few moments
def _inferred(readings: Readings) -> Mapping[Place, InferredLoad]:
    """Infer the load of every place of the rig from the main cell; empty where it tells none."""
    rig, main = readings.rig, readings.main
    if rig is None or main is None or main.place is None or main.station is None:
        return {}
    try:
        found = loads_from_reading(
            rig, None, main.station, main.force_n, (main.u_n or 0.0) / 2.0, _STATE[main.state]
        )
    except PredictionError:
        return {}
    return {(load.kind, load.place): load for load in found.places}


def _told(
    cells: list[CellLoad], beside: InferredLoad | None, main: CellLoad | None
) -> PlaceLoad | None:
    """Choose between what cells measured at a place and what is inferred there."""
    best = max(cells, key=lambda one: one.force_n, default=None)
    if best is not None:
        told = _measured(best, beside, main)
        if beside is None or not best.lower_bound or best.force_n >= beside.force_n:
            return told
    if beside is None or main is None:
        return None
    return PlaceLoad(
        beside.force_n, beside.low_n, beside.high_n, inferred=True, state=main.state,
        lower_bound=main.lower_bound, from_main_n=beside.force_n,
    )  # fmt: skip


def _measured(one: CellLoad, beside: InferredLoad | None, main: CellLoad | None) -> PlaceLoad:
    told = PlaceLoad(
        one.force_n, one.force_n, one.force_n, inferred=False, state=one.state,
        lower_bound=one.lower_bound, u_n=one.u_n, cell=one.cell,
    )  # fmt: skip
    if one is main:
        return replace(told, from_main_n=one.force_n)
    if beside is None or main is None:
        return told
    told = replace(told, from_main_n=beside.force_n)
    less = one.force_n < beside.force_n
    if one.u_n is None or one.lower_bound or (main.lower_bound and not less):
        return told
    u_n = math.hypot(one.u_n, 2.0 * beside.u_n)
    return replace(told, normalised=(one.force_n - beside.force_n) / u_n if u_n > 0 else None)


def _largest(loads: Iterable[PlaceLoad]) -> PlaceLoad | None:
    """Give the largest of several loads, its band reaching as far as that of any."""
    found = list(loads)
    if not found:
        return None
    most = max(found, key=lambda load: load.force_n)
    low, high = max(load.low_n for load in found), max(load.high_n for load in found)
    by_main = [load.from_main_n for load in found if load.from_main_n is not None]
    told = replace(
        most, low_n=low, high_n=high, lower_bound=any(load.lower_bound for load in found),
        from_main_n=max(by_main, default=None),
    )  # fmt: skip
    if low == high:
        return told
    return replace(told, inferred=True, u_n=None, cell="")
