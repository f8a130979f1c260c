"""Resultants at the nodes, split by the axis of the wood that carries them.

Comes in: how the rope pulls at each node, as vectors. Goes out: compression along the
wood and bending across it, in newtons or per newton. Must not: judge what the wood holds.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.places import dot, length_of
from logger.records import Rig

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class WoodLoad:
    """A resultant at a node, split by the axis of the wood that carries it.

    ``compression_n`` presses along the wood towards its root (negative: pulls away from
    it); ``bending_n`` lies square to the wood. Arrays, or per newton.
    """

    compression_n: FloatArray
    bending_n: FloatArray


def wood_split(resultant_n: ArrayLike, axis: ArrayLike) -> WoodLoad:
    """Split a resultant into compression along the wood and bending across it.

    Parameters
    ----------
    resultant_n : array_like
        (..., 3): how the rope pulls at the node.
    axis : array_like
        (..., 3): direction of the wood from root to tip, of any length.

    Returns
    -------
    WoodLoad

    Raises
    ------
    PredictionError
        The axis has no direction.

    Examples
    --------
    >>> on_stem = wood_split((300.0, 0.0, -900.0), (0.0, 0.0, 1.0))
    >>> float(on_stem.compression_n), float(on_stem.bending_n)
    (900.0, 300.0)
    """
    pull, way = np.asarray(resultant_n, float), np.asarray(axis, float)
    length = length_of(way)
    if not np.all(np.isfinite(way)) or np.any(length <= 0):
        raise PredictionError("axis of the wood: write three numbers x, y, z, not all 0")
    way = way / length[..., None]
    along = dot(pull, way)
    across = pull - along[..., None] * way
    return WoodLoad(np.asarray(-along), length_of(across))


@dataclass(frozen=True, slots=True, eq=False)
class NodeLoad:
    """The rope's resultant at a node.

    Parameters
    ----------
    node : str
        Its name.
    pull_n : ndarray
        (..., 3), z up: how the rope pulls there.
    size_n : ndarray
        Size of that pull.
    wood : WoodLoad or None
        Split by the axis of the wood; None where the axis is not written.
    """

    node: str
    pull_n: FloatArray
    size_n: FloatArray
    wood: WoodLoad | None


def node_loads(rig: Rig, vectors: Mapping[str, FloatArray]) -> tuple[NodeLoad, ...]:
    """Split the resultants of a rig's nodes, in the order in which they are written.

    Parameters
    ----------
    rig : Rig
        With the axis of the wood where it is known.
    vectors : mapping of str to ndarray
        ``vectors`` of ``Loads`` or ``HeldPiece``, in newtons or per newton.

    Returns
    -------
    tuple of NodeLoad
        Nodes that the rope does not reach are left out.

    Raises
    ------
    PredictionError
        An axis without direction.
    """
    found = []
    for node in rig.nodes:
        if node.name not in vectors:
            continue
        pull = vectors[node.name]
        axis = node.wood_axis
        try:
            wood = None if axis is None else wood_split(pull, axis)
        except PredictionError as error:
            raise PredictionError(f"rig {rig.name!r}: node {node.name!r}: {error}") from None
        found.append(NodeLoad(node.name, pull, length_of(pull), wood))
    return tuple(found)
