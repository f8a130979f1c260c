"""Where a piece hangs on a rope between two anchors, with friction at its block.

Comes in: span, height difference, rope length, block efficiency; numbers or arrays. Goes
out: a :class:`SpanState`. Must not: know about records, or draw random numbers.

Notes
-----
The piece's block lies on the lower arc of the ellipse l₁ + l₂ = L about the two anchors.
Its horizontal place x is found from T₁ sin α₁ = T₂ sin α₂ with T₂ = q T₁: the residual
x/l₁ − q (D − x)/l₂ is negative at x = 0 and positive at x = D, so a bracketed
iteration cannot miss the root. The resultant of two legs that pull inwards cannot point
out of the lower arc, so the vertical part is always positive. Weight of the rope neglected,
contacts are points, no wind.

Many frictions in one geometry (the draws of a prediction) start from a polynomial in η and
motion through solved places, kept for the geometry; the iteration ends at the same residual
whatever the start.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.friction import efficiency_at_cos, to_the
from analysis.predicting.root import bracketed_root

FloatArray = NDArray[np.float64]

LEAST_SLACK: Final = 1e-4
"""Rope less than this part longer than the straight distance counts as tight."""

_MANY: Final = 150
"""From so many frictions in one geometry on, a polynomial gives the start."""

_NODES: Final = 12
"""Of that polynomial in η and in motion; the residual of its start is 1e-9 to 1e-14."""


@dataclass(frozen=True, slots=True, eq=False)
class SpanState:
    """A piece hanging in the belly of the rope; all arrays of one shape.

    Parameters
    ----------
    from_high_block_m, depth_m : ndarray
        Horizontal distance from, and depth below, the high block A.
    to_anchor_m, below_anchor_m : ndarray
        The same from the anchor B.
    lead_m, standing_m : ndarray
        Leg lengths l₁ (A to piece) and l₂ (piece to B).
    lead_share, standing_share : ndarray
        Leg tension per newton of vertical load.
    """

    from_high_block_m: FloatArray
    depth_m: FloatArray
    to_anchor_m: FloatArray
    below_anchor_m: FloatArray
    lead_m: FloatArray
    standing_m: FloatArray
    lead_share: FloatArray
    standing_share: FloatArray

    @property
    def lead_angle_rad(self) -> FloatArray:
        """Angle of the lead from plumb at the piece, α₁."""
        return np.asarray(np.arctan2(self.from_high_block_m, self.depth_m))

    @property
    def standing_angle_rad(self) -> FloatArray:
        """Angle of the standing leg from plumb at the piece, α₂."""
        return np.asarray(np.arctan2(self.to_anchor_m, self.below_anchor_m))

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
    """Legs for a horizontal place of the block, and q = T_standing / T_lead there."""

    x: FloatArray
    depth: FloatArray
    lead: FloatArray
    standing: FloatArray
    q: FloatArray


def _place(p: _Problem, x: FloatArray) -> _Place:
    level = p.base_m + p.span_m / p.rope_m * x
    flat = 1.0 - p.slant**2
    depth = (level * p.slant + np.sqrt(np.maximum(level**2 - flat * x**2, 0.0))) / flat
    lead = level + p.slant * depth
    standing = p.rope_m - lead
    eta = p.efficiency
    if p.by_angle:
        across = x * (p.span_m - x) - depth * (depth - p.height_m)
        eta = efficiency_at_cos(eta, np.clip(across / (lead * standing), -1.0, 1.0))
    return _Place(x, depth, lead, standing, to_the(eta, p.motion))


def _residual(p: _Problem, at: _Place) -> FloatArray:
    return np.asarray(at.x / at.lead - at.q * (p.span_m - at.x) / at.standing)


def _frictionless(p: _Problem) -> FloatArray:
    """Place of the block without friction, in closed form; a start for the rest."""
    cos = np.sqrt(1.0 - (p.span_m / p.rope_m) ** 2)
    x = 0.5 * (p.rope_m + p.height_m / cos) * p.span_m / p.rope_m
    return np.broadcast_to(np.clip(x, 0.0, p.span_m), p.shape)


def _start(p: _Problem) -> FloatArray:
    """First guess: the frictionless place, or a polynomial where one geometry has many frictions."""
    geometry = (p.span_m, p.height_m, p.rope_m)
    if math.prod(p.shape) < _MANY or any(v.size > 1 for v in geometry):
        return _frictionless(p)
    low = math.floor(10.0 * float(np.min(p.efficiency)) - 1e-9) / 10.0
    low = min(max(low, 0.1), 0.9)
    span, height, rope = (float(v.item()) for v in geometry)
    rows = (
        _chebyshev((2.0 * _single(p.efficiency) - 1.0 - low) / (1.0 - low)),
        _chebyshev(_single(p.motion)),
    )
    guess = np.sum(
        rows[0] * np.tensordot(_table(span, height, rope, low, by_angle=p.by_angle), rows[1], 1), 0
    )
    return np.broadcast_to(np.clip(guess, 0.0, p.span_m), p.shape)


def _single(values: FloatArray) -> FloatArray:
    """Give one value for an array of equal ones."""
    first = values.reshape(-1)[:1]
    return first if np.all(values == first) else values


def _chebyshev(x: FloatArray) -> FloatArray:
    """Chebyshev polynomials T₀ to T₁₁ at values from −1 to 1, (12, ...)."""
    rows = np.empty((_NODES, *x.shape))
    rows[0], rows[1] = 1.0, x
    for i in range(2, _NODES):
        rows[i] = 2.0 * x * rows[i - 1] - rows[i - 2]
    return rows


@lru_cache(maxsize=64)
def _table(
    span_m: float, height_m: float, rope_m: float, low: float, *, by_angle: bool
) -> FloatArray:
    """Coefficients in η (from ``low`` to 1) and motion of the place in one geometry, (12, 12)."""
    nodes = np.cos(np.pi * (np.arange(_NODES) + 0.5) / _NODES)
    eta = 0.5 * (1.0 + low) + 0.5 * (1.0 - low) * nodes[:, None]
    solved = solve_span(
        span_m, height_m, rope_m, efficiency=eta, motion=nodes, by_angle=by_angle
    ).from_high_block_m
    weights = _chebyshev(nodes) * (2.0 / _NODES)
    weights[0] /= 2.0
    table = weights @ solved @ weights.T
    table.setflags(write=False)
    return table


def _root(p: _Problem) -> _Place:
    """Find the block's place. At the span's ends the residual is a rough one."""
    seen: list[_Place] = []

    def residual(x: FloatArray) -> FloatArray:
        seen[:] = [_place(p, x)]
        return _residual(p, seen[0])

    f_high = np.broadcast_to(p.span_m / p.rope_m, p.shape)
    x = bracketed_root(
        residual,
        np.zeros(p.shape),
        np.broadcast_to(p.span_m, p.shape),
        _start(p),
        ends=(-f_high, f_high),
        size=p.span_m,
    )
    return seen[0] if seen[0].x is x else _place(p, x)


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
    at = _root(p)
    below = at.depth - p.height_m
    share = np.asarray(1.0 / (at.depth / at.lead + at.q * below / at.standing))
    return SpanState(
        from_high_block_m=at.x,
        depth_m=at.depth,
        to_anchor_m=np.asarray(p.span_m - at.x),
        below_anchor_m=np.asarray(below),
        lead_m=at.lead,
        standing_m=at.standing,
        lead_share=share,
        standing_share=np.asarray(at.q * share),
    )
