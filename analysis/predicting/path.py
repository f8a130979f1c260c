"""The rope's path through a rig: what every leg and sling carries.

Comes in: a rig. Goes out: loads in its legs and slings, as numbers and as vectors, with
friction on the side that the motion gives. Must not: draw random numbers or know about
cells.

Notes
-----
One rope: device → redirects → high block A → [piece block P → redirects → anchor B]. A
redirect written between piece block and anchor stands on the standing side; every other
one between device and high block. ``motion`` is 1 raising, −1 lowering or first drop, 0
without friction, and anywhere between at rest. Over contacts on the standing side no rope
runs: their state ``rest`` lies anywhere from −1 to 1 whatever the piece does. Nodes at the
same place (no positions written) count as legs hanging plumb.

With a load that is not plumb (a tag line's pull added to the weight) the two legs and the
load still lie in one plane, the one through A, B and the load's direction: the span's
solver is used in that plane with the load's direction as *down*. So 3D costs nothing.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.friction import efficiency_at_cos, to_the
from analysis.predicting.inputs import name_of
from analysis.predicting.places import (
    PLUMB,
    Places,
    Pulls,
    dot,
    length_of,
    place_of,
    resultants,
    scaled,
    sideways,
    slanted,
    unit,
)
from analysis.predicting.span import SpanState, solve_span
from logger.records import Leg, Node, NodeRole, Rig

FloatArray = NDArray[np.float64]

EFFICIENCY_U: Final = 0.03
"""Own assumption: standard uncertainty of a block's η that was not measured in drops."""

WRAP_FRICTION_REL_U: Final = 0.2
"""Own assumption: relative standard uncertainty of a wrap contact's μθ."""

DEFAULT_BLOCK: Final = Node(name="high block", role="high_block")


@dataclass(frozen=True, slots=True, eq=False)
class Loads:
    """Loads in newtons, or per newton of vertical load at the piece; arrays of one shape.

    ``legs`` by leg name; ``slings`` by node name: size of the resultant of the legs there;
    ``pulls`` by node name: tension and direction (..., 3) of each leg there. ``winch`` is
    the tension in the last leg, at the device or winch.
    """

    legs: dict[Leg, FloatArray]
    slings: dict[str, FloatArray]
    span: SpanState | None
    pulls: dict[str, Pulls]
    winch: FloatArray

    def at(self, kind: Literal["leg", "sling"], name: str) -> FloatArray:
        """Load in a leg, or in the sling of a node."""
        if kind == "sling":
            return self.slings[name]
        return next(force for leg, force in self.legs.items() if leg == name)

    @property
    def vectors(self) -> dict[str, FloatArray]:
        """Resultants as vectors, (..., 3) with z up: how the rope pulls at each node."""
        return resultants(self.pulls)


def nodes_by_role(rig: Rig, role: NodeRole) -> tuple[Node, ...]:
    """Nodes of a role in the order written."""
    return tuple(node for node in rig.nodes if node.role == role)


def high_block(rig: Rig) -> Node:
    """Find the high block; one of ordinary friction when none is written."""
    found = nodes_by_role(rig, "high_block")
    return found[0] if found else DEFAULT_BLOCK


def _path(rig: Rig) -> tuple[Node, ...]:
    """Nodes from the high block down to the device."""
    held = standing_redirects(rig)
    redirects = [node for node in nodes_by_role(rig, "redirect") if node not in held]
    return (high_block(rig), *reversed(redirects), *nodes_by_role(rig, "device"))


def standing_redirects(rig: Rig) -> tuple[Node, ...]:
    """Contacts between piece block and anchor, in the rope's order from the piece."""
    roles = [node.role for node in rig.nodes]
    if rig.method != "span_rig" or "piece_block" not in roles or "anchor" not in roles:
        return ()
    between = rig.nodes[roles.index("piece_block") : roles.index("anchor")]
    return tuple(node for node in between if node.role == "redirect")


def fall_length_m(rig: Rig) -> float | None:
    """Length of the fall: as written, else along the nodes' positions, else None."""
    if rig.fall_length_m is not None:
        return rig.fall_length_m
    path = _path(rig)
    steps = [math.dist(place_of(a), place_of(b)) for a, b in itertools.pairwise(path)]
    total = math.fsum(steps)
    return total if total > 0 else None


def included_rad(rig: Rig) -> float:
    """Compute the angle between a plumb lead and the fall at the high block."""
    path = _path(rig)
    fall = Places().towards(path[0], path[1] if len(path) > 1 else None)
    return math.acos(float(np.clip(PLUMB @ fall, -1.0, 1.0)))


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
        Distance from the nominal friction, in standard uncertainties, positive for less.

    Returns
    -------
    ndarray of float64
    """
    return _at_cos(node, np.cos(wrap_rad), drop=drop, shift=shift)


def _at_cos(node: Node, cos_wrap: FloatArray, *, drop: bool, shift: FloatArray) -> FloatArray:
    if node.contact == "fixed":
        return np.zeros_like(shift)
    if node.contact == "wrap":
        angle = node.friction_angle * (1.0 - WRAP_FRICTION_REL_U * shift)
        return np.asarray(np.exp(-np.maximum(angle, 0.0)))
    return efficiency_at_cos(_efficiency(node, drop=drop, shift=shift), cos_wrap)


def _efficiency(node: Node, *, drop: bool, shift: FloatArray) -> FloatArray:
    eta = node.efficiency
    if drop and node.efficiency_drop is not None:
        eta = node.efficiency_drop
    return np.asarray(np.clip(eta + EFFICIENCY_U * shift, 0.3, 1.0))


@dataclass(frozen=True, slots=True, eq=False)
class Setting:
    """What friction does: motion, state of contacts at rest, drop or slow, and its strength.

    ``motion``, ``rest`` and ``shift`` have one shape; see :func:`loads_per_newton`.
    """

    motion: FloatArray
    rest: FloatArray
    shift: FloatArray
    drop: bool

    def ratio(self, node: Node, cos_included: FloatArray) -> FloatArray:
        """Low over high tension at a node whose two legs include an angle."""
        wrap = -np.clip(cos_included, -1.0, 1.0)
        return _at_cos(node, wrap, drop=self.drop, shift=self.shift)


def setting(motion: ArrayLike, rest: ArrayLike, shift: ArrayLike, *, drop: bool) -> Setting:
    """Bring motion, rest and shift to one shape."""
    given = np.broadcast_arrays(*(np.asarray(v, float) for v in (motion, rest, shift)))
    way, still, offset = (np.array(v) for v in given)
    return Setting(way, still, offset, drop)


class Walk:
    """Loads gathered along the rope, contact by contact."""

    __slots__ = ("legs", "pulls", "slings")

    def __init__(self) -> None:
        self.legs: dict[Leg, FloatArray] = {}
        self.slings: dict[str, FloatArray] = {}
        self.pulls: dict[str, Pulls] = {}

    def end(self, name: str, leg: tuple[FloatArray, FloatArray]) -> None:
        """Note a node that one leg pulls at: tension and direction."""
        self.slings[name] = leg[0]
        self.pulls[name] = (leg,)

    def turn(self, name: str, cos: FloatArray, *legs: tuple[FloatArray, FloatArray]) -> None:
        """Note a node at which the rope turns between two legs that include an angle."""
        (before, _), (after, _) = legs
        square = before**2 + after**2 + 2.0 * before * after * np.clip(cos, -1.0, 1.0)
        self.slings[name] = np.sqrt(np.maximum(square, 0.0))
        self.pulls[name] = legs


def walk_to_winch(
    rig: Rig, at: Setting, places: Places, walk: Walk, lead: tuple[FloatArray, FloatArray]
) -> FloatArray:
    """Follow the rope from the high block to the device; gives the tension there.

    Parameters
    ----------
    rig : Rig
        With its nodes.
    at : Setting
        Friction.
    places : Places
        Where the nodes are.
    walk : Walk
        Takes the legs and slings met.
    lead : tuple of ndarray
        Tension of the lead and unit vector along it, seen from the high block.

    Returns
    -------
    ndarray of float64
    """
    tension, towards_piece = lead
    path = _path(rig)
    for i, node in enumerate(path):
        if node.role == "device":
            walk.end(node.name, (tension, towards_piece))
            break
        out = places.towards(node, path[i + 1] if i + 1 < len(path) else None)
        cos = dot(towards_piece, out)
        ratio = at.ratio(node, cos)
        after = tension * (ratio if node.contact == "fixed" else to_the(ratio, -at.motion))
        walk.turn(node.name, cos, (tension, towards_piece), (after, out))
        tension = after
        walk.legs.setdefault("fall", after)
        towards_piece = -out
    return tension


def walk_to_anchor(
    rig: Rig, at: Setting, places: Places, walk: Walk, standing: tuple[FloatArray, FloatArray]
) -> None:
    """Follow the standing leg from the piece to its anchor.

    ``standing`` is its tension and the unit vector along it, seen from the first node.
    """
    tension, towards_piece = standing
    path = (*standing_redirects(rig), *nodes_by_role(rig, "anchor"))
    for node, onward in itertools.pairwise(path):
        out = places.towards(node, onward)
        cos = dot(towards_piece, out)
        ratio = at.ratio(node, cos)
        after = tension * (ratio if node.contact == "fixed" else to_the(ratio, at.rest))
        walk.turn(node.name, cos, (tension, towards_piece), (after, out))
        tension, towards_piece = after, -out
    walk.end(path[-1].name, (tension, towards_piece))


def second_point(rig: Rig) -> Node:
    """Where the standing leg goes to from the piece: the first contact, or the anchor."""
    return (*standing_redirects(rig), *nodes_by_role(rig, "anchor"))[0]


def tail_m(rig: Rig, places: Places) -> FloatArray:
    """Rope beyond the standing side's first point, on to the anchor."""
    path = (*standing_redirects(rig), *nodes_by_role(rig, "anchor"))
    ways = [places.of(b) - places.of(a) for a, b in itertools.pairwise(path)]
    return np.asarray(sum((length_of(way) for way in ways), np.zeros(())))


def piece_block(rig: Rig) -> Node:
    """Find the block on the piece; refuse one that is tied to the rope."""
    block = nodes_by_role(rig, "piece_block")[0]
    if block.contact == "fixed":
        raise PredictionError(
            f"{name_of(rig)}: the piece's block {block.name!r} is fixed to the rope; a span rig "
            "needs contact = 'sheave' or 'wrap' there"
        )
    return block


def _hang_in_span(
    rig: Rig, at: Setting, places: Places, down: FloatArray, rope_m: ArrayLike
) -> tuple[SpanState, FloatArray, FloatArray]:
    """Solve the span with ``down`` as the load's direction; and both legs seen from above."""
    block = piece_block(rig)
    sheave = block.contact == "sheave"
    if sheave:
        eta = _efficiency(block, drop=at.drop, shift=at.shift)
    else:
        eta = contact_ratio(block, np.zeros_like(at.shift), drop=at.drop, shift=at.shift)
    way = places.of(second_point(rig)) - places.of(high_block(rig))
    along = dot(way, down)
    across = way - scaled(along, down)
    span = length_of(across)
    state = solve_span(span, along, rope_m, efficiency=eta, motion=at.motion, by_angle=sheave)
    level = span > 0
    aside = across / np.where(level, span, 1.0)[..., None]
    if not np.all(level):
        aside = np.where(level[..., None], aside, sideways(down))
    l1, l2 = state.lead_m, state.standing_m
    lead = slanted(state.from_high_block_m / l1, state.depth_m / l1, aside, down)
    return state, lead, slanted(state.to_anchor_m / l2, state.below_anchor_m / l2, -aside, down)


def hang(
    rig: Rig,
    at: Setting,
    load_n: FloatArray,
    *,
    rope_m: ArrayLike | None = None,
    places: Places | None = None,
) -> Loads:
    """Compute loads of a piece that hangs free, for a load given as a vector.

    Parameters
    ----------
    rig : Rig
        As checked by ``check_rig``.
    at : Setting
        Friction.
    load_n : ndarray
        (..., 3), z up: weight and whatever else pulls at the piece.
    rope_m : array_like, optional
        Rope between high block and the standing side's first point; as written by default.
    places : Places, optional
        Where the nodes are; as written by default.

    Returns
    -------
    Loads
        In newtons.
    """
    where = places or Places()
    size, down, walk = length_of(load_n), unit(load_n), Walk()
    span = None
    tension, lead = size * np.ones_like(at.motion), down
    if rig.method == "span_rig":
        length = (rig.rope_length_m or 0.0) - tail_m(rig, where) if rope_m is None else rope_m
        span, lead, standing = _hang_in_span(rig, at, where, down, length)
        tension = size * span.lead_share
        walk.legs["standing"] = size * span.standing_share
        walk.end(piece_block(rig).name, (size * np.ones_like(tension), -down))
        walk_to_anchor(rig, at, where, walk, (walk.legs["standing"], standing))
    walk.legs["lead"] = tension
    winch = walk_to_winch(rig, at, where, walk, (tension, lead))
    return Loads(walk.legs, walk.slings, span, walk.pulls, winch)


def loads_per_newton(
    rig: Rig,
    motion: ArrayLike,
    *,
    drop: bool = False,
    shift: ArrayLike = 0.0,
    rest: ArrayLike = 0.0,
) -> Loads:
    """Compute loads in legs and slings for one newton of vertical load at the piece.

    Parameters
    ----------
    rig : Rig
        As checked by ``check_rig``.
    motion : array_like
        1 raising, −1 lowering or first drop, 0 without friction, between them at rest.
    drop : bool
        Whether a block's η for drops is used where it is known.
    shift : array_like
        How far every contact's friction lies from its nominal value, in its own standard
        uncertainties; positive means less friction.
    rest : array_like
        State of contacts on the standing side, over which no rope runs, −1 to 1; 1 is
        that after the load has grown.

    Returns
    -------
    Loads

    Raises
    ------
    PredictionError
        The rope is too short for the span.
    """
    return hang(rig, setting(motion, rest, shift, drop=drop), PLUMB)
