"""The rope's path through a rig: what every leg and sling carries.

Comes in: a rig. Goes out: loads per newton of vertical load at the piece, with friction
on the side that the motion gives. Must not: draw random numbers or know about cells.

Notes
-----
One rope: device → redirects → high block A → [piece block P → anchor B]. ``motion`` is 1
raising, −1 lowering or first drop, 0 without friction, and anywhere between at rest.
Nodes at the same place (no positions written) count as legs hanging plumb.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.friction import sheave_efficiency
from analysis.predicting.inputs import name_of
from analysis.predicting.span import SpanState, solve_span
from logger.records import Leg, Node, NodeRole, Rig

FloatArray = NDArray[np.float64]

EFFICIENCY_U: Final = 0.03
"""Own assumption: standard uncertainty of a block's η that was not measured in drops."""

WRAP_FRICTION_REL_U: Final = 0.2
"""Own assumption: relative standard uncertainty of a wrap contact's μθ."""

_PLUMB: Final = np.array([0.0, 0.0, -1.0])
DEFAULT_BLOCK: Final = Node(name="high block", role="high_block")


@dataclass(frozen=True, slots=True, eq=False)
class Loads:
    """Loads per newton of vertical load at the piece; arrays of one shape.

    ``legs`` by leg name; ``slings`` by node name (resultant of the legs there).
    """

    legs: dict[Leg, FloatArray]
    slings: dict[str, FloatArray]
    span: SpanState | None


def nodes_by_role(rig: Rig, role: NodeRole) -> tuple[Node, ...]:
    """Nodes of a role in the order written."""
    return tuple(node for node in rig.nodes if node.role == role)


def high_block(rig: Rig) -> Node:
    """Find the high block; one of ordinary friction when none is written."""
    found = nodes_by_role(rig, "high_block")
    return found[0] if found else DEFAULT_BLOCK


def _path(rig: Rig) -> tuple[Node, ...]:
    """Nodes from the high block down to the device."""
    redirects = tuple(reversed(nodes_by_role(rig, "redirect")))
    return (high_block(rig), *redirects, *nodes_by_role(rig, "device"))


def _at(node: Node) -> FloatArray:
    return np.array([node.x_m, node.y_m, node.z_m])


def _towards(start: Node, end: Node | None) -> FloatArray:
    """Give the unit vector from one node to the next; plumb when there is no other place."""
    if end is None:
        return _PLUMB
    way = _at(end) - _at(start)
    length = float(np.linalg.norm(way))
    return way / length if length > 1e-9 else _PLUMB


def fall_length_m(rig: Rig) -> float | None:
    """Length of the fall: as written, else along the nodes' positions, else None."""
    if rig.fall_length_m is not None:
        return rig.fall_length_m
    path = _path(rig)
    steps = [math.dist(_at(a), _at(b)) for a, b in itertools.pairwise(path)]
    total = math.fsum(steps)
    return total if total > 0 else None


def included_rad(rig: Rig) -> float:
    """Compute the angle between a plumb lead and the fall at the high block."""
    path = _path(rig)
    fall = _towards(path[0], path[1] if len(path) > 1 else None)
    return math.acos(float(np.clip(_PLUMB @ fall, -1.0, 1.0)))


def contact_ratio(node: Node, wrap_rad: FloatArray, *, drop: bool, shift: FloatArray) -> FloatArray:
    """Low over high tension at a node; 0 where the rope is fixed.

    Parameters
    ----------
    node : Node
        With its contact.
    wrap_rad : ndarray
        Angle through which the rope turns there.
    drop : bool
        Whether η for drops is used where it is known.
    shift : ndarray
        Distance from the nominal friction, in standard uncertainties.

    Returns
    -------
    ndarray of float64
    """
    if node.contact == "fixed":
        return np.zeros_like(shift)
    if node.contact == "wrap":
        angle = node.friction_angle * (1.0 + WRAP_FRICTION_REL_U * shift)
        return np.asarray(np.exp(-np.maximum(angle, 0.0)))
    return sheave_efficiency(_efficiency(node, drop=drop, shift=shift), wrap_rad)


def _efficiency(node: Node, *, drop: bool, shift: FloatArray) -> FloatArray:
    eta = node.efficiency
    if drop and node.efficiency_drop is not None:
        eta = node.efficiency_drop
    return np.asarray(np.clip(eta + EFFICIENCY_U * shift, 0.3, 1.0))


def _span_state(rig: Rig, motion: FloatArray, *, drop: bool, shift: FloatArray) -> SpanState:
    top, bottom = _at(high_block(rig)), _at(nodes_by_role(rig, "anchor")[0])
    way = bottom - top
    block = nodes_by_role(rig, "piece_block")[0]
    sheave = block.contact == "sheave"
    if sheave:
        eta = _efficiency(block, drop=drop, shift=shift)
    else:
        eta = contact_ratio(block, np.zeros_like(shift), drop=drop, shift=shift)
    if np.any(eta <= 0):
        raise PredictionError(
            f"{name_of(rig)}: the piece's block {block.name!r} is fixed to the rope; a span rig "
            "needs contact = 'sheave' or 'wrap' there"
        )
    return solve_span(
        float(np.hypot(way[0], way[1])),
        float(-way[2]),
        rig.rope_length_m or 0.0,
        efficiency=eta,
        motion=motion,
        by_angle=sheave,
    )


def _lead_direction(rig: Rig, span: SpanState | None) -> FloatArray:
    """Give the unit vector along the lead, seen from the high block; (..., 3)."""
    if span is None:
        return _PLUMB
    way = _at(nodes_by_role(rig, "anchor")[0]) - _at(high_block(rig))
    flat = float(np.hypot(way[0], way[1]))
    east, north = (way[0] / flat, way[1] / flat) if flat > 0 else (1.0, 0.0)
    sin, cos = np.sin(span.lead_angle_rad), np.cos(span.lead_angle_rad)
    return np.stack([sin * east, sin * north, -cos], axis=-1)


def loads_per_newton(
    rig: Rig, motion: ArrayLike, *, drop: bool = False, shift: ArrayLike = 0.0
) -> Loads:
    """Compute loads in legs and slings for one newton of vertical load at the piece.

    Parameters
    ----------
    rig : Rig
        As checked by :func:`check_rig`.
    motion : array_like
        1 raising, −1 lowering or first drop, 0 without friction, between them at rest.
    drop : bool
        Whether a block's η for drops is used where it is known.
    shift : array_like
        How far every contact's friction lies from its nominal value, in its own standard
        uncertainties; positive means less friction at sheaves.

    Returns
    -------
    Loads

    Raises
    ------
    PredictionError
        The rope is too short for the span.
    """
    way, offset = (
        np.array(v)
        for v in np.broadcast_arrays(np.asarray(motion, float), np.asarray(shift, float))
    )
    span = None
    tension = np.ones_like(way)
    legs: dict[Leg, FloatArray] = {}
    slings: dict[str, FloatArray] = {}
    if rig.method == "span_rig":
        span = _span_state(rig, way, drop=drop, shift=offset)
        tension = span.lead_share
        legs["standing"] = span.standing_share
        slings[nodes_by_role(rig, "piece_block")[0].name] = np.ones_like(way)
        slings[nodes_by_role(rig, "anchor")[0].name] = span.standing_share
    legs["lead"] = tension
    towards_piece = _lead_direction(rig, span)
    path = _path(rig)
    for i, node in enumerate(path):
        if node.role == "device":
            slings[node.name] = tension
            break
        onward = path[i + 1] if i + 1 < len(path) else None
        out = _towards(node, onward)
        cos = np.clip(towards_piece @ out, -1.0, 1.0)
        ratio = contact_ratio(node, np.pi - np.arccos(cos), drop=drop, shift=offset)
        after = tension * ratio if node.contact == "fixed" else tension * ratio**-way
        slings[node.name] = np.sqrt(
            np.maximum(tension**2 + after**2 + 2.0 * tension * after * cos, 0.0)
        )
        tension = after
        legs.setdefault("fall", after)
        towards_piece = -out
    return Loads(legs, slings, span)
