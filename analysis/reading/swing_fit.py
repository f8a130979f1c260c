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

from analysis.reading.swing_motion import FREE, READS, Swing, run_row
from analysis.reading.trace import FloatArray

NOISE: Final = 0.03
"""What the model may leave, as a share of the weight: air, a piece that turns, a curved rope."""
USUAL_SD: Final = 0.2
"""ln of the weight against the mean force: a swing's mean is above the weight, a drop's below."""
_DIFFERENCE: Final = 5e-3
_LARGEST_STEP: Final = 0.7
_SETTLED: Final = 5e-4
_TRIES: Final = 5
_WORST: Final = 1e300


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Unknowns (see ``swing_motion.UNKNOWNS``) and what they cost."""

    guess: FloatArray
    cost: float

    @property
    def lets_out(self) -> bool:
        """Whether rope is let out in it."""
        return math.isfinite(self.guess[FREE])


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
    guess, prior, sd : (13,) float64
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
    row = np.array(guess, dtype=np.float64)
    free = row.size if math.isfinite(row[FREE]) else FREE
    cost = _fit(
        row, free, every, READS[swing.reads], swing.rig, np.ascontiguousarray(force_n),
        np.sqrt(weights), np.ascontiguousarray(prior), np.ascontiguousarray(sd), usual_n, most,
    )  # fmt: skip
    return Fit(row, math.inf if cost >= _WORST else float(cost))


@numba.njit(cache=True, error_model="numpy")
def _cost(row, free, every, reads, rig, force, roots, prior, sd, usual, left):  # type: ignore[no-untyped-def]
    """Sum of squares of one row; ``left`` takes what is left of each value."""
    run_row(row, every, reads, rig, left)
    over = under = 0.0
    for i in range(force.size):
        heavy = left[i] * roots[i] * roots[i]
        over += heavy * force[i]
        under += heavy * left[i]
    if not (over > 0.0 and under > 0.0 and over < _WORST):
        return _WORST
    scale = over / under
    cost = (math.log(scale / usual) / USUAL_SD) ** 2
    for i in range(force.size):
        left[i] = roots[i] * (force[i] / scale - left[i]) / NOISE
        cost += left[i] * left[i]
    for k in range(free):
        cost += ((row[k] - prior[k]) / sd[k]) ** 2
    return min(cost, _WORST)


@numba.njit(cache=True, error_model="numpy")
def _slopes(row, free, every, reads, rig, force, roots, prior, sd, usual, left):  # type: ignore[no-untyped-def]
    """Change of what is left of each value with each unknown, by differences."""
    out, other = np.zeros((free, force.size)), np.empty(force.size)
    for k in range(free):
        moved = row.copy()
        moved[k] += _DIFFERENCE
        cost = _cost(moved, free, every, reads, rig, force, roots, prior, sd, usual, other)
        if cost < _WORST:
            out[k] = (other - left) / _DIFFERENCE
    return out


@numba.njit(cache=True, error_model="numpy")
def _moved(row, free, square, side, damping):  # type: ignore[no-untyped-def]
    """Row after one damped step."""
    damped = square.copy()
    for k in range(free):
        damped[k, k] *= 1.0 + damping
    step = np.linalg.solve(damped, side)
    out = row.copy()
    for k in range(free):
        out[k] -= min(max(step[k], -_LARGEST_STEP), _LARGEST_STEP)
    return out


@numba.njit(cache=True, error_model="numpy")
def _fit(row, free, every, reads, rig, force, roots, prior, sd, usual, most):  # type: ignore[no-untyped-def]
    """Move ``row`` to where it fits best; its cost."""
    left, other = np.empty(force.size), np.empty(force.size)
    cost = _cost(row, free, every, reads, rig, force, roots, prior, sd, usual, left)
    damping, steps = 1e-2, most if cost < _WORST else 0
    for _ in range(steps):
        slopes = _slopes(row, free, every, reads, rig, force, roots, prior, sd, usual, left)
        square, side = slopes @ slopes.T, slopes @ left
        for k in range(free):
            square[k, k] += sd[k] ** -2.0
            side[k] += (row[k] - prior[k]) / sd[k] ** 2
        tried = cost
        for _ in range(_TRIES):
            moved = _moved(row, free, square, side, damping)
            tried = _cost(moved, free, every, reads, rig, force, roots, prior, sd, usual, other)
            if tried < cost:
                break
            damping *= 10.0
        if not tried < cost:
            break
        settled = cost - tried < _SETTLED * cost
        row[:], left[:], cost = moved, other, tried
        damping = max(1e-4, damping / 10.0)
        if settled:
            break
    return cost
