"""Events of a lowering gathered from its story: winch, peaks, touches, touchdown, disturbances.

Comes in: a trace, its story, the hang reading. Goes out: a :class:`Chronicle`. Must not:
change phases or quantities.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analysis.reading.events import (
    Event,
    TouchdownKind,
    find_peaks,
    find_touches,
    touchdown_kind,
)
from analysis.reading.filters import moving_mean, runs
from analysis.reading.phases import Story
from analysis.reading.trace import FloatArray, Trace
from analysis.reading.winching import NO_WINCHING, Winching, read_winching

_SAW_NOISE: Final = 3.0
_SAW_SHARE: Final = 0.001
_SAW_MEAN_S: Final = 0.03
_SAW_SAMPLES: Final = 2.0
_MAD_TO_SD: Final = 1.4826
_WIND_SHARE: Final = 0.004
_WIND_S: Final = 2.5
_DRAG_SHARE: Final = 0.05
_LEAST_LOWERED: Final = 0.5


@dataclass(frozen=True, slots=True)
class Chronicle:
    """What happened, beside the quantities.

    Parameters
    ----------
    winching : Winching
        Strokes, creep, saw relief.
    peaks : tuple of Event
        Catches, release, swings, jerks.
    touches : tuple of Event
        Touches and re-grips while lowering.
    touchdown_kind : str
        How it came down.
    drag : Event or None
        Largest load after the touchdown.
    wind, saw : bool
        The hang wanders slowly without fading; the record shakes before the release.
    """

    winching: Winching
    peaks: tuple[Event, ...]
    touches: tuple[Event, ...]
    touchdown_kind: TouchdownKind
    drag: Event | None
    wind: bool
    saw: bool

    def fields(self) -> dict[str, Any]:
        """Give the fields of ``Features`` that events fill."""
        return {
            "strokes": self.winching.strokes,
            "creep_n_per_min": self.winching.creep_n_per_min,
            "creep_n_per_min_u": self.winching.creep_n_per_min_u,
            "since_stroke_s": self.winching.since_stroke_s,
            "saw_relief_n": self.winching.saw_relief_n,
            "peaks": self.peaks,
            "touches": self.touches,
            "touchdown_kind": self.touchdown_kind,
            "drag_n": self.drag.force_n if self.drag else None,
        }


NOTHING: Final = Chronicle(NO_WINCHING, (), (), "not_seen", None, wind=False, saw=False)


def chronicle(trace: Trace, story: Story, hang_n: float | None) -> Chronicle:
    """Gather the events of a lowering.

    Parameters
    ----------
    trace : Trace
        The record.
    story : Story
        Its phases.
    hang_n : float or None
        Hang reading, zero taken.

    Returns
    -------
    Chronicle
    """
    release = story.release
    if release is None:
        return NOTHING
    winching = read_winching(trace.time_s, story.smooth_n, story.blocks, story.zero, release)
    starts = {phase.name: phase.start_s for phase in story.phases}
    end_s = starts.get("after", float(trace.time_s[-1]) + trace.period_s)
    drag = _drag(trace, story, starts.get("after"))
    saw = _saw(trace, story)
    if hang_n is None or hang_n <= 0 or story.hang is None:
        return Chronicle(winching, (), (), "not_seen", drag, wind=False, saw=saw)
    last_fall_s = starts.get("touchdown", end_s)
    peaks = find_peaks(
        trace.time_s,
        story.smooth_n,
        release_kind=release.kind,
        release_s=release.start_s,
        hang_end_s=story.hang.end_s,
        end_s=end_s,
        hang_n=hang_n,
        slack_n=story.zero.slack_n,
    )
    touches = find_touches(
        trace.time_s,
        story.smooth_n,
        lowering_s=story.hang.lowering_s,
        end_s=last_fall_s,
        weight_n=_lowered_n(trace, story, hang_n, last_fall_s),
    )
    came_down: TouchdownKind = "not_seen"
    if "after" in starts:
        came_down = touchdown_kind(
            trace.time_s, story.smooth_n, from_s=story.hang.start_s, end_s=end_s, weight_n=hang_n
        )
    wind = _wind(story, hang_n)
    return Chronicle(winching, peaks, touches, came_down, drag, wind=wind, saw=saw)


def _lowered_n(trace: Trace, story: Story, hang_n: float, end_s: float) -> float:
    """Find what the station usually reads while the piece is lowered, at most the hang reading.

    Behind a sheave friction turns with the rope: the reading falls when the lowering starts.
    """
    hang = story.hang
    first, last = np.searchsorted(trace.time_s, (hang.lowering_s if hang else end_s, end_s))
    if last <= first or trace.place.reads in {"piece", "unknown"}:
        return hang_n
    usual = float(np.median(story.smooth_n[first:last]))
    return usual if _LEAST_LOWERED * hang_n < usual < hang_n else hang_n


def _drag(trace: Trace, story: Story, after_s: float | None) -> Event | None:
    """Largest load once the rope has been slack after the touchdown."""
    if after_s is None or story.after_slack_s is None:
        return None
    first = int(np.searchsorted(trace.time_s, story.after_slack_s[1]))
    part = story.smooth_n[first:]
    if part.size == 0:
        return None
    top = int(np.argmax(part))
    limit = max(story.zero.slack_n, _DRAG_SHARE * story.zero.scale_n)
    if part[top] < limit:
        return None
    return Event("drag", float(trace.time_s[first + top]), float(part[top]))


def _saw(trace: Trace, story: Story) -> bool:
    """Whether part of the pretension shakes more than the slack rope and the hang do.

    Where two samples are further apart than the shaking, a stroke looks alike.
    """
    spans = [p for p in story.phases if p.name == "pretension"]
    if not spans or story.release is None or _SAW_MEAN_S * trace.rate_hz < _SAW_SAMPLES:
        return False
    first, last = (
        int(i)
        for i in np.searchsorted(trace.time_s, (spans[0].start_s, story.release.start_s - 0.05))
    )
    narrow = max(round(_SAW_MEAN_S * trace.rate_hz), 3)
    shakes = _shaking(story.force_n[first:last], round(0.25 * trace.rate_hz), narrow)
    calm = max(story.noise_n, story.step_n / math.sqrt(12.0), _SAW_SHARE * story.zero.scale_n)
    return bool(shakes.size and np.count_nonzero(shakes > _SAW_NOISE * calm) >= 2)


def _shaking(force_n: FloatArray, few: int, narrow: int) -> FloatArray:
    """Robust SD of what a narrow moving mean leaves, per stretch; edges do not count."""
    whole = force_n.size // max(few, 8) * max(few, 8)
    if whole == 0:
        return np.empty(0)
    quick = (force_n - moving_mean(force_n, narrow))[:whole].reshape(-1, max(few, 8))
    return np.asarray(_MAD_TO_SD * np.median(np.abs(quick), axis=1))


def _wind(story: Story, hang_n: float) -> bool:
    """Whether the still hang wanders, slowly and without fading."""
    hang, blocks = story.hang, story.blocks
    if hang is None or not hang.still or hang.end_s - hang.start_s < 2.0 * _WIND_S:
        return False
    part = blocks.mean_n[blocks.index(hang.start_s) : blocks.index(hang.end_s)]
    part = part[np.isfinite(part)]
    half = part.size // 2
    if half < 8:
        return False
    sizes = [float(np.std(piece - piece.mean())) for piece in (part[:half], part[half:])]
    away = part - np.median(part)
    turns = len(runs(away > 0))
    slow = turns <= 2 + (hang.end_s - hang.start_s) / 1.0
    least = max(_WIND_SHARE * hang_n, 4.0 * blocks.noise_n)
    return slow and min(sizes) > least and sizes[1] > 0.6 * sizes[0]
