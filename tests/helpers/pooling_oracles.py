"""Slow, obvious twins of the pooled sampler: plain quadrature on fine grids."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

FloatArray = NDArray[np.float64]

EIGHT_SCHOOLS_Y = np.array([28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0])
EIGHT_SCHOOLS_SD = np.array([15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0])
"""Effects and standard errors: Rubin 1981; Bayesian Data Analysis 3rd ed., Table 5.2 [M]."""


def known_sd_posterior(
    y: FloatArray, sd: FloatArray, *, sd_limit: float
) -> tuple[FloatArray, FloatArray, float, float]:
    """Means and SDs of the groups, means of tau and mu; flat priors of mu and tau.

    p(tau | y) on a grid, mu and the groups given tau in closed form (BDA §5.4).
    """
    tau = np.linspace(1e-6, sd_limit, 40_001)
    variance = sd**2 + tau[:, None] ** 2
    precision = (1 / variance).sum(axis=1)
    mu = (y / variance).sum(axis=1) / precision
    log_p = -0.5 * (
        np.log(variance).sum(axis=1)
        + ((y - mu[:, None]) ** 2 / variance).sum(axis=1)
        + np.log(precision)
    )
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    shrink = sd**2 / variance
    mean = (1 - shrink) * y + shrink * mu[:, None]
    spread = (1 - shrink) * sd**2 + shrink**2 / precision[:, None]
    group_mean = weight @ mean
    group_sd = np.sqrt(weight @ (spread + mean**2) - group_mean**2)
    return group_mean, group_sd, float(weight @ tau), float(weight @ mu)


def clipped_posterior(
    y: FloatArray, lower_bound: NDArray[np.bool_], sd: float, centre: float, centre_sd: float
) -> tuple[float, float]:
    """Mean and SD of one constant: known SD, clipped values by the chance of lying above."""
    grid = np.linspace(centre - 6 * centre_sd, centre + 6 * centre_sd, 20_001)
    log_p = norm.logpdf(grid, centre, centre_sd)
    log_p += np.sum(norm.logpdf(y[~lower_bound][:, None], grid, sd), axis=0)
    log_p += np.sum(norm.logsf(y[lower_bound][:, None], grid, sd), axis=0)
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    mean = float(weight @ grid)
    return mean, float(np.sqrt(weight @ (grid - mean) ** 2))
