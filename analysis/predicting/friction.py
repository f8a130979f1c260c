"""Friction where a rope bends: wraps, sheaves, and what two readings say about it.

Comes in: angles and friction constants, numbers or arrays. Goes out: tension ratios.
Must not: know about rigs or records.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


def capstan_ratio(friction: ArrayLike, angle_rad: ArrayLike) -> FloatArray:
    """High over low tension of a rope on a fixed contact, exp(μθ).

    Parameters
    ----------
    friction : array_like
        Coefficient of friction μ.
    angle_rad : array_like
        Angle of wrap θ, radians.

    Returns
    -------
    ndarray of float64
        T_high / T_low, at least 1.

    Examples
    --------
    >>> round(float(capstan_ratio(0.2, 2 * np.pi)), 3)
    3.514
    """
    return np.asarray(np.exp(np.multiply(friction, angle_rad)), dtype=np.float64)


def wraps_ratio(friction: ArrayLike, wraps: ArrayLike) -> FloatArray:
    """High over low tension after n full wraps, exp(2πμn).

    Examples
    --------
    >>> round(float(wraps_ratio(0.1, 3)), 3)
    6.586
    """
    return capstan_ratio(friction, 2.0 * np.pi * np.asarray(wraps))


def sheave_efficiency(efficiency_180: ArrayLike, wrap_rad: ArrayLike) -> FloatArray:
    """Low over high tension of a sheave at a wrap angle.

    Parameters
    ----------
    efficiency_180 : array_like
        T_low / T_high as quoted for a wrap of 180°, above 0 and at most 1.
    wrap_rad : array_like
        Angle through which the rope turns, radians, 0 to π.

    Returns
    -------
    ndarray of float64
        η_θ, between ``efficiency_180`` and 1.

    Notes
    -----
    Bearing friction follows the resultant: 1 − η_θ = b √(1 + η_θ² − 2 η_θ cos θ) with
    b = (1 − η)/(1 + η). Squared, this is a quadratic whose two roots are reciprocal; the
    one below 1 is returned in the form that does not cancel.

    Examples
    --------
    >>> [round(float(sheave_efficiency(0.9, np.deg2rad(a))), 3) for a in (180, 90, 60)]
    [0.9, 0.928, 0.949]
    """
    return efficiency_at_cos(efficiency_180, np.cos(wrap_rad))


def efficiency_at_cos(efficiency_180: ArrayLike, cos_wrap: ArrayLike) -> FloatArray:
    """Compute :func:`sheave_efficiency` from the cosine of the wrap angle."""
    eta = np.asarray(efficiency_180, dtype=np.float64)
    cos = np.asarray(cos_wrap, dtype=np.float64)
    b2 = ((1.0 - eta) / (1.0 + eta)) ** 2
    root = np.sqrt(np.maximum(b2 * (1.0 - cos) * (2.0 - b2 * (1.0 + cos)), 0.0))
    return np.asarray((1.0 - b2) / (1.0 - b2 * cos + root), dtype=np.float64)


def to_the(ratio: FloatArray, motion: FloatArray) -> FloatArray:
    """Give ratio^motion: quick where all move the same way, as a whole number.

    Examples
    --------
    >>> to_the(np.array([0.5, 0.8]), np.array([-1.0, -1.0])).tolist()
    [2.0, 1.25]
    """
    first = motion.reshape(-1)[0]
    return np.asarray(ratio ** (float(first) if np.all(motion == first) else motion))


def efficiency_180(efficiency: float, wrap_rad: float) -> float:
    """Bring an efficiency measured at a wrap to one of 180°.

    Parameters
    ----------
    efficiency : float
        T_low/T_high at the wrap; a little above 1 where noise says so.
    wrap_rad : float
        Angle through which the rope turned, above 0.

    Returns
    -------
    float

    Notes
    -----
    The inverse of :func:`sheave_efficiency`:
    (1 − η)/(1 + η) = (1 − η_θ)/√(1 + η_θ² − 2 η_θ cos θ).

    Examples
    --------
    >>> round(efficiency_180(0.928, math.pi / 2), 3), round(efficiency_180(0.9, math.pi), 3)
    (0.9, 0.9)
    """
    resultant = math.sqrt(1.0 + efficiency**2 - 2.0 * efficiency * math.cos(wrap_rad))
    lost = (1.0 - efficiency) / resultant
    return (1.0 - lost) / (1.0 + lost)
