"""How well a followed motion tells the weight of the piece.

Comes in: what is expected of a rig, a fit of a stretch of its motion, what the fit leaves.
Goes out: the relative standard uncertainty of the fit's weight. Must not: fit, or know what
else makes a reading uncertain (calibration and zero: ``uncertainty.py``).

Notes
-----
Weight and unknowns together, linear about the fit: with J the slopes of the readings, s what
is left of a value, and P what was entered (1/sd² on its diagonal), their covariance is
(JᵀJ/s² + P)⁻¹: least squares with a normal prior, a textbook's result from memory, held to
a Monte Carlo by a test. What a motion leaves is not noise: it holds for some tenths of
a second. So s counts √10 times, as if values 0.4 s apart were the independent ones.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.reading.letting_out import START
from analysis.reading.swing_fit import DIFFERENCE, Fit
from analysis.reading.swing_guesses import Expected
from analysis.reading.trace import FloatArray

_ALIKE: Final = 10
"""So many values in a row are left alike."""
_LEAST_LEFT: Final = 0.001
_MODEL: Final = 0.002
"""Own assumption: a point mass on an even rope tells the weight no better than this."""
_BEYOND: Final = (2.0, 3.0)
"""A fit is not linear where sheaves stick and slip: so many times what a linear one would leave
open, on a lead and in a span, covered 96 % of the tuned set."""


def weight_rel_u(
    expected: Expected, fit: Fit, weights: FloatArray, residual: float, every: int
) -> float:
    """Give the relative standard uncertainty of a fitted weight.

    Parameters
    ----------
    expected : Expected
        The rig, what is expected of its unknowns.
    fit : Fit
        Of as many values as there are weights.
    weights : (n,) float64
        Weights of the squares.
    residual : float
        What the fit leaves, RMS, as a share of the weight.
    every : int
        Steps per value.

    Returns
    -------
    float
        Infinite where the values do not tell it.
    """
    free = fit.guess.size + (0 if fit.lets_out else START)
    rows = np.tile(fit.guess, (free + 1, 1))
    rows[np.arange(1, free + 1), np.arange(free)] += DIFFERENCE
    read = expected.swing.reading(rows, weights.size, every)
    slopes = np.vstack((read[:1], (read[1:] - read[0]) / DIFFERENCE)).T
    if not np.isfinite(slopes).all():
        return math.inf
    left = max(residual, _LEAST_LEFT) * math.sqrt(_ALIKE)
    known = slopes.T @ (weights[:, None] * slopes) / left**2
    known[1:, 1:] += np.diag(expected.sd[:free] ** -2.0)
    try:
        spread = float(np.linalg.inv(known)[0, 0])
    except np.linalg.LinAlgError:
        return math.inf
    beyond = _BEYOND[expected.swing.span_m > 0.0]
    return beyond * math.hypot(math.sqrt(max(spread, 0.0)), _MODEL)
