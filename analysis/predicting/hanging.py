"""A piece hanging free: by rope length or by the winch's pull, on anchors that give way.

Comes in: a rig, weights, a tag line's pull; numbers or arrays. Goes out: loads in newtons,
rope lengths, displacements of anchors. Must not: know about hinges or draw random numbers.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.inputs import name_of
from analysis.predicting.path import (
    Loads,
    Setting,
    hang,
    high_block,
    loads_per_newton,
    second_point,
    setting,
    tail_m,
)
from analysis.predicting.places import PLUMB, Places, length_of, scaled
from analysis.predicting.root import bracketed_root
from analysis.predicting.span import LEAST_SLACK
from logger.records import Node, Rig

FloatArray = NDArray[np.float64]

NEAR_TIGHT_RAD: Final = math.radians(140.0)
"""Own choice: an angle between the legs past this is told as nearly tight."""

MOST_SLACK: Final = 1e3
_MOST_ROUNDS: Final = 200
_SETTLED_M: Final = 1e-12


def tag_pull_n(pull_n: ArrayLike, down_rad: ArrayLike, bearing_rad: ArrayLike = 0.0) -> FloatArray:
    """Give a tag line's pull at the piece as a vector, (..., 3).

    Parameters
    ----------
    pull_n : array_like
        Tension of the tag line.
    down_rad : array_like
        Angle below the horizontal.
    bearing_rad : array_like
        Its direction seen from above, from x towards y.

    Examples
    --------
    >>> import math
    >>> [round(float(v), 1) for v in tag_pull_n(300.0, math.radians(45))]
    [212.1, 0.0, -212.1]
    """
    flat = np.multiply(pull_n, np.cos(down_rad))
    down = np.multiply(pull_n, np.sin(down_rad))
    parts = (flat * np.cos(bearing_rad), flat * np.sin(bearing_rad), -down)
    return np.asarray(np.stack(np.broadcast_arrays(*parts), axis=-1))


def tag_force_n(rig: Rig) -> FloatArray | None:
    """Give the pull of a rig's tag line as written, (3,), or None."""
    line = rig.tag_line_pull
    return None if line is None else tag_pull_n(line.force_n, line.down_rad, line.bearing_rad)


def load_vector_n(rig: Rig, weight_n: ArrayLike, tag_n: ArrayLike | None = None) -> FloatArray:
    """Add weight and tag line at the piece, (..., 3).

    Raises
    ------
    PredictionError
        A weight that is not positive, or a tag line that lifts the whole piece.
    """
    weight = np.asarray(weight_n, dtype=np.float64)
    if not np.all(np.isfinite(weight)) or np.any(weight <= 0):
        raise PredictionError(f"{name_of(rig)}: the weight must be a number above 0")
    load = scaled(weight, PLUMB)
    if tag_n is not None:
        load = load + np.asarray(tag_n, dtype=np.float64)
    if not np.all(np.isfinite(load)) or np.any(load[..., 2] >= 0):
        raise PredictionError(
            f"{name_of(rig)}: the tag line lifts the whole piece; write a pull that leaves weight "
            "on the rope"
        )
    return load


def hanging(
    rig: Rig,
    weight_n: ArrayLike,
    motion: ArrayLike,
    *,
    tag_n: ArrayLike | None = None,
    drop: bool = False,
    shift: ArrayLike = 0.0,
    rest: ArrayLike = 0.0,
) -> Loads:
    """Compute loads of a piece that hangs free on the rope as written.

    Parameters
    ----------
    rig : Rig
        As checked by ``check_rig``.
    weight_n : array_like
        Weight of the piece.
    motion : array_like
        1 raising, −1 lowering or first drop, 0 without friction, between them at rest.
    tag_n : array_like, optional
        (..., 3): pull of a tag line at the piece, see :func:`tag_pull_n`.
    drop, shift, rest
        As for ``loads_per_newton``.

    Returns
    -------
    Loads
        In newtons.

    Raises
    ------
    PredictionError
        Rope too short, weight not positive, or a tag line that lifts the piece.
    """
    load = load_vector_n(rig, weight_n, tag_n)
    return hang(rig, setting(motion, rest, shift, drop=drop), load)


def winch_band_n(rig: Rig, weight_n: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Tension at the winch between which a free piece stays where it is.

    Below the first the piece sinks, above the second it rises.
    """
    load = load_vector_n(rig, weight_n)[..., None, :]
    winch = hang(rig, setting([-1.0, 1.0], 0.0, 0.0, drop=False), load).winch
    return winch[..., 0], winch[..., 1]


def rope_for_winch_m(
    rig: Rig, weight_n: ArrayLike, winch_n: ArrayLike, motion: ArrayLike
) -> FloatArray:
    """Rope between high block and anchor at which a free piece's winch carries a tension.

    Parameters
    ----------
    rig : Rig
        A span rig, as checked by ``check_rig``.
    weight_n, winch_n : array_like
        Weight of the piece; tension at the device or winch.
    motion : array_like
        1 raising, −1 lowering, 0 without friction.

    Returns
    -------
    ndarray of float64
        The more rope, the less tension.

    Raises
    ------
    PredictionError
        Not a span rig, or no length of rope gives this tension.
    """
    if rig.method != "span_rig":
        raise PredictionError(
            f"{name_of(rig)}: on one rope the winch's tension follows from the weight, whatever the "
            "length; only a span rig hangs by its winch's pull"
        )
    load = load_vector_n(rig, weight_n)
    pull = np.asarray(winch_n, dtype=np.float64)
    at = setting(motion, 0.0, 0.0, drop=False)
    where = Places()
    way = where.of(second_point(rig)) - where.of(high_block(rig))
    straight = float(length_of(way))
    shape = np.broadcast_shapes(load.shape[:-1], pull.shape, at.motion.shape)

    def missing_pull(slack_log: FloatArray) -> FloatArray:
        rope = straight * (1.0 + np.exp(slack_log))
        return np.asarray(np.log(pull) - np.log(hang(rig, at, load, rope_m=rope).winch))

    low = np.full(shape, math.log(2.0 * LEAST_SLACK))
    high = np.full(shape, math.log(MOST_SLACK))
    if straight <= 0 or not np.all(pull > 0):
        raise PredictionError(f"{name_of(rig)}: the span and the winch's pull must be above 0")
    ends = (missing_pull(low), missing_pull(high))
    _check_pull(rig, pull, ends)
    slack = bracketed_root(missing_pull, low, high, 0.5 * (low + high), ends=ends)
    return np.asarray(straight * (1.0 + np.exp(slack)) + tail_m(rig, where))


def _check_pull(rig: Rig, pull: FloatArray, ends: tuple[FloatArray, FloatArray]) -> None:
    if np.any(ends[1] < 0):
        least = float(np.max(pull * np.exp(-ends[1])))
        raise PredictionError(
            f"{name_of(rig)}: a pull of {float(np.min(pull)):.0f} N cannot carry the free piece; "
            f"with ever so much rope the winch holds {least:.0f} N"
        )
    if np.any(ends[0] > 0):
        raise PredictionError(
            f"{name_of(rig)}: a pull of {float(np.max(pull)):.0f} N draws the rope tight across the "
            "span; a hanging piece gives no length for it"
        )


def compliance_m_per_n(node: Node) -> FloatArray:
    """Displacement of an anchor per newton of load, (3, 3); zeros where it is rigid."""
    if node.stiffness_n_per_m is None:
        return np.zeros((3, 3))
    return np.eye(3) / node.stiffness_n_per_m


@dataclass(frozen=True, slots=True, eq=False)
class GivingAnchors:
    """Loads of a free piece on anchors that give way, and how far each one moves.

    ``moved_m`` has a vector (..., 3) for every node with a stiffness.
    """

    loads: Loads
    moved_m: dict[str, FloatArray]


def hang_on_giving_anchors(
    rig: Rig,
    weight_n: ArrayLike,
    motion: ArrayLike,
    *,
    tag_n: ArrayLike | None = None,
    shift: ArrayLike = 0.0,
    compliance: Mapping[str, FloatArray] | None = None,
) -> GivingAnchors:
    """Compute loads with every anchor displaced by its own load.

    Parameters
    ----------
    rig, weight_n, motion, tag_n, shift
        As for :func:`hanging`.
    compliance : mapping of str to ndarray, optional
        Node name → displacement per newton, (3, 3), symmetric; by default every node gives
        way the same in all directions, by its written stiffness.

    Returns
    -------
    GivingAnchors

    Raises
    ------
    PredictionError
        The anchors give way further than a hanging piece allows.

    Notes
    -----
    Displacements u = K⁻¹ R(u), solved by Anderson's method of depth one, which also
    settles where plain repetition would swing.
    """
    at = setting(motion, 0.0, shift, drop=False)
    load = load_vector_n(rig, weight_n, tag_n)
    given = compliance or {n.name: compliance_m_per_n(n) for n in rig.nodes}
    loads = hang(rig, at, load)
    soft = {name: c for name, c in given.items() if name in loads.pulls and np.any(c)}
    if not soft:
        return GivingAnchors(loads, {})
    return _settled(rig, at, load, soft, loads)


def _settled(
    rig: Rig, at: Setting, load: FloatArray, soft: dict[str, FloatArray], loads: Loads
) -> GivingAnchors:
    names = tuple(soft)

    def moved_by(found: Loads) -> FloatArray:
        pulls = found.vectors
        each = [pulls[name] @ soft[name].T for name in names]
        return np.stack(np.broadcast_arrays(*each), axis=-2)

    aim = moved_by(loads)
    moved, miss = 0.0 * aim, aim
    step, turn = aim, aim
    for round_ in range(_MOST_ROUNDS):
        if np.max(np.abs(miss)) <= _SETTLED_M:
            return GivingAnchors(loads, {n: moved[..., i, :] for i, n in enumerate(names)})
        onward = miss if round_ == 0 else miss - _mixing(turn, miss) * (step + turn)
        moved, before = moved + onward, miss
        loads = hang(
            rig, at, load, places=Places({n: moved[..., i, :] for i, n in enumerate(names)})
        )
        miss = moved_by(loads) - moved
        step, turn = onward, miss - before
    raise PredictionError(
        f"{name_of(rig)}: the anchors give way further than a hanging piece allows; check "
        f"stiffness_n_per_m of {', '.join(repr(name) for name in names)}"
    )


def _mixing(turn: FloatArray, miss: FloatArray) -> FloatArray:
    """Give Anderson's weight of the round before, for each draw."""
    size = np.sum(turn * turn, axis=(-2, -1), keepdims=True)
    return np.asarray(
        np.sum(turn * miss, axis=(-2, -1), keepdims=True) / np.where(size > 0, size, 1.0)
    )


@lru_cache(maxsize=128)
def frictionless(rig: Rig) -> Loads:
    """Compute loads per newton without friction; kept for the rig, so nobody may change them."""
    return loads_per_newton(rig, 0.0)


@lru_cache(maxsize=128)
def geometry_warnings(rig: Rig) -> tuple[str, ...]:
    """Say what about a rig's geometry makes its loads doubtful.

    Parameters
    ----------
    rig : Rig
        As checked by ``check_rig``.

    Returns
    -------
    tuple of str
        One sentence each, for people.
    """
    if rig.method != "span_rig":
        return ()
    at = setting(0.0, 0.0, 0.0, drop=False)
    span = frictionless(rig).span
    if span is None or float(np.pi - span.wrap_rad) <= NEAR_TIGHT_RAD:
        return ()
    longer = hang(rig, at, PLUMB, rope_m=1.01 * (span.lead_m + span.standing_m)).span
    if longer is None:
        return ()
    less = 100.0 * (1.0 - float(longer.lead_share / span.lead_share))
    said = (
        f"the rope is nearly tight across the span: its legs carry "
        f"{float(span.lead_share):.1f} times the piece's weight each, and 1 % more rope would take "
        f"{less:.0f} % off that; small errors of its length or of the span change the loads a lot"
    )
    return (said,)
