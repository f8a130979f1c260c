"""Simulation-based calibration of the pooled sampler.

Parameters drawn from the prior, values drawn from the parameters, a posterior drawn from the
values: the rank of each true parameter among its posterior draws is then uniform, whatever
the prior. References: S. Cook, A. Gelman & D. Rubin, J. Comput. Graph. Stat. 15(3), 2006.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.learning.hierarchy import Posterior, Prior, Sampling, Values
from analysis.learning.pooling import sample_pooled

FloatArray = NDArray[np.float64]

PRIOR = Prior(0.1, 0.25, 0.15, 0.06, 0.12, tail_df=(3.0, 8.0, 30.0))
SAMPLING = Sampling(seed=0, chains=8, warm_up=40, sweeps=80)
GROUPS, JOBS, PIECES = 3, 4, 3
QUANTITIES = ("centre", "group_sd", "job_sd", "group", "spread", "tail_df")


def _half_t(rng: np.random.Generator, scale: float) -> float:
    while (drawn := abs(scale * float(rng.standard_t(3)))) > 12 * scale:
        pass
    return drawn


def draw_world(rng: np.random.Generator) -> tuple[dict[str, float], Values]:
    """Parameters from the prior and values from them, about one in seven clipped."""
    centre = rng.normal(PRIOR.centre, PRIOR.centre_sd)
    group_sd = _half_t(rng, PRIOR.group_sd_scale)
    job_sd = _half_t(rng, PRIOR.job_sd_scale)
    group = rng.normal(centre, group_sd, GROUPS)
    common = rng.exponential(PRIOR.spread_scale**2)
    spread = np.sqrt(PRIOR.spread_df * common / rng.chisquare(PRIOR.spread_df, GROUPS))
    tail_df = float(rng.choice(PRIOR.tail_df))
    cell_group = np.repeat(np.arange(GROUPS), JOBS)
    cell = np.repeat(np.arange(GROUPS * JOBS), PIECES)
    job = rng.normal(0, job_sd, cell_group.size)
    lever = rng.uniform(0.4, 1.2, cell.size)
    own = rng.standard_t(tail_df, cell.size) * spread[cell_group[cell]]
    y = lever * (group[cell_group[cell]] + job[cell]) + own
    limit = rng.normal(PRIOR.centre, PRIOR.centre_sd, cell.size) + 0.3
    truth = {
        "centre": centre, "group_sd": group_sd, "job_sd": job_sd, "group": float(group[0]),
        "spread": float(spread[0]), "tail_df": tail_df,
    }  # fmt: skip
    return truth, Values(np.minimum(y, limit), lever, cell, cell_group, y > limit)


def _drawn(posterior: Posterior, name: str) -> FloatArray:
    draws: FloatArray = getattr(posterior, name)
    return draws[:, 0] if draws.ndim == 2 else draws


def ranks(worlds: int, seed: int) -> dict[str, FloatArray]:
    """Rank of each true parameter among its draws, 0 to 1; ties broken at random."""
    rng = np.random.default_rng(seed)
    found: dict[str, list[float]] = {name: [] for name in QUANTITIES}
    for number in range(worlds):
        truth, values = draw_world(rng)
        sampling = Sampling(seed + number, SAMPLING.chains, SAMPLING.warm_up, SAMPLING.sweeps)
        posterior = sample_pooled(values, PRIOR, sampling)
        for name in QUANTITIES:
            drawn = _drawn(posterior, name)
            tied = float((drawn == truth[name]).mean()) * rng.random()
            found[name].append(float((drawn < truth[name]).mean()) + tied)
    return {name: np.array(each) for name, each in found.items()}
