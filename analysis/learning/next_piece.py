"""The next piece: what posterior draws say of a piece that is not yet cut.

Comes in: posterior draws, a group, the lever of the piece. Goes out: intervals and 95/95
bounds on the scale of the fit. Must not: know about logs, rules or guard rails.

The next piece comes from a *new* job: its job effect is drawn afresh.
"""

from __future__ import annotations

import numpy as np

from analysis.learning.hierarchy import FloatArray, Posterior, Side

_REPEATS = 4
_TAIL_DRAWS = 400
_TAIL_PIECES = 1500
_Z_95 = 1.6448536269514722


def _scatter(
    rng: np.random.Generator, posterior: Posterior, shape: tuple[int, int]
) -> tuple[FloatArray, FloatArray]:
    """Job and piece scatter of ``shape`` (pieces, draws), piece scatter in spreads of 1."""
    df = np.broadcast_to(posterior.tail_df, shape)
    piece = rng.normal(size=shape)
    heavy = np.isfinite(df)
    if heavy.any():
        piece[heavy] /= np.sqrt(rng.chisquare(df[heavy]) / df[heavy])
    return rng.normal(size=shape), piece


def draw_next(posterior: Posterior, group: int, *, lever: float = 1.0, seed: int = 1) -> FloatArray:
    """Draw the constant as the next piece of a group will show it.

    Parameters
    ----------
    posterior : Posterior
    group : int
        Number of the group.
    lever : float
        Lever of that piece: its scatter counts 1/lever on the constant.
    seed : int
        Seed of the draws.

    Returns
    -------
    (4 × draws,) float64
    """
    shape = (_REPEATS, posterior.job_sd.size)
    job, piece = _scatter(np.random.default_rng(seed), posterior, shape)
    spread = posterior.spread[:, group] / abs(lever)
    return (posterior.group[:, group] + posterior.job_sd * job + spread * piece).ravel()


def next_bound(
    posterior: Posterior, group: int, *, side: Side, lever: float = 1.0, seed: int = 2
) -> float:
    """Bound that covers 95 % of next pieces with 95 % posterior probability.

    Parameters
    ----------
    posterior : Posterior
    group : int
    side : {"high", "low"}
    lever : float
        Lever of the pieces.
    seed : int
        Seed of the pieces drawn when the spread is heavy-tailed.

    Returns
    -------
    float

    Notes
    -----
    Each draw has its own 95 % point of pieces; the bound is the 95 % point of those.
    """
    sign = 1.0 if side == "high" else -1.0
    centre, job_sd = posterior.group[:, group], posterior.job_sd
    spread = posterior.spread[:, group] / abs(lever)
    if np.all(np.isinf(posterior.tail_df)):
        points = sign * centre + _Z_95 * np.hypot(job_sd, spread)
        return sign * float(np.quantile(points, 0.95))
    some = np.linspace(0, centre.size - 1, min(_TAIL_DRAWS, centre.size)).astype(np.intp)
    thin = Posterior(
        posterior.centre[some], posterior.group[some], posterior.group_sd[some],
        job_sd[some], posterior.spread[some], posterior.tail_df[some], posterior.largest_rhat,
    )  # fmt: skip
    job, piece = _scatter(np.random.default_rng(seed), thin, (_TAIL_PIECES, some.size))
    scatter = thin.job_sd * job + spread[some] * piece
    points = sign * centre[some] + np.quantile(scatter, 0.95, axis=0)
    return sign * float(np.quantile(points, 0.95))
