"""What a followed motion tells: weight, the rope's EA, the block's efficiency, and how well.

Comes in: what is expected of a rig, a fit of a stretch of its motion, what the fit leaves.
Goes out: all with their relative standard uncertainties. Must not: fit, or know what
else makes a reading uncertain (calibration and zero: ``uncertainty.py``).

Notes
-----
Weight and unknowns together, linear about the fit: with J the slopes of the readings, s what
is left of a value, and P what was entered (1/sd² on its diagonal), their covariance is
(JᵀJ/s² + P)⁻¹: least squares with a normal prior, a textbook's result from memory, held to
a Monte Carlo by a test. What a motion leaves is not noise: it holds for some tenths of
a second. So s counts √10 times, as if values 0.4 s apart were the independent ones.

EA is W over the strain ε of the hanging lead. As for a ring-down (``stiffness.py``) nobody writes
down whether a length was taped slack or under the piece: the middle of W/ε and W/ε − W is
told, W/√12 is in its uncertainty; that of the lengths is not. EA and efficiency are not told in a span rig.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.reading.letting_out import LEAST_ETA, MOST_ETA, START
from analysis.reading.stretches import Tells, Told
from analysis.reading.swing_fit import DIFFERENCE, Fit
from analysis.reading.swing_guesses import Expected
from analysis.reading.swing_motion import UNKNOWNS
from analysis.reading.trace import FloatArray

_ALIKE: Final = 10
"""So many values in a row are left alike."""
_LEAST_LEFT: Final = 0.001
_MODEL: Final = 0.002
"""Own assumption: a point mass on an even rope tells the weight no better than this."""
_BEYOND: Final = (2.0, 3.0)
"""A fit is not linear where sheaves stick and slip: so many times what a linear one would leave
open, on a lead and in a span, covered 96 % of the tuned set."""
_BEYOND_EA: Final = 4.0
"""Likewise for EA: ranges cover 97 % of the tuned set's 88, and of the wide set's 35."""
_BEYOND_ETA: Final = 3.0
"""Likewise for the efficiency, where that is told: covers 91 of 92 of the tuned set, 10 of 11 of the wide set."""
_STRAIN: Final = UNKNOWNS.index("ln_strain")
_ETA: Final = UNKNOWNS.index("efficiency")


def what_it_tells(
    expected: Expected, fit: Fit, weights: FloatArray, weight_n: float, residual: float, every: int
) -> Tells:
    """Give what a fit tells.

    Parameters
    ----------
    expected : Expected
        The rig, what is expected of its unknowns.
    fit : Fit
        Of as many values as there are weights.
    weights : (n,) float64
        Weights of the squares.
    weight_n : float
        Weight of the piece with the fit, newtons.
    residual : float
        What the fit leaves, RMS, as a share of the weight.
    every : int
        Steps per value.

    Returns
    -------
    Tells
        With infinite uncertainties where the values do not tell it.
    """
    spread = _covariance(expected, fit, weights, residual, every)
    in_a_span = expected.swing.span_m > 0.0
    if spread is None:
        return Tells(Told(weight_n, math.inf))
    open_n = math.sqrt(max(float(spread[0, 0]), 0.0))
    weight = Told(weight_n, _BEYOND[in_a_span] * math.hypot(open_n, _MODEL))
    if in_a_span:
        return Tells(weight)
    strain = math.exp(float(fit.guess[_STRAIN]))
    at = 1 + _STRAIN
    varies = float(spread[0, 0] + spread[at, at] - 2.0 * spread[0, at])
    ea_n = weight_n / strain - 0.5 * weight_n
    taped = weight_n / math.sqrt(12.0) / max(ea_n, weight_n)
    ea = Told(ea_n, math.hypot(_BEYOND_EA * math.sqrt(max(varies, 0.0)), taped))
    eta = min(max(float(fit.guess[_ETA]), LEAST_ETA), MOST_ETA)
    open_eta = math.sqrt(max(float(spread[1 + _ETA, 1 + _ETA]), 0.0))
    return Tells(weight, ea, Told(eta, math.hypot(_BEYOND_ETA * open_eta, _MODEL) / eta))


def _covariance(
    expected: Expected, fit: Fit, weights: FloatArray, residual: float, every: int
) -> FloatArray | None:
    """Of the relative weight and the unknowns; None where the values do not tell them."""
    free = fit.guess.size + (0 if fit.lets_out else START)
    rows = np.tile(fit.guess, (free + 1, 1))
    rows[np.arange(1, free + 1), np.arange(free)] += DIFFERENCE
    read = expected.swing.reading(rows, weights.size, every)
    slopes = np.vstack((read[:1], (read[1:] - read[0]) / DIFFERENCE)).T
    if not np.isfinite(slopes).all():
        return None
    left = max(residual, _LEAST_LEFT) * math.sqrt(_ALIKE)
    known = slopes.T @ (weights[:, None] * slopes) / left**2
    known[1:, 1:] += np.diag(expected.sd[:free] ** -2.0)
    try:
        return np.asarray(np.linalg.inv(known))
    except np.linalg.LinAlgError:
        return None
