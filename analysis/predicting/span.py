"""Where a piece hangs on a rope between two anchors, with friction at its block.

Comes in: span, height difference, rope length, block efficiency; numbers or arrays. Goes
out: a :class:`SpanState`. Must not: know about records, or draw random numbers.

Notes
-----
The piece's block lies on the lower arc of the ellipse l₁ + l₂ = L about the two anchors.
Its horizontal place x is found from T₁ sin α₁ = T₂ sin α₂ with T₂ = q T₁: the residual
x/l₁ − q (D − x)/l₂ is negative at x = 0 and positive at x = D, so a bracketed
iteration cannot miss the root. The resultant of two legs that pull inwards cannot point
out of the lower arc, so the vertical part is always positive. Weight of the rope neglected, contacts are points, no wind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.friction import efficiency_at_cos
from analysis.predicting.root import bracketed_root

FloatArray = NDArray[np.float64]

LEAST_SLACK: Final = 1e-4
"""Rope less than this part longer than the straight distance counts as tight."""


@dataclass(frozen=True, slots=True, eq=False)
class SpanState:
    """A piece hanging in the belly of the rope; all arrays of one shape.

    Parameters
    ----------
    from_high_block_m, depth_m : ndarray
        Horizontal distance from, and depth below, the high block A.
    lead_m, standing_m : ndarray
        Leg lengths l₁ (A to piece) and l₂ (piece to B).
    lead_angle_rad, standing_angle_rad : ndarray
        Angles of the legs from plumb at the piece, α₁ and α₂.
    lead_share, standing_share : ndarray
        Leg tension per newton of vertical load.
    """

    from_high_block_m: FloatArray
    depth_m: FloatArray
    lead_m: FloatArray
    standing_m: FloatArray
    lead_angle_rad: FloatArray
    standing_angle_rad: FloatArray
    lead_share: FloatArray
    standing_share: FloatArray

    @property
    def wrap_rad(self) -> FloatArray:
        """Angle through which the rope turns at the piece's block."""
        return np.asarray(np.pi - self.lead_angle_rad - self.standing_angle_rad)


@dataclass(frozen=True, slots=True, eq=False)
class _Problem:
    """Inputs that broadcast to ``shape``.

    The lead at x is ``base_m`` + x · span / rope + ``slant`` · depth.
    """

    span_m: FloatArray
    height_m: FloatArray
    rope_m: FloatArray
    efficiency: FloatArray
    motion: FloatArray
    by_angle: bool
    shape: tuple[int, ...]
    base_m: FloatArray
    slant: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    """Legs for a horizontal place of the block."""

    depth: FloatArray
    lead: FloatArray
    standing: FloatArray


def _place(p: _Problem, x: FloatArray) -> _Place:
    level = p.base_m + p.span_m / p.rope_m * x
    flat = 1.0 - p.slant**2
    depth = (level * p.slant + np.sqrt(np.maximum(level**2 - flat * x**2, 0.0))) / flat
    lead = level + p.slant * depth
    return _Place(depth, lead, p.rope_m - lead)


def _ratio(p: _Problem, x: FloatArray, at: _Place) -> FloatArray:
    """Give q = T_standing / T_lead for the motion given."""
    if not p.by_angle:
        return np.asarray(p.efficiency**p.motion)
    across = x * (p.span_m - x) - at.depth * (at.depth - p.height_m)
    cos_wrap = np.clip(across / (at.lead * at.standing), -1.0, 1.0)
    return np.asarray(efficiency_at_cos(p.efficiency, cos_wrap) ** p.motion)


def _residual(p: _Problem, x: FloatArray) -> FloatArray:
    at = _place(p, x)
    q = _ratio(p, x, at)
    return np.asarray(x / at.lead - q * (p.span_m - x) / at.standing)


def _frictionless(p: _Problem) -> FloatArray:
    """Place of the block without friction, in closed form; a start for the rest."""
    cos = np.sqrt(1.0 - (p.span_m / p.rope_m) ** 2)
    x = 0.5 * (p.rope_m + p.height_m / cos) * p.span_m / p.rope_m
    return np.broadcast_to(np.clip(x, 0.0, p.span_m), p.shape)


def _root(p: _Problem) -> FloatArray:
    """Horizontal place of the block. At the span's ends the residual is a rough one."""
    high = np.broadcast_to(p.span_m, p.shape)
    f_high = np.broadcast_to(p.span_m / p.rope_m, p.shape)
    return bracketed_root(
        lambda x: _residual(p, x),
        np.zeros(p.shape),
        high,
        _frictionless(p),
        ends=(-f_high, f_high),
        size=p.span_m,
    )


def _problem(
    span_m: ArrayLike,
    height_m: ArrayLike,
    rope_m: ArrayLike,
    efficiency: ArrayLike,
    motion: ArrayLike,
    *,
    by_angle: bool,
) -> _Problem:
    given = (span_m, height_m, rope_m, efficiency, motion)
    values = [np.asarray(v, dtype=np.float64) for v in given]
    if not all(np.all(np.isfinite(v)) for v in values):
        raise PredictionError("span rig: span, height, rope length and friction must be numbers")
    span, height, rope, eta, way = values
    if np.any(span < 0):
        raise PredictionError("span rig: the span between the anchors cannot be negative")
    if np.any((eta <= 0) | (eta > 1)):
        raise PredictionError("span rig: a block's efficiency lies above 0 and is at most 1")
    straight = np.hypot(span, height)
    if np.any(rope < straight * (1.0 + LEAST_SLACK)):
        raise PredictionError(
            f"rig.rope_length_m: {float(np.min(rope)):g} m of rope between high block and anchor "
            f"cannot reach a piece; the straight distance is {float(np.max(straight)):.2f} m, "
            "so write the longer length at which the piece hangs"
        )
    return _Problem(
        span,
        height,
        rope,
        eta,
        way,
        by_angle,
        np.broadcast_shapes(*(v.shape for v in values)),
        np.asarray((rope**2 - span**2 - height**2) / (2.0 * rope)),
        np.asarray(height / rope),
    )


def solve_span(
    span_m: ArrayLike,
    height_m: ArrayLike,
    rope_m: ArrayLike,
    *,
    efficiency: ArrayLike = 1.0,
    motion: ArrayLike = 0.0,
    by_angle: bool = True,
) -> SpanState:
    """Find where the piece hangs and what its two legs carry.

    Parameters
    ----------
    span_m : array_like
        Horizontal distance D between high block A and anchor B.
    height_m : array_like
        Height of A above B, negative when B is higher.
    rope_m : array_like
        Rope length L between A and B, longer than the straight distance.
    efficiency : array_like
        η of the piece's block.
    motion : array_like
        1 raising, −1 lowering or first drop, 0 without friction, between them at rest:
        T_standing = η^motion · T_lead.
    by_angle : bool
        Whether η is that of a 180° wrap and follows the wrap angle; else it is taken as
        given.

    Returns
    -------
    SpanState

    Raises
    ------
    PredictionError
        Rope too short, or values that are not usable.

    Examples
    --------
    >>> up = solve_span(6.0, 1.0, 9.0, efficiency=0.9, motion=1.0, by_angle=False)
    >>> round(float(up.from_high_block_m), 2), round(3000 * float(up.lead_share))
    (3.16, 2128)
    """
    p = _problem(span_m, height_m, rope_m, efficiency, motion, by_angle=by_angle)
    x = _root(p)
    at = _place(p, x)
    q = _ratio(p, x, at)
    vertical = at.depth / at.lead + q * (at.depth - p.height_m) / at.standing
    share = 1.0 / vertical
    return SpanState(
        from_high_block_m=x,
        depth_m=at.depth,
        lead_m=at.lead,
        standing_m=at.standing,
        lead_angle_rad=np.asarray(np.arctan2(x, at.depth)),
        standing_angle_rad=np.asarray(np.arctan2(p.span_m - x, at.depth - p.height_m)),
        lead_share=np.asarray(share),
        standing_share=np.asarray(q * share),
    )
