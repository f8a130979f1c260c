"""A rig and its stations: whether a cell can be there, what it reads, what that means.

Comes in: a rig. Goes out: the reading at a station per newton of vertical load at the
piece, the readings of every station for a weight, and the gain that turns a reading back
into a load. Must not: draw random numbers or know about pieces.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.hanging import load_vector_n, tag_force_n
from analysis.predicting.inputs import check_numbers, missing, name_of
from analysis.predicting.path import (
    DEFAULT_BLOCK,
    Loads,
    Setting,
    hang,
    nodes_by_role,
    setting,
    standing_redirects,
)
from analysis.predicting.places import PLUMB
from logger.records import Node, NodeRole, Rig, Rope, Station

FloatArray = NDArray[np.float64]

GEOMETRY_REL_U: Final = 0.01
"""Own assumption: leg angles from taped positions, on any load that depends on them."""

PlaceKind = Literal["station", "leg", "sling"]
State = Literal["raising", "holding", "lowering", "first_drop"]

MOTIONS: Final[dict[State, tuple[float | None, bool]]] = {
    "raising": (1.0, False),
    "holding": (None, False),
    "lowering": (-1.0, False),
    "first_drop": (-1.0, True),
}
"""Motion of the rope (None: anywhere between), and whether η for drops is used."""

HIGH_SIDE: Final[dict[State, str]] = {
    "raising": "the winch's side of every block carries more",
    "holding": "either side may carry more: only the band is known",
    "lowering": "the piece's side of the high block and the far anchor's side carry more",
    "first_drop": "the piece's side of the high block and the far anchor's side carry more",
}

_SPAN: Final[tuple[NodeRole, ...]] = ("high_block", "piece_block", "anchor")
_SINGLE: Final[tuple[NodeRole, ...]] = (*_SPAN, "device")


@dataclass(frozen=True, slots=True)
class StationGain:
    """Vertical load at the piece per newton read at the station, at rest.

    Parameters
    ----------
    gain : float
        Middle of the friction band.
    rel_u : float
        Relative standard uncertainty: friction band as a uniform width, and geometry.
    low, high : float
        Ends of the friction band.
    reads : str
        What the station reads, for people.
    """

    gain: float
    rel_u: float
    low: float
    high: float
    reads: str


@dataclass(frozen=True, slots=True)
class StationReading:
    """What a station reads for a weight, in newtons.

    ``value_n`` is that without friction when the piece is held, else that of the motion
    with friction as written; ``low_n`` and ``high_n`` are the ends of the friction band.
    """

    station: str
    cell: str
    reads: str
    value_n: float
    low_n: float
    high_n: float

    def to_dict(self) -> dict[str, str | float]:
        """Give plain values, SI, ready for JSON."""
        return asdict(self)


@lru_cache(maxsize=256)
def check_rig(rig: Rig) -> None:
    """Refuse a rig from which nothing can be computed.

    Raises
    ------
    PredictionError
        Names what is missing or cannot be, and what to write instead.
    """
    check_numbers(rig)
    names = [node.name for node in rig.nodes]
    if len(set(names)) < len(names):
        raise PredictionError(f"{name_of(rig)}: two nodes share a name; each needs its own")
    for role in _SINGLE:
        if len(nodes_by_role(rig, role)) > 1:
            raise PredictionError(f"{name_of(rig)}: more than one node with role {role!r}")
    if rig.method == "span_rig":
        for role in _SPAN:
            if not nodes_by_role(rig, role):
                raise missing(rig, f"a node with role {role!r}", "a span rig needs it")
        if rig.rope_length_m is None:
            raise missing(
                rig, "rope_length_m", "write the rope's length between high block and anchor"
            )
    stations = [station.name for station in rig.stations]
    if len(set(stations)) < len(stations):
        raise PredictionError(f"{name_of(rig)}: two stations share a name; each needs its own")
    for station in rig.stations:
        check_station(rig, station)


def find_station(rig: Rig, name: str) -> Station:
    """Find a station by its name.

    Raises
    ------
    PredictionError
        The rig has no such station; names those it has.
    """
    for station in rig.stations:
        if station.name == name:
            return station
    known = ", ".join(repr(station.name) for station in rig.stations)
    raise PredictionError(f"{name_of(rig)}: no station {name!r}; its stations are {known}")


def _refuse(rig: Rig, station: Station, why: str) -> PredictionError:
    if rig.method == "span_rig":
        instead = (
            "mount 'end' with node = the anchor, mount 'sling' with node = the piece block, "
            "or mount 'running_line' with leg = 'fall'"
        )
    else:
        instead = (
            "mount 'end' with leg = 'lead' (at the piece), mount 'sling' with node = the high "
            "block, or mount 'running_line' with leg = 'fall'"
        )
    return PredictionError(f"{name_of(rig)}: station {station.name!r}: {why}; use {instead}")


def station_node(rig: Rig, station: Station) -> Node:
    """Find the node in whose sling, or at which, a cell sits."""
    wanted = station.node
    for node in rig.nodes:
        if node.name == wanted:
            return node
    same_role = [node for node in rig.nodes if node.role == wanted]
    if len(same_role) == 1:
        return same_role[0]
    if not rig.nodes and wanted == "high_block":
        return DEFAULT_BLOCK
    known = ", ".join(repr(node.name) for node in rig.nodes) or "none written"
    raise _refuse(rig, station, f"node {wanted!r} is not in the rig (nodes: {known})")


def _check_end(rig: Rig, station: Station) -> None:
    span = rig.method == "span_rig"
    if station.leg is None and not station.node:
        raise _refuse(rig, station, "a cell at an end needs to say which: node or leg")
    if station.node:
        node = station_node(rig, station)
        if node.role != "anchor" or not span:
            raise _refuse(rig, station, f"no rope ends at {node.name!r}: the rope runs through it")
    elif station.leg == "fall":
        raise _refuse(
            rig, station, "the fall runs: an inline cell in it cannot pass block and device"
        )
    elif station.leg == "lead" and span:
        raise _refuse(
            rig, station, "the lead runs: an inline cell in it cannot pass the piece's block"
        )
    elif station.leg == "standing" and not span:
        raise _refuse(rig, station, "only a span rig has a standing leg")


def check_station(rig: Rig, station: Station) -> None:
    """Refuse a station where a cell cannot be.

    Raises
    ------
    PredictionError
        With the reason and the alternatives.
    """
    if station.mount == "end":
        _check_end(rig, station)
    elif station.mount == "sling":
        if not station.node:
            raise _refuse(rig, station, "a cell in a sling needs node = whose sling")
        node = station_node(rig, station)
        if rig.method != "span_rig" and node.role in {"piece_block", "anchor"}:
            raise _refuse(rig, station, f"the rope of this method does not pass {node.name!r}")
    elif station.leg is None:
        raise _refuse(rig, station, "a sensor on the running line needs leg = 'fall'")
    elif station.leg != "fall":
        raise _refuse(
            rig,
            station,
            f"the {station.leg} leg moves with the piece, so nothing holds a sensor on it and "
            "it is carried into the block",
        )


def station_place(rig: Rig, station: Station) -> tuple[Literal["leg", "sling"], str]:
    """Where in the rig a cell reads: a leg's tension, or the load in a node's sling."""
    if station.mount == "sling":
        return "sling", station_node(rig, station).name
    if station.mount == "running_line":
        return "leg", "fall"
    if station.node or station.leg == "standing":
        return "sling", nodes_by_role(rig, "anchor")[0].name
    return "leg", "lead"


def places_of(rig: Rig, on: str) -> tuple[tuple[PlaceKind, str], ...]:
    """Find the places that a limit on rope, node, cell or station is about.

    Examples
    --------
    >>> from logger.records import Station
    >>> rig = Rig(name="R", method="butt_tied", rope="blue",
    ...           station=Station(name="tie", mount="end", leg="lead", cell="red"))
    >>> places_of(rig, "red"), places_of(rig, "green"), places_of(rig, "blue")
    ((('station', 'tie'),), (), (('leg', '*'),))
    """
    if on == rig.rope:
        return (("leg", "*"),)
    if any(node.name == on for node in rig.nodes):
        return (("sling", on),)
    found = [s.name for s in rig.stations if on in {s.name, s.cell}]
    return tuple(("station", name) for name in found)


def reading_per_newton(rig: Rig, loads: Loads, station: Station | None = None) -> FloatArray:
    """Give the reading at a station (the main one) per newton of vertical load at the piece.

    With loads in newtons the reading is in newtons.
    """
    return loads.at(*station_place(rig, station or rig.station))


def reads_directly(rig: Rig, station: Station | None = None) -> bool:
    """Whether a station carries the load at the piece itself, whatever the friction."""
    at = station or rig.station
    if at.mount == "end":
        return at.leg == "lead" and not at.node
    return at.mount == "sling" and station_node(rig, at).role == "piece_block"


def _reads(rig: Rig, station: Station) -> str:
    if station.mount == "sling":
        return f"the load in the sling of {station_node(rig, station).name}"
    if station.mount == "running_line":
        return "the tension of the fall"
    if station.node or station.leg == "standing":
        return "the tension of the standing leg at the anchor"
    return "the tension of the lead at the piece"


def friction_ends_setting(rig: Rig, state: State) -> Setting:
    """Give the nominal state of friction first, then the ends of its band.

    Parameters
    ----------
    rig : Rig
        As checked by :func:`check_rig`.
    state : State
        ``holding``: from lowering to raising, with friction one standard uncertainty
        stronger than written. The others: with friction that much weaker and stronger.

    Returns
    -------
    Setting
        Arrays of one dimension.
    """
    way, drop = MOTIONS[state]
    rests = np.array([-1.0, 1.0]) if standing_redirects(rig) else np.zeros(1)
    # Between its ends too: in a narrow span a leg's load without friction lies outside them.
    ways = np.linspace(-1.0, 1.0, 5) if way is None else np.array([way, way])
    shifts = np.full(5, -1.0) if way is None else np.array([-1.0, 1.0])
    motion = np.concatenate([[way or 0.0], np.repeat(ways, rests.size)])
    shift = np.concatenate([[0.0], np.repeat(shifts, rests.size)])
    rest = np.concatenate([[0.0], np.tile(rests, ways.size)])
    return setting(motion, rest, shift, drop=drop)


@lru_cache(maxsize=128)
def friction_ends(rig: Rig, state: State) -> Loads:
    """Compute loads per newton in every state of :func:`friction_ends_setting`.

    The same for every piece on the rig, so they are kept; nobody may change them.
    """
    return hang(rig, friction_ends_setting(rig, state), PLUMB)


def readings(rig: Rig, weight_n: float, state: State = "holding") -> tuple[StationReading, ...]:
    """Predict what every station of a rig reads for a weight, with the friction band.

    A tag line's pull counts where it is written.

    Parameters
    ----------
    rig : Rig
        With its stations.
    weight_n : float
        Of the piece, above 0.
    state : State
        ``raising``, ``holding``, ``lowering`` or ``first_drop``.

    Returns
    -------
    tuple of StationReading
        In the order of ``rig.stations``.

    Raises
    ------
    PredictionError
        The rig cannot be computed, a cell cannot be there, or the weight is not positive.
    """
    check_rig(rig)
    load = load_vector_n(rig, weight_n, tag_force_n(rig))
    loads = hang(rig, friction_ends_setting(rig, state), load)
    found = []
    for station in rig.stations:
        read = np.broadcast_to(reading_per_newton(rig, loads, station), loads.winch.shape)
        ends = (float(read[0]), float(np.min(read)), float(np.max(read)))
        found.append(StationReading(station.name, station.cell, _reads(rig, station), *ends))
    return tuple(found)


def station_gain(rig: Rig, rope: Rope | None = None, station: Station | None = None) -> StationGain:
    """Vertical load at the piece per newton read, for a piece hanging still.

    Parameters
    ----------
    rig : Rig
        With its stations.
    rope : Rope, optional
        Not used by static friction; taken so that callers need not know that.
    station : Station, optional
        One of the rig's; the main one by default.

    Returns
    -------
    StationGain
        Gain 1 without band where the station carries the load itself; else the middle of
        the band between the states after lowering and after raising, each with friction
        one standard uncertainty stronger than written.

    Raises
    ------
    PredictionError
        The rig cannot be computed, or the cell cannot be there.

    Examples
    --------
    >>> from logger.records import Rig, Station
    >>> lead = Station(name="tie", mount="end", leg="lead")
    >>> station_gain(Rig(name="R", method="butt_tied", rope="blue", station=lead)).gain
    1.0
    """
    del rope
    check_rig(rig)
    at = station or rig.station
    if reads_directly(rig, at):
        return StationGain(1.0, 0.0, 1.0, 1.0, _reads(rig, at))
    reading = reading_per_newton(rig, friction_ends(rig, "holding"), at)[1:]
    if np.any(reading <= 0):
        raise _refuse(rig, at, "no load reaches it, so no weight can be read there")
    low, high = float(np.min(1.0 / reading)), float(np.max(1.0 / reading))
    gain = 0.5 * (low + high)
    band = (high - low) / (2.0 * gain) / math.sqrt(3.0)
    return StationGain(gain, math.hypot(band, GEOMETRY_REL_U), low, high, _reads(rig, at))
