"""Steps between levels, and which of them handed the piece to the rope.

Comes in: smoothed forces with zero taken, plateaus. Goes out: :class:`Step`, one of them
chosen. Must not: label phases or time the release (``release.py`` does).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final

import numpy as np

from analysis.reading.filters import Swings, swings_about
from analysis.reading.levels import Plateau
from analysis.reading.trace import FloatArray

_HYSTERESIS_SHARE: Final = 0.012
_SAME_LEVEL: Final = 0.03
_SAME_OPEN_LEVEL: Final = 0.15
_EARLY_ENOUGH: Final = 0.2
_SWINGS_TO_FADE: Final = 2
_SWINGS_SEEN: Final = 8
_FADE: Final = 1.3
_CATCH_RISE_S: Final = 0.5
_BRAKE_S: Final = 2.5
_BRAKE_SHARE: Final = 0.93
_SLACK_BEFORE_CATCH_S: Final = 0.08
_LATER_SHARE: Final = 1.15
_LASTING_S: Final = 2.0
_KICK_S: Final = 0.15
_HELD_S: Final = 0.5
_PAUSE_S: Final = 1.5
_STAGES_S: Final = 2.6


@dataclass(frozen=True, slots=True, eq=False)
class Step:
    """What happens between two levels.

    ``before`` is None when the rope was slack (or the record began) before;
    ``after`` None when nothing settled later. ``first`` and ``last`` are samples.
    """

    first: int
    last: int
    before: Plateau | None
    after: Plateau | None
    level_n: float
    swings: Swings
    slack_until: int | None
    """Last slack sample before the largest force, None without such a stretch."""
    left: int = 0
    """Sample at which the reading first moves quickly."""
    left_s: float = 0.0
    """Its time."""
    left_n: float = 0.0
    """What it read just before that: creep and saw may have moved it since the level."""

    def stuck(self, *, hidden: bool) -> bool:
        """Whether it only steps from level to level; ``hidden``: a sheave that sticks hides ringing."""
        if self.before is None or self.after is None:
            return False
        return self.score_n == 0.0 or (hidden and self.after.duration_s >= _PAUSE_S)

    @property
    def alike(self) -> bool:
        """Whether the level before reads as the one after: the first swing is a real one."""
        return bool(self.swings.first) and self.swings.first[0] > 0

    @property
    def swung(self) -> int:
        """Number of swings after the level before was left."""
        return len(self.swings.first) - (not self.alike)

    @property
    def first_extreme(self) -> int:
        """Sample of the first extreme after the level before was left."""
        index = 0 if self.alike else 1
        return self.first + self.swings.peak[min(index, len(self.swings.peak) - 1)]

    @property
    def period(self) -> float:
        """Samples from swing to swing; 0 when nothing swings back."""
        first = np.array(self.swings.first[1:])
        if first.size >= 3:
            whole = first[2:] - first[:-2]
            sizes = np.array(self.swings.amplitude_n[1:])
            small = whole[np.maximum(sizes[:-2], sizes[1:-1]) < 0.9 * abs(self.level_n)]
            return float(np.median((small if small.size else whole)[:8]))
        return 2.0 * float(first[1] - first[0]) if first.size == 2 else 0.0

    @property
    def score_n(self) -> float:
        """Largest force that two swings in a row both reach: how strongly it rings."""
        sizes = self.swings.amplitude_n[1:]
        return max((min(pair) for pair in pairwise(sizes)), default=0.0)

    def dead_catch(self, highest_n: float) -> bool:
        """From slack over the weight and straight down to it, without ringing."""
        over = max(self.swings.amplitude_n[1:], default=0.0)
        from_slack = self.before is None or self.slack_until is not None
        return from_slack and self.level_n > 0.75 * highest_n and over > 0.1 * self.level_n

    @property
    def dies_down(self) -> bool:
        """Whether its swings fade, as a released piece's do and brake jerks do not."""
        sizes = self.swings.amplitude_n[1:-1][:_SWINGS_SEEN]
        half = len(sizes) // 2
        return half >= _SWINGS_TO_FADE and max(sizes[:half]) > _FADE * max(sizes[half:])

    @property
    def jerk(self) -> bool:
        """Same level before and after, or no fading: a brake jerk or a knock, no hand-over."""
        if self.before is None or self.slack_until is not None:
            return False
        change = abs(self.left_n - self.level_n)
        if self.after is None:
            high = 1.0 + _SAME_OPEN_LEVEL
            falls = self.swung >= 4 and high * self.level_n < self.left_n < 1.6 * self.level_n
            return change < _SAME_OPEN_LEVEL * self.before.last_n or not (self.dies_down or falls)
        largest = max(self.swings.amplitude_n, default=0.0)
        return change < _SAME_LEVEL * self.level_n and largest > 3.0 * change


def _slack_before_peak(
    force_n: FloatArray, first: int, last: int, slack_n: float, period_s: float
) -> int | None:
    part = force_n[first:last]
    if part.size == 0:
        return None
    peak = int(np.argmax(part))
    low = np.flatnonzero(part[:peak] < slack_n)
    if low.size * period_s < _SLACK_BEFORE_CATCH_S:
        return None
    return first + int(low[-1])


def real_levels(
    plateaus: tuple[Plateau, ...],
    load_s: float,
    time_s: FloatArray,
    force_n: FloatArray,
) -> tuple[Plateau, ...]:
    """Leave out the level of a rope running over a brake, which settles before the hang.

    Such a level comes straight from slack, is short, and stands well above what follows.

    Parameters
    ----------
    plateaus : tuple of Plateau
        All settled levels while loaded.
    load_s : float
        Time of the first load.
    time_s, force_n : (n,) float64
        Smoothed newtons, zero taken, up to the end of the load.
    """
    if not plateaus:
        return plateaus
    first = plateaus[0]
    later = force_n[int(np.searchsorted(time_s, first.end_s + 0.1)) :]
    if len(plateaus) > 1:
        later_n = plateaus[1].level_n
    else:
        later_n = float(np.median(later)) if later.size else first.level_n
    short = first.start_s - load_s < _CATCH_RISE_S and first.duration_s < _BRAKE_S
    if short and later_n < _BRAKE_SHARE * first.level_n:
        return plateaus[1:]
    return plateaus


def make_step(
    time_s: FloatArray,
    force_n: FloatArray,
    span_s: tuple[float, float],
    ends: tuple[Plateau | None, Plateau | None],
    *,
    slack_n: float,
    noise_n: float,
    hysteresis_share: float = _HYSTERESIS_SHARE,
) -> Step:
    """Describe what happens between two levels.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        Smoothed, zero taken.
    span_s : (float, float)
        From where to where.
    ends : pair of Plateau or None
        Level before, level after.
    slack_n, noise_n : float
        Below what the rope is slack; noise of a smoothed sample.
    hysteresis_share : float
        Smallest swing, as a share of the level after.

    Returns
    -------
    Step
    """
    before, after = ends
    first, last = (int(i) for i in np.searchsorted(time_s, span_s))
    part = force_n[first:last]
    middle = float(np.median(part)) if part.size else 0.0
    level = after.first_n if after is not None else middle
    swings = swings_about(part, level, max(hysteresis_share * abs(level), 6.0 * noise_n))
    period = float(time_s[1] - time_s[0])
    slack = _slack_before_peak(force_n, first, last, slack_n, period)
    kick = _kick(part, level, noise_n, period)
    held = before.last_n if before is not None else 0.0
    if kick * period > 2.0 * _KICK_S:
        held = float(np.median(part[max(kick - round(_HELD_S / period), 0) : kick]))
    at_s = float(time_s[min(first + kick, time_s.size - 1)])
    return Step(first, last, before, after, level, swings, slack, first + kick, at_s, held)


def _kick(part: FloatArray, level_n: float, noise_n: float, period_s: float) -> int:
    """First sample from which the reading moves quickly; of a slow change a quarter on."""
    few = max(round(_KICK_S / period_s), 1)
    if part.size <= 2 * few:
        return 0
    moved = np.abs(part[few:] - part[:-few])
    least = max(0.1 * float(moved.max()), 0.02 * abs(level_n), 8.0 * noise_n)
    quick = np.flatnonzero(moved >= least)
    if quick.size:
        return int(quick[0])
    begin = float(np.median(part[:few]))
    far = np.abs(part - begin) > 0.25 * abs(level_n - begin)
    return int(np.argmax(far)) if far.any() else 0


def _rises_later(step: Step, steps: list[Step]) -> bool:
    """Whether a lasting level well above the one after it comes later: not the hang yet."""
    if step.after is None:
        return False
    later = [s.after for s in steps if s.after is not None and s.after.start_s > step.after.end_s]
    limit = _LATER_SHARE * step.after.level_n
    return any(p.duration_s > _LASTING_S and p.level_n > limit for p in later)


def reached(before: Plateau, later: list[Plateau]) -> Plateau | None:
    """Level that follows a wait: the first, or that to which the hinge goes on cracking."""
    found: Plateau | None = None
    for index, level in enumerate(later):
        if found is not None and not _goes_on(before, found, level, later[index:]):
            break
        found = level
    return found


def _goes_on(before: Plateau, found: Plateau, level: Plateau, later: list[Plateau]) -> bool:
    """Whether a short level was but a stage on the way to the next or to a lasting one."""
    if found.duration_s >= _PAUSE_S:
        return False
    up = 1.0 if found.level_n > before.last_n else -1.0
    soon = level.start_s - found.end_s < _STAGES_S
    clear = up * (level.level_n - found.level_n) > _SAME_LEVEL * found.level_n
    lasting = (p.level_n for p in later if p.duration_s > _LASTING_S)
    far = any(up * (n - found.level_n) > (_LATER_SHARE - 1.0) * found.level_n for n in lasting)
    return (soon and clear) or (up > 0.0 and far)


def choose(steps: list[Step]) -> Step | None:
    """Pick the step that handed the piece over: the first that rings strongly.

    Notes
    -----
    Winch strokes overshoot once and brake jerks return to the level they came from; a
    released piece rings about its weight and settles there; what never settles is looked
    at last. None when nothing rings: a gradual hand-over.
    """
    ringing = [step for step in steps if step.score_n > 0.0 and not step.jerk]
    ringing = [step for step in ringing if not _rises_later(step, steps)] or ringing
    ringing = [step for step in ringing if step.after is not None] or ringing
    if ringing:
        strongest = max(step.score_n for step in ringing)
        return next(step for step in ringing if step.score_n >= _EARLY_ENOUGH * strongest)
    highest = max((step.level_n for step in steps), default=0.0)
    return next((step for step in steps if step.dead_catch(highest)), None)
