"""Partial pooling: groups that learn from each other, jobs within groups, clipped values.

Comes in: arrays (response, lever, group, job, which values are only lower bounds) and a
prior. Goes out: posterior draws. Must not: know what the numbers are about, drop a value,
or draw without the seed it was given.

The model, for value i of job j in group g::

    y_i = a_i (m_g + u_gj) + e_i
    m_g ~ N(mu, tau²)      mu  ~ N(centre, centre_sd²)
    u_gj ~ N(0, omega²)    e_i ~ N(0, sigma_g²), or Student t
    sigma_g² ~ scaled inverse chi-squared about a common s²

A value that is only a lower bound enters through the chance of lying above it (data
augmentation: it is drawn anew each sweep from the normal cut off below).

Each sweep draws (tau, mu, m) with the job effects integrated out, then (omega, u), then the
spreads; tau and omega by the inverse of their distribution on a grid, so that any prior
serves and small values do not trap the chain. All chains advance together as arrays.

References
----------
A. Gelman et al., *Bayesian Data Analysis*, 3rd ed., ch. 5 and 11 (hierarchical normal model);
A. Gelman, Bayesian Analysis 1(3), 2006 (half-t priors of group SDs);
C. Ritter & M. A. Tanner, J. Am. Stat. Assoc. 87, 1992 (griddy Gibbs).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.special import gammaln, log_ndtr, ndtri_exp

from analysis.learning.hierarchy import FloatArray, Posterior, Prior, Sampling, Values

_GRID_POINTS = 64
_HALF_T_DF = 3.0
_REACH = 12.0
"""The grid of a group or job SD ends at this many prior scales."""


@dataclass(slots=True)
class _State:
    """Where all chains are; arrays have the chains as first axis."""

    response: FloatArray
    weight: FloatArray
    group: FloatArray
    job: FloatArray
    spread: FloatArray
    tail_df: FloatArray
    group_sd: FloatArray = field(default_factory=lambda: np.zeros(0))
    job_sd: FloatArray = field(default_factory=lambda: np.zeros(0))
    centre: FloatArray = field(default_factory=lambda: np.zeros(0))


def _sd_grid(scale: float, limit: float) -> tuple[FloatArray, FloatArray]:
    """Grid of an SD, denser near 0, and the log of its prior density there."""
    end = min(_REACH * scale, limit)
    grid = end * np.linspace(0.0, 1.0, _GRID_POINTS) ** 2
    if scale == 0 or np.isinf(scale):
        return grid, np.zeros_like(grid)
    return grid, -0.5 * (_HALF_T_DF + 1) * np.log1p((grid / scale) ** 2 / _HALF_T_DF)


def _draw_from_grid(
    rng: np.random.Generator, grid: FloatArray, log_density: FloatArray
) -> FloatArray:
    """One draw per row of ``log_density`` (chains, points), linear between the points."""
    density = np.exp(log_density - log_density.max(axis=1, keepdims=True))
    area = np.cumsum(0.5 * (density[:, 1:] + density[:, :-1]) * np.diff(grid), axis=1)
    wanted = rng.random((area.shape[0], 1)) * area[:, -1:]
    at = (area < wanted).sum(axis=1)
    rows = np.arange(at.size)
    left, right = density[rows, at], density[rows, at + 1]
    share = rng.random(at.size)
    # inverse of the distribution of a density that runs linearly from left to right
    root = np.sqrt(left**2 + share * (right**2 - left**2))
    total = left + root
    inside = np.where(total > 0, share * (left + right) / np.where(total > 0, total, 1.0), share)
    step = grid[at + 1] - grid[at]
    return np.asarray(grid[at] + step * np.clip(inside, 0.0, 1.0), dtype=np.float64)


def draw_above(
    rng: np.random.Generator, mean: FloatArray, sd: FloatArray, bound: FloatArray
) -> FloatArray:
    """Draw from a normal cut off below at ``bound``, also far out in its tail.

    Parameters
    ----------
    rng : Generator
        Source of the draws.
    mean, sd, bound : float64, of shapes that broadcast
        Normal distribution and its lower end.

    Returns
    -------
    float64
        Each at least ``bound``.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> float(draw_above(rng, np.zeros(20000), np.ones(1), np.zeros(1)).mean().round(2))
    0.8
    """
    log_tail = log_ndtr((mean - bound) / sd)
    drawn = mean - sd * ndtri_exp(log_tail + np.log1p(-rng.random(log_tail.shape)))
    return np.asarray(np.maximum(drawn, bound), dtype=np.float64)


class _Sweeper:
    """The conditional draws of one sweep over all chains."""

    def __init__(self, values: Values, prior: Prior, sampling: Sampling) -> None:
        self.values, self.prior, self.chains = values, prior, sampling.chains
        self.rng = np.random.default_rng(sampling.seed)
        n, cells, groups = values.response.size, values.cell_group.size, values.groups
        self.to_cell = np.zeros((n, cells))
        self.to_cell[np.arange(n), values.cell] = 1.0
        self.cell_to_group = np.zeros((cells, groups))
        self.cell_to_group[np.arange(cells), values.cell_group] = 1.0
        self.to_group = self.to_cell @ self.cell_to_group
        self.group_grid = _sd_grid(prior.group_sd_scale, prior.sd_limit)
        self.job_grid = _sd_grid(prior.job_sd_scale, prior.sd_limit)

    def start(self) -> _State:
        """Spread-out starting points from the prior's scales and the plain group fits."""
        v, rng, chains = self.values, self.rng, self.chains
        slope = (v.lever * v.response) @ self.to_group / (v.lever**2 @ self.to_group)
        spread = self.prior.spread_scale * np.exp(rng.normal(0, 0.5, (chains, v.groups)))
        jitter = rng.normal(0, 1, (chains, v.groups)) * spread
        return _State(
            response=np.tile(v.response, (chains, 1)),
            weight=np.ones((chains, v.response.size)),
            group=slope + jitter,
            job=np.zeros((chains, v.cell_group.size)),
            spread=spread,
            tail_df=np.full(chains, np.inf),
            group_sd=np.zeros(chains),
            job_sd=np.full(chains, min(self.prior.job_sd_scale, self.prior.sd_limit) * 0.5),
            centre=np.zeros(chains),
        )

    def _variance(self, state: _State) -> FloatArray:
        if self.values.known_sd is not None:
            return np.broadcast_to(self.values.known_sd**2, state.response.shape)
        return state.spread[:, self.values.group] ** 2 / state.weight

    def sweep(self, state: _State) -> None:
        """Advance every chain by one sweep."""
        self._draw_clipped(state)
        over = self.values.lever / self._variance(state)
        precision = (over * self.values.lever) @ self.to_cell
        moment = (over * state.response) @ self.to_cell
        self._draw_groups(state, precision, moment)
        self._draw_jobs(state, precision, moment)
        if self.values.known_sd is None:
            residual = state.response - self._fitted(state)
            self._draw_tails(state, residual)
            self._draw_spreads(state, residual)

    def _fitted(self, state: _State) -> FloatArray:
        v = self.values
        return v.lever * (state.group[:, v.group] + state.job[:, v.cell])

    def _draw_clipped(self, state: _State) -> None:
        low = self.values.lower_bound
        if low.any():
            sd = np.sqrt(self._variance(state)[:, low])
            mean = self._fitted(state)[:, low]
            state.response[:, low] = draw_above(self.rng, mean, sd, self.values.response[low])

    def _draw_groups(self, state: _State, precision: FloatArray, moment: FloatArray) -> None:
        """Draw tau, mu and m, with the job effects integrated out."""
        shrink = 1.0 + state.job_sd[:, None] ** 2 * precision
        p = (precision / shrink) @ self.cell_to_group
        q = (moment / shrink) @ self.cell_to_group
        before = 1.0 / self.prior.centre_sd**2
        grid, log_prior = self.group_grid
        wide = 1.0 + grid[None, :, None] ** 2 * p[:, None, :]
        of_centre = before + (p[:, None, :] / wide).sum(axis=2)
        pull = before * self.prior.centre + (q[:, None, :] / wide).sum(axis=2)
        misfit = ((q**2 / p)[:, None, :] / wide).sum(axis=2)
        log_density = log_prior + 0.5 * (
            pull**2 / of_centre - np.log(of_centre) - misfit - np.log(wide).sum(axis=2)
        )
        state.group_sd = _draw_from_grid(self.rng, grid, log_density)
        tau2 = state.group_sd[:, None] ** 2
        wide_now = 1.0 + tau2 * p
        exact = before + (p / wide_now).sum(axis=1)
        mean = (before * self.prior.centre + (q / wide_now).sum(axis=1)) / exact
        state.centre = mean + self.rng.normal(size=mean.size) / np.sqrt(exact)
        group_mean = (q * tau2 + state.centre[:, None]) / wide_now
        state.group = group_mean + self.rng.normal(size=p.shape) * np.sqrt(tau2 / wide_now)

    def _draw_jobs(self, state: _State, precision: FloatArray, moment: FloatArray) -> None:
        """Draw omega and u given the groups; nothing to do without job effects."""
        if self.prior.job_sd_scale == 0:
            return
        rest = moment - precision * state.group[:, self.values.cell_group]
        grid, log_prior = self.job_grid
        wide = 1.0 + grid[None, :, None] ** 2 * precision[:, None, :]
        gain = (rest**2 / precision)[:, None, :]
        log_density = log_prior - 0.5 * (np.log(wide) + gain / wide).sum(axis=2)
        state.job_sd = _draw_from_grid(self.rng, grid, log_density)
        omega2 = state.job_sd[:, None] ** 2
        wide_now = 1.0 + omega2 * precision
        noise = self.rng.normal(size=rest.shape) * np.sqrt(omega2 / wide_now)
        state.job = omega2 * rest / wide_now + noise

    def _draw_tails(self, state: _State, residual: FloatArray) -> None:
        """Draw degrees of freedom with the weights integrated out, then the weights."""
        if not self.prior.tail_df:
            return
        df = np.array(self.prior.tail_df)
        square = (residual / state.spread[:, self.values.group]) ** 2
        half = 0.5 * (df + 1)
        tails = (half[:, None] * np.log1p(square[:, None, :] / df[:, None])).sum(axis=2)
        constant = gammaln(half) - gammaln(0.5 * df) - 0.5 * np.log(df)
        score = square.shape[1] * constant - tails + self.rng.gumbel(size=(self.chains, df.size))
        state.tail_df = df[np.argmax(score, axis=1)]
        rate = 0.5 * (state.tail_df[:, None] + square)
        state.weight = self.rng.gamma(0.5 * (state.tail_df[:, None] + 1), size=rate.shape) / rate

    def _draw_spreads(self, state: _State, residual: FloatArray) -> None:
        """Draw the common spread, then each group's own."""
        df, scale = self.prior.spread_df, self.prior.spread_scale
        groups = state.spread.shape[1]
        rate = 1.0 / scale**2 + 0.5 * df * (state.spread**-2).sum(axis=1)
        common = self.rng.gamma(1.0 + 0.5 * df * groups, size=self.chains) / rate
        square = (state.weight * residual**2) @ self.to_group
        half = 0.5 * (df + self.to_group.sum(axis=0))
        chance = self.rng.gamma(half, size=square.shape)
        state.spread = np.sqrt(0.5 * (df * common[:, None] + square) / chance)


def split_rhat(draws: FloatArray) -> float:
    """Potential scale reduction of half chains.

    Parameters
    ----------
    draws : (sweeps, chains) float64
        Successive draws of one quantity.

    Returns
    -------
    float
        Near 1 when all halves of all chains agree (BDA 3rd ed., §11.4).

    Examples
    --------
    >>> bool(split_rhat(np.random.default_rng(0).normal(size=(400, 4))) < 1.02)
    True
    """
    half = draws.shape[0] // 2
    parts = np.concatenate([draws[:half], draws[half : 2 * half]], axis=1)
    within = parts.var(axis=0, ddof=1).mean()
    between = parts.mean(axis=0).var(ddof=1)
    return float(np.sqrt((half - 1) / half + between / within)) if within > 0 else 1.0


def sample_pooled(values: Values, prior: Prior, sampling: Sampling | None = None) -> Posterior:
    """Draw from the posterior of the pooled model.

    Parameters
    ----------
    values : Values
        At least one value per group and job cell, levers not 0.
    prior : Prior
        Proper wherever the values cannot decide.
    sampling : Sampling, optional
        Chains, length, seed.

    Returns
    -------
    Posterior

    Examples
    --------
    >>> y = np.array([0.21, 0.19, 0.22, 0.18, 0.2, 0.2])
    >>> values = Values(y, np.ones(6), np.repeat([0, 1], 3), np.array([0, 0]), np.zeros(6, bool))
    >>> drawn = sample_pooled(values, Prior(0.0, 0.3, 0.1, 0.05, 0.1))
    >>> bool(0.1 < drawn.group.mean() < 0.21)
    True
    """
    sampling = sampling or Sampling()
    sweeper = _Sweeper(values, prior, sampling)
    state = sweeper.start()
    kept: dict[str, list[FloatArray]] = {
        name: [] for name in ("centre", "group", "group_sd", "job_sd", "spread", "tail_df")
    }
    for number in range(sampling.warm_up + sampling.sweeps):
        sweeper.sweep(state)
        if number >= sampling.warm_up:
            for name, rows in kept.items():
                rows.append(getattr(state, name).copy())
    stacked = {name: np.stack(rows) for name, rows in kept.items()}
    each = [stacked["centre"], *np.moveaxis(stacked["group"], 2, 0)]
    flat = {name: rows.reshape(-1, *rows.shape[2:]) for name, rows in stacked.items()}
    return Posterior(**flat, largest_rhat=max(split_rhat(rows) for rows in each))
