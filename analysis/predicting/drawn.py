"""One prediction's inputs, drawn, and what a method makes of them.

Comes in: records and random numbers. Goes out: :class:`Case`, :class:`Peak`, quantiles.
Must not: hold any physics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.predicting.measured import NOTHING_MEASURED, Measured
from analysis.predicting.piece import PieceDraws, PieceEstimate, lognormal
from logger.records import Piece, Rig, Rope

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """What a method gives: vertical or lead load, and what to say with it.

    ``before_n`` is a load carried before the first drop, on the raising side of friction;
    ``points`` holds the largest force of each leg and sling, by point of
    ``motion.POINTS``, where it was simulated; ``extra`` what only this method adds to the
    result.
    """

    load_n: FloatArray
    before_n: FloatArray | None = None
    basis: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)
    points: dict[str, FloatArray] | None = None

    def adding(
        self,
        load_n: FloatArray | None = None,
        *,
        basis: str = "",
        warning: str = "",
        extra: dict[str, Any] | None = None,
        points: dict[str, FloatArray] | None = None,
    ) -> Peak:
        """Give a peak with another load, or with more to say."""
        return Peak(
            self.load_n if load_n is None else load_n,
            self.before_n,
            (*self.basis, basis) if basis else self.basis,
            (*self.warnings, warning) if warning else self.warnings,
            {**self.extra, **(extra or {})},
            points or self.points,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """All inputs of one prediction, drawn.

    ``inputs`` names the draws that the result depends on, for their shares of its variance.
    """

    piece: Piece
    rig: Rig
    rope: Rope
    estimate: PieceEstimate
    draws: PieceDraws
    shift: FloatArray
    rng: np.random.Generator
    measured: Measured = NOTHING_MEASURED
    inputs: dict[str, FloatArray] = field(default_factory=dict)

    @property
    def n(self) -> int:
        """Number of draws."""
        return self.draws.weight_n.size

    def around(self, value: float, rel_u: float) -> FloatArray:
        """Draw positive values of the given median."""
        factor = lognormal(self.rng, rel_u, self.n) * math.sqrt(1.0 + rel_u**2)
        return np.asarray(value * factor)

    def named(self, name: str, values: FloatArray) -> FloatArray:
        """Remember draws under the name of the input that they stand for."""
        self.inputs[name] = values
        return values


def quantiles(values: FloatArray, probabilities: tuple[float, ...]) -> list[float]:
    """Give quantiles by linear interpolation between the ordered draws.

    The same as ``numpy.quantile`` does, without its overhead.

    Examples
    --------
    >>> quantiles(np.array([10.0, 0.0]), (0.05, 0.5))
    [0.5, 5.0]
    """
    ordered = np.sort(values)
    before, part = _places(probabilities, ordered.size)
    low = ordered[before]
    found: list[float] = (low + part * (ordered[before + 1] - low)).tolist()
    return found


@lru_cache(maxsize=16)
def _places(probabilities: tuple[float, ...], n: int) -> tuple[NDArray[np.intp], FloatArray]:
    """Index before each quantile, and how far on it lies."""
    places = np.array(probabilities) * (n - 1)
    before = np.minimum(places.astype(np.intp), n - 2)
    return before, places - before


def band(values: FloatArray) -> dict[str, float]:
    """Give the 5 %, 50 % and 95 % quantiles.

    Examples
    --------
    >>> band(np.array([0.0, 10.0]))
    {'p05': 0.5, 'p50': 5.0, 'p95': 9.5}
    """
    low, middle, high = quantiles(values, (0.05, 0.5, 0.95))
    return {"p05": low, "p50": middle, "p95": high}
