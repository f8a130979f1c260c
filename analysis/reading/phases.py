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
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from analysis.reading.filters import (
    Blocks,
    block_means,
    moving_mean,
    noise_sd,
    runs,
    smallest_step,
)
from analysis.reading.levels import STILL_S, Plateau, Zero, find_plateaus, find_slack, find_zero
from analysis.reading.release import Step, choose, make_step, real_levels
from analysis.reading.trace import FloatArray, Trace

PhaseName = Literal[
    "slack",
    "pretension",
    "hand_over",
    "catch",
    "ring_down",
    "hang",
    "lowering",
    "touchdown",
    "after",
]
ReleaseKind = Literal["rise", "drop", "gradual", "staged", "catch", "none"]

_BLOCK_S: Final = 0.05
_SMOOTH_S: Final = 0.01
_DOWN_S: Final = 1.0
_LONGEST_CATCH_S: Final = 1.5
_SWINGS_OF_RELEASE: Final = 7


@dataclass(frozen=True, slots=True)
class Phase:
    """A named stretch of the record."""

    name: PhaseName
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Hang:
    """Where the piece hangs: stretch, whether it is still, period of what is left."""

    start_s: float
    end_s: float
    still: bool
    period_s: float


@dataclass(frozen=True, slots=True)
class ReleaseTimes:
    """When the piece came onto the rope.

    ``start_s`` is where the reading leaves the last settled level (or slack), ``first_s``
    the first extreme, ``end_s`` the end of the swings among which the release peak is
    sought.
    """

    kind: ReleaseKind
    start_s: float
    first_s: float
    end_s: float
    slack_from_s: float | None
    settled: Plateau | None


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
    release: ReleaseTimes | None
    hang: Hang | None
    after_slack_s: tuple[float, float] | None
    strokes: int

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
    reader = _Reader(trace, blocks, zero, smooth, sample_noise / math.sqrt(smooth_of))
    found = reader.read() if zero.scale_n > 0 else _Found((), (), None, None, None, 0)
    return Story(
        force,
        smooth,
        noise,
        step_n,
        blocks,
        zero,
        found.plateaus,
        found.phases,
        found.release,
        found.hang,
        found.after_s,
        found.strokes,
    )


@dataclass(frozen=True, slots=True)
class _Found:
    plateaus: tuple[Plateau, ...]
    phases: tuple[Phase, ...]
    release: ReleaseTimes | None
    hang: Hang | None
    after_s: tuple[float, float] | None
    strokes: int


@dataclass(frozen=True, slots=True, eq=False)
class _Reader:
    trace: Trace
    blocks: Blocks
    zero: Zero
    smooth_n: FloatArray
    noise_n: float

    @property
    def end_s(self) -> float:
        return float(self.trace.time_s[-1]) + self.trace.period_s

    def at(self, time_s: float) -> int:
        return int(np.searchsorted(self.trace.time_s, time_s))

    def read(self) -> _Found:
        after = self.touchdown()
        load_end = after[0] if after is not None else self.end_s
        plateaus = tuple(
            p for p in find_plateaus(self.blocks, self.zero) if p.start_s < load_end - 0.1
        )
        levels = real_levels(plateaus, self.zero.load_s)
        chosen = choose(self.steps(levels, load_end))
        if chosen is None:
            release, hang = self.without_ringing(levels)
        else:
            release = self.release_of(chosen)
            hang = self.hang_after(chosen, release, load_end)
        phases = self.label(release, hang, load_end, after)
        return _Found(plateaus, phases, release, hang, after, self.strokes(release))

    def touchdown(self) -> tuple[float, float] | None:
        """Slack that follows the largest force for a second, or to the record's end."""
        top = self.blocks.time_s(int(np.nanargmax(self.blocks.mean_n)))
        found = find_slack(self.blocks, self.zero, top, _DOWN_S)
        if found is not None:
            return found
        tail = runs(self.blocks.mean_n - self.zero.zero_n < self.zero.slack_n)
        if tail and tail[-1][1] == self.blocks.mean_n.size:
            start, end = (self.blocks.time_s(i) for i in tail[-1])
            if end - start >= 0.2 and start > top:
                return start, end
        return None

    def steps(self, levels: tuple[Plateau, ...], load_end: float) -> list[Step]:
        ends: list[Plateau | None] = [None, *levels, None]
        out = []
        for before, after in pairwise(ends):
            start = before.end_s - 0.1 if before is not None else self.zero.load_s
            end = after.start_s if after is not None else load_end
            if end - start < 2.0 * self.trace.period_s:
                continue
            out.append(
                make_step(
                    self.trace.time_s,
                    self.smooth_n,
                    (start, end),
                    (before, after),
                    slack_n=self.zero.slack_n,
                    noise_n=self.noise_n,
                )
            )
        return out

    def without_ringing(
        self, levels: tuple[Plateau, ...]
    ) -> tuple[ReleaseTimes | None, Hang | None]:
        """Gradual hand-over: the longest of the last levels is the hang."""
        if not levels:
            return None, None
        last = levels[-1].level_n
        group = [p for p in levels if 0.9 * last <= p.level_n <= 1.12 * last]
        hang = max(group, key=lambda p: p.duration_s)
        before = [p for p in levels if p.end_s <= hang.start_s]
        settled = before[-1] if before else None
        start = settled.end_s if settled is not None else self.zero.load_s
        release = ReleaseTimes("gradual", start, hang.start_s, hang.start_s, None, settled)
        return release, Hang(hang.start_s, hang.end_s, still=True, period_s=0.0)

    def release_of(self, step: Step) -> ReleaseTimes:
        time = self.trace.time_s
        swings = step.swings
        top = min(_SWINGS_OF_RELEASE, len(swings.first) - 1)
        end = step.last if top + 1 >= len(swings.first) else step.first + swings.first[top + 1]
        if step.slack_until is not None or self.from_slack(step):
            return self.catch_of(step, end)
        first = step.first + swings.peak[min(1, len(swings.peak) - 1)]
        start, settled = self.foot(step, first)
        low = settled.last_n if settled is not None else float(self.smooth_n[start])
        kind: ReleaseKind = "drop" if low > step.level_n else "rise"
        if kind == "rise" and self.staged(start, first):
            kind = "staged"
        return ReleaseTimes(
            kind,
            float(time[start]),
            float(time[first]),
            float(time[min(end, time.size - 1)]),
            None,
            settled,
        )

    def from_slack(self, step: Step) -> bool:
        if step.before is not None or not self.zero.found:
            return False
        first = step.first + step.swings.peak[min(1, len(step.swings.peak) - 1)]
        return float(self.trace.time_s[first]) - self.zero.load_s < _LONGEST_CATCH_S

    def catch_of(self, step: Step, end: int) -> ReleaseTimes:
        time = self.trace.time_s
        start = step.first if step.slack_until is None else step.slack_until + 1
        end = min(max(end, start + 1), time.size - 1)
        if end <= start + 1:
            end = min(step.last, time.size - 1)
        peak = start + int(np.argmax(self.smooth_n[start:end]))
        slack_from = None
        if step.slack_until is not None:
            low = np.flatnonzero(self.smooth_n[step.first : start] < self.zero.slack_n)
            slack_from = float(time[step.first + int(low[0])])
        return ReleaseTimes(
            "catch",
            float(time[start]),
            float(time[peak]),
            float(time[end]),
            slack_from,
            step.before,
        )

    def foot(self, step: Step, first: int) -> tuple[int, Plateau | None]:
        """Where the reading leaves the level before; the foot of the slope without one."""
        part = self.smooth_n[step.first : first]
        if step.before is not None:
            level = step.before.last_n
            near = max(0.15 * abs(level - step.level_n), 5.0 * self.noise_n, 0.005 * abs(level))
            inside = np.flatnonzero(np.abs(part - level) <= near)
            return step.first + (int(inside[-1]) if inside.size else 0), step.before
        few = max(int(0.05 * self.trace.rate_hz), 1)
        slope = np.abs(part[few:] - part[:-few])
        if slope.size == 0:
            return step.first, None
        flat = np.flatnonzero(slope[: max(int(np.argmax(slope)), 1)] < 0.1 * slope.max())
        return step.first + (int(flat[-1]) + few // 2 if flat.size else 0), None

    def staged(self, start: int, first: int) -> bool:
        """Whether the rise pauses on its way: the hinge cracked in steps."""
        part = self.smooth_n[start:first]
        few = max(int(0.02 * self.trace.rate_hz), 1)
        if part.size < 8 * few:
            return False
        slope = part[few:] - part[:-few]
        fast = slope > 0.3 * slope.max()
        bursts = runs(fast)
        least = 0.12 * (part[-1] - part[0])
        rises = [b for b in bursts if part[min(b[1] + few, part.size) - 1] - part[b[0]] > least]
        return len(rises) >= 2

    def hang_after(self, step: Step, release: ReleaseTimes, load_end: float) -> Hang | None:
        """Find the first level that stays still for longer than a swing takes."""
        period = self.period_of(step)
        still = max(STILL_S, 1.2 * period)
        for plateau in find_plateaus(self.blocks, self.zero, still_s=still):
            inside = release.first_s <= plateau.start_s < load_end - 0.1
            if inside and plateau.level_n > 0.3 * self.zero.scale_n:
                return Hang(
                    plateau.start_s, min(plateau.end_s, load_end), still=True, period_s=period
                )
        return self.restless(release, period, load_end)

    def period_of(self, step: Step) -> float:
        first = np.array(step.swings.first[1 : 2 + _SWINGS_OF_RELEASE])
        if first.size >= 3:
            return float(np.median(first[2:] - first[:-2])) * self.trace.period_s
        return 2.0 * float(first[1] - first[0]) * self.trace.period_s if first.size == 2 else 0.0

    def restless(self, release: ReleaseTimes, period: float, load_end: float) -> Hang | None:
        """Take the last whole swings before the load ends, when nothing stays still."""
        end = load_end
        floor = 0.7 * self.zero.scale_n
        loaded = self.smooth_n[: self.at(load_end)] > floor
        if load_end < self.end_s and np.any(loaded):
            end = float(self.trace.time_s[np.flatnonzero(loaded)[-1]]) - 0.05
        room = end - release.first_s
        length = period if period > 0 else min(1.0, room)
        if room <= 0 or length <= 0:
            return None
        cycles = min(int(room / length), 3)
        if cycles == 0:
            return None
        return Hang(end - cycles * length, end, still=False, period_s=period)

    def strokes(self, release: ReleaseTimes | None) -> int:
        """Count the steep rises of the pretension."""
        if release is None or (release.kind == "catch" and release.settled is None):
            return 0
        a, b = self.blocks.index(self.zero.load_s), self.blocks.index(release.start_s)
        part = self.blocks.mean_n[max(a - 2, 0) : b]
        if part.size < 3:
            return 0
        steep = np.diff(part) > max(6.0 * self.blocks.noise_n, 0.008 * self.zero.scale_n)
        rises = runs(steep)
        apart = [i for i in range(1, len(rises)) if rises[i][0] - rises[i - 1][1] >= 3]
        return len(apart) + 1 if rises else 0

    def label(
        self,
        release: ReleaseTimes | None,
        hang: Hang | None,
        load_end: float,
        after: tuple[float, float] | None,
    ) -> tuple[Phase, ...]:
        begin = float(self.trace.time_s[0])
        marks: list[tuple[PhaseName, float]] = []
        if self.zero.found:
            marks.append(("slack", begin))
        marks += _release_marks(release, self.zero.load_s if self.zero.found else begin)
        if hang is not None:
            marks += self._hang_marks(release, hang, load_end, down=after is not None)
        elif release is not None:
            marks.append(("ring_down", release.first_s))
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

    def _hang_marks(
        self, release: ReleaseTimes | None, hang: Hang, load_end: float, *, down: bool
    ) -> list[tuple[PhaseName, float]]:
        marks: list[tuple[PhaseName, float]] = []
        if release is not None and release.kind != "gradual":
            marks.append(("ring_down", min(release.first_s, hang.start_s)))
        marks.append(("hang", hang.start_s))
        touch = load_end
        if down:
            a, b = self.at(hang.start_s), self.at(load_end)
            weight = float(np.median(self.smooth_n[a : self.at(hang.end_s)]))
            high = np.flatnonzero(self.smooth_n[a:b] > 0.7 * weight)
            touch = float(self.trace.time_s[a + int(high[-1])]) if high.size else load_end
        if touch - hang.end_s > 0.1 or (not down and self.end_s - hang.end_s > 0.2):
            marks.append(("lowering", hang.end_s))
        if down:
            marks.append(("touchdown", max(touch, hang.end_s)))
        return marks


def _release_marks(release: ReleaseTimes | None, load_s: float) -> list[tuple[PhaseName, float]]:
    if release is None:
        return [("pretension", load_s)]
    marks: list[tuple[PhaseName, float]] = []
    if release.kind == "catch":
        if release.slack_from_s is not None and release.slack_from_s > load_s + 0.1:
            marks.append(("pretension", load_s))
            if release.settled is not None:
                marks.append(("hand_over", release.settled.end_s))
            marks.append(("slack", release.slack_from_s))
        marks.append(("catch", max(release.start_s, load_s)))
        return marks
    if release.start_s > load_s:
        marks.append(("pretension", load_s))
    if release.first_s > release.start_s:
        marks.append(("hand_over", max(release.start_s, load_s)))
    return marks
