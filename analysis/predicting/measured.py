"""Measured values put in the place of assumed inputs, for a later re-prediction.

Comes in: what a lowering's trace told. Goes out: draws of that quantity. Must not: be used
for a prediction that is stored as made before a lowering.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value and its standard uncertainty."""

    value: float
    u: float

    def draws(self, rng: np.random.Generator, n: int) -> FloatArray:
        """Draw n values, none below a hundredth of the measured one."""
        drawn = self.value + self.u * rng.standard_normal(n)
        return np.asarray(np.maximum(drawn, 0.01 * abs(self.value)))


@dataclass(frozen=True, slots=True)
class Measured:
    """What is known by measurement; None: as assumed before.

    Parameters
    ----------
    weight_n : Quantity or None
        Weight of the piece.
    stiffness_n : Quantity or None
        Dynamic EA of the rope.
    fall_m : Quantity or None
        Equivalent free fall.
    share : Quantity or None
        Share carried at the release.
    """

    weight_n: Quantity | None = None
    stiffness_n: Quantity | None = None
    fall_m: Quantity | None = None
    share: Quantity | None = None


NOTHING_MEASURED: Final = Measured()
