"""The hinge that still holds a piece: what it resists, and what pulls at it.

Comes in: weight, rope force, hinge, numbers or arrays in SI. Goes out: moments, the hinge
window, the state. Must not: know about rigs or limits, or draw random numbers.

Notes
-----
Moments are about the hinge line at the butt, positive where they lift the tip. The hinge
resists bending by M = f b t²/6 both ways (elastic, to the modulus of rupture f). Once the
notch has closed the piece turns about the notch's edge and the fibres are pulled: of the
order of f t b (notch depth + t/2), tens of times more.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError

FloatArray = NDArray[np.float64]
HingeState = Literal["fails_down", "holds", "breaks_up", "notch_closed"]

STATES: Final[tuple[HingeState, ...]] = ("fails_down", "holds", "breaks_up", "notch_closed")
STATE_WORDS: Final[dict[HingeState, str]] = {
    "fails_down": "the hinge fails downward: the piece falls onto the rope",
    "holds": "the hinge holds the piece",
    "breaks_up": "the hinge breaks upward: the rope lifts the piece off",
    "notch_closed": "the notch has closed: the winch cannot be expected to break the hinge",
}
RUPTURE_REL_U: Final = 0.16
"""Relative standard deviation of bending strength within a species, clear wood; from memory
of the Wood Handbook's coefficients of variation."""
UPRIGHT_COS: Final = 0.02
"""Within about a degree of upright the weight has no arm worth the name."""

PSI_PA: Final = 6894.757293168


def rupture_pa(gravity: ArrayLike) -> FloatArray:
    """Compute the green modulus of rupture from specific gravity, 17 600 G^1.25 psi.

    Parameters
    ----------
    gravity : array_like
        Oven-dry mass over green volume, relative to water.

    Returns
    -------
    ndarray of float64
        Pascals.

    References
    ----------
    Forest Products Laboratory, reprinted as Table 2-2 of US Army TM 5-852-4.

    Examples
    --------
    >>> round(float(rupture_pa(0.56)) / 1e6, 1)
    58.8
    """
    return np.asarray(17_600.0 * np.asarray(gravity, float) ** 1.25 * PSI_PA)


def bending_nm(strength_pa: ArrayLike, width_m: ArrayLike, thickness_m: ArrayLike) -> FloatArray:
    """Resistance of an open hinge to bending, f b t²/6, either way.

    Examples
    --------
    >>> round(float(bending_nm(60e6, 0.3, 0.03)))
    2700
    """
    f, b, t = (np.asarray(v, float) for v in (strength_pa, width_m, thickness_m))
    return np.asarray(f * b * t**2 / 6.0)


def closed_nm(
    strength_pa: ArrayLike, width_m: ArrayLike, thickness_m: ArrayLike, notch_depth_m: ArrayLike
) -> FloatArray:
    """Resistance once the notch has closed, of the order f t b (notch depth + t/2).

    Examples
    --------
    >>> round(float(closed_nm(60e6, 0.3, 0.03, 0.10) / bending_nm(60e6, 0.3, 0.03)))
    23
    """
    f, b, t, depth = (
        np.asarray(v, float) for v in (strength_pa, width_m, thickness_m, notch_depth_m)
    )
    return np.asarray(f * t * b * (depth + t / 2.0))


def along_limb(inclination_rad: float, bearing_rad: float = 0.0) -> FloatArray:
    """Give the unit vector from butt to tip, (3,).

    Examples
    --------
    >>> along_limb(0.0).tolist()
    [1.0, 0.0, 0.0]
    """
    flat = np.cos(inclination_rad)
    return np.array(
        [flat * np.cos(bearing_rad), flat * np.sin(bearing_rad), np.sin(inclination_rad)]
    )


def lifting_moment_nm(
    force_n: ArrayLike, at_m: ArrayLike, inclination_rad: float = 0.0, bearing_rad: float = 0.0
) -> FloatArray:
    """Moment about the hinge line of a force on the limb, positive where it lifts the tip.

    Parameters
    ----------
    force_n : array_like
        (..., 3), z up.
    at_m : array_like
        Where it acts, from the butt along the limb.
    inclination_rad, bearing_rad : float
        Of the limb.

    Returns
    -------
    ndarray of float64
        (r × F)·e with e along the hinge line: only the part square to the limb in its upright
        plane counts.

    Examples
    --------
    >>> float(lifting_moment_nm((0.0, 0.0, 100.0), 3.0))
    300.0
    """
    force = np.asarray(force_n, float)
    outward = force[..., 0] * np.cos(bearing_rad) + force[..., 1] * np.sin(bearing_rad)
    square = force[..., 2] * np.cos(inclination_rad) - outward * np.sin(inclination_rad)
    return np.asarray(square * np.asarray(at_m, float))


def weight_moment_nm(
    weight_n: ArrayLike, centre_m: ArrayLike, inclination_rad: float = 0.0
) -> FloatArray:
    """Moment with which its own weight bends the piece down, W x_c cos(inclination).

    Examples
    --------
    >>> float(weight_moment_nm(1000.0, 2.0))
    2000.0
    """
    arm = np.asarray(centre_m, float) * np.cos(inclination_rad)
    return np.asarray(np.asarray(weight_n, float) * arm)


def balance(
    force_n: ArrayLike,
    at_m: ArrayLike,
    weight_n: ArrayLike,
    centre_m: ArrayLike,
    inclination_rad: float = 0.0,
    bearing_rad: float = 0.0,
) -> FloatArray:
    """Hinge balance β: the rope's lifting moment over the weight's.

    Raises
    ------
    PredictionError
        The limb stands upright: its weight has no arm about the hinge.

    Examples
    --------
    >>> import math
    >>> up = math.radians(40)
    >>> [round(float(balance((h, 0, 2.0), 1.0, 2.5, 1.0, up)), 2) for h in (0.8, -0.8)]
    [0.53, 1.07]
    """
    down = weight_moment_nm(weight_n, centre_m, inclination_rad)
    if np.any(down <= 0) or math.cos(inclination_rad) < UPRIGHT_COS:
        raise PredictionError(
            "piece.inclination_rad: an upright piece has no moment about its hinge; hinge balance "
            "needs a limb that leans or lies"
        )
    return np.asarray(lifting_moment_nm(force_n, at_m, inclination_rad, bearing_rad) / down)


@dataclass(frozen=True, slots=True, eq=False)
class HingeWindow:
    """Rope moments at which the hinge holds, as hinge balance β; arrays over thickness.

    Parameters
    ----------
    thickness_m : ndarray
        Wood still standing.
    low, high : ndarray
        β below which it fails downward, and above which it breaks upward while the notch is
        open.
    closed : ndarray
        β above which it would break once the notch has closed.
    """

    thickness_m: FloatArray
    low: FloatArray
    high: FloatArray
    closed: FloatArray


def window(
    thickness_m: ArrayLike,
    *,
    width_m: float,
    notch_depth_m: float,
    strength_pa: ArrayLike,
    weight_moment: ArrayLike,
) -> HingeWindow:
    """Find the hinge window for what still stands.

    Parameters
    ----------
    thickness_m : array_like
        Hinge thickness.
    width_m, notch_depth_m : float
        Of hinge and notch.
    strength_pa : array_like
        Modulus of rupture of the green wood.
    weight_moment : array_like
        Newton metres, positive, as :func:`weight_moment_nm` gives it.

    Returns
    -------
    HingeWindow
    """
    thick = np.asarray(thickness_m, float)
    down = np.asarray(weight_moment, float)
    open_ = bending_nm(strength_pa, width_m, thick) / down
    shut = closed_nm(strength_pa, width_m, thick, notch_depth_m) / down
    return HingeWindow(
        thick, np.asarray(1.0 - open_), np.asarray(1.0 + open_), np.asarray(1.0 + shut)
    )


def state_of(beta: float, low: float, high: float, *, notch_closed: bool = False) -> HingeState:
    """Say what the hinge does at a balance.

    Examples
    --------
    >>> [state_of(b, 0.7, 1.3) for b in (0.5, 1.0, 1.5)]
    ['fails_down', 'holds', 'breaks_up']
    >>> state_of(1.5, 0.7, 1.3, notch_closed=True)
    'notch_closed'
    """
    if beta < low:
        return "fails_down"
    if beta <= high:
        return "holds"
    return "notch_closed" if notch_closed else "breaks_up"
