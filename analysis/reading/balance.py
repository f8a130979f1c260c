"""A hand-over near balance: a small transient between two still levels that read alike.

Comes in: block means, smoothed forces, the zero. Goes out: the two levels and the step
between them, or None. Must not: time the release (``release.py`` does) or overrule a
release that leads to a still hang (``phases.py`` asks only when there is none).

A piece let go at rest swings about its weight no farther than it was pulled away from it:
from a level B to a hang A the reading stays between B and 2A − B (a little more when the
hinge pushes). The dip at the start of a lowering, a brake jerk or a touch goes beyond and
returns to where it came from. So the last transient that keeps within those bounds is the
hand-over, however small it is beside the rest of the record, and the still level after it
is the hang.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.filters import Blocks, runs, window_range
from analysis.reading.levels import STILL_S, Plateau, Zero
from analysis.reading.steps import Step, make_step
from analysis.reading.trace import FloatArray

NEAR: Final = 0.12
"""Levels that differ by less, as a share of the hang, count as near balance."""
_CALM_S: Final = 0.3
_CALM_SHARE: Final = 0.004
_HYSTERESIS_SHARE: Final = 0.0025
_BEFORE_S: Final = 0.4
_LEAST_CHANGE: Final = 0.01
_TOUCH_S: Final = 0.1
_BOUND: Final = 1.3
_SLIP_SHARE: Final = 0.017


@dataclass(frozen=True, slots=True, eq=False)
class Balance:
    """Level before, hang after, what happens between; whether that swings."""

    before: Plateau
    hang: Plateau
    step: Step
    swings: bool


def calm_levels(blocks: Blocks, zero: Zero, end_s: float) -> tuple[Plateau, ...]:
    """Find loaded stretches so calm that a transient of a percent ends them.

    Parameters
    ----------
    blocks : Blocks
        Block means, zero not taken.
    zero : Zero
        The record's zero.
    end_s : float
        Where the load ends.

    Returns
    -------
    tuple of Plateau
        In order of time, each at least 0.4 s long.
    """
    n = max(round(_CALM_S / blocks.width_s), 3)
    mean = blocks.mean_n[: blocks.index(end_s)] - zero.zero_n
    span, middle = window_range(mean, n)
    calm = span <= _CALM_SHARE * np.abs(middle) + 6.0 * blocks.noise_n
    out = []
    for a, b in runs(calm & (middle > zero.slack_n)):
        part = mean[a : b + n - 1]
        if part.size * blocks.width_s < _BEFORE_S:
            continue
        level = float(np.median(part))
        last = float(np.median(part[-n:]))
        out.append(Plateau(blocks.time_s(a), blocks.time_s(b + n - 1), level, level, last))
    return _joined(out, blocks.noise_n)


def _joined(found: list[Plateau], noise_n: float) -> tuple[Plateau, ...]:
    """Join stretches that touch and read alike: what is left of the swinging, or creep."""
    out: list[Plateau] = []
    for late in found:
        early = out[-1] if out else None
        if (
            early is None
            or late.start_s - early.end_s > _TOUCH_S
            or not _alike(early, late, noise_n)
        ):
            out.append(late)
            continue
        main = max(early, late, key=lambda plateau: plateau.duration_s)
        out[-1] = Plateau(early.start_s, late.end_s, main.level_n, main.level_n, late.last_n)
    return tuple(out)


def _alike(early: Plateau, late: Plateau, noise_n: float) -> bool:
    return abs(late.level_n - early.last_n) < _LEAST_CHANGE * late.level_n + 3.0 * noise_n


def find_balance(
    blocks: Blocks,
    zero: Zero,
    time_s: FloatArray,
    smooth_n: FloatArray,
    *,
    end_s: float,
    noise_n: float,
) -> Balance | None:
    """Find the last hand-over between two calm levels that read nearly the same.

    Parameters
    ----------
    blocks : Blocks
        Block means, zero not taken.
    zero : Zero
        The record's zero.
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    end_s : float
        Where the load ends.
    noise_n : float
        Noise of a smoothed sample.

    Returns
    -------
    Balance or None
    """
    levels = calm_levels(blocks, zero, end_s)

    def between(before: Plateau, after: Plateau) -> Step:
        return make_step(
            time_s,
            smooth_n,
            (before.end_s - 0.1, after.start_s + 0.1),
            (before, after),
            slack_n=zero.slack_n,
            noise_n=noise_n,
            hysteresis_share=_HYSTERESIS_SHARE,
        )

    for at in reversed(range(1, len(levels))):
        after = levels[at]
        for before in _levels_before(levels[:at]) if after.duration_s >= STILL_S else ():
            step = between(before, after)
            apart = after.start_s - before.end_s > -0.5 * blocks.width_s
            if not apart or not _within_bounds(step, before, after, noise_n):
                continue
            change = (after.level_n - before.last_n) / after.level_n
            swings = step.swung >= (1 if change < -_LEAST_CHANGE else 2)
            if abs(change) <= NEAR and (swings or change < -_LEAST_CHANGE):
                return Balance(before, after, step, swings)
            if abs(change) > _LEAST_CHANGE:
                return None
    return None


def _levels_before(levels: tuple[Plateau, ...]) -> tuple[Plateau, ...]:
    """Last long level, then the short ones after it: crests of the swinging, or a short wait."""
    held = [i for i, level in enumerate(levels) if level.duration_s >= STILL_S]
    return levels[held[-1] if held else 0 :]


def _within_bounds(step: Step, before: Plateau, after: Plateau, noise_n: float) -> bool:
    """Whether the reading swings no farther from the hang than the level before it."""
    away = abs(before.last_n - after.level_n)
    slip = _SLIP_SHARE * after.level_n + 5.0 * noise_n
    return max(step.swings.amplitude_n, default=0.0) <= _BOUND * away + slip
