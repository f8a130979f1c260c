"""A bracketed root of many equations at once.

Comes in: a residual that is negative at one end of a bracket and positive at the other,
as arrays. Goes out: where it is zero. Must not: know what it solves.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

MOST_STEPS: Final = 200
CLOSE: Final = 1e-13


def bracketed_root(
    residual: Callable[[FloatArray], FloatArray],
    low: FloatArray,
    high: FloatArray,
    start: FloatArray,
    *,
    ends: tuple[FloatArray, FloatArray],
    size: ArrayLike = 1.0,
) -> FloatArray:
    """Find roots by false position after Anderson and Björck.

    Parameters
    ----------
    residual : callable
        Rising through zero between ``low`` and ``high``.
    low, high : ndarray
        Ends of the bracket, of the residual's shape.
    start : ndarray
        First guess.
    ends : tuple of ndarray
        Residuals at the ends. Only their signs must be right, so their size may be a
        rough one.
    size : array_like
        A bracket narrower than 1e-13 of this is closed.

    Returns
    -------
    ndarray of float64

    Examples
    --------
    >>> one = np.ones(1)
    >>> root = bracketed_root(lambda x: x**2 - 2, 0 * one, 2 * one, one, ends=(-one, one))
    >>> round(float(root[0]), 12)
    1.414213562373
    """
    f_low, f_high = ends
    side = np.zeros(low.shape)
    x = start
    for _ in range(MOST_STEPS):  # pragma: no branch
        f = residual(x)
        if np.all((np.abs(f) <= CLOSE) | (high - low <= CLOSE * np.asarray(size))):
            break
        above = f > 0
        # The residual of an end kept twice is lessened, so that both ends move.
        same = np.where(above, f_high, f_low)
        less = 1.0 - f / np.where(same == 0, 1.0, same)
        less = np.where(less > 0, less, 0.5)
        f_low = np.where(above, np.where(side > 0, less * f_low, f_low), f)
        f_high = np.where(above, f, np.where(side < 0, less * f_high, f_high))
        low, high = np.where(above, low, x), np.where(above, x, high)
        side = np.where(above, 1.0, -1.0)
        chord = f_high - f_low
        meets = (low * f_high - high * f_low) / np.where(chord > 0, chord, 1.0)
        x = np.clip(np.where(chord > 0, meets, x), low, high)
    return x
