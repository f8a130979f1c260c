"""One-sided tolerance bounds: a number that covers a share of pieces with a confidence.

Comes in: how many values, or the values of one group. Goes out: the exact factor k and the
bound mean ± k·SD. Must not: pool groups or jobs (``pooling``), or leave values out.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import nct, norm

from analysis.learning.hierarchy import Side


def tolerance_factor(n: int, *, share: float = 0.95, confidence: float = 0.95) -> float:
    """Exact one-sided factor k for ``n`` normal values of unknown mean and SD.

    Parameters
    ----------
    n : int
        Number of independent values, at least 2.
    share : float
        Part of the pieces to cover, between 0 and 1.
    confidence : float
        How sure the covering is to be, between 0 and 1.

    Returns
    -------
    float
        Mean + k·SD lies above ``share`` of all values with the given confidence.

    Raises
    ------
    ValueError
        Fewer than two values, or a share or confidence outside (0, 1).

    Notes
    -----
    k = t'(C; n − 1, z_P √n) / √n with t' the quantile of the noncentral t distribution.
    Holds for independent normal values; values of one job are not independent.

    References
    ----------
    D. C. Montgomery & G. C. Runger, *Applied Statistics and Probability for Engineers*,
    7th ed., Table XII.

    Examples
    --------
    >>> round(tolerance_factor(10), 3)
    2.911
    """
    if n < 2:
        raise ValueError(f"{n} value(s): at least 2 are needed for a tolerance bound")
    if not (0 < share < 1 and 0 < confidence < 1):
        raise ValueError(f"share {share} and confidence {confidence} must lie between 0 and 1")
    root = np.sqrt(n)
    return float(nct.ppf(confidence, n - 1, norm.ppf(share) * root) / root)


def tolerance_bound(
    values: ArrayLike, *, side: Side = "high", share: float = 0.95, confidence: float = 0.95
) -> float:
    """Bound of one group from its own values alone: mean ± k·SD.

    Parameters
    ----------
    values : (n,) array_like
        Independent values on the scale on which they are normal (for ratios: logs).
    side : {"high", "low"}
        Above or below ``share`` of the values.
    share, confidence : float
        As in :func:`tolerance_factor`.

    Returns
    -------
    float
        In the unit of ``values``.

    Examples
    --------
    >>> round(tolerance_bound([0.0, 0.1, 0.2, 0.1]), 3)
    0.52
    >>> round(tolerance_bound([0.0, 0.1, 0.2, 0.1], side="low"), 3)
    -0.32
    """
    given = np.asarray(values, dtype=np.float64)
    reach = tolerance_factor(given.size, share=share, confidence=confidence) * given.std(ddof=1)
    return float(given.mean() + (reach if side == "high" else -reach))
