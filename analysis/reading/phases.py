"""The phases of a lowering, from slack to slack.

Comes in: a trace. Goes out: a :class:`Story`: named stretches of time, the settled
levels, the release or catch, the hang. Must not: state quantities or uncertainties
(``features.py`` does).

The names: ``slack`` before (or in a fall), ``pretension`` (strokes, settled levels),
``hand_over`` (from the last settled level to the first extreme), ``catch`` (from slack to
the largest force), ``ring_down``, ``hang``, ``lowering``, ``touchdown``, ``after``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Final

import numpy as np

from analysis.reading.balance import find_balance
from analysis.reading.filters import (
    Blocks,
    block_means,
    moving_mean,
    noise_sd,
    runs,
    smallest_step,
)
from analysis.reading.hanging import HangSearch
from analysis.reading.levels import (
    Plateau,
    Zero,
    find_slack,
    find_zero,
    settle_on,
)
from analysis.reading.place import swing_s
from analysis.reading.release import (
    Release,
    from_first_bounce,
    from_running_rope,
    past_ramp,
    quiet_release,
    stuck_release,
    time_release,
)
from analysis.reading.steps import Step, choose, make_step, reached, real_levels
from analysis.reading.stretches import (
    Hang,
    Phase,
    PhaseName,
    hang_marks,
    on_the_way,
    release_marks,
)
from analysis.reading.swing_release import swing_release
from analysis.reading.trace import FloatArray, Trace, is_clipped
from analysis.reading.waiting import SLOW_S, Wait, find_wait, surely_hangs, unseen_release

__all__ = ["Hang", "Phase", "PhaseName", "Story", "tell"]

DROPS: Final = frozenset({"snubbed_drop", "let_run_drop"})
_BLOCK_S: Final = 0.05
_SMOOTH_S: Final = 0.01
_DOWN_S: Final = 1.0
_THROWN_S: Final = 2.0
_HANGS_S: Final = 5.0
_HANGS_SHARE: Final = 0.4
_SEEN_SHARE: Final = 0.8
"""After a bounce the piece hangs for so long, with so much of the usual load, mostly seen."""


@dataclass(frozen=True, slots=True, eq=False)
class Story:
    """What happened in a record.

    ``force_n`` has the zero taken; ``smooth_n`` is averaged over about 10 ms.
    """

    force_n: FloatArray
    smooth_n: FloatArray
    noise_n: float
    step_n: float
    blocks: Blocks
    zero: Zero
    plateaus: tuple[Plateau, ...]
    phases: tuple[Phase, ...]
    release: Release | None
    hang: Hang | None
    after_slack_s: tuple[float, float] | None

    @property
    def smooth_or_raw(self) -> FloatArray:
        """The force that shows the width of a peak: smoothed only when noise matters."""
        noisy = self.noise_n > 0.02 * self.zero.scale_n
        return self.smooth_n if noisy else self.force_n

    def phase_at(self, time_s: float) -> PhaseName | None:
        """Name of the phase that holds a time."""
        for phase in self.phases:
            if phase.start_s <= time_s < phase.end_s:
                return phase.name
        return self.phases[-1].name if self.phases else None


def tell(trace: Trace) -> Story:
    """Find what happened in a trace.

    Parameters
    ----------
    trace : Trace
        One lowering's window.

    Returns
    -------
    Story
        With empty phases and no hang when nothing was ever loaded.
    """
    noise = noise_sd(trace.force_n)
    step_n = trace.chain.resolution_n or smallest_step(trace.force_n)
    sample_noise = max(noise, step_n / math.sqrt(12.0))
    width = max(_BLOCK_S, 4.0 * trace.period_s)
    blocks = block_means(trace.time_s, trace.force_n, width, sample_noise)
    zero = find_zero(blocks)
    force = trace.force_n - zero.zero_n
    smooth_of = max(int(_SMOOTH_S * trace.rate_hz), 1)
    smooth = moving_mean(force, smooth_of)
    ceiling_n = float(force.max()) if is_clipped(trace) else math.inf
    smooth_noise = sample_noise / math.sqrt(smooth_of)
    hangs = HangSearch(trace, blocks, zero, smooth, smooth_noise, ceiling_n)
    reader = _Reader(trace, blocks, zero, smooth, smooth_noise, hangs)
    found = reader.read() if zero.scale_n > 0 else _Found((), (), None, None, None)
    return Story(
        force, smooth, noise, step_n, blocks, zero, found.plateaus, found.phases,
        found.release, found.hang, found.after_s,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Found:
    plateaus: tuple[Plateau, ...]
    phases: tuple[Phase, ...]
    release: Release | None
    hang: Hang | None
    after_s: tuple[float, float] | None


@dataclass(frozen=True, slots=True, eq=False)
class _Reader:
    trace: Trace
    blocks: Blocks
    zero: Zero
    smooth_n: FloatArray
    noise_n: float
    hangs: HangSearch

    @property
    def tensioned(self) -> bool:
        """Whether the piece may have been handed over from a pretension."""
        return self.trace.place.method not in DROPS

    @property
    def on_the_fall(self) -> bool:
        """Whether a stuck sheave may hide the ringing of a hand-over."""
        return self.trace.place.reads == "fall"

    @property
    def end_s(self) -> float:
        return float(self.trace.time_s[-1]) + self.trace.period_s

    def read(self) -> _Found:
        after = self.touchdown()
        load_end = after[0] if after is not None else self.end_s
        plateaus = tuple(p for p in self.hangs.plateaus() if p.start_s < load_end - 0.1)
        end = self.hangs.at(load_end)
        levels = real_levels(
            plateaus, self.zero.load_s, self.trace.time_s[:end], self.smooth_n[:end]
        )
        release, hang = self.release_and_hang(levels, load_end)
        hang = self.hangs.held_on(release, hang, load_end)
        phases = self.label(release, hang, load_end, after)
        return _Found(plateaus, phases, release, hang, after)

    def release_and_hang(
        self, levels: tuple[Plateau, ...], load_end: float
    ) -> tuple[Release | None, Hang | None]:
        wait = self.wait(load_end) if self.tensioned else None
        if wait is not None and wait.hands_over:
            release, hang = self.after_wait(wait.level, levels, load_end)
            return release, self.hangs.swung(release, hang, load_end)
        chosen = choose(self.steps(levels, load_end))
        release, hang = self.without_wait(chosen, levels, load_end)
        rang_s = chosen.left_s if chosen is not None and chosen.dies_down else math.inf
        if wait is None or rang_s < wait.level.start_s:
            return release, self.hangs.swung(release, hang, load_end)
        unseen, late = unseen_release(self.blocks, self.zero, wait.level)
        late = self.hangs.lies_on(late, load_end) or late
        if unseen.quiet or release is None or release.start_s > late.start_s:
            return past_ramp(self.trace.time_s, self.smooth_n, unseen), late
        return release, replace(late, period_s=hang.period_s if hang is not None else 0.0)

    def released(self, step: Step) -> Release:
        if step.stuck(hidden=self.on_the_fall):
            found = stuck_release(self.trace.time_s, self.smooth_n, step, self.noise_n)
        else:
            found = time_release(self.trace.time_s, self.smooth_n, step, self.zero, self.noise_n)
            found = from_first_bounce(found, self.zero, self.trace.gaps)
        if self.tensioned and found.kind != "catch":
            return past_ramp(self.trace.time_s, self.smooth_n, found)
        if found.kind == "rise" and found.settled is None:
            found = replace(found, kind="catch")
        return found if self.tensioned else from_running_rope(found, self.blocks, self.zero)

    def wait(self, load_end: float) -> Wait | None:
        """Find what the hand-over, or the lowering, ended."""
        chain = self.trace.chain
        turn = chain.gain_high / chain.gain_low if chain.gain_low and chain.gain_high else 1.0
        swings = self.trace.place.method == "swing"
        return find_wait(self.blocks, self.zero, turn=turn, swings=swings, end_s=load_end)

    def after_wait(
        self, level: Plateau, levels: tuple[Plateau, ...], load_end: float
    ) -> tuple[Release | None, Hang | None]:
        """Hand-over that ends a wait, and the hang after it."""
        place = self.trace.place
        if place.method == "swing" and place.rope is not None:
            swing, eta = swing_s(place), place.rope.efficiency
            found = swing_release(
                self.trace.time_s, self.smooth_n, level, swing_s=swing, scale_n=self.zero.scale_n,
                until_s=load_end, sticks=1.0 - eta**2 if self.on_the_fall else 0.0,
            )  # fmt: skip
            return found, self.hangs.calmest(found.after_first_s, 2.0 * swing, load_end)
        later = [p for p in levels if p.start_s > level.end_s - 0.1]
        step = self.step(level, reached(level, later), load_end)
        release = self.released(step)
        hang = self.hangs.after(step, release, load_end)
        if hang is not None and hang.still and release.quiet and release.lasts_s > SLOW_S:
            return release, surely_hangs(hang)
        return release, hang

    def without_wait(
        self, chosen: Step | None, levels: tuple[Plateau, ...], load_end: float
    ) -> tuple[Release | None, Hang | None]:
        """Hand-over or catch that no long wait comes before: what rings."""
        if chosen is None:
            return self.near_balance(load_end, swings=False) or self.without_ringing(levels)
        release = self.released(chosen)
        hang = self.hangs.after(chosen, release, load_end)
        if release.quiet or chosen.dies_down or (hang is not None and hang.still):
            return release, hang
        return self.near_balance(load_end, swings=True) or (release, hang)

    def near_balance(self, load_end: float, *, swings: bool) -> tuple[Release, Hang] | None:
        """Small transient between two calm levels, swinging if another release stands out."""
        found = find_balance(
            self.blocks,
            self.zero,
            self.trace.time_s,
            self.smooth_n,
            end_s=load_end,
            noise_n=self.noise_n,
        )
        if found is None or (swings and not found.swings):
            return None
        period = found.step.period * self.trace.period_s if found.swings else 0.0
        hang = Hang(found.hang.start_s, found.hang.end_s, still=True, period_s=period)
        if found.swings:
            return self.released(found.step), hang
        return quiet_release(found.before, self.zero.load_s, found.hang), hang

    def touchdown(self) -> tuple[float, float] | None:
        """Slack that follows the largest force for a second, or to the record's end."""
        top = self.blocks.time_s(int(np.nanargmax(self.blocks.mean_n)))
        found = find_slack(self.blocks, self.zero, top, _DOWN_S)
        while found is not None and self.thrown_up(found):
            found = find_slack(self.blocks, self.zero, found[1], _DOWN_S)
        if found is not None:
            return found
        tail = runs(self.blocks.mean_n - self.zero.zero_n < self.zero.slack_n)
        if tail and tail[-1][1] == self.blocks.mean_n.size:
            start, end = (self.blocks.time_s(i) for i in tail[-1])
            if end - start >= 0.2 and start > top:
                return start, end
        return None

    def thrown_up(self, slack_s: tuple[float, float]) -> bool:
        """Whether a caught piece only bounced: it is off the rope briefly, and hangs on it for long."""
        if self.tensioned or slack_s[1] - slack_s[0] > _THROWN_S:
            return False
        after = self.blocks.index(slack_s[1])
        mean = self.blocks.mean_n[after : after + round(_HANGS_S / self.blocks.width_s)]
        mean = mean[np.isfinite(mean)]
        if mean.size * self.blocks.width_s < _SEEN_SHARE * _HANGS_S:
            return False
        return bool(np.median(mean) - self.zero.zero_n > _HANGS_SHARE * self.zero.scale_n)

    def steps(self, levels: tuple[Plateau, ...], load_end: float) -> list[Step]:
        ends: list[Plateau | None] = [None, *levels, None]
        found = (self.step(before, after, load_end) for before, after in pairwise(ends))
        return [step for step in found if step.last - step.first >= 2]

    def step(self, before: Plateau | None, after: Plateau | None, load_end: float) -> Step:
        start = before.end_s - 0.1 if before is not None else self.zero.load_s
        end = after.start_s if after is not None else load_end
        return make_step(
            self.trace.time_s,
            self.smooth_n,
            (start, end),
            (before, after),
            slack_n=self.zero.slack_n,
            noise_n=self.noise_n,
        )

    def without_ringing(self, levels: tuple[Plateau, ...]) -> tuple[Release | None, Hang | None]:
        """Hand-over without a peak: the longest of the highest late levels is the hang."""
        if not levels:
            return None, None
        last = levels[-1].level_n
        group = [p for p in levels if 0.88 * last <= p.level_n <= 1.12 * last]
        top = max(p.level_n for p in group)
        longest = max((p for p in group if p.level_n > 0.97 * top), key=lambda p: p.duration_s)
        hang = settle_on(levels, levels.index(longest))
        before = [p for p in levels if p.end_s <= hang.start_s + 0.1 and not on_the_way(p, hang)]
        settled = before[-1] if before else None
        release = quiet_release(settled, self.zero.load_s, hang)
        return release, Hang(hang.start_s, hang.end_s, still=True, period_s=0.0)

    def label(
        self,
        release: Release | None,
        hang: Hang | None,
        load_end: float,
        after: tuple[float, float] | None,
    ) -> tuple[Phase, ...]:
        begin = float(self.trace.time_s[0])
        marks: list[tuple[PhaseName, float]] = []
        if self.zero.found:
            marks.append(("slack", begin))
        marks += release_marks(release, self.zero.load_s if self.zero.found else begin)
        if hang is not None:
            down = after is not None
            marks += hang_marks(
                self.trace.time_s, self.smooth_n, release, hang, load_end, down=down
            )
        elif release is not None:
            marks.append(("ring_down", release.after_first_s))
        if after is not None:
            if hang is None:
                marks.append(("touchdown", load_end))
            marks.append(("after", load_end))
        ends = [*(start for _, start in marks[1:]), self.end_s]
        return tuple(
            Phase(name, start, end)
            for (name, start), end in zip(marks, ends, strict=True)
            if end - start > 0.5 * self.trace.period_s
        )
