"""Volume of wood and its first two moments, by whatever was measured.

Comes in: where diameters were taken along a piece. Goes out: volume and moments about the
butt, for one piece or many. Must not: know about density or draw random numbers.

Notes
-----
* one diameter: Huber's cylinder (a diameter away from the middle is said so, and wide);
* two or more: frustum by frustum;
* exactly both ends and the middle: Newton's rule (area quadratic along the piece).

Beyond the outermost diameters the taper of the nearest pair goes on in a straight line,
but the end is taken no thinner than half and no thicker than 1.25 times the outermost
diameter. Wood is cut into intervals; three Gauss points per interval integrate volume
and its first two moments exactly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.records import Piece

FloatArray = NDArray[np.float64]

_THINNEST, _THICKEST = 0.5, 1.25
_MID_TOLERANCE = 0.1
_HUBER_FORM_REL_U = 0.03
_NODES = np.array([-math.sqrt(0.6), 0.0, math.sqrt(0.6)])
_WEIGHTS = np.array([5.0, 8.0, 5.0]) / 9.0


def huber_m3(mid_diameter_m: float, length_m: float) -> float:
    """Volume from the middle diameter.

    Examples
    --------
    >>> round(huber_m3(0.27, 5.0), 6)
    0.286278
    """
    return math.pi / 4.0 * mid_diameter_m**2 * length_m


def smalian_m3(butt_diameter_m: float, top_diameter_m: float, length_m: float) -> float:
    """Volume from the mean of the end areas.

    Examples
    --------
    >>> round(smalian_m3(0.25, 0.29, 5.0), 6)
    0.287848
    """
    return math.pi / 8.0 * (butt_diameter_m**2 + top_diameter_m**2) * length_m


def frustum_m3(butt_diameter_m: float, top_diameter_m: float, length_m: float) -> float:
    """Volume of a truncated cone.

    Examples
    --------
    >>> round(frustum_m3(0.25, 0.29, 5.0), 6)
    0.286801
    """
    square = butt_diameter_m**2 + butt_diameter_m * top_diameter_m + top_diameter_m**2
    return math.pi / 12.0 * square * length_m


def newton_m3(
    butt_diameter_m: float, mid_diameter_m: float, top_diameter_m: float, length_m: float
) -> float:
    """Volume from both ends and the middle.

    Examples
    --------
    >>> round(newton_m3(0.25, 0.27, 0.29, 5.0), 6)
    0.286801
    """
    square = butt_diameter_m**2 + 4.0 * mid_diameter_m**2 + top_diameter_m**2
    return math.pi / 24.0 * square * length_m


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Where diameters were taken, and the rule that joins them."""

    at_m: FloatArray
    diameter_m: FloatArray
    length_m: float
    rule: str
    form_rel_u: float
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """Wood of one or many pieces: volume, first and second moment about the butt."""

    volume_m3: FloatArray
    first_m4: FloatArray
    second_m5: FloatArray


def _single(at: FloatArray, diameter: FloatArray, length: float) -> Shape:
    if abs(at[0] - length / 2.0) <= _MID_TOLERANCE * length:
        return Shape(at, diameter, length, "huber", _HUBER_FORM_REL_U, ())
    warning = (
        f"the only diameter is at {at[0]:g} m, not at the middle: taper is unknown; "
        "a diameter at the middle would narrow the weight most"
    )
    return Shape(at, diameter, length, "cylinder", 0.15, (warning,))


def shape_of(piece: Piece) -> Shape:
    """Choose how a piece's diameters are joined, by what was measured."""
    length = float(piece.length_m)
    taken = sorted((d.at_m, d.across_m) for d in piece.diameters)
    at = np.array([a for a, _ in taken])
    diameter = np.array([d for _, d in taken])
    if at.size == 1:
        return _single(at, diameter, length)
    near = _MID_TOLERANCE / 5.0 * length
    if at.size == 3 and np.all(np.abs(at - np.array([0.0, length / 2.0, length])) <= near):
        return Shape(np.array([0.0, length / 2.0, length]), diameter, length, "newton", 0.01, ())
    bare = float(at[0] + length - at[-1]) / length
    warning: tuple[str, ...] = ()
    if bare > 0.3:
        warning = (f"diameters cover only {100 * (1 - bare):.0f} % of the length; taper goes on",)
    form = 0.03 / (at.size - 1) + 0.1 * bare
    if np.any(np.abs(at - length / 2.0) <= _MID_TOLERANCE * length):
        form = min(form, _HUBER_FORM_REL_U)  # one more diameter cannot know less than Huber
    return Shape(at, diameter, length, "frustums", form, warning)


def _end(near: FloatArray, next_: FloatArray, run: float, step: float) -> FloatArray:
    """Diameter at an end, on the straight line through the two nearest, within limits."""
    on_line = near + (near - next_) * (run / step)
    return np.clip(on_line, _THINNEST * near, _THICKEST * near)


def _profile(shape: Shape, diameter: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Places (k,) and diameters (n, k) from butt to end, extended to both ends."""
    at = shape.at_m
    columns = [diameter]
    places = [at]
    if at[0] > 0:
        first = _end(diameter[:, 0], diameter[:, 1], at[0], at[1] - at[0])
        columns.insert(0, first[:, None])
        places.insert(0, np.zeros(1))
    if at[-1] < shape.length_m:
        last = _end(diameter[:, -1], diameter[:, -2], shape.length_m - at[-1], at[-1] - at[-2])
        columns.append(last[:, None])
        places.append(np.array([shape.length_m]))
    return np.concatenate(places), np.concatenate(columns, axis=1)


def profile_at(piece: Piece, at_m: float) -> float:
    """Diameter at a place, as the shape of the measured ones has it, metres.

    Examples
    --------
    >>> from logger.records import Diameter
    >>> ends = (Diameter(at_m=0.0, diameter_m=0.4), Diameter(at_m=4.0, diameter_m=0.2))
    >>> round(profile_at(Piece(name="P", rig="R", length_m=4.0, diameters=ends), 1.0), 3)
    0.35
    """
    shape = shape_of(piece)
    if shape.at_m.size == 1:
        return float(shape.diameter_m[0])
    places, full = _profile(shape, shape.diameter_m[None, :])
    return float(np.interp(at_m, places, full[0]))


def _gauss_areas(shape: Shape, diameter: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places (m,), weights (m,) and squared diameters (n, m) at the Gauss points."""
    if shape.rule in {"huber", "cylinder"}:
        half = shape.length_m / 2.0
        return half * (1.0 + _NODES), half * _WEIGHTS, np.repeat(diameter**2, 3, axis=1)
    if shape.rule == "newton":
        half = shape.length_m / 2.0
        u = _NODES
        basis = np.stack([u * (u - 1.0) / 2.0, 1.0 - u**2, u * (u + 1.0) / 2.0])
        return half * (1.0 + u), half * _WEIGHTS, diameter**2 @ basis
    places, full = _profile(shape, diameter)
    half_steps = np.diff(places) / 2.0
    middles = places[:-1] + half_steps
    x = (middles[:, None] + half_steps[:, None] * _NODES).ravel()
    w = (half_steps[:, None] * _WEIGHTS).ravel()
    share = (1.0 + _NODES) / 2.0
    start, end = full[:, :-1, None], full[:, 1:, None]
    d = start * (1.0 - share) + end * share
    return x, w, (d**2).reshape(full.shape[0], -1)


def body_of(shape: Shape, diameter: FloatArray, stretch: FloatArray) -> Body:
    """Integrate diameters (n, k); ``stretch`` (n,) scales the length."""
    x, w, square = _gauss_areas(shape, diameter)
    area = math.pi / 4.0 * square
    return Body(
        stretch * (area @ w), stretch**2 * (area @ (w * x)), stretch**3 * (area @ (w * x * x))
    )
