"""A rig as points, lines and loads in space, ready to be drawn to scale.

Comes in: a rig, a piece's weight and shape. Goes out: a :class:`RigPicture` in SI. Must
not: draw, choose units, or compute loads other than by the statics of ``predicting``.

Notes
-----
The piece hangs free, without friction; the loads beside the lines are the band from
lowering to raising. In a drop this is the rig after the catch.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import Final

import msgspec
import numpy as np
from numpy.typing import NDArray

from analysis.predicting.hanging import load_vector_n, tag_force_n
from analysis.predicting.path import (
    Loads,
    hang,
    high_block,
    nodes_by_role,
    standing_redirects,
)
from analysis.predicting.place_loads import PlaceLoad, place_loads
from analysis.predicting.places import length_of, place_of
from analysis.predicting.rig import friction_ends_setting, station_place
from logger.records import Node, NodeRole, Piece, Rig

FloatArray = NDArray[np.float64]

FLAT_M: Final = 0.05
"""Own choice: a rig whose points lie this close to one upright plane is drawn in it."""

_LEAD_M: Final = 1.5
_FALL_M: Final = 6.0


@dataclass(frozen=True, slots=True, eq=False)
class DrawnLeg:
    """A straight stretch of rope between two points, and what it carries."""

    leg: str
    start: FloatArray
    end: FloatArray
    low_n: float
    high_n: float

    @property
    def length_m(self) -> float:
        """From end to end."""
        return float(length_of(self.end - self.start))


@dataclass(frozen=True, slots=True, eq=False)
class DrawnNode:
    """A node: where, how the rope pulls at it, and the angle between its legs."""

    name: str
    role: NodeRole
    at: FloatArray
    pull_n: FloatArray
    low_n: float
    high_n: float
    legs_rad: float | None
    bisector: FloatArray
    wood_axis: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True, eq=False)
class DrawnStation:
    """A cell's place and what it reads."""

    name: str
    at: FloatArray
    low_n: float
    high_n: float


@dataclass(frozen=True, slots=True, eq=False)
class RigPicture:
    """What a drawing of a rig shows.

    Parameters
    ----------
    rig : Rig
        As written.
    piece : Piece or None
        Its shape is drawn where it hangs.
    weight_n, weight_u_n : float
        Of the piece.
    legs, nodes, stations : tuple
        Along the rope from the device.
    tie : ndarray
        (3,): where the rope holds the piece.
    ghost : ndarray or None
        (3,): where the tie was before a drop.
    tag : ndarray or None
        (3,): pull of the tag line.
    across : ndarray
        (3,): horizontal direction that runs to the right in the picture.
    flat : bool
        All points lie in one upright plane.
    loads : tuple of PlaceLoad
        At every place.
    assumed : tuple of str
        What was not written and is drawn all the same.
    """

    rig: Rig
    piece: Piece | None
    weight_n: float
    weight_u_n: float
    legs: tuple[DrawnLeg, ...]
    nodes: tuple[DrawnNode, ...]
    stations: tuple[DrawnStation, ...]
    tie: FloatArray
    ghost: FloatArray | None
    tag: FloatArray | None
    across: FloatArray
    flat: bool
    loads: tuple[PlaceLoad, ...]
    assumed: tuple[str, ...]


def rig_picture(
    rig: Rig,
    weight_n: float,
    weight_u_n: float = 0.0,
    piece: Piece | None = None,
    loads: tuple[PlaceLoad, ...] | None = None,
) -> RigPicture:
    """Put a rig's points, legs and loads together.

    Parameters
    ----------
    rig : Rig
        To draw.
    weight_n, weight_u_n : float
        Of the piece; expanded uncertainty.
    piece : Piece, optional
        For its shape.
    loads : tuple of PlaceLoad, optional
        With peaks; computed without them when not given.

    Returns
    -------
    RigPicture

    Raises
    ------
    PredictionError
        The rig cannot be computed.
    """
    found = place_loads(rig, weight_n, weight_u_n) if loads is None else loads
    drawn, assumed = _with_places(rig)
    at = friction_ends_setting(drawn, "holding")
    states = hang(drawn, at, load_vector_n(drawn, weight_n, tag_force_n(drawn)))
    size = at.motion.shape
    top = place_of(high_block(drawn))
    lead_m = _lead_m(drawn, states)
    towards = np.broadcast_to(states.pulls[high_block(drawn).name][0][1], (*size, 3))[0]
    tie = top + lead_m * towards
    legs = _legs(drawn, states, tie, size)
    points = np.array([*(place_of(node) for node in drawn.nodes), top, tie])
    across, flat = _across(points)
    return RigPicture(
        rig=drawn,
        piece=piece,
        weight_n=weight_n,
        weight_u_n=weight_u_n,
        legs=legs,
        nodes=_nodes(drawn, states, found),
        stations=_stations(drawn, found, legs, tie),
        tie=tie,
        ghost=_ghost(piece, top),
        tag=tag_force_n(drawn),
        across=across,
        flat=flat,
        loads=found,
        assumed=assumed,
    )


def _with_places(rig: Rig) -> tuple[Rig, tuple[str, ...]]:
    """Give every node a place; say what is not written."""
    assumed = []
    if rig.method != "span_rig" and rig.lead_length_m is None:
        assumed.append(f"the lead's length is not written: drawn {_LEAD_M:g} m long")
    nodes = rig.nodes
    if not nodes_by_role(rig, "high_block"):
        nodes = (*nodes, msgspec.structs.replace(high_block(rig), z_m=_FALL_M))
        assumed.append("no high block is written: one of ordinary friction is drawn")
    if not nodes_by_role(rig, "device"):
        top = next(node for node in nodes if node.role == "high_block")
        below = top.z_m - (rig.fall_length_m or _FALL_M)
        device = Node(name="device", role="device", x_m=top.x_m, y_m=top.y_m, z_m=below)
        nodes = (device, *nodes)
        assumed.append("no device is written: the fall is drawn plumb")
    places = np.array([place_of(node) for node in nodes])
    if np.ptp(places, axis=0).max() < FLAT_M:
        nodes = tuple(_spread(node, i) for i, node in enumerate(nodes))
        assumed.append("no positions are written: a sketch, not to scale")
    return msgspec.structs.replace(rig, nodes=nodes), tuple(assumed)


def _spread(node: Node, i: int) -> Node:
    """Put a node of a sketch somewhere clear."""
    if node.role == "high_block":
        return msgspec.structs.replace(node, z_m=node.z_m + _FALL_M)
    return msgspec.structs.replace(node, x_m=node.x_m + (0.0 if node.role == "device" else 0.8 * i))


def _lead_m(rig: Rig, states: Loads) -> float:
    if states.span is not None:
        return float(np.ravel(states.span.lead_m)[0])
    return rig.lead_length_m or _LEAD_M


def _ends(tension: FloatArray, size: tuple[int, ...]) -> tuple[float, float]:
    """Give both ends of the band."""
    every = np.broadcast_to(tension, size)
    return float(np.min(every)), float(np.max(every))


def _legs(rig: Rig, states: Loads, tie: FloatArray, size: tuple[int, ...]) -> tuple[DrawnLeg, ...]:
    """Follow the rope from the device to its end."""
    held = standing_redirects(rig)
    redirects = [node for node in nodes_by_role(rig, "redirect") if node not in held]
    top = high_block(rig)
    path = [*nodes_by_role(rig, "device"), *redirects, top]
    legs = [
        DrawnLeg(
            "fall",
            place_of(a),
            place_of(b),
            *_ends(states.pulls[b.name][1][0], size),
        )
        for a, b in itertools.pairwise(path)
    ]
    legs.append(DrawnLeg("lead", place_of(top), tie, *_ends(states.legs["lead"], size)))
    if rig.method == "span_rig":
        start = tie
        tension = states.legs["standing"]
        for node in (*held, *nodes_by_role(rig, "anchor")):
            legs.append(DrawnLeg("standing", start, place_of(node), *_ends(tension, size)))
            start = place_of(node)
            tension = states.pulls[node.name][-1][0]
    return tuple(legs)


def _nodes(rig: Rig, states: Loads, loads: tuple[PlaceLoad, ...]) -> tuple[DrawnNode, ...]:
    vectors = states.vectors
    known = {one.name: one for one in loads if one.kind == "sling"}
    found = []
    for node in rig.nodes:
        if node.name not in vectors or node.role == "piece_block":
            continue
        pull = vectors[node.name].reshape(-1, 3)[0]
        ways = [np.reshape(way, (-1, 3))[0] for _, way in states.pulls[node.name]]
        angle, bisector = None, np.zeros(3)
        if len(ways) == 2:
            angle = float(np.arccos(np.clip(ways[0] @ ways[1], -1.0, 1.0)))
            bisector = ways[0] + ways[1]
        load = known.get(node.name)
        low, high = (
            (load.low_n, load.high_n)
            if load is not None
            else _ends(states.slings[node.name], states.winch.shape)
        )
        found.append(
            DrawnNode(
                node.name, node.role, place_of(node), pull, low, high, angle, bisector,
                node.wood_axis,
            )
        )  # fmt: skip
    return tuple(found)


def _stations(
    rig: Rig, loads: tuple[PlaceLoad, ...], legs: tuple[DrawnLeg, ...], tie: FloatArray
) -> tuple[DrawnStation, ...]:
    """Find where each cell sits in the picture."""
    read = {one.name: one for one in loads if one.kind == "station"}
    places = {node.name: place_of(node) for node in rig.nodes}
    places |= {node.name: tie for node in nodes_by_role(rig, "piece_block")}
    found = []
    for station in rig.stations:
        kind, name = station_place(rig, station)
        if kind == "sling":
            at = places[name]
        else:
            leg = next(one for one in legs if one.leg == name)
            part = 0.5 if name == "fall" else 1.0
            at = leg.start + part * (leg.end - leg.start)
        load = read[station.name]
        found.append(DrawnStation(station.name, at, load.low_n, load.high_n))
    return tuple(found)


def _ghost(piece: Piece | None, top: FloatArray) -> FloatArray | None:
    """Where the tie is before a drop."""
    if piece is None or piece.drop is None:
        return None
    return np.asarray(top + np.array([0.0, 0.0, piece.drop.tie_above_block_m]))


def _across(points: FloatArray) -> tuple[FloatArray, bool]:
    """Find the horizontal direction along which the rig spreads most, and whether it is flat."""
    flat = points[:, :2] - points[:, :2].mean(axis=0)
    _, sizes, ways = np.linalg.svd(flat)
    way = ways[0] if sizes[0] > FLAT_M else np.array([1.0, 0.0])
    way = -way if way[np.argmax(np.abs(way))] < 0 else way
    square = flat @ np.array([-way[1], way[0]])
    return np.array([way[0], way[1], 0.0]), bool(np.ptp(square) < FLAT_M)


def from_plumb_rad(leg: DrawnLeg) -> float:
    """Angle of a leg from plumb.

    Examples
    --------
    >>> import math
    >>> leg = DrawnLeg("lead", np.zeros(3), np.array([1.0, 0.0, -1.0]), 0.0, 0.0)
    >>> round(math.degrees(from_plumb_rad(leg)))
    45
    """
    way = leg.end - leg.start
    length = float(length_of(way))
    return float(np.arccos(np.clip(abs(way[2]) / length, 0.0, 1.0))) if length > 0 else 0.0
