"""Scores of many predictions against many measurements: bias, coverage, PIT.

Comes in: arrays of measured and predicted values, of percentiles, of which measured values
are only lower bounds. Goes out: numbers per method. Must not: re-predict anything (the
predictions stored before each lowering are what is scored) or leave clipped peaks out.

A clipped peak is right-censored everywhere: its log ratio and its percentile are at least
what was read.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import log_ndtr
from scipy.stats import beta, kstest

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

FEWEST_FOR_KS: Final = 11
"""Fewest pieces for a Kolmogorov-Smirnov p value. Own choice: from so many on, predictions
that are off by one of their own standard deviations are found (p below 0.05) in more than
80 of 100 seasons; a test draws them."""

_STEPS = 2000
_SQRT_2PI = 2.5066282746310002


@dataclass(frozen=True, slots=True)
class Bias:
    """Mean and SD of log(measured / predicted), clipped values by likelihood.

    Parameters
    ----------
    mean_log : float
        Above 0: more was measured than predicted.
    sd_log : float
        Scatter; nan below two unclipped values.
    ratio : float
        exp(mean_log).
    n, clipped : int
    """

    mean_log: float
    sd_log: float
    ratio: float
    n: int
    clipped: int


@dataclass(frozen=True, slots=True)
class Coverage:
    """How many measured values fell into the central interval of their prediction.

    Parameters
    ----------
    level : float
        What share should.
    share : float
        What share did; clipped values below the upper end count with the chance that a
        well-calibrated one has.
    least, most : float
        If all such clipped values lie outside, or inside.
    interval_90 : (float, float)
        Clopper–Pearson interval of ``share`` for that many pieces.
    n, clipped : int
    """

    level: float
    share: float
    least: float
    most: float
    interval_90: tuple[float, float]
    n: int
    clipped: int


@dataclass(frozen=True, slots=True)
class Pit:
    """Histogram and uniformity of the percentiles (probability integral transform).

    Parameters
    ----------
    edges, share : tuple of float
        Bin edges from 0 to 1, and the share of pieces in each; uniform is flat. A clipped
        value is spread evenly over all percentiles from its own up.
    ks_distance : float
        Kolmogorov–Smirnov distance from uniform; a clipped percentile is drawn uniformly
        above its bound, which keeps the p value exact if all is well.
    ks_p : float or None
        Its p value; None for fewer than :data:`FEWEST_FOR_KS` pieces, of which it would
        say nothing.
    n, clipped : int
    """

    edges: tuple[float, ...]
    share: tuple[float, ...]
    ks_distance: float
    ks_p: float | None
    n: int
    clipped: int


@dataclass(frozen=True, slots=True)
class MethodScore:
    """Bias, coverages and PIT of one method."""

    method: str
    bias: Bias
    coverage: tuple[Coverage, ...]
    pit: Pit

    def to_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return asdict(self)


def _marks(lower_bound: ArrayLike | None, n: int) -> BoolArray:
    if n == 0:
        raise ValueError("no values to score")
    if lower_bound is None:
        return np.zeros(n, dtype=np.bool_)
    marks = np.asarray(lower_bound, dtype=np.bool_)
    if marks.shape != (n,):
        raise ValueError(f"{marks.shape} marks of clipping for {n} values")
    return marks


def censored_mean_sd(
    values: ArrayLike, lower_bound: ArrayLike | None = None
) -> tuple[float, float]:
    """Maximum-likelihood mean and SD of normal values, some of them only lower bounds.

    Parameters
    ----------
    values : (n,) array_like
    lower_bound : (n,) array_like of bool, optional
        True where the value is only known to be at least this.

    Returns
    -------
    mean, sd : float
        Without clipped values the plain mean and the SD with n − 1. SD nan, and the mean over
        all as they stand, with fewer than two unclipped values.

    Notes
    -----
    Expectation–maximisation; the SD is stretched by √(m/(m − 1)), m the unclipped values.

    Examples
    --------
    >>> censored_mean_sd([1.0, 2.0, 3.0])
    (2.0, 1.0)
    >>> censored_mean_sd([1.0, 2.0, 3.0], [False, False, True])[0] > 2.0
    True
    """
    given = np.asarray(values, dtype=np.float64)
    cut = _marks(lower_bound, given.size)
    measured = given[~cut]
    if measured.size < 2 or np.ptp(measured) == 0:
        return float(given.mean()), float("nan")
    if not cut.any():
        return float(given.mean()), float(given.std(ddof=1))
    mean, sd = float(measured.mean()), float(measured.std())
    for _ in range(_STEPS):
        z = (given[cut] - mean) / sd
        hazard = np.exp(-0.5 * z**2 - log_ndtr(-z)) / _SQRT_2PI
        expected = mean + sd * hazard
        left = sd**2 * (1.0 + z * hazard - hazard**2)
        total = measured.sum() + expected.sum()
        new_mean = float(total / given.size)
        square = ((measured - new_mean) ** 2).sum() + ((expected - new_mean) ** 2 + left).sum()
        new_sd = float(np.sqrt(square / given.size))
        done = abs(new_mean - mean) + abs(new_sd - sd) < 1e-10 * new_sd
        mean, sd = new_mean, new_sd
        if done:
            break
    return mean, sd * float(np.sqrt(measured.size / (measured.size - 1)))


def score_bias(
    measured: ArrayLike, predicted: ArrayLike, lower_bound: ArrayLike | None = None
) -> Bias:
    """Score the log ratios of measured to predicted.

    Parameters
    ----------
    measured, predicted : (n,) array_like
        Same unit and station, positive.
    lower_bound : (n,) array_like of bool, optional
        Clipped measured values.

    Returns
    -------
    Bias

    Examples
    --------
    >>> round(score_bias([110.0, 121.0], [100.0, 110.0]).ratio, 3)
    1.1
    """
    logs = np.log(np.asarray(measured, dtype=np.float64) / np.asarray(predicted, dtype=np.float64))
    mean, sd = censored_mean_sd(logs, lower_bound)
    clipped = int(_marks(lower_bound, logs.size).sum())
    return Bias(mean, sd, float(np.exp(mean)), logs.size, clipped)


def score_coverage(
    percentile: ArrayLike, lower_bound: ArrayLike | None = None, *, level: float = 0.9
) -> Coverage:
    """Score how many percentiles lie in the central interval.

    Parameters
    ----------
    percentile : (n,) array_like
        Of each measured value in its predicted distribution, 0 to 1.
    lower_bound : (n,) array_like of bool, optional
        Clipped: the percentile is at least this.
    level : float
        Share that the interval should hold.

    Returns
    -------
    Coverage

    Examples
    --------
    >>> score_coverage([0.01, 0.5, 0.6, 0.97], level=0.9).share
    0.5
    """
    at = np.asarray(percentile, dtype=np.float64)
    cut = _marks(lower_bound, at.size)
    low, high = (1 - level) / 2, (1 + level) / 2
    inside = (at >= low) & (at <= high) & ~cut
    open_ended = cut & (at <= high)
    chance = (high - np.maximum(at[open_ended], low)) / (1 - at[open_ended])
    hits = float(inside.sum() + chance.sum())
    bounds = (
        float(beta.ppf(0.05, hits, at.size - hits + 1)) if hits > 0 else 0.0,
        float(beta.ppf(0.95, hits + 1, at.size - hits)) if hits < at.size else 1.0,
    )
    return Coverage(
        level=level,
        share=hits / at.size,
        least=float(inside.sum() / at.size),
        most=float((inside | open_ended).sum() / at.size),
        interval_90=bounds,
        n=at.size,
        clipped=int(cut.sum()),
    )


def score_pit(
    percentile: ArrayLike,
    lower_bound: ArrayLike | None = None,
    *,
    bins: int = 10,
    seed: int = 12,
) -> Pit:
    """Score the percentiles against the uniform distribution.

    Parameters
    ----------
    percentile : (n,) array_like
        0 to 1, from the stored predictions.
    lower_bound : (n,) array_like of bool, optional
        Clipped: the percentile is at least this.
    bins : int
        Bars of the histogram.
    seed : int
        Seed of the draws that stand for clipped percentiles in the Kolmogorov–Smirnov test.

    Returns
    -------
    Pit

    References
    ----------
    C. Czado, T. Gneiting & L. Held, Biometrics 65, 2009 (spreading a value over its range).

    Examples
    --------
    >>> score_pit([0.05, 0.95, 0.5, 0.45], bins=2).share
    (0.5, 0.5)
    """
    at = np.asarray(percentile, dtype=np.float64)
    cut = _marks(lower_bound, at.size)
    edges = np.linspace(0.0, 1.0, bins + 1)
    share = np.histogram(at[~cut], edges)[0].astype(np.float64)
    for bound in at[cut]:
        reach = np.clip((edges - bound) / (1.0 - bound), 0.0, 1.0) if bound < 1 else edges >= 1
        share += np.diff(np.asarray(reach, dtype=np.float64))
    drawn = at.copy()
    drawn[cut] += (1.0 - at[cut]) * np.random.default_rng(seed).random(int(cut.sum()))
    tested = kstest(drawn, "uniform")
    return Pit(
        edges=tuple(edges.tolist()),
        share=tuple((share / at.size).tolist()),
        ks_distance=float(tested.statistic),
        ks_p=float(tested.pvalue) if at.size >= FEWEST_FOR_KS else None,
        n=at.size,
        clipped=int(cut.sum()),
    )


def score_methods(
    method: Sequence[str],
    measured: ArrayLike,
    predicted: ArrayLike,
    percentile: ArrayLike,
    lower_bound: ArrayLike | None = None,
    *,
    levels: tuple[float, ...] = (0.5, 0.9),
) -> tuple[MethodScore, ...]:
    """Score each method by itself, in alphabetical order.

    Parameters
    ----------
    method : sequence of str, n long
    measured, predicted, percentile : (n,) array_like
        ``predicted`` is the median of the prediction stored before the lowering.
    lower_bound : (n,) array_like of bool, optional
    levels : tuple of float
        Central intervals to score.

    Returns
    -------
    tuple of MethodScore

    Examples
    --------
    >>> [score.method for score in score_methods(["b", "a"], [1, 2], [1, 2], [0.4, 0.6])]
    ['a', 'b']
    """
    names = np.asarray(method)
    was, said = np.asarray(measured, dtype=np.float64), np.asarray(predicted, dtype=np.float64)
    at = np.asarray(percentile, dtype=np.float64)
    cut = _marks(lower_bound, at.size)
    scores = []
    for name in sorted(set(method)):
        own = names == name
        scores.append(
            MethodScore(
                method=name,
                bias=score_bias(was[own], said[own], cut[own]),
                coverage=tuple(score_coverage(at[own], cut[own], level=each) for each in levels),
                pit=score_pit(at[own], cut[own]),
            )
        )
    return tuple(scores)
