"""Until when a piece hangs or swings freely: what most tries to follow its motion say.

Comes in: forces with zero taken, the place. Goes out: a :class:`FreeSwing`: where the
lowering starts, and how well that is known. Must not: fit (``following.py`` does), or label
phases.

Notes
-----
Tries begin half a second apart. Each brings how much closer what follows its end is told by rope
let out than by a free motion; tries that end alike add up.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from analysis.reading.compile_apart import compile_apart
from analysis.reading.following import Follower, FreeSwing, good_residual
from analysis.reading.motion_fits import GRID_S, Record
from analysis.reading.stretches import Tells, Told
from analysis.reading.trace import FloatArray, Trace

_SHIFT_S: Final = 0.5
_SHIFTS: Final = 9
_SHIFTS_OF_A_SWING: Final = 11
"""A planned swing is followed from its first second on: two tries more reach as far."""
_AGREE_S: Final = 0.5
_SHORT_SHIFTS: Final = 4
_MOST_SUPPORT: Final = 8.0
_ENOUGH: Final = 6.0


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
        From where the piece hangs or swings freely; where the load ends.
    ceiling_n : float
        Readings at or above this are at the converter's limit.

    Returns
    -------
    FreeSwing or None
        None when there is too little to look at.
    """
    compile_apart()
    record = _on_a_grid(trace, force_n, (from_s, until_s), ceiling_n)
    found: list[FreeSwing] = []
    good = good_residual(trace.place)
    for shift in range(_SHIFTS_OF_A_SWING if trace.place.method == "swing" else _SHIFTS):
        one = Follower(record, trace, shift % 2).follow(short=shift < _SHORT_SHIFTS)
        if one is None:
            break
        found.append(one)
        alike = _alike(one, found)
        if len(alike) > 1 and sum(_vote(other, good) for other in alike) > _ENOUGH:
            break
        record = record.later(round(_SHIFT_S / GRID_S))
    return _chosen(found, good)


def _chosen(found: list[FreeSwing], good: float) -> FreeSwing | None:
    """Take the end that most speaks for, and of the tries that found it the closest fit."""
    known = [one for one in found if one.known]
    if not known:
        return min(found, key=_left, default=None)
    first = max(known, key=lambda one: sum(_vote(other, good) for other in _alike(one, known)))
    alike = _alike(first, known)
    best = min(alike, key=_left)
    close = [one.tells for one in alike if one.residual < good]
    tells = Tells(
        _apart(best.tells.weight, [one.weight for one in close]),
        _apart(best.tells.ea, [one.ea for one in close]),
        _apart(best.tells.efficiency, [one.efficiency for one in close]),
    )
    return replace(best, agreed=len(alike) > 1, tells=tells)


def _apart(best: Told, others: list[Told]) -> Told:
    """Add to what the best try tells how far from it those that agree are."""
    away = [one.value / best.value - 1.0 for one in others if math.isfinite(one.rel_u)]
    spread = math.sqrt(float(np.mean(np.square(away)))) if away else 0.0
    return replace(best, rel_u=math.hypot(best.rel_u, spread))


def _alike(one: FreeSwing, tries: list[FreeSwing]) -> list[FreeSwing]:
    """Give the tries that know the motion and ended like one of them, with itself."""
    return [other for other in tries if one.known and other.known and _agree(one, other)]


def _vote(one: FreeSwing, good: float) -> float:
    """How much a try counts: what follows its end speaks for it, and its fit is close."""
    return min(one.support, _MOST_SUPPORT) * min(good / max(one.residual, good), 1.0)


def _left(one: FreeSwing) -> float:
    return one.residual


def _agree(one: FreeSwing, other: FreeSwing) -> bool:
    if one.end_s is None or other.end_s is None:
        return one.end_s is other.end_s
    return abs(one.end_s - other.end_s) < _AGREE_S


def _on_a_grid(
    trace: Trace, force_n: FloatArray, span_s: tuple[float, float], ceiling_n: float
) -> Record:
    edges = np.arange(span_s[0], span_s[1], GRID_S)
    at = np.searchsorted(trace.time_s, edges)
    total = np.concatenate(([0.0], np.cumsum(force_n)))
    count = np.diff(at)
    good = count > 0
    mean = np.diff(total[at]) / np.maximum(count, 1)
    times = edges[:-1] + 0.5 * GRID_S
    if good.any():
        mean = np.interp(times, times[good], mean[good])
    return Record(times, mean, good & (mean < ceiling_n))
