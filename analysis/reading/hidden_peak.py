"""Whether the largest force of a lowering may lie where samples are missing.

Comes in: a trace, its story, the peak that was found. Goes out: yes or no. Must not: guess
how large a lost peak was.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.reading.phases import Story
from analysis.reading.trace import FloatArray, Gap, Trace
from analysis.reading.uncertainty import PeakLoss

_EDGES_S: Final = (0.01, 0.03)
_SWING_S: Final = 0.5
_BEGAN: Final = 1.5
_NEARLY: Final = 0.95
_EDGE_RISE: Final = 0.02
_LEAST_FLANK: Final = 3
_FLANK_SHARE: Final = 0.02
_HUMP: Final = 0.4


def gap_in_peak(trace: Trace, story: Story, *, peak_s: float, loss: PeakLoss) -> bool:
    """Whether the largest force may lie in a gap.

    True when a gap cuts into the top that was found, when one lies where the piece came
    onto the rope and a hump as high may lie in it, or when what stands beside one leads
    past the peak.
    """
    peak = int(np.searchsorted(trace.time_s, peak_s))
    near_s = loss.intervals * trace.period_s if loss.share > 0 else 0.0
    span = _onto_the_rope(story)
    return any(
        _cuts_top(trace, story, gap, min(peak, trace.n - 1), near_s)
        or (span is not None and _hides_onset(trace, story, gap, span, peak_s))
        or _could_hide(trace, story, gap, peak_s)
        for gap in trace.gaps
    )


def _cuts_top(trace: Trace, story: Story, gap: Gap, peak: int, near_s: float) -> bool:
    """Whether a gap begins before the force has clearly come down from the peak.

    A top with both flanks on record is whole, however near to a gap.
    """
    at_s = float(trace.time_s[peak])
    if gap.start_s > at_s + near_s or gap.end_s < at_s - near_s:
        return False
    left, right = _beside(trace, gap)
    flank = story.force_n[peak:left] if gap.start_s >= at_s else story.force_n[right : peak + 1]
    if flank.size < _LEAST_FLANK:
        return True
    top = float(flank.max())
    return top - float(flank.min()) < max(_FLANK_SHARE * top, 5.0 * story.noise_n)


def _onto_the_rope(story: Story) -> tuple[float, float] | None:
    """When the piece came onto the rope, up to half a swing after the first extreme.

    Before a catch that is the whole time since the first load: the catch that was found may
    be the second bounce, the first one having been lost.
    """
    release = story.release
    if release is None or release.kind in {"gradual", "none"}:
        return None
    start_s = release.start_s
    if release.kind == "catch":
        start_s = min([start_s, *(p.start_s for p in story.phases if p.name != "slack")])
    period_s = story.hang.period_s if story.hang is not None else 0.0
    return start_s, release.first_s + max(0.5 * period_s, 0.05)


def _hides_onset(
    trace: Trace, story: Story, gap: Gap, span: tuple[float, float], peak_s: float
) -> bool:
    """Whether a hump as high as the peak may lie in a gap while the piece came onto the rope.

    Notes
    -----
    A hump of the piece on the rope lasts about half of its period, so that a shorter gap
    holds no whole one: a part of it stands beside the gap. After the first hump they fade.
    About the hang W the force F
    swings by hypot(F - W, F'/ω), so that what is on record at an edge tells how high a top
    in the gap was, if it was there.
    """
    if gap.start_s > span[1] or gap.end_s < span[0]:
        return False
    hang = story.hang
    if hang is None or hang.period_s <= 0:
        return True
    lost_s = gap.end_s - max(gap.start_s, span[0] - 0.5 * hang.period_s)
    faded = span[0] <= peak_s < gap.start_s
    if lost_s > _HUMP * hang.period_s and not faded:
        return True
    first, last = np.searchsorted(trace.time_s, (hang.start_s, hang.end_s))
    if last <= first:
        return True
    level = float(np.median(story.force_n[first:last]))
    peak = float(story.force_n[min(int(np.searchsorted(trace.time_s, peak_s)), trace.n - 1)])
    left, right = _beside(trace, gap)
    omega = 2.0 * math.pi / hang.period_s
    few = max(round(_EDGES_S[1] / trace.period_s), _LEAST_FLANK)
    return any(
        _top_ahead(part, level, omega, trace.period_s, gap.end_s - gap.start_s) > _NEARLY * peak
        for part in (story.force_n[:left][-few:], story.force_n[right:][:few][::-1])
        if part.size == few
    )


def _top_ahead(
    part: FloatArray, level_n: float, omega: float, period_s: float, seconds: float
) -> float:
    """Top that a swing about a level comes to within some seconds after ``part``, or -inf."""
    away = float(part[-1]) - level_n
    pull = float(np.polyfit(np.arange(part.size), part, 1)[0]) / period_s / omega
    if pull <= 0.0 or math.atan2(pull, away) > omega * seconds:
        return -math.inf
    return level_n + math.hypot(away, pull)


def _beside(trace: Trace, gap: Gap) -> tuple[int, int]:
    """Count the samples before a gap, and find the first one after it."""
    left = int(np.searchsorted(trace.time_s, gap.start_s, side="right"))
    return left, int(np.searchsorted(trace.time_s, gap.end_s))


def _could_hide(trace: Trace, story: Story, gap: Gap, peak_s: float) -> bool:
    """Whether what stands beside a gap lets a force in it pass the largest seen.

    Either the force, going on as it did, would pass it; or the piece swings below its hang
    after the gap and did not before: the jerk that began it was at least as far above.
    """
    peak = float(story.force_n[min(int(np.searchsorted(trace.time_s, peak_s)), trace.n - 1)])
    left, right = _beside(trace, gap)
    before, after = story.force_n[:left], story.force_n[right:]
    seconds = gap.end_s - gap.start_s
    for edge_s in _EDGES_S:
        few = max(round(edge_s / trace.period_s), 2)
        for part in (before[-3 * few :], after[: 3 * few][::-1]):
            if part.size == 3 * few and _leads_past(
                part, few, trace.period_s, seconds, peak, story
            ):
                return True
    return _began_in(before, after, trace, story, peak)


def _leads_past(
    part: FloatArray, few: int, period_s: float, seconds: float, peak_n: float, story: Story
) -> bool:
    """Whether the force, going on up to the middle of the gap as it did, passes the peak."""
    edge = float(part[-few:].mean())
    rise = edge - float(part[:few].mean())
    noise = 5.0 * story.noise_n / math.sqrt(max(few / 3.0, 1.0))
    ahead_n = rise / (2.0 * few * period_s) * seconds / 2.0
    return rise > max(noise, _EDGE_RISE * peak_n) and edge + ahead_n > peak_n


def _began_in(
    before: FloatArray, after: FloatArray, trace: Trace, story: Story, peak_n: float
) -> bool:
    """Whether a swing that stands after a gap, and not before, reaches the peak above the hang.

    Where the rope goes slack and bounces, nothing tells how high the swing stood above.
    """
    hang = story.hang
    few = round(_SWING_S / trace.period_s)
    if hang is None or before.size < few or after.size < few:
        return False
    first, last = np.searchsorted(trace.time_s, (hang.start_s, hang.end_s))
    if last <= first:
        return False
    level = float(np.median(story.force_n[first:last]))
    soon = after[:few]
    low = level - float(soon.min())
    was = float(np.abs(before[-few:] - level).max())
    bounced = float(soon.min()) < story.zero.slack_n < level < float(soon[soon.argmin() :].max())
    return low > _BEGAN * was and (bounced or level + low > _NEARLY * peak_n)
