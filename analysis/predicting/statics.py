"""Statics of one rope: a piece held by its hinge, or hanging free.

Comes in: a rig, a place of the tie or a load, the winch's pull; numbers or arrays. Goes
out: the rope's force at the piece as a vector, tensions of the legs, resultants at the
nodes. Must not: know about the hinge's strength or the piece's shape, or draw random
numbers.

Notes
-----
All forces are newtons, all vectors (..., 3) with z up. Every quantity may be an array
over draws; they broadcast. Weight of the rope neglected, contacts are points, no wind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.friction import to_the
from analysis.predicting.inputs import name_of
from analysis.predicting.path import (
    Setting,
    Walk,
    high_block,
    piece_block,
    second_point,
    setting,
    walk_to_anchor,
    walk_to_winch,
)
from analysis.predicting.places import Places, dot, length_of, resultants, scaled, unit
from logger.records import Leg, Rig

FloatArray = NDArray[np.float64]

NO_LEG_M: Final = 1e-6
"""Shorter than this a leg has no direction."""


@dataclass(frozen=True, slots=True, eq=False)
class HeldPiece:
    """A piece on its hinge while the winch pulls.

    Parameters
    ----------
    force_n : ndarray
        (..., 3): sum of the rope's pulls at the tie (or at the piece's block). Its part up
        is ``force_n[..., 2]``.
    legs : dict
        Leg name → tension.
    slings : dict
        Node name → size of the resultant of the legs there.
    vectors : dict
        Node name → that resultant, (..., 3): how the rope pulls at the node.
    rope_m : ndarray
        Rope between high block and tie, in a span rig on to the standing side's first point.
    """

    force_n: FloatArray
    legs: dict[Leg, FloatArray]
    slings: dict[str, FloatArray]
    vectors: dict[str, FloatArray]
    rope_m: FloatArray


def _held_per_lead(
    rig: Rig, at: Setting, places: Places, tie: FloatArray
) -> tuple[Walk, FloatArray, FloatArray, FloatArray]:
    """Compute loads per newton of lead, tension at the winch, force at the piece, rope length."""
    way = tie - places.of(high_block(rig))
    lead, rope = unit(way), length_of(way)
    one = np.ones(np.broadcast_shapes(at.motion.shape, rope.shape))
    walk = Walk()
    walk.legs["lead"] = one
    force = scaled(-one, lead)
    if rig.method == "span_rig":
        block = piece_block(rig)
        way = tie - places.of(second_point(rig))
        standing, rope = unit(way), rope + length_of(way)
        ratio = to_the(at.ratio(block, dot(lead, standing)), at.motion)
        walk.legs["standing"] = one * ratio
        force = force - scaled(walk.legs["standing"], standing)
        walk_to_anchor(rig, at, places, walk, (walk.legs["standing"], standing))
        size = length_of(force)
        walk.end(block.name, (size, force / size[..., None]))
    winch = walk_to_winch(rig, at, places, walk, (one, lead))
    return walk, winch, force, rope


def force_at_piece(
    rig: Rig,
    tie_position: ArrayLike,
    winch_n: ArrayLike,
    motion: ArrayLike,
    *,
    drop: bool = False,
    shift: ArrayLike = 0.0,
    rest: ArrayLike = 0.0,
    places: Places | None = None,
) -> HeldPiece:
    """Compute the rope's force at a piece whose tie does not move.

    Parameters
    ----------
    rig : Rig
        As checked by ``check_rig``.
    tie_position : array_like
        (..., 3): where the lead is tied, in a span rig where the piece's block is, in the
        same coordinates as the nodes.
    winch_n : array_like
        Tension of the rope at the device or winch, not negative.
    motion : array_like
        1 winching up, −1 letting out, 0 without friction, anywhere between at rest.
    drop : bool
        Whether a block's η for drops is used where it is known.
    shift, rest : array_like
        As for ``loads_per_newton``.
    places : Places, optional
        Where the nodes are; as written by default.

    Returns
    -------
    HeldPiece

    Raises
    ------
    PredictionError
        The rope is fixed on its way to the winch, the tie lies at a block, or the pull is
        negative.

    Examples
    --------
    >>> from logger.records import Node, Station
    >>> rig = Rig(name="R", method="butt_tied", rope="blue",
    ...           station=Station(name="tie", mount="end", leg="lead"),
    ...           nodes=(Node(name="A", role="high_block", z_m=10.0), Node(name="D", role="device")))
    >>> [round(float(v), 1) for v in force_at_piece(rig, (0.0, 0.0, 6.0), 1000.0, 1.0).force_n[2:]]
    [900.0]
    """
    tie = np.asarray(tie_position, dtype=np.float64)
    pull = np.asarray(winch_n, dtype=np.float64)
    if tie.shape[-1:] != (3,) or not np.all(np.isfinite(tie)):
        raise PredictionError(f"{name_of(rig)}: the tie's position needs three numbers x, y, z")
    if not np.all(np.isfinite(pull)) or np.any(pull < 0):
        raise PredictionError(f"{name_of(rig)}: the winch's pull must be a number, not negative")
    at = setting(motion, rest, shift, drop=drop)
    where = places or Places()
    walk, winch, force, rope = _held_per_lead(rig, at, where, tie)
    if np.any(winch <= 0):
        raise PredictionError(
            f"{name_of(rig)}: the rope is fixed on its way to the winch, so no pull arrives at the "
            "piece; write contact = 'sheave' or 'wrap' there"
        )
    _check_tie(rig, where, tie)
    lead_n = pull / winch
    return HeldPiece(
        force_n=scaled(lead_n, force),
        legs={leg: np.asarray(lead_n * share) for leg, share in walk.legs.items()},
        slings={name: np.asarray(lead_n * share) for name, share in walk.slings.items()},
        vectors={name: scaled(lead_n, v) for name, v in resultants(walk.pulls).items()},
        rope_m=rope,
    )


def _check_tie(rig: Rig, places: Places, tie: FloatArray) -> None:
    """Refuse a tie at a block, where the rope has no direction."""
    ends = [high_block(rig)]
    if rig.method == "span_rig":
        ends.append(second_point(rig))
    for node in ends:
        if np.any(length_of(tie - places.of(node)) <= NO_LEG_M):
            raise PredictionError(
                f"{name_of(rig)}: the tie lies at {node.name!r}; write where the rope holds the "
                "piece, away from the block"
            )
