"""What to doubt about a reading: flags, and what they mean in words.

Comes in: a trace, its story, its peak. Goes out: names of flags in a fixed order. Must
not: drop or correct anything.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.reading.chronicle import Chronicle
from analysis.reading.phases import Story
from analysis.reading.trace import FloatArray, Gap, Trace, is_clipped
from analysis.reading.uncertainty import PeakLoss

FLAG_WORDS: Final[dict[str, str]] = {
    "no_load": "nothing was loaded in this record",
    "no_zero": "no slack stretch before the load: zero is taken as 0",
    "zero_offset": "slack reads more than 5 % of the load away from 0: was the rope really slack?",
    "zero_drift": "zero moved between the slack before and the slack after",
    "hang_not_still": "the piece was still moving: hang weight is a mean over its last swings",
    "no_hang": "no hang was found",
    "hang_short": "the hang was shorter than a second",
    "clipped": "the converter was at its limit: the true peak is at least this",
    "gap_in_peak": "samples are missing around the peak: the true peak is at least this",
    "gap": "samples are missing",
    "rate_too_low": "too few samples over the peak: more than 2 % of it may fall between samples",
    "overload": "the cell's overload limit was passed: re-zero it and check it against a known load",
    "pretension_not_settled": "the pretension never settled before the release",
    "hand_over_unseen": "no hand-over stands out: the pretension already carried about all of the piece, or it came onto the rope slowly",
    "calibration_unknown": "the cell's calibration is not known: U leaves it out",
    "tag_line_tight": "a tight tag line adds to the reading",
    "touched": "the piece touched something",
    "touch_seen": "the trace shows a touch while lowering: a stem, a roof or brush carried part of the piece",
    "lowering_unseen": "no start of the lowering stands out: the hang may hold part of it",
    "hand_over_quiet": "the hand-over does not ring, it is a step between two levels: a stroke of the winch can look alike",
    "hand_over_small": "the hand-over changes the reading little: a brake jerk or the start of the lowering can look alike",
    "hang_late": "the piece rang or swung for more than 6 s before it hung: the start of the lowering can hide in that",
    "hang_ways_disagree": "the still part and the ring-down tell different weights: a touch, a tight tag line or wind",
    "wind": "the hang wanders slowly without fading, as in wind: its level is a mean over that",
    "saw_vibration": "the rope shakes before the release, as from a saw: the pretension is a mean over that",
    "dragged": "load came back after the touchdown: it is left out of every quantity",
    "slow_rate": "below 200 samples/s: short touches, stages of the hinge and the CFC-60 peak cannot be known",
}
"""Flag -> what it means, in words."""

_LARGE_LOSS: Final = 0.02
_LOSS_BELOW_600: Final = 0.005
_STROKE_S: Final = 1.5
_CFC60_RATE_HZ: Final = 600.0
_SLOW_RATE_HZ: Final = 200.0
_LONG_HANG_S: Final = 9.0
_LATE_S: Final = 6.0
_SMALL_SHARE: Final = 0.1
_LARGEST_TURN: Final = 0.3
_EDGES_S: Final = (0.01, 0.03)
_SWING_S: Final = 0.5
_BEGAN: Final = 1.5
_NEARLY: Final = 0.95
_EDGE_RISE: Final = 0.02


def state_flags(
    trace: Trace, story: Story, *, drift_n: float | None, hang_s: float | None
) -> tuple[str, ...]:
    """List the flags of zero, hang, pretension and chain.

    Parameters
    ----------
    trace : Trace
        The record.
    story : Story
        Its phases.
    drift_n : float or None
        Slack after minus slack before.
    hang_s : float or None
        Length of the part that gave the hang reading; None without one.

    Returns
    -------
    tuple of str
        Keys of :data:`FLAG_WORDS`.
    """
    zero, release = story.zero, story.release
    if zero.scale_n <= 0:
        return ("no_load",)
    limit = max(0.01 * zero.scale_n, 5.0 * zero.u_n)
    still = story.hang is not None and story.hang.still
    loose = (
        release is not None
        and release.settled is None
        and release.kind in {"rise", "drop", "staged"}
        and release.start_s - zero.load_s > 0.3
    )
    unseen = (
        release is not None
        and release.kind == "gradual"
        and (release.settled is None or release.end_s - release.start_s < _STROKE_S)
    )
    checks = {
        "no_zero": not zero.found,
        "zero_offset": abs(zero.zero_n) > 0.05 * zero.scale_n,
        "zero_drift": drift_n is not None and abs(drift_n) > limit,
        "no_hang": hang_s is None,
        "hang_not_still": hang_s is not None and not still,
        "hang_short": hang_s is not None and hang_s < 1.0,
        "pretension_not_settled": loose,
        "hand_over_unseen": unseen,
        "lowering_unseen": _lowering_unseen(story),
        "hand_over_quiet": release is not None and release.quiet,
        "hand_over_small": _hand_over_small(trace, story),
        "hang_late": _hang_late(trace, story),
        "tag_line_tight": trace.tag_line_tight,
        "touched": trace.touched,
        "gap": bool(trace.gaps),
        "calibration_unknown": trace.chain.calibration_rel_u <= 0,
    }
    return tuple(name for name, on in checks.items() if on)


def _lowering_unseen(story: Story) -> bool:
    """Whether the hang ends without a start of the lowering, and could hold part of it."""
    if story.hang is None or story.hang.end_seen:
        return False
    long = story.hang.end_s - story.hang.start_s > _LONG_HANG_S
    return long or any(phase.name == "lowering" for phase in story.phases)


def _hand_over_small(trace: Trace, story: Story) -> bool:
    """Whether a change of the reading while lowering could be as large as the hand-over's.

    Notes
    -----
    When lowering starts, friction turns: at a station beyond a sheave the reading falls
    by as much as its friction band is wide.
    """
    release, hang = story.release, story.hang
    if release is None or release.settled is None or hang is None:
        return False
    first, last = np.searchsorted(trace.time_s, (hang.start_s, hang.end_s))
    if last <= first:
        return False
    level = float(np.median(story.smooth_n[first:last]))
    chain, limit = trace.chain, _SMALL_SHARE
    if release.kind == "drop" and chain.gain_low and chain.gain_high:
        limit = max(limit, min(chain.gain_high / chain.gain_low - 1.0, _LARGEST_TURN))
    return abs(level - release.settled.last_n) < limit * level


def _hang_late(trace: Trace, story: Story) -> bool:
    """Whether the hang begins so late that a start of the lowering may lie before it."""
    release, hang = story.release, story.hang
    if release is None or hang is None or trace.place.method == "swing":
        return False
    return hang.start_s - release.first_s > _LATE_S


def event_flags(trace: Trace, told: Chronicle, *, hang_ways_agree: bool | None) -> tuple[str, ...]:
    """List the flags that single events raise.

    Parameters
    ----------
    trace : Trace
        The record.
    told : Chronicle
        Its events.
    hang_ways_agree : bool or None
        Whether still part and ring-down agree; None when only one is known.

    Returns
    -------
    tuple of str
    """
    checks = {
        "touch_seen": any(event.kind == "touch" for event in told.touches),
        "hang_ways_disagree": hang_ways_agree is False,
        "wind": told.wind,
        "saw_vibration": told.saw,
        "dragged": told.drag is not None,
        "slow_rate": trace.rate_hz < _SLOW_RATE_HZ,
    }
    return tuple(name for name, on in checks.items() if on)


def peak_flags(
    trace: Trace, story: Story, *, peak_n: float, peak_s: float, loss: PeakLoss
) -> tuple[str, ...]:
    """List the flags of the peak; ``clipped`` and ``gap_in_peak`` make it a lower bound.

    Parameters
    ----------
    trace : Trace
        The record.
    story : Story
        Its phases.
    peak_n, peak_s : float
        The peak, zero taken, and its time.
    loss : PeakLoss
        What may be missing from it.

    Returns
    -------
    tuple of str
    """
    limit = trace.chain.overload_n
    slow = trace.rate_hz < _CFC60_RATE_HZ and loss.sampling_share > _LOSS_BELOW_600
    checks = {
        "clipped": is_clipped(trace),
        "gap_in_peak": gap_in_peak(trace, story, peak_s=peak_s, loss=loss),
        "rate_too_low": loss.sampling_share > _LARGE_LOSS or slow,
        "overload": limit is not None and peak_n + story.zero.zero_n > limit,
    }
    return tuple(name for name, on in checks.items() if on)


def gap_in_peak(trace: Trace, story: Story, *, peak_s: float, loss: PeakLoss) -> bool:
    """Whether the largest force may lie in a gap.

    True when a gap touches the half-sine around the peak, or lies where the piece came
    onto the rope. Before a catch that is the whole time since the first load: the catch
    that was found may be the second bounce, the first one having been lost.
    """
    half = loss.intervals * trace.period_s if loss.share > 0 else 0.0
    spans = [(peak_s - half, peak_s + half)]
    release = story.release
    if release is not None and release.kind not in {"gradual", "none"}:
        period = story.hang.period_s if story.hang is not None else 0.0
        start_s = release.start_s
        if release.kind == "catch":
            start_s = min([start_s, *(p.start_s for p in story.phases if p.name != "slack")])
        spans.append((start_s, release.first_s + max(0.5 * period, 0.05)))
    touched = any(gap.start_s <= b and gap.end_s >= a for gap in trace.gaps for a, b in spans)
    return touched or any(_could_hide(trace, story, gap, peak_s) for gap in trace.gaps)


def _could_hide(trace: Trace, story: Story, gap: Gap, peak_s: float) -> bool:
    """Whether what stands beside a gap lets a force in it pass the largest seen.

    Either the force, going on as it did, would pass it; or the piece swings below its hang
    after the gap and did not before: the jerk that began it was at least as far above.
    """
    peak = float(story.force_n[min(int(np.searchsorted(trace.time_s, peak_s)), trace.n - 1)])
    left = int(np.searchsorted(trace.time_s, gap.start_s, side="right"))
    right = int(np.searchsorted(trace.time_s, gap.end_s))
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
    """Whether a swing that stands after a gap, and not before, reaches the peak above the hang."""
    hang = story.hang
    few = round(_SWING_S / trace.period_s)
    if hang is None or before.size < few or after.size < few:
        return False
    first, last = np.searchsorted(trace.time_s, (hang.start_s, hang.end_s))
    if last <= first:
        return False
    level = float(np.median(story.force_n[first:last]))
    low = level - float(after[:few].min())
    was = float(np.abs(before[-few:] - level).max())
    return low > _BEGAN * was and level + low > _NEARLY * peak_n
