"""Least squares of a swing's unknowns to a stretch of force, with what was entered as prior.

Comes in: a :class:`Swing`, forces on the grid of its values, weights, priors. Goes out: a
:class:`Fit`. Must not: judge a fit, or know a trace (``following.py`` does).

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

import numpy as np

from analysis.reading.compiled import entry, inner, summing
from analysis.reading.letting_out import START
from analysis.reading.swing_motion import READS, Swing, run_rows
from analysis.reading.trace import FloatArray

NOISE: Final = 0.03
"""What the model may leave, as a share of the weight: air, a piece that turns, a curved rope."""
USUAL_SD: Final = 0.2
"""ln of the weight against the mean force: a swing's mean is above the weight, a drop's below."""
DIFFERENCE: Final = 5e-3
"""By so much each unknown is moved for a slope."""
_LARGEST_STEP: Final = 0.7
_SETTLED: Final = 5e-4
_DAMPINGS: Final = np.array([1.0, 30.0, 1000.0])
_MOST_DAMPED: Final = 1e8
_TINY: Final = 1e-300


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
    noise: float = NOISE,
) -> Fit:
    """Fit the unknowns, beginning from a guess.

    Parameters
    ----------
    swing : Swing
        The rig.
    guess, prior, sd : (14,) or (17,) float64
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
    noise : float
        What the model may leave, as a share of the weight.

    Returns
    -------
    Fit
        Its cost is infinite when the guess could not be run.
    """
    row = np.array(guess, dtype=np.float64)
    free = row.size if math.isfinite(row[START]) else row.size + START
    cost = descend(
        row, free, every, READS[swing.reads], swing.rig, np.ascontiguousarray(force_n),
        np.sqrt(weights), np.ascontiguousarray(prior), np.ascontiguousarray(sd), _hung(swing, prior), usual_n, most, noise,
    )  # fmt: skip
    return Fit(row, float(cost))


@entry
def descend(row, free, every, reads, rig, force, roots, prior, sd, hung, usual, most, noise):  # type: ignore[no-untyped-def]
    """Take damped steps until they gain no more; moves ``row``, gives its cost."""
    n, size = force.size, row.size
    rows, lefts = np.empty((free, size)), np.empty((free, n))
    costs, left = np.empty(free), np.empty(n)
    square, side, step = np.empty((free, free)), np.empty(free), np.empty(free)
    cost, damping = np.inf, 1e-2
    tries = min(free, 1)  # written as a plain 1, all would be compiled a second time for it
    _copy(row, rows[0])
    for at in range(most + 1):
        _costs(
            rows, tries, free, every, reads, rig, force, roots, prior, sd, hung, usual, noise, lefts, costs,
        )  # fmt: skip
        best = 0
        for j in range(1, tries):
            best = j if costs[j] < costs[best] else best
        if costs[best] < cost:
            gained = cost - costs[best]
            _copy(rows[best], row)
            _copy(lefts[best], left)
            cost = costs[best]
            if gained < _SETTLED * cost or at == most:
                break
            damping = damping if tries == 1 else max(1e-4, damping * _DAMPINGS[best] / 10.0)
            for k in range(free):
                _copy(row, rows[k])
                rows[k, k] += DIFFERENCE
            _costs(
                rows, free, free, every, reads, rig, force, roots, prior, sd, hung, usual, noise, lefts, costs,
            )  # fmt: skip
            _normal(row, free, lefts, costs, left, prior, sd, hung, square, side)
        else:
            damping *= _DAMPINGS[-1]
            if damping > _MOST_DAMPED or tries == 1:
                break
        tries = _DAMPINGS.size
        for j in range(tries):
            _solve(square, side, 1.0 + damping * _DAMPINGS[j], step)
            _copy(row, rows[j])
            for k in range(free):
                rows[j, k] -= min(max(step[k], -_LARGEST_STEP), _LARGEST_STEP)
    return cost


def _hung(swing: Swing, prior: FloatArray) -> float:
    """Rope that stretches onto a lead under the piece, in leads; 0: the prior is for the rope alone."""
    return 0.0 if swing.span_m > 0.0 else 1.0 + swing.fall_m / math.exp(float(prior[0]))


@inner
def _away(row, k, prior, hung):  # type: ignore[no-untyped-def]
    """Give how far an unknown lies from what is expected of it.

    A lead may have been measured before the piece stretched it or after, or anywhere between.
    """
    if k > 0:
        return row[k] - prior[k]
    longest = row[0] + math.log1p(hung * math.exp(row[1]))
    return max(row[0] - prior[0], 0.0) + min(longest - prior[0], 0.0)


@inner
def _copy(values, to):  # type: ignore[no-untyped-def]
    """Copy values; slice assignments take seconds to compile."""
    for i in range(to.size):
        to[i] = values[i]


@summing
def _normal(row, free, lefts, costs, left, prior, sd, hung, square, side):  # type: ignore[no-untyped-def]
    """Fill the normal equations from what each unknown's small step leaves."""
    for k in range(free):
        for i in range(left.size):
            lefts[k, i] = (lefts[k, i] - left[i]) / DIFFERENCE if costs[k] < np.inf else 0.0
    for k in range(free):
        for m in range(k + 1):
            total = 0.0
            for i in range(left.size):
                total += lefts[k, i] * lefts[m, i]
            square[k, m] = square[m, k] = total
        square[k, k] += sd[k] ** -2.0
        total = _away(row, k, prior, hung) * sd[k] ** -2.0
        for i in range(left.size):
            total += lefts[k, i] * left[i]
        side[k] = total


@entry
def _solve(square, side, stretch, out):  # type: ignore[no-untyped-def]
    """Solve the normal equations with a stretched diagonal by Cholesky's method."""
    n = side.size
    low = np.zeros((n, n))
    for k in range(n):
        for m in range(k + 1):
            total = square[k, m] * (stretch if k == m else 1.0)
            for i in range(m):
                total -= low[k, i] * low[m, i]
            low[k, m] = math.sqrt(max(total, _TINY)) if k == m else total / low[m, m]
    for k in range(n):
        total = side[k]
        for i in range(k):
            total -= low[k, i] * out[i]
        out[k] = total / low[k, k]
    for k in range(n - 1, -1, -1):
        total = out[k]
        for i in range(k + 1, n):
            total -= low[i, k] * out[i]
        out[k] = total / low[k, k]


@summing
def _costs(rows, count, free, every, reads, rig, force, roots, prior, sd, hung, usual, noise, left, costs):  # type: ignore[no-untyped-def] # fmt: skip
    """Fill the cost of each of so many rows, inf where it cannot be run, and what is left of each value."""
    run_rows(rows, count, every, reads, rig, left)
    for at in range(count):
        row, out = rows[at], left[at]
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
                out[i] = roots[i] * (force[i] / scale - out[i]) / noise
                cost += out[i] * out[i]
            for k in range(free):
                cost += (_away(row, k, prior, hung) / sd[k]) ** 2
            costs[at] = cost
