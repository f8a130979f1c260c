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
is looked at with the second fit alone, or followed from a part of the first stretch. A free fit that
is refitted again and again swallows a slow change: what leaves more than it once did is not
believed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.letting_out import START
from analysis.reading.motion_fits import GRID_S, Fitter, Record
from analysis.reading.place import Place
from analysis.reading.stretches import Tells, Told
from analysis.reading.swing_fit import Fit
from analysis.reading.trace import FloatArray, Trace

_UNUSUAL: Final = 0.5
_FEW_STARTS: Final = 2
_LESS: Final = (0.75, 0.6, 0.45, 0.35)
_LEAST_N: Final = 20
_LESS_RESIDUAL: Final = 0.006
_LESS_SUPPORT: Final = 1.5
_FIRST_SWINGS: Final = (1.4, 0.8)
_FIRST_S: Final = ((2.0, 4.0), (1.6, 2.4))
"""The first stretch to fit, on a lead and in a span, where a longer one would swallow a start."""
_AHEAD: Final = 30
"""So many values are foretold at a time (1.2 s), and judged by means of so many (0.4 s)."""
_FEW: Final = 10
_SIGMAS: Final = 4.0
_GROWS: Final = 1.5
_SWALLOWED: Final = 1.5
"""What leaves so many times more than it once did is judged by what it left, and has swallowed
something that is no free motion."""
_LEAST_RESIDUAL: Final = (0.012, 0.018)
"""A fit counts as no better than this; the second, of every other try, lets a gust pass."""
_LEAST_IN_A_SPAN: Final = (0.0015, 0.005)
_KNOWN_RESIDUAL: Final = 0.025
_GOOD_RESIDUAL: Final = 0.012
_GOOD_IN_A_SPAN: Final = 0.005
_LIKE_BEFORE: Final = 1.6
_BETTER: Final = 0.6
_MORE_STEPS: Final = 4
_DELAY_S: Final = 0.1
_SEEN: Final = 3
_SEEN_SIGMAS: Final = 2.0
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
    tells : Tells
        What the fit gives; with rope let out, if that was found.
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
    tells: Tells
    residual: float
    agreed: bool = False
    support: float = 1.0


def good_residual(place: Place) -> float:
    """Give what a fit may leave, as a share of the weight, to be trusted for itself."""
    return _GOOD_IN_A_SPAN if place.in_a_span else _GOOD_RESIDUAL


class Follower(Fitter):
    """One try: fits over a growing stretch of a record, from its first value on.

    Parameters
    ----------
    record, trace : Record, Trace
        As of a :class:`Fitter`.
    patience : int
        0, or 1 to let a gust pass.
    """

    def __init__(self, record: Record, trace: Trace, patience: int) -> None:
        super().__init__(record, trace)
        self.good = good_residual(trace.place)
        self.least = (_LEAST_IN_A_SPAN if self.in_a_span else _LEAST_RESIDUAL)[patience]

    def follow(self, *, short: bool) -> FreeSwing | None:
        """Follow from the first value on; ``short``: the hold may end within the first stretch."""
        shortest, longest = (round(limit / GRID_S) for limit in _FIRST_S[self.in_a_span])
        n = min(max(round(_FIRST_SWINGS[self.in_a_span] * self.period_n), shortest), longest)
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
                    tells = self.tells(fit, min(n, self.size))
                    return FreeSwing(None, known, tells, residual, support=_FREE_SUPPORT)
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
            end = float(self.record.time_s[self.seen_to_leave(fit, at, through)]) - _DELAY_S
            return FreeSwing(end, known, self.tells(fit, at), residual)
        end = float(self.record.time_s[0]) - 0.5 * GRID_S + float(slack.guess[START])
        support = self.support(fit, slack, at)
        tells = self.tells(slack, min(through + _FEW, self.size))
        return FreeSwing(end, known, tells, residual, support=support)

    def seen_to_leave(self, fit: Fit, at: int, through: int) -> int:
        """Value from which the record leaves what was foretold, of those that made it fail."""
        away, _, residual = self.foretold(fit, at, through, after=at)
        limit = _SEEN_SIGMAS * max(residual, self.least)
        seen = np.flatnonzero(np.abs(_means(away, _SEEN)[:_FEW]) > limit)
        return min(at + (int(seen[0]) if seen.size else 0), self.size - 1)

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
        best = self.closer(best, n)
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
        known = True
        return FreeSwing(float(end), known, self.tells(best, n), residual, support=support)

    def plausible(self, weight_n: float, n: int) -> bool:
        """Whether a fitted weight is like the mean force of the first ``n`` values."""
        usual = self.usual_n(n)
        return weight_n > 0 < usual and abs(math.log(weight_n / usual)) < _UNUSUAL


def _unknown(weight_n: float, residual: float) -> FreeSwing:
    known = False
    return FreeSwing(None, known, Tells(Told(weight_n, math.inf)), residual)


def _rms(values: FloatArray) -> float:
    return math.sqrt(float(np.mean(values**2))) if values.size else 0.0


def _means(values: FloatArray, n: int) -> FloatArray:
    """Mean over ``n`` values from each on."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray((total[n:] - total[:-n]) / n) if values.size >= n else np.empty(0)
