"""What to doubt about a reading: flags, and what they mean in words.

Comes in: a trace, its story, its peak. Goes out: names of flags in a fixed order. Must
not: drop or correct anything.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.reading.chronicle import Chronicle
from analysis.reading.hidden_peak import gap_in_peak
from analysis.reading.phases import Story
from analysis.reading.stretches import SHORT_HANG_S
from analysis.reading.trace import Trace, is_clipped
from analysis.reading.uncertainty import PeakLoss

FLAG_WORDS: Final[dict[str, str]] = {
    "no_load": "nothing was loaded in this record",
    "no_zero": "no slack stretch before the load: zero is taken as 0",
    "zero_offset": "slack reads more than 5 % of the load away from 0: was the rope really slack?",
    "zero_drift": "zero moved between the slack before and the slack after",
    "hang_not_still": "the piece was still moving: the hang at the cell is a mean over its last swings",
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
    "taken_in": "the hang ends in a rise, as when rope is taken in before the piece is lowered: a brake jerk can look alike, the lowering may have started earlier",
    "no_touchdown": "the record ends with the piece on the rope: no touchdown, and no slack to check the zero by",
    "hand_over_quiet": "the hand-over does not ring, it is a step between two levels: a stroke of the winch can look alike",
    "hand_over_small": "the hand-over changes the reading little: a brake jerk or the start of the lowering can look alike",
    "hang_late": "the piece rang or swung for more than 6 s (in a span rig 3 s) before it hung: the start of the lowering can hide in that",
    "hang_ways_disagree": "the still part and the ring-down tell different weights: a touch, a tight tag line or wind",
    "wind": "the hang wanders slowly without fading, as in wind: its level is a mean over that",
    "saw_vibration": "the rope shakes before the release, as from a saw: the pretension is a mean over that",
    "dragged": "load came back after the touchdown: it is left out of every quantity",
    "no_stiffness": "the ring-down is too short or too uneven: no stiffness and no EA is told from it",
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
_LATE_IN_SPAN_S: Final = 3.0
_SMALL_SHARE: Final = 0.1
_LARGEST_TURN: Final = 0.3


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
    checks = {
        "no_zero": not zero.found,
        "zero_offset": abs(zero.zero_n) > 0.05 * zero.scale_n,
        "zero_drift": drift_n is not None and abs(drift_n) > limit,
        "no_hang": hang_s is None,
        "hang_not_still": hang_s is not None and not still,
        "hang_short": hang_s is not None and hang_s < SHORT_HANG_S,
        "pretension_not_settled": loose,
        "hand_over_unseen": _hand_over_unseen(story),
        "lowering_unseen": _lowering_unseen(story),
        "taken_in": story.hang is not None and story.hang.lowered_s is not None,
        "no_touchdown": story.after_slack_s is None,
        "hand_over_quiet": release is not None and release.quiet,
        "hand_over_small": _hand_over_small(trace, story),
        "hang_late": _hang_late(trace, story),
        "tag_line_tight": trace.tag_line_tight,
        "touched": trace.touched,
        "gap": bool(trace.gaps),
        "calibration_unknown": trace.chain.calibration_rel_u <= 0,
    }
    return tuple(name for name, on in checks.items() if on)


def hang_in_doubt(trace: Trace, story: Story) -> bool:
    """Whether the hang that was found may be part of the lowering.

    Parameters
    ----------
    trace : Trace
        The record.
    story : Story
        Its phases.

    Returns
    -------
    bool
        True where a flag says that hand-over or lowering can look like something else.
    """
    hang, release = story.hang, story.release
    if hang is None:
        return False
    return (
        hang.end_s - hang.start_s < SHORT_HANG_S
        or (release is not None and release.quiet)
        or _hand_over_unseen(story)
        or _lowering_unseen(story)
        or _hand_over_small(trace, story)
        or _hang_late(trace, story)
    )


def _hand_over_unseen(story: Story) -> bool:
    """Whether the piece came onto the rope so slowly that a stroke could look alike."""
    release = story.release
    return (
        release is not None
        and release.kind == "gradual"
        and (release.settled is None or release.end_s - release.start_s < _STROKE_S)
    )


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
    """Whether the hang begins so late that a start of the lowering may lie before it.

    On two legs a piece stands still sooner: they hold it from the sides too.
    """
    release, hang = story.release, story.hang
    if release is None or hang is None or trace.place.method == "swing":
        return False
    rope = trace.place.rope
    spans = rope is not None and rope.legs > 1
    return hang.start_s - release.first_s > (_LATE_IN_SPAN_S if spans else _LATE_S)


def event_flags(
    trace: Trace, told: Chronicle, *, hang_ways_agree: bool | None, uneven: bool = False
) -> tuple[str, ...]:
    """List the flags that single events raise.

    Parameters
    ----------
    trace : Trace
        The record.
    told : Chronicle
        Its events.
    hang_ways_agree : bool or None
        Whether still part and ring-down agree; None when only one is known.
    uneven : bool
        Whether a ring-down was found from which no stiffness can be told.

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
        "no_stiffness": uneven,
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
