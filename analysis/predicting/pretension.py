"""Letting the hinge go: the force when a pretensioned piece passes to the rope.

Comes in: weight, share carried, damping ratio, offset, numbers or arrays. Goes out:
vertical load at the piece. Must not: know about rigs; the legs are straight here.

Notes
-----
Central lift, the legs' angles unchanged. In a shallow span the legs stiffen as they
straighten, so below a share of about 0.6 these figures are only an indication there.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

OFFSET_SHARE_LIMIT: Final = 0.1
"""Lift off centre by more than this part of the length: the butt swings."""


def _array(value: ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def force_overshoot(damping_ratio: ArrayLike) -> FloatArray:
    """Part of the missing weight that comes on top at the first force peak.

    exp[−ζ(π − 2 asin ζ)/√(1 − ζ²)] for Kelvin–Voigt damping. The formula known for the
    displacement, exp[−ζπ/√(1 − ζ²)], reads low for the force.

    Parameters
    ----------
    damping_ratio : array_like
        ζ of the hanging piece, 0 to below 1.

    Returns
    -------
    ndarray of float64
        1 without damping.

    Examples
    --------
    >>> float(force_overshoot(0.0)), round(float(force_overshoot(0.1)), 3)
    (1.0, 0.744)
    """
    zeta = _array(damping_ratio)
    return _array(np.exp(-zeta * (np.pi - 2.0 * np.arcsin(zeta)) / np.sqrt(1.0 - zeta**2)))


def first_extreme_n(
    weight_n: ArrayLike, share_carried: ArrayLike, damping_ratio: ArrayLike = 0.0
) -> FloatArray:
    """First extreme of the vertical load after the release, W + (1 − κ) W · overshoot.

    Below W when the share is more than 1: the piece jumps.

    Examples
    --------
    >>> float(first_extreme_n(1000.0, 0.0)), float(first_extreme_n(1000.0, 1.25))
    (2000.0, 750.0)
    """
    weight = _array(weight_n)
    missing = (1.0 - _array(share_carried)) * weight
    return _array(weight + missing * force_overshoot(damping_ratio))


def largest_n(
    weight_n: ArrayLike, share_carried: ArrayLike, damping_ratio: ArrayLike = 0.0
) -> FloatArray:
    """Largest vertical load in the record, pretension included.

    For a share above 1 that is the pretension itself, κW: the rebound after the jump
    stays below it.

    Examples
    --------
    >>> float(largest_n(1000.0, 0.8)), float(largest_n(1000.0, 1.25))
    (1200.0, 1250.0)
    """
    carried = _array(share_carried) * _array(weight_n)
    return _array(np.maximum(first_extreme_n(weight_n, share_carried, damping_ratio), carried))


def offset_peaks_n(
    weight_n: ArrayLike, offset_m: ArrayLike, gyration_m: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Two upper figures for a lift off centre: tie point held, and tie point free.

    Parameters
    ----------
    weight_n : array_like
        Weight W.
    offset_m : array_like
        Distance c along the limb between tie and centre of mass.
    gyration_m : array_like
        Radius of gyration k_g about the centre of mass.

    Returns
    -------
    tuple of ndarray
        W[1 + 2c²/(c² + k_g²)] and W[1 + 2c²/k_g²]. Rigid rope, no drag; stretch can
        exceed both.

    Examples
    --------
    >>> [float(v) for v in offset_peaks_n(1000.0, 1.0, 1.0)]
    [2000.0, 3000.0]
    """
    weight = _array(weight_n)
    c2 = _array(offset_m) ** 2
    k2 = _array(gyration_m) ** 2
    return _array(weight * (1.0 + 2.0 * c2 / (c2 + k2))), _array(weight * (1.0 + 2.0 * c2 / k2))
