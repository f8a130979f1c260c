"""How strong the wood of a hinge is, and the window that follows, with its spread.

Comes in: a piece with its hinge and the moment of its weight. Goes out: strengths and
:class:`StandingHinge`. Must not: know about rigs or limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.predicting.hinge import (
    RUPTURE_REL_U,
    HingeWindow,
    rupture_pa,
    weight_moment_nm,
    window,
)
from analysis.predicting.piece import P95
from analysis.predicting.wood import find_species
from logger.records import Hinge, Piece

FloatArray = NDArray[np.float64]

UNKNOWN_RUPTURE_PA: Final = (30e6, 70e6)
"""Own assumption: range of green bending strength where the species is not listed."""

UNSOUND_FACTOR: Final = (0.2, 1.0)
"""Own assumption, wide: bending strength of dead or decayed wood over that of sound wood."""

_STEPS: Final = 15


@dataclass(frozen=True, slots=True, eq=False)
class StandingHinge:
    """Hinge windows (as β) against thickness, from a quarter to twice the planned one.

    Parameters
    ----------
    hinge : Hinge
        As planned.
    careful : HingeWindow
        Weakest wood (5 %), heavy piece (95 %).
    middle : HingeWindow
        Middle strength, middle weight.
    """

    hinge: Hinge
    careful: HingeWindow
    middle: HingeWindow

    def planned(self, edges: HingeWindow) -> tuple[float, float, float]:
        """Low, high and closed edge at the planned thickness, β."""
        at = self.hinge.thickness_m
        low, high, closed = (
            float(np.interp(at, edges.thickness_m, values))
            for values in (edges.low, edges.high, edges.closed)
        )
        return low, high, closed


def unsound(piece: Piece) -> bool:
    """Whether the wood is dead, decayed or hollow, so that its strength is anybody's guess."""
    return (
        piece.condition != "green"
        or (piece.decay_factor is not None and piece.decay_factor < 1.0)
        or piece.cavity_ratio > 0.0
    )


def strength_pa(piece: Piece, hinge: Hinge) -> tuple[float, float, float]:
    """Low (5 %), middle and high (95 %) modulus of rupture of the wood as it is.

    Examples
    --------
    >>> from logger.records import Diameter
    >>> oak = Piece(name="P", rig="R", length_m=4.0, species="northern red oak",
    ...             diameters=(Diameter(at_m=0.0, diameter_m=0.3),))
    >>> [round(f / 1e6, 1) for f in strength_pa(oak, Hinge(width_m=0.3, thickness_m=0.03))]
    [43.3, 58.8, 74.3]
    """
    species = find_species(piece.species) if piece.species else None
    if hinge.rupture_pa is not None:
        middle = hinge.rupture_pa
    elif species is not None:
        middle = float(rupture_pa(species.gravity))
    else:
        middle = 0.0
    low, high = (middle * (1.0 + k * P95 * RUPTURE_REL_U) for k in (-1.0, 1.0))
    if middle == 0.0:
        low, high = UNKNOWN_RUPTURE_PA
        middle = math.sqrt(low * high)
    if unsound(piece) and hinge.rupture_pa is None:
        low, high = low * UNSOUND_FACTOR[0], high * UNSOUND_FACTOR[1]
        middle = math.sqrt(low * high)
    return low, middle, high


def standing_hinge(
    piece: Piece, weights_n: tuple[float, float, float], centre_m: float
) -> StandingHinge | None:
    """Find the windows of a piece's hinge, None where none is written."""
    hinge = piece.hinge
    if hinge is None:
        return None
    low, middle, _ = strength_pa(piece, hinge)
    thick_m = hinge.thickness_m * np.linspace(0.25, 2.0, _STEPS)

    def made(strength: float, weight_n: float) -> HingeWindow:
        return window(
            thick_m,
            width_m=hinge.width_m,
            notch_depth_m=hinge.notch_depth_m,
            strength_pa=strength,
            weight_moment=weight_moment_nm(weight_n, centre_m, piece.inclination_rad),
        )

    return StandingHinge(hinge, made(low, weights_n[2]), made(middle, weights_n[1]))
