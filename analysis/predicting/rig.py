"""A rig and its station: whether a cell can be there, what it reads, what that means.

Comes in: a rig. Goes out: the reading at the station per newton of vertical load at the
piece, and the gain that turns a reading back into a load. Must not: draw random numbers
or know about pieces.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.inputs import check_numbers, missing, name_of
from analysis.predicting.path import DEFAULT_BLOCK, Loads, loads_per_newton, nodes_by_role
from logger.records import Node, NodeRole, Rig, Rope, Station

FloatArray = NDArray[np.float64]

GEOMETRY_REL_U: Final = 0.01
"""Own assumption: leg angles from taped positions, on any load that depends on them."""

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
    check_station(rig)


def _refuse(rig: Rig, why: str) -> PredictionError:
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
    return PredictionError(f"{name_of(rig)}: station {rig.station.name!r}: {why}; use {instead}")


def _station_node(rig: Rig) -> Node:
    wanted = rig.station.node
    for node in rig.nodes:
        if node.name == wanted:
            return node
    same_role = [node for node in rig.nodes if node.role == wanted]
    if len(same_role) == 1:
        return same_role[0]
    if not rig.nodes and wanted == "high_block":
        return DEFAULT_BLOCK
    known = ", ".join(repr(node.name) for node in rig.nodes) or "none written"
    raise _refuse(rig, f"node {wanted!r} is not in the rig (nodes: {known})")


def _check_end(rig: Rig, station: Station) -> None:
    span = rig.method == "span_rig"
    if station.leg is None and not station.node:
        raise _refuse(rig, "a cell at an end needs to say which: node or leg")
    if station.node:
        node = _station_node(rig)
        if node.role != "anchor" or not span:
            raise _refuse(rig, f"no rope ends at {node.name!r}: the rope runs through it")
    elif station.leg == "fall":
        raise _refuse(rig, "the fall runs: an inline cell in it cannot pass block and device")
    elif station.leg == "lead" and span:
        raise _refuse(rig, "the lead runs: an inline cell in it cannot pass the piece's block")
    elif station.leg == "standing" and not span:
        raise _refuse(rig, "only a span rig has a standing leg")


def check_station(rig: Rig) -> None:
    """Refuse a station where a cell cannot be.

    Raises
    ------
    PredictionError
        With the reason and the alternatives.
    """
    station = rig.station
    if station.mount == "end":
        _check_end(rig, station)
    elif station.mount == "sling":
        if not station.node:
            raise _refuse(rig, "a cell in a sling needs node = whose sling")
        node = _station_node(rig)
        if rig.method != "span_rig" and node.role in {"piece_block", "anchor"}:
            raise _refuse(rig, f"the rope of this method does not pass {node.name!r}")
    elif station.leg is None:
        raise _refuse(rig, "a sensor on the running line needs leg = 'fall'")
    elif station.leg != "fall":
        raise _refuse(
            rig,
            f"the {station.leg} leg moves with the piece, so nothing holds a sensor on it and "
            "it is carried into the block",
        )


def reading_per_newton(rig: Rig, loads: Loads) -> FloatArray:
    """Give the reading at the rig's station per newton of vertical load at the piece."""
    station = rig.station
    if station.mount == "sling":
        return loads.slings[_station_node(rig).name]
    if station.mount == "running_line":
        return loads.legs["fall"]
    if station.node or station.leg == "standing":
        return loads.legs["standing"]
    return loads.legs["lead"]


def reads_directly(rig: Rig) -> bool:
    """Whether the station carries the vertical load itself, whatever the friction."""
    station = rig.station
    if station.mount == "end":
        return station.leg == "lead" and not station.node
    return station.mount == "sling" and _station_node(rig).role == "piece_block"


def _reads(rig: Rig) -> str:
    station = rig.station
    if station.mount == "sling":
        return f"the load in the sling of {_station_node(rig).name}"
    if station.mount == "running_line":
        return "the tension of the fall"
    if station.node or station.leg == "standing":
        return "the tension of the standing leg at the anchor"
    return "the tension of the lead at the piece"


def station_gain(rig: Rig, rope: Rope | None = None) -> StationGain:
    """Vertical load at the piece per newton read, for a piece hanging still.

    Parameters
    ----------
    rig : Rig
        With its station.
    rope : Rope, optional
        Not used by static friction; taken so that callers need not know that.

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
    if reads_directly(rig):
        return StationGain(1.0, 0.0, 1.0, 1.0, _reads(rig))
    loads = loads_per_newton(rig, np.array([-1.0, 1.0]), shift=np.array([-1.0, -1.0]))
    reading = reading_per_newton(rig, loads)
    if np.any(reading <= 0):
        raise _refuse(rig, "no load reaches it, so no weight can be read there")
    low, high = sorted(float(v) for v in 1.0 / reading)
    gain = 0.5 * (low + high)
    band = (high - low) / (2.0 * gain) / math.sqrt(3.0)
    return StationGain(gain, math.hypot(band, GEOMETRY_REL_U), low, high, _reads(rig))
