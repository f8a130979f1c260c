"""Positions and directions in space, z up.

Comes in: nodes, vectors as arrays (..., 3). Goes out: positions and unit vectors. Must not:
know about friction, loads or the rope's order.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.records import Node

FloatArray = NDArray[np.float64]

PLUMB: Final = np.array([0.0, 0.0, -1.0])
Pulls = tuple[tuple[FloatArray, FloatArray], ...]
"""Tension and direction (..., 3) of each leg at a node."""

_NO_WAY_M: Final = 1e-9
_MOSTLY: Final = 0.9


def place_of(node: Node) -> FloatArray:
    """Position of a node, (3,), z up."""
    return np.array([node.x_m, node.y_m, node.z_m])


def dot(one: FloatArray, other: FloatArray) -> FloatArray:
    """Scalar product of vectors (..., 3)."""
    return np.asarray(np.einsum("...i,...i->...", one, other))


def length_of(way: FloatArray) -> FloatArray:
    """Length of vectors (..., 3)."""
    return np.asarray(np.sqrt(dot(way, way)))


def resultants(pulls: Mapping[str, Pulls]) -> dict[str, FloatArray]:
    """Add the legs' pulls at each node to vectors (..., 3)."""
    return {
        name: np.asarray(sum(tension[..., None] * way for tension, way in legs))
        for name, legs in pulls.items()
    }


def unit(way: FloatArray) -> FloatArray:
    """Scale vectors (..., 3) to length 1; plumb down where there is no way to go."""
    length = length_of(way)[..., None]
    return np.where(length > _NO_WAY_M, way / np.where(length > _NO_WAY_M, length, 1.0), PLUMB)


class Places:
    """Where every node is: as written, or moved by the load on its anchor."""

    __slots__ = ("_moved",)

    def __init__(self, moved: Mapping[str, FloatArray] | None = None) -> None:
        self._moved = moved or {}

    def of(self, node: Node) -> FloatArray:
        """Position (..., 3) of a node."""
        place = place_of(node)
        return place + self._moved[node.name] if node.name in self._moved else place

    def towards(self, start: Node, end: Node | None) -> FloatArray:
        """Give the unit vector from one node to the next; plumb when there is none."""
        return PLUMB if end is None else unit(self.of(end) - self.of(start))


def sideways(down: FloatArray) -> FloatArray:
    """Give some unit vector square to ``down``."""
    helper = np.where(np.abs(down[..., :1]) < _MOSTLY, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    across = helper - np.sum(helper * down, axis=-1, keepdims=True) * down
    return np.asarray(across / np.linalg.norm(across, axis=-1, keepdims=True))


def slanted(angle: FloatArray, aside: FloatArray, down: FloatArray) -> FloatArray:
    """Turn ``down`` by an angle towards ``aside``."""
    return np.asarray(np.sin(angle)[..., None] * aside + np.cos(angle)[..., None] * down)
