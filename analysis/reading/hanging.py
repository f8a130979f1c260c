"""The hang: from when to when a piece that was handed over hangs on the held rope.

Comes in: a trace with its zero, a release. Goes out: a :class:`Hang`. Must not: choose the
release (``phases.py`` does) or state quantities.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from analysis.reading.filters import Blocks, window_range
from analysis.reading.levels import STILL_S, Plateau, Zero, find_plateaus, settle_on
from analysis.reading.place import can_follow, swing_s
from analysis.reading.release import Release
from analysis.reading.sliding import lies_until
from analysis.reading.steps import Step
from analysis.reading.stirring import stirred_s
from analysis.reading.stretches import SHORT_HANG_S, Hang, Tells
from analysis.reading.taking_in import ends_in_a_rise
from analysis.reading.trace import FloatArray, Trace

if TYPE_CHECKING:
    from analysis.reading.following import FreeSwing

_CALM_SHARE: Final = 0.025
_SHORTEST_HANG_S: Final = 0.6
_SETTLES_S: Final = (0.2, 1.2)
_WANDERS_S: Final = 0.6
_WILD_SHARE: Final = 1.0
_LOOK_S: Final = 3.0
_FAR_SHARE: Final = 0.1
_LATE_S: Final = 3.0
_AGREED: Final = 1.7
_SURELY: Final = 3.0
_STILL_SUPPORT: Final = 5.0
"""A still hang at the piece, or one that nothing ends, outlasts an end with less for it."""
_UNSUPPORTED: Final = 1.0
_TELLS: Final = 2.5
_MOST_TAKEN: Final = 3
_UNTOLD: Final = 2.0
"""Own choice: an end with less support than that may be a gust's, its weight half as sure."""


@dataclass(frozen=True, slots=True, eq=False)
class HangSearch:
    """Where the piece hangs in one record.

    Parameters
    ----------
    trace : Trace
        The record.
    blocks : Blocks
        Its block means, zero not taken.
    zero : Zero
        Its zero.
    smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    noise_n : float
        Noise of a smoothed sample.
    ceiling_n : float
        The converter's limit; inf when nothing was clipped.
    """

    trace: Trace
    blocks: Blocks
    zero: Zero
    smooth_n: FloatArray
    noise_n: float
    ceiling_n: float

    def plateaus(self, still_s: float = STILL_S) -> tuple[Plateau, ...]:
        """Find still levels; what stands at the converter's limit is no level."""
        below = self.ceiling_n - 0.003 * self.zero.scale_n
        found = find_plateaus(self.blocks, self.zero, still_s=still_s)
        return tuple(p for p in found if p.level_n < below)

    def at(self, time_s: float) -> int:
        """Give the sample at a time."""
        return int(np.searchsorted(self.trace.time_s, time_s))

    def after(self, step: Step, release: Release, load_end: float) -> Hang | None:
        """Find the first level after a hand-over that stays still for longer than a swing takes."""
        level = step.after.level_n if step.after is not None else step.level_n
        return self.settled(
            release.after_first_s, load_end, step.period * self.trace.period_s, level
        )

    def settled(self, from_s: float, load_end: float, period: float, level_n: float) -> Hang | None:
        """Find the first level from a time on that stays still for longer than a swing takes."""
        still = max(STILL_S, 1.2 * period)
        stirred = self.stirred(from_s, load_end, period, level_n)
        until = load_end if stirred is None else stirred
        levels = tuple(p for p in self.plateaus(still) if p.start_s < until - _SHORTEST_HANG_S)
        for index, plateau in enumerate(levels):
            inside = from_s - 0.15 <= plateau.start_s < load_end - 0.1
            if inside and plateau.level_n > 0.3 * self.zero.scale_n:
                level = settle_on(levels, index)
                end = min(level.end_s, until)
                wanders = stirred is not None and stirred - end > _WANDERS_S
                end = end if stirred is None else stirred
                return Hang(level.start_s, end, not wanders, period, stirred is not None)
        calm = self.calmest(from_s, period, until)
        return calm and replace(calm, end_seen=stirred is not None)

    def swung(self, release: Release | None, hang: Hang | None, load_end: float) -> Hang | None:
        """Take the end of a free motion that was followed for the end of the hang."""
        place = self.trace.place
        planned = place.method == "swing"
        if release is None or not can_follow(place):
            return self.lies_on(hang, load_end)
        in_a_span = place.in_a_span
        settles = 0.0 if release.kind == "catch" else _SETTLES_S[in_a_span]
        from_s = max(release.after_first_s, release.start_s + settles)
        far = self.swings_far(from_s, load_end)
        if not (planned or far or in_a_span):
            return hang
        # the fits are compiled (0.7 s to load): only for what swings, or slides along a rope
        from analysis.reading.following import good_residual  # noqa: PLC0415
        from analysis.reading.swinging import follow_swing  # noqa: PLC0415

        free = follow_swing(
            self.trace,
            self.smooth_n,
            from_s=from_s,
            until_s=load_end,
            ceiling_n=self.ceiling_n - 0.003 * self.zero.scale_n,
        )
        least = good_residual(place) * (_AGREED if free is not None and free.agreed else 1.0)
        lies_still = hang is not None and hang.still
        trusted = free is not None and (
            planned
            or (free.residual < least and (free.agreed or free.support > _UNSUPPORTED))
            or (free.support > _SURELY and not lies_still and not in_a_span)
        )
        if free is None or not (free.known and trusted) or free.end_s is None:
            late = hang is not None and hang.start_s - release.start_s > _LATE_S
            doubted = planned or (in_a_span and late)
            hang = self.lies_on(hang, load_end)
            return replace(hang, end_seen=False) if hang is not None and doubted else hang
        end, told = free.end_s, self.told(free)
        early = hang is not None and hang.start_s < end - _SHORTEST_HANG_S
        if hang is not None and hang.still and free.support < _STILL_SUPPORT:
            outlasts = early and place.reads == "piece" and end < hang.end_s - _WANDERS_S
            if outlasts or not (early or hang.end_seen):
                return hang
        if hang is not None and early and (hang.still or not planned):
            still = hang.still and end - hang.end_s < _WANDERS_S
            return replace(hang, end_s=end, still=still, end_seen=True, told=told)
        still = not planned and not far
        period = 0.0 if still else 2.0 * swing_s(place)
        return Hang(from_s, end, still=still, period_s=period, told=told)

    def held_on(self, release: Release | None, hang: Hang | None, load_end: float) -> Hang | None:
        """Find where the lowering starts after rope was taken in: that pulls the reading up first.

        In a span rig letting out does so too at B's end, and at the piece where it slides.
        """
        if release is None or hang is None or self.trace.place.in_a_span:
            return hang
        best = last = hang
        for _ in range(_MOST_TAKEN):
            rise = ends_in_a_rise(self.trace.time_s, self.smooth_n, last, load_end, self.noise_n)
            if rise is None:
                break
            again = self.settled(rise.top_s, load_end, last.period_s, rise.from_n)
            again = self.swung(replace(release, after_first_s=rise.top_s), again, load_end)
            if again is None or again.end_s <= rise.top_s + _SHORTEST_HANG_S:
                break
            last, best = again, _longer(best, again)
        return replace(best, lowered_s=last.end_s) if last is not hang else hang

    def told(self, free: FreeSwing) -> Tells | None:
        """Take what the motion tells; an end that nothing speaks for may be a gust's.

        A tight tag line pulls on the piece: no motion tells its weight.
        """
        tells = free.tells
        if self.trace.tag_line_tight or not math.isfinite(tells.weight.rel_u):
            return None
        doubt = 1.0 if free.support > _TELLS else _UNTOLD
        told = (tells.weight, tells.ea, tells.efficiency)
        return Tells(*(replace(one, rel_u=doubt * one.rel_u) for one in told))

    def lies_on(self, hang: Hang | None, load_end: float) -> Hang | None:
        """Carry a hang in a span on over the jumps of a piece that slides along its rope."""
        place = self.trace.place
        if hang is None or not place.in_a_span or place.reads == "piece":
            return hang
        end = lies_until(self.blocks, self.zero, hang.end_s, load_end)
        return replace(hang, end_s=end, still=False) if end > hang.end_s else hang

    def swings_far(self, from_s: float, until_s: float) -> bool:
        """Whether the force swings by so much that a start of a lowering could hide in it."""
        first, last = self.at(from_s), self.at(min(from_s + _LOOK_S, until_s))
        part = self.smooth_n[first:last]
        return part.size > 0 and bool(np.ptp(part) > 2.0 * _FAR_SHARE * np.median(part))

    def stirred(
        self, from_s: float, load_end: float, period_s: float, level_n: float
    ) -> float | None:
        """When the fading swings grow again; None when they do not, or too soon to be it."""
        first, last = self.at(from_s), self.at(load_end)
        first += self.settling(first, last, level_n, period_s)
        found = stirred_s(
            self.trace.time_s[first:last],
            self.smooth_n[first:last],
            level_n=level_n,
            period_s=period_s,
            noise_n=self.noise_n,
        )
        if found is None or found - from_s < _SHORTEST_HANG_S + period_s:
            return None
        return found

    def settling(self, first: int, last: int, level_n: float, period_s: float) -> int:
        """Count the samples until the swings stay smaller than the level itself for a while."""
        far = np.flatnonzero(np.abs(self.smooth_n[first:last] - level_n) > _WILD_SHARE * level_n)
        held = max(round(max(1.5 * period_s, 1.0) / self.trace.period_s), 1)
        if far.size == 0 or far[0] > held:
            return 0
        ends = np.flatnonzero(np.diff([*far.tolist(), last - first + held]) > held)
        return int(far[ends[0]]) + 1 + held

    def calmest(self, from_s: float, period: float, load_end: float) -> Hang | None:
        """Take the calmest two swings (or one), when nothing stays still for long enough."""
        width = self.blocks.width_s
        mean = self.blocks.mean_n - self.zero.zero_n
        first = self.blocks.index(from_s) + 1
        part = mean[first : self.blocks.index(load_end)]
        for swings in (2.0, 1.0):
            length = max(swings * period, 0.3)
            span, middle = window_range(part, round(length / width))
            span = np.where(middle > 0.3 * self.zero.scale_n, span, np.inf)
            if span.size and np.isfinite(span.min()):
                best = int(np.argmin(span))
                start = self.blocks.time_s(first + best)
                still = bool(span[best] < _CALM_SHARE * middle[best] + 6.0 * self.blocks.noise_n)
                return Hang(start, start + length, still=still, period_s=period)
        return None


def _longer(one: Hang, later: Hang) -> Hang:
    """Give the first hang, or a longer later one where the first was too short to tell much."""
    short = one.end_s - one.start_s < SHORT_HANG_S
    return later if short and later.end_s - later.start_s > one.end_s - one.start_s else one
