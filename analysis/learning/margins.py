"""A measured load set against the limits that people entered.

Comes in: a limit, the rig, a reading at the station. Goes out: a :class:`Margin`: how far
the load is from the limit, or that nothing can be said. Must not: judge whether anything
holds, or treat a breaking strength as a limit.

Notes
-----
A limit at the station itself is set against the reading. One elsewhere (the rope, another
sling) is set against the load inferred there: reading × (load there / load at the
station), with the band that the friction leaves (one standard uncertainty of every
contact to either side; for a piece at rest also the side on which friction stands).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.path import Loads, loads_per_newton
from analysis.predicting.rig import check_rig, reading_per_newton
from logger.records import Limit, Rig

FloatArray = NDArray[np.float64]
State = Literal["peak", "pretension", "hang"]

_MOTION: Final[dict[State, tuple[float, ...]]] = {
    "peak": (-1.0,),
    "pretension": (1.0,),
    "hang": (-1.0, 0.0, 1.0),
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
    factors = None if rig is None else _factors(place, state, rig)
    if factors is None:
        return None
    low, middle, high = (factor * reading_n for factor in factors)
    return PlaceLoad(middle, low, high, inferred=not low == middle == high == reading_n)


def _factors(place: str, state: State, rig: Rig) -> tuple[float, float, float] | None:
    """Load at a place per newton read at the station: low, middle, high."""
    motions, shifts = np.meshgrid(_MOTION[state], (-1.0, 0.0, 1.0))
    try:
        check_rig(rig)
        loads = loads_per_newton(rig, motions.ravel(), drop=state == "peak", shift=shifts.ravel())
        there = _load_at(place, rig, loads)
        here = reading_per_newton(rig, loads)
    except (PredictionError, KeyError):
        return None
    if there is None or np.any(here <= 0):
        return None
    factor = there / here
    low, high = float(factor.min()), float(factor.max())
    return low, float(np.median(factor)), high


def _load_at(place: str, rig: Rig, loads: Loads) -> FloatArray | None:
    """Load at a node's sling, or the largest in the rope, per newton at the piece."""
    if place in loads.slings:
        return loads.slings[place]
    if place == rig.rope:
        largest: FloatArray = np.max(np.stack(list(loads.legs.values())), axis=0)
        return largest
    return None
