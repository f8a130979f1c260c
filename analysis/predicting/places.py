"""Positions and directions in space, z up.

Comes in: nodes, vectors as arrays (..., 3). Goes out: positions and unit vectors. Must not:
know about friction, loads or the rope's order.

Vectors of many draws are made with each component in one run of memory (:func:`vectors`);
numpy keeps that order, and it is several times as fast as three numbers side by side.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
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


def vectors(x: FloatArray, y: FloatArray, z: FloatArray) -> FloatArray:
    """Put components together to vectors (..., 3), each component in one run of memory."""
    return np.moveaxis(np.stack(np.broadcast_arrays(x, y, z)), 0, -1)


def scaled(size: FloatArray, way: FloatArray) -> FloatArray:
    """Multiply vectors (..., 3) by numbers (...)."""
    return vectors(*(size * way[..., i] for i in range(3)))


def dot(one: FloatArray, other: FloatArray) -> FloatArray:
    """Scalar product of vectors (..., 3)."""
    x, y, z = (one[..., i] * other[..., i] for i in range(3))
    return np.asarray(x + y + z)


def length_of(way: FloatArray) -> FloatArray:
    """Length of vectors (..., 3)."""
    return np.asarray(np.sqrt(dot(way, way)))


def resultants(pulls: Mapping[str, Pulls]) -> dict[str, FloatArray]:
    """Add the legs' pulls at each node to vectors (..., 3)."""
    return {
        name: np.asarray(sum(scaled(tension, way) for tension, way in legs))
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
        if end is None:
            return PLUMB
        return unit(self.of(end) - self.of(start)) if self._moved else _towards(start, end)


@lru_cache(maxsize=256)
def _towards(start: Node, end: Node) -> FloatArray:
    way = unit(place_of(end) - place_of(start))
    way.setflags(write=False)
    return way


def sideways(down: FloatArray) -> FloatArray:
    """Give some unit vector square to ``down``."""
    helper = np.where(np.abs(down[..., :1]) < _MOSTLY, [1.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    across = helper - np.sum(helper * down, axis=-1, keepdims=True) * down
    return np.asarray(across / np.linalg.norm(across, axis=-1, keepdims=True))


def slanted(
    sine: FloatArray, cosine: FloatArray, aside: FloatArray, down: FloatArray
) -> FloatArray:
    """Turn ``down`` by an angle towards ``aside``."""
    return vectors(*(sine * aside[..., i] + cosine * down[..., i] for i in range(3)))
