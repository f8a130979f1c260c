"""Fits of a hung piece's motion to the first values of a record.

Comes in: forces on an even grid, the place. Goes out: fits, what they foretell, what
they tell. Must not: judge where a motion ends (``following.py`` does).

Notes
-----
What was entered of the rig is the prior of a fit, and what the fit may leave says how little
that counts. From guesses far away a fit is drawn by a coarse one (3 % of the weight left),
else it ends in the next hollow; what it then leaves is taken for what it may leave, and it
goes on. A hang is so fitted to 1 to 3 parts in a thousand, where the coarse fit stops at 5 to 10,
and rope let out at a few per cent of the weight stands out from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.letting_out import STEP_S
from analysis.reading.place import swing_s
from analysis.reading.stretches import Tells
from analysis.reading.swing_fit import NOISE, Fit, best_scale, fit_swing
from analysis.reading.swing_guesses import Expected, expect, given_legs, guesses
from analysis.reading.swing_tells import what_it_tells
from analysis.reading.trace import BoolArray, FloatArray, Trace

_EVERY: Final = 4
GRID_S: Final = _EVERY * STEP_S
_MEMORY_SWINGS: Final = 2.0
_LEAST_MEMORY_S: Final = 2.5
_STARTS: Final = (5, 24)
_GO_ON: Final = (2, 4)
"""Guesses to begin from on a lead, in a span; so many of them go on."""
_FIRST_STEPS: Final = 6
_STEPS: Final = 25
"""Of several fits, each takes so many steps; only the best few go on."""
_CLOSER: Final = (0.01, 0.004)
"""A fit goes on with what it left, but no less than this, for what it may leave."""
_CLOSER_STEPS: Final = 20


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """The record on an even grid; ``good`` is False in gaps and at the converter's limit."""

    time_s: FloatArray
    force_n: FloatArray
    good: BoolArray

    def later(self, n: int) -> Record:
        """Leave out the first ``n`` values."""
        return Record(self.time_s[n:], self.force_n[n:], self.good[n:])


class Fitter:
    """Fits of a record's first values.

    Parameters
    ----------
    record : Record
        From where the piece hangs or swings freely.
    trace : Trace
        Its place and chain say what is expected.
    """

    def __init__(self, record: Record, trace: Trace) -> None:
        self.record, self.expected = record, expect(trace)
        self.given = self.expected
        rope = trace.place.rope
        if rope is not None and rope.legs == 2 and rope.leg_cos < 1.0:
            self.given = given_legs(self.expected, rope.leg_cos)
        self.in_a_span = self.expected.swing.span_m > 0.0
        self.period_n = max(round(swing_s(trace.place) / GRID_S), 8)
        self.memory_n = max(_MEMORY_SWINGS * self.period_n, _LEAST_MEMORY_S / GRID_S)
        self._weights: dict[int, FloatArray] = {}
        self._guessed: tuple[FloatArray, FloatArray] | None = None

    @property
    def size(self) -> int:
        """Number of values."""
        return self.record.time_s.size

    def seen(self, n: int) -> bool:
        """Whether most of the first ``n`` values were read."""
        return bool(self.record.good[:n].mean() > 0.5)

    def usual_n(self, n: int) -> float:
        """Give about the weight of the piece: the mean force of the first ``n`` values."""
        weights = self.weights(n)
        return self.expected.gain * float(weights @ self.record.force_n[:n] / weights.sum())

    def weights(self, n: int) -> FloatArray:
        """Later values count for more: what the rig did long ago is fitted less well."""
        found = self._weights.get(n)
        if found is None:
            since = (np.arange(n) - n) / self.memory_n
            found = self._weights[n] = np.where(self.record.good[:n], np.exp(since), 0.0)
        return found

    def foretold(
        self, fit: Fit, n: int, until: int, after: int | None = None
    ) -> tuple[FloatArray, float, float]:
        """Give reading minus what was foretold after ``n`` values; weight; RMS left before."""
        expected = self.expected.swing.reading(fit.guess[None], until, _EVERY)[0]
        weights = self.weights(n)
        force = self.record.force_n
        weight = best_scale(expected[None, :n], force[:n], weights)[0]
        away = np.where(self.record.good[:until], force[:until] / weight - expected, 0.0)
        residual = math.sqrt(float((weights * away[:n] ** 2).sum() / weights.sum()))
        return away[n if after is None else after :], float(weight), residual

    def first(self, n: int, most: int | None = None) -> Fit:
        """Best of a few fits, from guesses that come close on a coarse grid."""
        rows, expected = self.guessed(n)
        force, weights = self.record.force_n[:n], self.weights(n)
        scale = best_scale(expected, force, weights)
        with np.errstate(all="ignore"):
            left = weights * (force / scale[:, None] - expected) ** 2
        cost = np.nan_to_num(left.sum(axis=1), nan=np.inf)
        taken = []
        shape = rows[:, [1, 3, 4, 5]]
        for _ in range(most or _STARTS[self.in_a_span]):
            index = int(np.argmin(cost))
            taken.append(rows[index])
            cost[(np.abs(shape - shape[index]) < 0.25).all(axis=1)] = np.inf
        return self.best(taken, n)

    def guessed(self, n: int) -> tuple[FloatArray, FloatArray]:
        """Rows to begin from, and ``n`` values that each foretells: the begin of a longer run."""
        if self._guessed is None or self._guessed[1].shape[1] < n:
            rows = guesses(self.expected, self.record.force_n, GRID_S)
            self._guessed = rows, self.expected.swing.reading(rows, n, _EVERY)
        rows, expected = self._guessed
        return rows, expected[:, :n]

    def best(self, rows: list[FloatArray], n: int) -> Fit:
        """Best fit of the first ``n`` values, beginning from any of some guesses."""
        first = sorted((self.fitted(row, n, _FIRST_STEPS) for row in rows), key=_cost)
        go_on = first[: _GO_ON[self.in_a_span]]
        return self.closer(min((self.fitted(fit.guess, n) for fit in go_on), key=_cost), n)

    def closer(self, fit: Fit, n: int, expected: Expected | None = None) -> Fit:
        """Fit on, what may be left being what was left: what was entered counts for less and less."""
        for least in _CLOSER:
            _, _, residual = self.foretold(fit, n, n)
            noise = min(max(residual, least), NOISE)
            fit = self.fitted(fit.guess, n, _CLOSER_STEPS, noise, expected)
        return fit

    @staticmethod
    def left(residual: float) -> float:
        """Give what a fit may leave that goes on from one that left ``residual``."""
        return min(max(residual, _CLOSER[-1]), NOISE)

    def fitted(
        self,
        guess: FloatArray,
        n: int,
        most: int = _STEPS,
        noise: float = NOISE,
        expected: Expected | None = None,
    ) -> Fit:
        """Fit the first ``n`` values, beginning from a guess."""
        expected = expected or self.expected
        force, weights = self.record.force_n[:n], self.weights(n)
        return fit_swing(
            expected.swing, guess, force, weights, prior=expected.prior, sd=expected.sd,
            usual_n=self.usual_n(n), every=_EVERY, most=most, noise=noise,
        )  # fmt: skip

    def tells(self, fit: Fit, n: int) -> Tells:
        """Give what a fit of ``n`` values tells."""
        if self.given is not self.expected:
            fit = self.closer(fit, n, self.given)
        _, weight, residual = self.foretold(fit, n, n)
        return what_it_tells(self.given, fit, self.weights(n), weight, residual, _EVERY)


def _cost(fit: Fit) -> float:
    return fit.cost
