"""Least squares of a swing's unknowns to a stretch of force, with what was entered as prior.

Comes in: a :class:`Swing`, forces on the grid of its values, weights, priors. Goes out: a
:class:`Fit`. Must not: judge a fit, or know a trace (``swinging.py`` does).

Notes
-----
Damped Gauss-Newton steps (Levenberg-Marquardt), slopes by differences. The weight of the
piece is no unknown of the steps: for every row it is the best scale of the whole, which a
linear fit gives. Compiled: one fit takes some hundred runs of the motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numba
import numpy as np

from analysis.reading.letting_out import START
from analysis.reading.swing_motion import READS, Swing, run_row
from analysis.reading.trace import FloatArray

NOISE: Final = 0.03
"""What the model may leave, as a share of the weight: air, a piece that turns, a curved rope."""
USUAL_SD: Final = 0.2
"""ln of the weight against the mean force: a swing's mean is above the weight, a drop's below."""
_DIFFERENCE: Final = 5e-3
_LARGEST_STEP: Final = 0.7
_SETTLED: Final = 5e-4
_DAMPINGS: Final = np.array([1.0, 30.0, 1000.0])
_MOST_DAMPED: Final = 1e8


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Unknowns (see ``swing_motion.UNKNOWNS``) and what they cost."""

    guess: FloatArray
    cost: float

    @property
    def lets_out(self) -> bool:
        """Whether rope is let out in it."""
        return math.isfinite(self.guess[START])


def best_scale(expected: FloatArray, force_n: FloatArray, weights: FloatArray) -> FloatArray:
    """Weight of the piece that fits best, per row.

    Parameters
    ----------
    expected : (m, n) float64
        Readings per weight.
    force_n, weights : (n,) float64
        Newtons; weights of their squares.

    Returns
    -------
    (m,) float64
        Not finite where a row could not be run.
    """
    heavy = expected * weights
    with np.errstate(all="ignore"):
        return np.asarray((heavy @ force_n) / np.einsum("ij,ij->i", heavy, expected))


def fit_swing(
    swing: Swing,
    guess: FloatArray,
    force_n: FloatArray,
    weights: FloatArray,
    *,
    prior: FloatArray,
    sd: FloatArray,
    usual_n: float,
    every: int,
    most: int,
) -> Fit:
    """Fit the unknowns, beginning from a guess.

    Parameters
    ----------
    swing : Swing
        The rig.
    guess, prior, sd : (13,) or (16,) float64
        Where to begin; what is expected of each unknown, and its standard deviation. The
        letting out is fitted only where the guess gives it a start.
    force_n, weights : (n,) float64
        Newtons; weights of their squares.
    usual_n : float
        About the weight of the piece.
    every : int
        Steps per value.
    most : int
        So many steps at most.

    Returns
    -------
    Fit
        Its cost is infinite when the guess could not be run.
    """
    data = _Data(
        swing, np.ascontiguousarray(force_n), np.sqrt(weights), np.ascontiguousarray(prior),
        np.ascontiguousarray(sd), usual_n, every,
    )  # fmt: skip
    return _descend(data, np.array(guess, dtype=np.float64), most)


@dataclass(frozen=True, slots=True, eq=False)
class _Data:
    """What rows are fitted to."""

    swing: Swing
    force_n: FloatArray
    roots: FloatArray
    prior: FloatArray
    sd: FloatArray
    usual_n: float
    every: int

    def costs(self, rows: FloatArray, free: int) -> tuple[FloatArray, FloatArray]:
        """Cost of each row, and what it leaves of each value."""
        costs, left = np.empty(rows.shape[0]), np.empty((rows.shape[0], self.force_n.size))
        _costs(
            np.ascontiguousarray(rows), free, self.every, READS[self.swing.reads], self.swing.rig,
            self.force_n, self.roots, self.prior, self.sd, self.usual_n, left, costs,
        )  # fmt: skip
        return costs, left


def _descend(data: _Data, row: FloatArray, most: int) -> Fit:
    """Take damped steps until they gain no more; several dampings are tried at once."""
    free = row.size if math.isfinite(row[START]) else row.size + START
    steps, diagonal = _DIFFERENCE * np.eye(row.size)[:free], np.arange(free)
    prior, stiff = data.prior[:free], data.sd[:free] ** -2.0
    (cost,), (left,) = data.costs(row[None], free)
    damping, moved_on = 1e-2, True
    square = side = np.empty(0)
    for _ in range(most if math.isfinite(cost) else 0):
        if moved_on:
            costs, moved = data.costs(row + steps, free)
            slopes = np.where(np.isfinite(costs)[:, None], moved - left, 0.0) / _DIFFERENCE
            square, side = slopes @ slopes.T, slopes @ left + (row[:free] - prior) * stiff
            square[diagonal, diagonal] += stiff
        dampings = damping * _DAMPINGS
        damped = np.repeat(square[None], dampings.size, axis=0)
        damped[:, diagonal, diagonal] *= 1.0 + dampings[:, None]
        step = np.linalg.solve(damped, side[:, None])[:, :, 0]
        rows = np.repeat(row[None], dampings.size, axis=0)
        rows[:, :free] -= np.clip(step, -_LARGEST_STEP, _LARGEST_STEP)
        costs, lefts = data.costs(rows, free)
        best = int(np.argmin(costs))
        moved_on = bool(costs[best] < cost)
        if not moved_on:
            damping *= _DAMPINGS[-1]
            if damping > _MOST_DAMPED:
                break
            continue
        settled = cost - costs[best] < _SETTLED * cost
        row, cost, left = rows[best], costs[best], lefts[best]
        damping = max(1e-4, float(dampings[best]) / 10.0)
        if settled:
            break
    return Fit(row, float(cost))


@numba.njit(cache=True, error_model="numpy")
def _costs(rows, free, every, reads, rig, force, roots, prior, sd, usual, left, costs):  # type: ignore[no-untyped-def]
    """Fill the cost of each row, inf where it cannot be run, and what is left of each value."""
    for at in range(rows.shape[0]):
        row, out = rows[at], left[at]
        run_row(row, every, reads, rig, out)
        over = under = 0.0
        for i in range(force.size):
            heavy = out[i] * roots[i] * roots[i]
            over += heavy * force[i]
            under += heavy * out[i]
        costs[at] = np.inf
        if over > 0.0 and under > 0.0 and over < np.inf:
            scale = over / under
            cost = (math.log(scale / usual) / USUAL_SD) ** 2
            for i in range(force.size):
                out[i] = roots[i] * (force[i] / scale - out[i]) / NOISE
                cost += out[i] * out[i]
            for k in range(free):
                cost += ((row[k] - prior[k]) / sd[k]) ** 2
            costs[at] = cost
