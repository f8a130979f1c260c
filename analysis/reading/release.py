"""The release or catch in time: kind, start, first extreme, settled level before it.

Comes in: the chosen step between two levels. Goes out: one :class:`Release`. Must not:
state a peak (``features.py`` does, from the unsmoothed record).

Kinds
-----
``rise``: from a share below 1, or from slack without a fall. ``drop``: from a share above
1, the reading falls. ``staged``: a rise with a pause in it. ``gradual``: no peak at all.
``catch``: the piece fell before the rope took it. ``none``: nothing of the kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from analysis.reading.filters import Blocks, moving_mean, runs
from analysis.reading.levels import Plateau, Zero
from analysis.reading.steps import Step
from analysis.reading.trace import FloatArray, Gap
from logger.units import STANDARD_GRAVITY_M_PER_S2

ReleaseKind = Literal["rise", "drop", "gradual", "staged", "catch", "none"]

_LONGEST_CATCH_S: Final = 1.5
_SWINGS_OF_RELEASE: Final = 7
_RELEASE_FROM_SLACK: Final = 2.05
_FALL_M_PER_S: Final = 1.0
_ABRUPT_S: Final = 0.2
_FALLS: Final = 1.03
_FOOT_S: Final = 0.05
_STAGE_S: Final = 0.02
_CLEAR_SHARE: Final = 0.05
_SLOW_S: Final = 1.5
_JUMPS: Final = 1.05
_JUMP_S: Final = 1.5
_CLEAR_OF_NOISE: Final = 10.0
_RAMP_S: Final = 0.1
_RAMP_SPEED: Final = 0.4
_RAMP_LASTS_S: Final = 0.25
_BOUNCE_S: Final = 1.5
_RUNS_S: Final = 2.0
_RUNS_SHARE: Final = 0.015
_LIGHT_SHARE: Final = 0.15


@dataclass(frozen=True, slots=True)
class Release:
    """When and how the piece came onto the rope.

    Parameters
    ----------
    kind : str
        See the module.
    start_s : float
        Where the reading leaves the last settled level, or slack.
    first_s : float
        First extreme; for a catch its largest force.
    after_first_s : float
        Shortly after it: the ring-down begins.
    end_s : float
        End of the swings among which the release peak is sought.
    slack_from_s : float or None
        Where the rope went slack before a catch.
    settled : Plateau or None
        The last settled level before.
    quiet : bool
        It was told by a step between two levels, without ringing.
    """

    kind: ReleaseKind
    start_s: float
    first_s: float
    after_first_s: float
    end_s: float
    slack_from_s: float | None
    settled: Plateau | None
    quiet: bool = False

    @property
    def lasts_s(self) -> float:
        """How long the reading takes to its first extreme."""
        return self.first_s - self.start_s


def quiet_release(settled: Plateau | None, load_s: float, hang: Plateau) -> Release:
    """Hand-over without ringing, from the last settled level to the hang.

    Rising it is ``gradual``; falling it is a ``drop``, however damped.
    """
    start = min(settled.end_s if settled is not None else load_s, hang.start_s)
    falls = settled is not None and settled.last_n > _FALLS * hang.level_n
    kind: ReleaseKind = "drop" if falls else "gradual"
    end = hang.end_s if falls else hang.start_s
    return Release(kind, start, hang.start_s, hang.start_s, end, None, settled)


def time_release(
    time_s: FloatArray, smooth_n: FloatArray, step: Step, zero: Zero, noise_n: float
) -> Release:
    """Time the release within the chosen step.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    step : Step
        The chosen step.
    zero : Zero
        The record's zero.
    noise_n : float
        Noise of a smoothed sample.

    Returns
    -------
    Release
    """
    top = min(_SWINGS_OF_RELEASE, len(step.swings.first) - 1)
    end = (
        step.last if top + 1 >= len(step.swings.first) else step.first + step.swings.first[top + 1]
    )
    end = min(end, time_s.size - 1)
    if step.slack_until is not None and step.before is not None and not _jumps(step, time_s):
        return _from_slack(time_s, smooth_n, step, end, zero)
    quick = float(time_s[step.first_extreme]) - zero.load_s < _LONGEST_CATCH_S
    if step.before is None and zero.found and (quick or step.slack_until is not None):
        return _from_slack(time_s, smooth_n, step, end, zero)
    return _from_level(time_s, smooth_n, step, end, noise_n)


def _jumps(step: Step, time_s: FloatArray) -> bool:
    """Whether the piece only jumped: more than its weight before, and soon back on the rope."""
    assert step.before is not None  # noqa: S101 - the caller has looked
    back_s = float(time_s[min(step.slack_until or 0, time_s.size - 1)])
    return step.before.last_n > _JUMPS * step.level_n and back_s - step.before.end_s < _JUMP_S


def _from_level(
    time_s: FloatArray, smooth_n: FloatArray, step: Step, end: int, noise_n: float
) -> Release:
    first = step.first_extreme
    part = smooth_n[step.first : first]
    start = step.first + _leaving(part, step, noise_n, time_s)
    low = step.before.last_n if step.before is not None else float(smooth_n[start])
    if step.alike:
        low = 2.0 * step.level_n - float(smooth_n[first])
    kind: ReleaseKind = "drop" if low > step.level_n else "rise"
    if step.before is not None and not step.alike and _falls_first(smooth_n, start, step, noise_n):
        kind = "drop"
    if kind == "rise" and is_staged(time_s, smooth_n[start:first], noise_n):
        kind = "staged"
    past = _past_extreme(smooth_n, first, end, step.level_n)
    return _release(kind, time_s, (start, first, past, end), None, step.before)


def _falls_first(smooth_n: FloatArray, start: int, step: Step, noise_n: float) -> bool:
    """Whether the reading first falls well below the level that it leaves."""
    assert step.before is not None  # noqa: S101 - the caller has looked
    level = step.before.last_n
    away = smooth_n[start : step.last] - level
    far = np.flatnonzero(np.abs(away) > max(_CLEAR_SHARE * level, _CLEAR_OF_NOISE * noise_n))
    return bool(far.size) and bool(away[far[0]] < 0)


def stuck_release(time_s: FloatArray, smooth_n: FloatArray, step: Step, noise_n: float) -> Release:
    """Time a hand-over that shows as a step between two levels, without ringing.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    step : Step
        Between two levels.
    noise_n : float
        Noise of a smoothed sample.

    Returns
    -------
    Release
        ``gradual`` when it takes more than 1.5 s.
    """
    before, after = step.before, step.after
    assert before is not None  # noqa: S101 - chosen between two levels
    assert after is not None  # noqa: S101 - chosen between two levels
    part = smooth_n[step.first : max(step.last, step.first + 2)]
    start_s = float(time_s[step.first + _leaving(part, step, noise_n, time_s)])
    falls = _falls_first(smooth_n, step.first, step, noise_n)
    quick = after.start_s - start_s < _SLOW_S
    kind: ReleaseKind = "gradual" if not quick else "drop" if falls else "rise"
    first_s = max(after.start_s, start_s + 0.02)
    return Release(kind, start_s, first_s, first_s, after.end_s, None, before, quiet=True)


def past_ramp(time_s: FloatArray, smooth_n: FloatArray, release: Release) -> Release:
    """Leave out the slow ramp before a hand-over: saw relief, creep, the winch drawn on.

    The piece comes onto the rope where the reading first moves at a good part of the speed
    that it reaches on the way to the first extreme.
    """
    period = float(time_s[1] - time_s[0])
    few = max(round(max(_RAMP_S, 0.05 * (release.first_s - release.start_s)) / period), 2)
    first, last = (int(i) for i in np.searchsorted(time_s, (release.start_s, release.first_s)))
    part = moving_mean(smooth_n[first : last + few], few)
    if release.settled is None or part.size <= 3 * few:
        return release
    speed = np.abs(part[few:] - part[:-few])
    start = first + int(np.argmax(speed >= _RAMP_SPEED * speed.max()))
    start_s = float(time_s[start])
    return (
        release if start_s - release.start_s < _RAMP_LASTS_S else replace(release, start_s=start_s)
    )


def from_first_bounce(release: Release, zero: Zero, gaps: Sequence[Gap]) -> Release:
    """Begin a catch at the first load where a gap took the top of its first bounce.

    The slack before the largest force that is left is then the one between two bounces.
    """
    if release.kind != "catch" or release.settled is not None or not zero.found:
        return release
    brief = 0.0 < release.start_s - zero.load_s < _BOUNCE_S
    lost = any(gap.start_s < release.start_s and gap.end_s > zero.load_s for gap in gaps)
    return replace(release, start_s=zero.load_s, slack_from_s=None) if brief and lost else release


def from_running_rope(release: Release, blocks: Blocks, zero: Zero) -> Release:
    """Begin a catch where the rope came tight, when it ran through a light hand before it was braked.

    While it runs it reads a few per cent of what follows; a rope that was tight for longer than
    a hand takes to brake was tight before the fall.
    """
    light = release.settled is not None and release.settled.last_n < _LIGHT_SHARE * zero.scale_n
    if light and release.kind == "rise":
        release = replace(release, kind="catch", settled=None)
    if release.kind != "catch" or release.settled is not None or not zero.found:
        return release
    at = blocks.index(release.start_s)
    first = max(at - round(_RUNS_S / blocks.width_s), 0)
    above = blocks.mean_n[first:at] - zero.zero_n
    tight = above > max(6.0 * blocks.noise_n, _RUNS_SHARE * zero.scale_n)
    slack = np.flatnonzero(~tight)
    if slack.size == 0 or slack[-1] + 1 >= above.size:
        return release
    return replace(release, start_s=blocks.time_s(first + int(slack[-1]) + 1))


def _release(
    kind: ReleaseKind,
    time_s: FloatArray,
    at: tuple[int, int, int, int],
    slack_from_s: float | None,
    settled: Plateau | None,
) -> Release:
    start, first, past, end = (float(time_s[i]) for i in at)
    return Release(kind, start, first, max(past, first + 0.01), end, slack_from_s, settled)


def _past_extreme(smooth_n: FloatArray, first: int, end: int, level_n: float) -> int:
    """Find where the reading has come back by a fifth of the extreme's height."""
    away = np.abs(smooth_n[first:end] - level_n)
    back = np.flatnonzero(away < 0.8 * away[0]) if away.size else np.empty(0)
    return first + int(back[0]) if back.size else min(first + 1, smooth_n.size - 1)


def _from_slack(
    time_s: FloatArray, smooth_n: FloatArray, step: Step, end: int, zero: Zero
) -> Release:
    start = step.first if step.slack_until is None else step.slack_until + 1
    if end <= start + 1:
        end = min(step.last, time_s.size - 1)
    peak = start + int(np.argmax(smooth_n[start : max(end, start + 1)]))
    slack_from = None
    if step.slack_until is not None:
        low = np.flatnonzero(smooth_n[step.first : start] < zero.slack_n)
        slack_from = float(time_s[step.first + int(low[0])])
    fell = step.before is not None or is_fall(
        time_s[start : end + 1], smooth_n[start : end + 1], step.level_n
    )
    kind: ReleaseKind = "catch" if fell else "rise"
    past = _past_extreme(smooth_n, peak, end, step.level_n)
    return _release(kind, time_s, (start, peak, past, end), slack_from, step.before)


def is_fall(time_s: FloatArray, force_n: FloatArray, weight_n: float) -> bool:
    """Whether the piece was falling when a slack rope took it.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        From first load over the first swings.
    weight_n : float
        What it settles at.

    Returns
    -------
    bool

    Notes
    -----
    Released at rest on a slack rope the peak is at most twice the weight. Below that the
    impulse (1/m)∫(F − W)dt up to the end of the first hump tells the speed that was
    stopped: about none after a release at rest. A swing has one too, but rises slowly.
    """
    if force_n.size < 2 or weight_n <= 0:
        return False
    if float(force_n.max()) > _RELEASE_FROM_SLACK * weight_n:
        return True
    highest = np.maximum.accumulate(force_n)
    past = (highest > 1.2 * weight_n) & (highest - force_n > 0.05 * (highest - weight_n))
    end = int(np.argmax(past)) if past.any() else force_n.size - 1
    hump = force_n[: end + 1]
    low = np.flatnonzero(hump[: int(np.argmax(hump)) + 1] < weight_n)
    high = int(np.argmax(hump > 0.9 * hump.max()))
    rise = float(time_s[high] - time_s[int(low[-1]) if low.size else 0])
    impulse = float(np.trapezoid(hump / weight_n - 1.0, time_s[: end + 1]))
    return STANDARD_GRAVITY_M_PER_S2 * impulse > _FALL_M_PER_S and rise < _ABRUPT_S


def _leaving(part: FloatArray, step: Step, noise_n: float, time_s: FloatArray) -> int:
    """Sample where the reading leaves the level before; the foot of the slope without one."""
    if step.before is not None:
        level = step.before.last_n
        near = max(0.15 * abs(level - step.level_n), 5.0 * noise_n, 0.005 * abs(level))
        far = np.flatnonzero(np.abs(part - level) > 2.0 * near)
        until = int(far[0]) if far.size else part.size
        inside = np.flatnonzero(np.abs(part[:until] - level) <= near)
        return int(inside[-1]) if inside.size else 0
    few = max(round(_FOOT_S / float(time_s[1] - time_s[0])), 1)
    slope = np.abs(part[few:] - part[:-few])
    if slope.size == 0:
        return 0
    flat = np.flatnonzero(slope[: max(int(np.argmax(slope)), 1)] < 0.1 * slope.max())
    return int(flat[-1]) + few // 2 if flat.size else 0


def is_staged(time_s: FloatArray, rise_n: FloatArray, noise_n: float = 0.0) -> bool:
    """Whether a rise pauses on its way: the hinge cracked in steps.

    Parameters
    ----------
    time_s : (n,) float64
        The record's times.
    rise_n : (m,) float64
        Smoothed newtons from the settled level to the first extreme.
    noise_n : float
        Noise of a smoothed sample: neither a rise nor a pause is made of it.
    """
    few = max(round(_STAGE_S / float(time_s[1] - time_s[0])), 1)
    if rise_n.size < 8 * few:
        return False
    slope = rise_n[few:] - rise_n[:-few]
    whole = float(rise_n[-1] - rise_n[0])
    if slope.max() < _CLEAR_OF_NOISE * noise_n:
        return False
    least = max(0.12 * whole, _CLEAR_OF_NOISE * noise_n)
    last = rise_n.size - 1
    steep = slope > 0.3 * slope.max()
    for a, b in runs(~steep):
        if a > 0 and b < steep.size and b - a < few // 2:
            steep[a:b] = True
    rises = [(a, b) for a, b in runs(steep) if rise_n[min(b + few, last)] - rise_n[a] > least]
    return len(rises) >= 2
