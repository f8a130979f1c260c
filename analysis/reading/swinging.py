"""Until when a piece swings freely: where a motion fitted to the hang no longer foretells it.

Comes in: forces with zero taken, the place. Goes out: a :class:`FreeSwing`: where the
lowering starts, and how well that is known. Must not: label phases, or run where nothing
swings (it costs some tenths of a second of processor time).

Notes
-----
Lowering unloads the rope for about a second (the piece gains speed), by a few per cent; a
swing changes the force by tens. So the swing must be known: a piece on an elastic rope over
a sheave with friction (``swing_motion.py``) is fitted to the hang by least squares, with what
was entered of the rig as prior, and foretells what comes next while nothing is let out.
While it holds, the fit is carried on over what it foretold. Where it fails, it is first
fitted again *through* the failure: only what no free swing explains is a start.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.place import Place
from analysis.reading.swing_motion import STEP_S, Swing
from analysis.reading.trace import BoolArray, FloatArray, Trace
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

_EVERY: Final = 2
_GRID_S: Final = _EVERY * STEP_S
_NOISE: Final = 0.03
"""What the model may leave, as a share of the weight: air, a piece that turns, a curved rope."""
_PRIOR: Final = np.array([0.0, math.log(0.015), math.log(0.06), 0.0, 0.0, 1.0, 0.0, 1.0, 0.05])
_PRIOR_SD: Final = np.array([0.03, 1.0, 0.5, 9.0, 9.0, 0.7, 3.0, 0.3, 0.05])
_LEAD_SD_TAG_LINE: Final = 0.08
_ANGLES: Final = (0.2, 0.3, 0.42, 0.56, 0.7, 0.85, 1.0)
_STRAINS: Final = (0.004, 0.012, 0.035)
_PHASES: Final = 12
_STARTS: Final = 3
_FIRST_SWINGS: Final = 1.4
_MEMORY_SWINGS: Final = 2.0
_AHEAD_S: Final = 1.2
_MEAN_S: Final = 0.4
_SIGMAS: Final = 4.0
_LEAST_RESIDUAL: Final = 0.012
_KNOWN_RESIDUAL: Final = 0.04
_POOR: Final = 0.045
_STEPS: Final = 8
_MORE_STEPS: Final = 3
_DELAY_S: Final = 0.15
_SAME_S: Final = 0.6


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
        Weight of the piece that the fit gives, newtons.
    residual : float
        What the fit leaves, RMS, as a share of the weight.
    """

    end_s: float | None
    known: bool
    weight_n: float
    residual: float


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    guess: FloatArray
    cost: float


@dataclass(frozen=True, slots=True, eq=False)
class _Record:
    """The record on an even grid; ``good`` is False in gaps and at the converter's limit."""

    time_s: FloatArray
    force_n: FloatArray
    good: BoolArray


def can_follow(place: Place) -> bool:
    """Whether enough is known of the rig to foretell a swing: one lead, lengths entered."""
    return place.rope is not None and place.rope.legs == 1 and place.reads in _READS


_READS: Final = frozenset({"piece", "fall", "sling"})


def swing_s(place: Place) -> float:
    """Time from one largest force to the next: half the period of the pendulum; 0 unknown."""
    return 0.0 if place.rope is None else math.pi * math.sqrt(place.rope.lead_m / G)


def follow_swing(
    trace: Trace, force_n: FloatArray, *, from_s: float, until_s: float, ceiling_n: float
) -> FreeSwing | None:
    """Follow a free swing from a time until it is one no longer.

    Parameters
    ----------
    trace : Trace
        With a place that :func:`can_follow`.
    force_n : (n,) float64
        Its forces, zero taken.
    from_s, until_s : float
        From where the piece swings freely; where the load ends.
    ceiling_n : float
        Readings at or above this are at the converter's limit.

    Returns
    -------
    FreeSwing or None
        None when there is less than about two swings to look at.
    """
    record = _on_a_grid(trace, force_n, (from_s, until_s), ceiling_n)
    period = swing_s(trace.place)
    best: FreeSwing | None = None
    for _ in range(2):
        found = _Follower(_swing_of(trace), record, trace).follow()
        if found is None:
            break
        if best is None or found.residual < best.residual:
            best = found
        if best.known:
            break
        later = round(0.5 * period / _GRID_S)
        record = _Record(record.time_s[later:], record.force_n[later:], record.good[later:])
    return best


def _swing_of(trace: Trace) -> Swing:
    rope, reads = trace.place.rope, trace.place.reads
    assert rope is not None  # noqa: S101 - the caller has asked can_follow
    assert reads in ("piece", "fall", "sling")  # noqa: S101 - likewise
    angle = 0.0
    if reads == "sling":
        angle = math.acos(float(np.clip(0.5 / trace.chain.gain**2 - 1.0, -1.0, 1.0)))
    return Swing(reads, rope.efficiency, rope.fall_m / rope.lead_m, angle)


def _on_a_grid(
    trace: Trace, force_n: FloatArray, span_s: tuple[float, float], ceiling_n: float
) -> _Record:
    edges = np.arange(span_s[0], span_s[1], _GRID_S)
    at = np.searchsorted(trace.time_s, edges)
    total = np.concatenate(([0.0], np.cumsum(force_n)))
    count = np.diff(at)
    good = count > 0
    mean = np.diff(total[at]) / np.maximum(count, 1)
    times = edges[:-1] + 0.5 * _GRID_S
    if good.any():
        mean = np.interp(times, times[good], mean[good])
    return _Record(times, mean, good & (mean < ceiling_n))


class _Follower:
    """One swing's fits over a growing stretch of the record."""

    def __init__(self, swing: Swing, record: _Record, trace: Trace) -> None:
        self.swing, self.record = swing, record
        self.period_n = max(round(swing_s(trace.place) / _GRID_S), 8)
        self.prior, self.sd = _PRIOR.copy(), _PRIOR_SD.copy()
        assert trace.place.rope is not None  # noqa: S101 - the caller has asked can_follow
        self.prior[0] = math.log(trace.place.rope.lead_m)
        if trace.tag_line_tight:
            self.sd[0] = _LEAD_SD_TAG_LINE

    def follow(self) -> FreeSwing | None:
        ahead, few = round(_AHEAD_S / _GRID_S), round(_MEAN_S / _GRID_S)
        size = self.record.time_s.size
        n = round(_FIRST_SWINGS * self.period_n)
        if n + 2 * few > size:
            return None
        fit, suspect = self.first(n), -size
        while True:
            away, weight, residual = self.foretold(fit, n, min(n + 2 * ahead, size))
            known = residual < _KNOWN_RESIDUAL
            limit = _SIGMAS * max(residual, _LEAST_RESIDUAL)
            failed = np.flatnonzero(np.abs(_means(away, few)[:ahead]) > limit)
            if failed.size == 0:
                if n + ahead + few >= size:
                    return FreeSwing(None, known, weight, residual)
                n += ahead
            else:
                at = n + int(failed[0])
                if at <= suspect + round(_SAME_S / _GRID_S):
                    through = min(at + ahead // 2, size)
                    again = self.fitted(fit.guess, through, _MORE_STEPS + 1)
                    left, _, _ = self.foretold(again, through, through, after=at)
                    if np.abs(_means(left, few)).max(initial=0.0) > 0.5 * limit:
                        end = float(self.record.time_s[min(at, size - 1)]) + _DELAY_S
                        return FreeSwing(end, known, weight, residual)
                    at, fit = through, again
                suspect, n = at, max(at, n + 1)
            fit = self.fitted(fit.guess, min(n, size), _MORE_STEPS)

    def foretold(
        self, fit: _Fit, n: int, until: int, after: int | None = None
    ) -> tuple[FloatArray, float, float]:
        """Give reading minus what was foretold after ``n`` values; weight; RMS left before."""
        expected = self.swing.reading(fit.guess[None], until, _EVERY)[0]
        weights = self.weights(n)
        force = self.record.force_n
        weight = _scale(expected[None, :n], force[:n], weights)[0]
        away = np.where(self.record.good[:until], force[:until] / weight - expected, 0.0)
        residual = math.sqrt(float((weights * away[:n] ** 2).sum() / weights.sum()))
        return away[n if after is None else after :], float(weight), residual

    def weights(self, n: int) -> FloatArray:
        """Later values count for more: what the rig did long ago is fitted less well."""
        since = (np.arange(n) - n) / (_MEMORY_SWINGS * self.period_n)
        return np.where(self.record.good[:n], np.exp(since), 0.0)

    def first(self, n: int) -> _Fit:
        """Best of a few fits, from guesses that come close on a coarse grid."""
        guesses = self.guesses()
        force, weights = self.record.force_n[:n], self.weights(n)
        expected = self.swing.reading(guesses, n, _EVERY)
        scale = _scale(expected, force, weights)
        cost = (weights * (force / scale[:, None] - expected) ** 2).sum(axis=1)
        taken: list[FloatArray] = []
        fits = []
        for index in np.argsort(cost):
            guess = guesses[index]
            if any(np.abs(guess[[1, 3, 4]] - one[[1, 3, 4]]).max() < 0.25 for one in taken):
                continue
            taken.append(guess)
            fits.append(self.fitted(guess, n, _STEPS))
            if len(taken) == _STARTS:
                break
        return min(fits, key=lambda fit: fit.cost)

    def guesses(self) -> FloatArray:
        """Angle and rate on circles, each with three strains of the rope."""
        half = 1 if self.swing.reads != "sling" else 2
        phases = np.arange(half * _PHASES) * math.pi / _PHASES
        size, phase, strain = (
            part.ravel() for part in np.meshgrid(_ANGLES, phases, _STRAINS, indexing="ij")
        )
        out = np.tile(self.prior, (size.size, 1))
        out[:, 1] = np.log(strain)
        out[:, 3], out[:, 4] = size * np.sin(phase), size * np.cos(phase)
        out[:, 5] = np.cos(out[:, 3]) + out[:, 4] ** 2
        out[:, 6] = -3.0 * out[:, 3] * out[:, 4]
        eta = self.swing.efficiency
        out[:, 7] = out[:, 5] * np.where(out[:, 6] > 0, eta, 1.0 / eta)
        return out

    def fitted(self, guess: FloatArray, n: int, most: int) -> _Fit:
        """Least squares with the priors, by damped steps; four dampings are tried at once."""
        force, weights = self.record.force_n[:n], np.sqrt(self.weights(n))
        eye = np.eye(guess.size)

        def cost_of(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
            with np.errstate(all="ignore"):
                expected = self.swing.reading(rows, n, _EVERY)
                scale = _scale(expected, force, weights**2)
                left = weights * (force / scale[:, None] - expected) / _NOISE
                cost = (left**2).sum(axis=1) + (((rows - self.prior) / self.sd) ** 2).sum(axis=1)
            return np.where(np.isfinite(cost) & (scale > 0), cost, np.inf), left

        damping = 1e-2
        (cost,), (left,) = cost_of(guess[None])
        for _ in range(most if np.isfinite(cost) else 0):
            _, moved = cost_of(guess[None] + 1e-3 * eye)
            slopes = np.nan_to_num((moved - left).T / 1e-3)
            square = slopes.T @ slopes + np.diag(self.sd**-2.0)
            side = slopes.T @ left + (guess - self.prior) / self.sd**2
            dampings = damping * np.array([1.0, 10.0, 100.0, 1000.0])
            rows = guess + np.clip(
                [-np.linalg.solve(square + d * np.diag(np.diag(square)), side) for d in dampings],
                -0.7,
                0.7,
            )
            costs, lefts = cost_of(rows)
            best = int(np.argmin(costs))
            if not costs[best] < cost:
                damping *= 100.0
                continue
            settled = cost - costs[best] < 2e-3 * cost
            guess, cost, left = rows[best], costs[best], lefts[best]
            damping = max(1e-4, dampings[best] / 10.0)
            if settled:
                break
        return _Fit(guess, float(cost))


def _scale(expected: FloatArray, force_n: FloatArray, weights: FloatArray) -> FloatArray:
    """Weight of the piece that fits best, per row."""
    heavy = expected * weights
    return np.asarray((heavy @ force_n) / np.einsum("ij,ij->i", heavy, expected))


def _means(values: FloatArray, n: int) -> FloatArray:
    """Mean over ``n`` values from each on."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray((total[n:] - total[:-n]) / n) if values.size >= n else np.empty(0)
