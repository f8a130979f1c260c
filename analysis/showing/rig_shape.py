"""Where things are in a panel: corners of the piece, ropes, ends moved aside.

Comes in: a rig's picture, a view. Goes out: points. Must not: draw.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from analysis.showing.rig_picture import DrawnLeg, DrawnNode, RigPicture
from logger.units import LengthUnit, from_si

FloatArray = NDArray[np.float64]

_BLOCK_SHARE: Final = 0.012
LEAST_ANGLE_RAD: Final = math.radians(8)
ARROW_SHARE: Final = 0.13


def shows_angle(node: DrawnNode) -> bool:
    """Whether the angle between a node's legs is worth an arc."""
    angle = node.legs_rad
    return angle is not None and LEAST_ANGLE_RAD < angle < math.pi - LEAST_ANGLE_RAD


def arrow_of(view: View, node: DrawnNode) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Where the arrow of a block's resultant begins and ends; None where none is drawn."""
    size = float(np.linalg.norm(node.pull_n))
    if node.role not in {"high_block", "redirect"} or size == 0.0:
        return None
    x, y = view.at(node.at)
    dx, dy = (float(node.pull_n @ way) / size for way in (view.right, view.up))
    reach = ARROW_SHARE * scale_of(view)
    return (x, y), (x + reach * dx, y + reach * dy)


@dataclass(frozen=True, slots=True, eq=False)
class View:
    """A way of looking: two unit vectors, and the panel that shows it."""

    axes: Axes
    right: FloatArray
    up: FloatArray
    unit: LengthUnit

    def at(self, point: FloatArray) -> tuple[float, float]:
        """Place of a point in the panel, in the reader's unit."""
        x, y = float(point @ self.right), float(point @ self.up)
        return from_si(x, "length", self.unit), from_si(y, "length", self.unit)


def scale_of(view: View) -> float:
    """Give the larger side of a panel, in the reader's unit."""
    low, high = view.axes.get_ylim()
    left, right = view.axes.get_xlim()
    return float(max(high - low, right - left))


def outline(picture: RigPicture, at: FloatArray | None = None, *, up: bool = False) -> FloatArray:
    """Corners of the piece as it hangs: down from its tie, or level under its block."""
    tie = picture.tie if at is None else at
    piece, right = picture.piece, picture.across
    if piece is None:
        side = 0.25
        corners = ((-side, 0.0), (side, 0.0), (side, -2 * side), (-side, -2 * side))
        return np.array([tie + a * right + np.array([0.0, 0.0, b]) for a, b in corners])
    wide = [piece.diameters[0].across_m / 2.0, piece.diameters[-1].across_m / 2.0]
    if picture.rig.method == "span_rig":
        start = -(piece.tie_from_butt_m or 0.45 * piece.length_m)
        level = -1.2 * wide[0]
        pairs = [
            (start, level + wide[0]),
            (start + piece.length_m, level + wide[1]),
            (start + piece.length_m, level - wide[1]),
            (start, level - wide[0]),
        ]
        return np.array([tie + a * right + np.array([0.0, 0.0, b]) for a, b in pairs])
    thin_first = picture.rig.method == "tip_tied"
    top, foot = (wide[1], wide[0]) if thin_first else (wide[0], wide[1])
    length = piece.length_m if up else -piece.length_m
    pairs = [(-top, 0.0), (top, 0.0), (foot, length), (-foot, length)]
    return np.array([tie + a * right + np.array([0.0, 0.0, b]) for a, b in pairs])


def aside(view: View, leg: DrawnLeg, picture: RigPicture) -> tuple[float, float]:
    """How far a leg's ends are moved sideways, so that lead and fall do not lie on each other."""
    step = _BLOCK_SHARE * scale_of(view)
    fall = next(one for one in reversed(picture.legs) if one.leg == "fall")
    lead = next(one for one in picture.legs if one.leg == "lead")
    lead_way = view.at(lead.end)[0] - view.at(lead.start)[0]
    fall_way = view.at(fall.start)[0] - view.at(fall.end)[0]
    side = 1.0 if lead_way >= fall_way else -1.0
    if leg is lead:
        return side * step, 0.0
    if leg is fall:
        return 0.0, -side * step
    return 0.0, 0.0


def top_m(picture: RigPicture) -> float:
    """Height of the high block."""
    return next(float(node.at[2]) for node in picture.nodes if node.role == "high_block")
