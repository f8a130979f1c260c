"""One try to follow a hung piece's free motion, from a begin to where it fails.

Comes in: forces on an even grid, the place. Goes out: a :class:`FreeSwing`. Must not: choose
among tries (``swinging.py`` does), or label phases.

Notes
-----
Lowering unloads the rope for about a second (the piece gains speed), by a few per cent; a
swing or the ring-down of a catch changes the force by tens. So the motion must be known: a
piece on an elastic rope over a sheave with friction (``swing_motion.py``) is fitted to the
hang by least squares, with what was entered of the rig as prior, and foretells what comes
next while nothing is let out. While it holds, the fit is carried on over what it foretold.
Where it fails, two things are fitted *through* the failure: the free motion once more, and
the same motion with rope let out from an unknown time on. Only what no free motion explains
is a start, and its time is that of the second fit. A hold too short to know the motion from
is looked at with the second fit alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.letting_out import START, STEP_S
from analysis.reading.place import Place, swing_s
from analysis.reading.swing_fit import NOISE, Fit, best_scale, fit_swing
from analysis.reading.swing_guesses import Expected, expect, given_legs, guesses
from analysis.reading.swing_weight import weight_rel_u
from analysis.reading.trace import BoolArray, FloatArray, Trace

_EVERY: Final = 4
GRID_S: Final = _EVERY * STEP_S
_UNUSUAL: Final = 0.5
_STARTS: Final = 5
_FEW_STARTS: Final = 2
_LESS: Final = (0.75, 0.6, 0.45, 0.35)
_LEAST_N: Final = 20
_LESS_RESIDUAL: Final = 0.006
_LESS_SUPPORT: Final = 1.5
_FIRST_SWINGS: Final = 1.4
_FIRST_SWINGS_IN_A_SPAN: Final = 0.8
_FIRST_S: Final = (2.0, 4.0)
_FIRST_S_IN_A_SPAN: Final = (1.6, 2.4)
_MEMORY_SWINGS: Final = 2.0
_LEAST_MEMORY_S: Final = 2.5
_AHEAD: Final = 30
"""So many values are foretold at a time (1.2 s), and judged by means of so many (0.4 s)."""
_FEW: Final = 10
_SIGMAS: Final = 4.0
_GROWS: Final = 1.5
_SWALLOWED: Final = 1.5
_LEAST_RESIDUAL: Final = (0.012, 0.018)
"""A fit counts as no better than this; the second, of every other try, lets a gust pass."""
_LEAST_IN_A_SPAN: Final = (0.0015, 0.005)
_STARTS_IN_A_SPAN: Final = 24
_KNOWN_RESIDUAL: Final = 0.025
_GOOD_RESIDUAL: Final = 0.012
_GOOD_IN_A_SPAN: Final = 0.005
_LIKE_BEFORE: Final = 1.6
_BETTER: Final = 0.6
_STEPS: Final = 25
_FIRST_STEPS: Final = 6
"""Of several fits, each takes so many steps; only the best few go on."""
_GO_ON: Final = 2
_GO_ON_IN_A_SPAN: Final = 4
_CLOSER: Final = (0.01, 0.004)
_CLOSER_STEPS: Final = 20
_MORE_STEPS: Final = 4
_DELAY_S: Final = 0.2
_SAME_S: Final = 0.6
_TRIED_S: Final = (-1.6, -1.0, -0.5, -0.1)
_SUPPORT_S: Final = 2.0
_SUPPORT_STEPS: Final = 10
_FREE_SUPPORT: Final = 2.0
_SHORT_SUPPORT: Final = 0.5
"""A stretch with little of the free motion in it tells less surely that rope was let out."""
_SHORT_S: Final = (0.5, 0.4)


@dataclass(frozen=True, slots=True)
class FreeSwing:
    """A free swing that was followed.

    Parameters
    ----------
    end_s : float or None
        Where it ends: the lowering starts. None when it was free to the end.
    known : bool
        Whether the motion was fitted well enough to tell.
    weight_n : float
        Weight of the piece that the fit gives, newtons; with rope let out, if that was found.
    weight_rel_u : float
        Its relative standard uncertainty (``swing_weight.py``).
    residual : float
        What the fit leaves, RMS, as a share of the weight.
    agreed : bool
        Whether two tries, from two begins, ended alike.
    support : float
        How many times closer a motion with rope let out tells what follows the end than a
        free one does, half of it after a short stretch; 1 where no such motion was found, 2
        where the free one reaches the end.
    """

    end_s: float | None
    known: bool
    weight_n: float
    weight_rel_u: float
    residual: float
    agreed: bool = False
    support: float = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Record:
    """The record on an even grid; ``good`` is False in gaps and at the converter's limit."""

    time_s: FloatArray
    force_n: FloatArray
    good: BoolArray

    def later(self, n: int) -> Record:
        """Leave out the first ``n`` values."""
        return Record(self.time_s[n:], self.force_n[n:], self.good[n:])


def good_residual(place: Place) -> float:
    """Give what a fit may leave, as a share of the weight, to be trusted for itself."""
    in_a_span = place.rope is not None and place.rope.legs == 2
    return _GOOD_IN_A_SPAN if in_a_span else _GOOD_RESIDUAL


class Follower:
    """One try: fits over a growing stretch of a record, from its first value on.

    Parameters
    ----------
    record : Record
        From where the piece hangs or swings freely.
    trace : Trace
        Its place and chain say what is expected.
    patience : int
        0, or 1 to let a gust pass.
    """

    def __init__(self, record: Record, trace: Trace, patience: int) -> None:
        self.record, self.expected = record, expect(trace)
        self.given = self.expected
        rope = trace.place.rope
        if rope is not None and rope.legs == 2 and rope.leg_cos < 1.0:
            self.given = given_legs(self.expected, rope.leg_cos)
        self.period_n = max(round(swing_s(trace.place) / GRID_S), 8)
        spans = self.expected.swing.span_m > 0.0
        self.good = good_residual(trace.place)
        self.least = (_LEAST_IN_A_SPAN if spans else _LEAST_RESIDUAL)[patience]
        self.starts = _STARTS_IN_A_SPAN if spans else _STARTS
        self.first_s = _FIRST_S_IN_A_SPAN if spans else _FIRST_S
        self.first_swings = _FIRST_SWINGS_IN_A_SPAN if spans else _FIRST_SWINGS
        self.go_on = _GO_ON_IN_A_SPAN if spans else _GO_ON
        self.memory_n = max(_MEMORY_SWINGS * self.period_n, _LEAST_MEMORY_S / GRID_S)
        self._weights: dict[int, FloatArray] = {}
        self._guessed: tuple[FloatArray, FloatArray] | None = None

    @property
    def size(self) -> int:
        """Number of values."""
        return self.record.time_s.size

    def follow(self, *, short: bool) -> FreeSwing | None:
        """Follow from the first value on; ``short``: the hold may end within the first stretch."""
        shortest, longest = (round(limit / GRID_S) for limit in self.first_s)
        n = min(max(round(self.first_swings * self.period_n), shortest), longest)
        if n + 2 * _FEW > self.size:
            return None
        if not self.seen(n):
            return _unknown(math.nan, math.inf)
        fit = self.first(n)
        _, weight, residual = self.foretold(fit, n, n)
        if residual >= self.good:
            found = (self.short_hold(n, residual) or self.from_less(n)) if short else None
            if found is not None or residual >= _KNOWN_RESIDUAL:
                return found or _unknown(weight, residual)
        return self.followed(fit, n)

    def from_less(self, n: int) -> FreeSwing | None:
        """Follow from a part of the first stretch, as long a one as no more than a little is left of."""
        for share in _LESS:
            part = round(share * n)
            if part < _LEAST_N or not self.seen(part):
                continue
            fit = self.first(part)
            _, _, residual = self.foretold(fit, part, part)
            if residual < _LESS_RESIDUAL:
                found = self.followed(fit, part)
                if found.known and found.end_s is not None and found.support > _LESS_SUPPORT:
                    return found
        return None

    def followed(self, fit: Fit, n: int) -> FreeSwing:
        """Carry a fit of the first ``n`` values on until it fails, or to the end."""
        suspect, held = -self.size, math.inf
        while True:
            until = min(n + 2 * _AHEAD, self.size)
            away, weight, residual = self.foretold(fit, n, until)
            held = min(held, residual)
            swallowed = residual > _SWALLOWED * max(held, self.least)
            known = residual < _KNOWN_RESIDUAL and self.plausible(weight, n) and not swallowed
            limit = _SIGMAS * max(min(residual, _GROWS * held), self.least)
            failed = np.flatnonzero(np.abs(_means(away, _FEW)[:_AHEAD]) > limit)
            if failed.size == 0:
                if n + _AHEAD + _FEW >= self.size:
                    weight, u = self.weighed(fit, min(n, self.size))
                    return FreeSwing(None, known, weight, u, residual, support=_FREE_SUPPORT)
                n += _AHEAD
            else:
                at = n + int(failed[0])
                if at <= suspect + round(_SAME_S / GRID_S):
                    through = min(at + _AHEAD // 2 + _FEW, self.size)
                    again = self.fitted(fit.guess, through, _MORE_STEPS + 1, self.left(residual))
                    left, _, _ = self.foretold(again, through, through, after=at - _FEW)
                    if np.abs(_means(left, _FEW)).max(initial=0.0) > 0.5 * limit:
                        return self.ended(fit, at, through, left, known=known)
                    at, fit = through, again
                suspect, n = at, max(at, n + 1)
            fit = self.fitted(fit.guess, min(n, self.size), _MORE_STEPS, self.left(residual))

    def ended(self, fit: Fit, at: int, through: int, left: FloatArray, *, known: bool) -> FreeSwing:
        """Tell an end: where a fit with rope let out has it, or where the free one failed."""
        _, _, residual = self.foretold(fit, at, at)
        slack = self.let_out(fit, at, through, left, residual)
        if slack is None:
            known &= residual < self.good
            end = float(self.record.time_s[min(at, self.size - 1)]) - _DELAY_S
            return FreeSwing(end, known, *self.weighed(fit, at), residual)
        end = float(self.record.time_s[0]) - 0.5 * GRID_S + float(slack.guess[START])
        support = self.support(fit, slack, at)
        weight, u = self.weighed(slack, min(through + _FEW, self.size))
        return FreeSwing(end, known, weight, u, residual, support=support)

    def weighed(self, fit: Fit, n: int) -> tuple[float, float]:
        """Weight that a fit of ``n`` values gives, and its relative standard uncertainty."""
        if self.given is not self.expected:
            fit = self.closer(fit, n, self.given)
        _, weight, residual = self.foretold(fit, n, n)
        return weight, weight_rel_u(self.given, fit, self.weights(n), residual, _EVERY)

    def support(self, fit: Fit, slack: Fit, at: int) -> float:
        """How much better a motion with rope let out tells the next two seconds than a free one."""
        n = min(at + round(_SUPPORT_S / GRID_S), self.size)
        left = []
        for one in (fit, slack):
            again = self.closer(self.fitted(one.guess, n, _SUPPORT_STEPS), n)
            away, _, _ = self.foretold(again, n, n, after=max(at - _FEW, 0))
            left.append(max(_rms(away), 1e-3))
        return left[0] / left[1]

    def let_out(
        self, fit: Fit, at: int, through: int, left: FloatArray, before: float
    ) -> Fit | None:
        """Fit with rope let out from a time on; None when that explains no more."""
        n = min(through + _FEW, self.size)
        best = self.best([self.with_start(fit.guess, at * GRID_S + apart) for apart in _TRIED_S], n)
        away, _, residual = self.foretold(best, n, n, after=max(at - round(1.0 / GRID_S), 0))
        start = float(best.guess[START])
        good = _rms(away) < min(_BETTER * _rms(left), max(_LIKE_BEFORE * before, self.good))
        if not good or residual > _KNOWN_RESIDUAL or start < _SHORT_S[0]:
            return None
        return best

    def with_start(self, guess: FloatArray, start_s: float) -> FloatArray:
        """Give a guess the start of a letting out."""
        row = guess.copy()
        row[START:] = (max(start_s, 0.1), *self.expected.prior[START + 1 :])
        return row

    def short_hold(self, n: int, free: float) -> FreeSwing | None:
        """Look for a start within the first stretch, where no free motion explains it."""
        first, step = _SHORT_S
        starts = np.arange(first, n * GRID_S - 0.6, step)
        rows = []
        for start in starts:
            if self.seen(round(float(start) / GRID_S)):
                held = self.first(max(round(float(start) / GRID_S), 12), _FEW_STARTS)
                rows.append(self.with_start(held.guess, float(start)))
        if not rows:
            return None
        best = self.best(rows, n)
        n = min(n + _AHEAD, self.size)
        best = self.fitted(best.guess, n, _STEPS)
        _, weight, residual = self.foretold(best, n, n)
        unlike = not self.plausible(weight, n)
        if (
            unlike
            or residual > min(_KNOWN_RESIDUAL, _BETTER * free)
            or best.guess[START] < _SHORT_S[0]
        ):
            return None
        end = self.record.time_s[0] - 0.5 * GRID_S + float(best.guess[START])
        support = _SHORT_SUPPORT * free / residual
        return FreeSwing(float(end), True, *self.weighed(best, n), residual, support=support)

    def plausible(self, weight_n: float, n: int) -> bool:
        """Whether a fitted weight is like the mean force of the first ``n`` values."""
        usual = self.usual_n(n)
        return weight_n > 0 < usual and abs(math.log(weight_n / usual)) < _UNUSUAL

    def seen(self, n: int) -> bool:
        """Whether most of the first ``n`` values were read."""
        return bool(self.record.good[:n].mean() > 0.5)

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

    def weights(self, n: int) -> FloatArray:
        """Later values count for more: what the rig did long ago is fitted less well."""
        found = self._weights.get(n)
        if found is None:
            since = (np.arange(n) - n) / self.memory_n
            found = self._weights[n] = np.where(self.record.good[:n], np.exp(since), 0.0)
        return found

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
        for _ in range(most or self.starts):
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
        go_on = first[: self.go_on]
        return self.closer(min((self.fitted(fit.guess, n, _STEPS) for fit in go_on), key=_cost), n)

    def closer(self, fit: Fit, n: int, expected: Expected | None = None) -> Fit:
        """Fit on, what may be left being what was left: what was entered counts for less and less."""
        for least in _CLOSER:
            _, _, residual = self.foretold(fit, n, n)
            noise = min(max(residual, least), NOISE)
            fit = self.fitted(fit.guess, n, _CLOSER_STEPS, noise, expected)
        return fit

    @staticmethod
    def left(residual: float) -> float:
        """What a fit may leave that goes on from one that left ``residual``."""
        return min(max(residual, _CLOSER[-1]), NOISE)

    def fitted(
        self,
        guess: FloatArray,
        n: int,
        most: int,
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

    def usual_n(self, n: int) -> float:
        """Give about the weight of the piece: the mean force of the first ``n`` values."""
        weights = self.weights(n)
        return self.expected.gain * float(weights @ self.record.force_n[:n] / weights.sum())


def _unknown(weight_n: float, residual: float) -> FreeSwing:
    return FreeSwing(None, False, weight_n, math.inf, residual)


def _rms(values: FloatArray) -> float:
    return math.sqrt(float(np.mean(values**2))) if values.size else 0.0


def _means(values: FloatArray, n: int) -> FloatArray:
    """Mean over ``n`` values from each on."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray((total[n:] - total[:-n]) / n) if values.size >= n else np.empty(0)


def _cost(fit: Fit) -> float:
    return fit.cost
