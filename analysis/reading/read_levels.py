"""Levels of a record, hang and pretension, each with its budget.

Comes in: a trace and its story. Goes out: :class:`Level`. Must not: find phases, or take
a level through the station to the piece (``features.py`` does).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np

from analysis.reading.filters import robust_sd, shorth
from analysis.reading.levels import STILL_S
from analysis.reading.pendulum_hang import pendulum_hang
from analysis.reading.phases import Hang, Story
from analysis.reading.stiffness import surely_sticking_n
from analysis.reading.trace import FloatArray, Trace
from analysis.reading.uncertainty import Budget, drifted_n

_LEAST_PERCENT: Final = 2.0
_GUST_S: Final = 6.0
_PULSE_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class Level:
    """What the station read over a stretch, its budget, and the seconds that gave it."""

    value_n: float
    budget: Budget
    part_s: float


@dataclass(frozen=True, eq=False)
class LevelReader:
    """Levels of one record.

    Parameters
    ----------
    trace : Trace
        The record.
    story : Story
        Its phases.
    """

    trace: Trace
    story: Story

    def span(self, start_s: float, end_s: float) -> slice:
        """Find the samples between two times."""
        a, b = np.searchsorted(self.trace.time_s, (start_s, end_s))
        return slice(int(a), int(b))

    @property
    def coarse(self) -> bool:
        """Whether noise is too small to average the rounding out, which else is part of it."""
        return self.story.noise_n < 0.5 * self.story.step_n

    @property
    def noise_n(self) -> float:
        """Standard deviation of a sample, never below that of rounding."""
        return max(self.story.noise_n, self.story.step_n / math.sqrt(12.0))

    def block_part(self, start_s: float, end_s: float) -> FloatArray:
        """Give the block means between two times, zero taken."""
        blocks = self.story.blocks
        part = blocks.mean_n[blocks.index(start_s + 1e-9) : blocks.index(end_s + 1e-9)]
        return part[np.isfinite(part)] - self.story.zero.zero_n

    def zero_u(self, at_s: float) -> float:
        """Give the standard uncertainty of the zero at a time.

        Without a slack stretch before the load the least level of the record is either a
        zero or a load; where the calibration does not bound it either, it may be all of it.
        """
        zero, after = self.story.zero, self.story.after_slack_s
        if zero.found:
            own = zero.u_n
        else:
            own = self.trace.chain.zero_u_n or abs(self.least_n) / math.sqrt(3.0)
        step = self.story.step_n / math.sqrt(12.0) if self.coarse else 0.0
        down_s = after[0] if after is not None else at_s
        return math.hypot(own, step, drifted_n(self.drift_n, at_s, zero.load_s, down_s))

    @cached_property
    def least_n(self) -> float:
        """Find the least level of the record: the zero if the rope was slack there, else a load."""
        mean = self.story.blocks.mean_n
        return float(np.percentile(mean[np.isfinite(mean)], _LEAST_PERCENT))

    @cached_property
    def drift_n(self) -> float | None:
        """Slack after minus slack before."""
        after = self.story.after_slack_s
        if after is None or not self.story.zero.found:
            return None
        guard = min(0.1, 0.25 * (after[1] - after[0]))
        part = self.story.force_n[self.span(after[0] + guard, after[1] - 0.05)]
        return float(shorth(part).mean()) if part.size >= 3 else None

    def parts(self, value_n: float, at_s: float) -> dict[str, float]:
        """Causes that every reading shares."""
        chain = self.trace.chain
        warmth = math.hypot(chain.temperature_rel_u * value_n, chain.temperature_u_n)
        return {
            **({"temperature": warmth} if warmth > 0 else {}),
            "calibration": chain.calibration_rel_u * abs(value_n),
            "zero": self.zero_u(at_s),
            "resolution": self.story.step_n / math.sqrt(12.0) if self.coarse else 0.0,
        }

    def level(self, part: FloatArray, moving_n: float, at_s: float) -> tuple[float, Budget]:
        """Give the mean of a part, and its budget at a time with what still moves."""
        value = float(part.mean())
        noise = max(self.story.noise_n, self.story.blocks.noise_n)
        budget = self.parts(value, at_s) | {
            "noise": noise / math.sqrt(part.size),
            "motion": moving_n,
        }
        return value, Budget(budget)

    def hang_level(self, hang: Hang) -> Level | None:
        """Robust mean over the still part, or over the last whole swings."""
        blocks = self.story.blocks
        means = self.block_part(hang.start_s, hang.end_s)
        if means.size < 3:
            return None
        if swinging := self.swinging_level(hang):
            return swinging
        few = 1.5 * hang.period_s < hang.end_s - hang.start_s < 2.5 * hang.period_s
        if not hang.still or few:
            return self.restless_level(hang, float(means.max() - means.min()))
        middle = shorth(means)
        centre = float(middle.mean())
        near = max(0.01 * abs(centre), 3.0 * robust_sd(middle), 3.0 * blocks.noise_n)
        part = means[np.abs(means - centre) <= near]
        halves = abs(float(part[: part.size // 2].mean() - part[part.size // 2 :].mean()))
        swing = max(float(part.max() - part.min()) - 4.0 * blocks.noise_n, 0.0)
        few_swings = part.size * blocks.width_s < 2.5 * max(hang.period_s, STILL_S)
        share = 1.0 / 6.0 if few_swings else 1.0 / 12.0
        motion = math.hypot(share * swing, halves / math.sqrt(12.0))
        motion = math.hypot(motion, self.wander(means, hang.period_s, gusts=True))
        value, budget = self.level(part, motion, hang.start_s)
        return Level(value, budget, part.size * blocks.width_s)

    def wander(self, means: FloatArray, period_s: float, *, gusts: bool = False) -> float:
        """Give the standard uncertainty from slow changes, which a crowded part hides.

        The level lies somewhere in the range that was seen. A still part shorter than a gust
        has not seen all of it, nor has a restless one shorter than a pendulum's pulse: the
        level may lie as far outside.
        """
        n = max(round(max(period_s, STILL_S) / self.story.blocks.width_s), 1)
        if means.size < n + 2:
            return 0.0
        slow = np.convolve(means, np.full(n, 1.0 / n), mode="valid")
        noise = 4.0 * self.story.blocks.noise_n / math.sqrt(n)
        seen = max(float(slow.max() - slow.min()) - noise, 0.0)
        whole = means.size * self.story.blocks.width_s >= (_GUST_S if gusts else _PULSE_S)
        return seen / math.sqrt(12.0 if whole else 3.0)

    def swinging_level(self, hang: Hang) -> Level | None:
        """Level of a pendulum, which pulls harder on the mean than it weighs."""
        rope, reads = self.trace.place.rope, self.trace.place.reads
        if rope is None or reads not in {"piece", "sling"}:
            return None
        part, swings = self.span(hang.start_s, hang.end_s), self.trace.place.method == "swing"
        most = math.inf if swings else surely_sticking_n(self.trace.chain.gain, rope)
        force_n = self.story.force_n[part]
        found = pendulum_hang(self.trace.time_s[part], force_n, rope, self.story.noise_n, most)
        if found is None:
            return None
        budget = self.parts(found.value_n, hang.start_s) | {"motion": found.u_n}
        return Level(found.value_n, Budget(budget), hang.end_s - hang.start_s)

    def restless_level(self, hang: Hang, swing_n: float) -> Level:
        """Mean over two whole swings, tapered so that swings cancel; plain over one."""
        part = self.story.force_n[self.span(hang.start_s, hang.end_s)]
        length = hang.end_s - hang.start_s
        if length > 1.5 * hang.period_s > 0 and part.size > 2:
            taper = np.hanning(part.size + 2)[1:-1]
            part = part * (taper / taper.mean())
        means = self.block_part(hang.start_s, hang.end_s)
        motion = math.hypot(swing_n / 6.0, self.wander(means, hang.period_s))
        value, budget = self.level(part, motion, hang.start_s)
        return Level(value, budget, length)

    def settled(self) -> Level | None:
        """Take the last settled level before the release."""
        release = self.story.release
        if release is None or release.settled is None:
            return None
        blocks, plateau = self.story.blocks, release.settled
        if release.kind == "gradual":
            part = self.block_part(plateau.start_s, plateau.end_s)
            value, budget = self.level(shorth(part), robust_sd(part), plateau.end_s)
            return Level(value, budget, plateau.duration_s)
        end = min(release.start_s, plateau.end_s) - blocks.width_s
        start = max(plateau.start_s, end - 0.8)
        part = self.block_part(start, end)
        if part.size < 3:
            return None
        calm = shorth(part)
        value, budget = self.level(calm, float(calm[-1] - calm[0]) / math.sqrt(3.0), end)
        return Level(value, budget, plateau.duration_s)
