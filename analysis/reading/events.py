"""Single events of a lowering: peaks by kind, touches, re-grips, stops, how it came down.

Comes in: smoothed forces with zero taken, where hang and load end. Goes out: lists of
:class:`Event` in order of time, and the kind of touchdown. Must not: decide what a
lowering's peak is (``features.py``), or name a cause that the trace cannot show.

Notes
-----
While a piece is lowered its weight hangs on the rope; what changes its speed shows as
force above or below the weight. A hand that lets run and grips again gives back on the
spike what the dip took (the piece moves as before): the areas agree. A stem or roof that
carries part of the weight does not: its dip is larger than the spike that follows. A long
dip is one where the piece, if nothing carried it, would have got faster than anybody lowers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.reading.filters import runs
from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

EventKind = Literal["catch", "release", "swing", "jerk", "touch", "regrip", "stop", "drag"]
TouchdownKind = Literal["at_once", "ramp", "tip_first", "not_seen"]

_PEAK_SHARE: Final = 0.05
_DIP_SHARE: Final = 0.12
_SWING_S: Final = 0.45
_AGAIN_S: Final = 1.2
_FASTEST_M_PER_S: Final = 2.0
"""Own assumption: nobody lowers a piece faster."""
_PAID_BACK: Final = 0.6
_LEAST_DIP: Final = 0.2
_START_DIP: Final = 0.45
_CALM: Final = 0.06
_ONE_EVENT_S: Final = 0.3
_DOWN_SHARES: Final = (0.9, 0.1)
_RAMP_S: Final = 0.8
_STEP_S: Final = 0.25
_SHOULDER_S: Final = 0.08
_SLOW: Final = 0.55
_STEEP: Final = 1.3


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened, with its time and largest (or smallest) force.

    Parameters
    ----------
    kind : str
        ``catch``: the rope took a falling piece. ``release``: first peak after the hinge.
        ``swing``: a slow hump, the piece swinging through. ``jerk``: force above the hang
        once that has ended: while lowering, or as rope was taken in. ``touch``: a dip that
        the spike after it does not pay back. ``regrip``: a dip and a spike of like area.
        ``stop``: a jerk after which the piece hangs still (wraps added, or a halt). ``drag``:
        load after the touchdown.
    time_s, force_n : float
        Of the extreme; zero taken.
    """

    kind: EventKind
    time_s: float
    force_n: float


def find_peaks(
    time_s: FloatArray,
    smooth_n: FloatArray,
    *,
    release_kind: str,
    release_s: float,
    hang_end_s: float,
    end_s: float,
    hang_n: float,
    slack_n: float,
) -> tuple[Event, ...]:
    """List the peaks above the hang: catches, the release, swings, jerks.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    release_kind : str
        Kind of the release.
    release_s, hang_end_s, end_s : float
        Where the release begins, the hang ends and slack begins.
    hang_n : float
        What the station reads while the piece hangs.
    slack_n : float
        Below this the rope is slack.

    Returns
    -------
    tuple of Event
        In order of time. Of the quick ring-down only the first peak is listed.
    """
    a, b = (int(i) for i in np.searchsorted(time_s, (release_s, end_s)))
    part = smooth_n[a:b]
    out: list[Event] = []
    before = 0
    for first, last in runs(part > (1.0 + _PEAK_SHARE) * hang_n):
        top = first + int(np.argmax(part[first:last]))
        at_s = float(time_s[a + top])
        slack = bool(np.any(part[before:first] < slack_n))
        long_s = float(time_s[a + last - 1] - time_s[a + first])
        kind = _peak_kind(
            release_kind, first_one=not out, late=at_s >= hang_end_s, slack=slack, long_s=long_s
        )
        if kind is not None:
            out.append(Event(kind, at_s, float(part[top])))
        before = last
    return tuple(out)


def _peak_kind(
    release_kind: str, *, first_one: bool, late: bool, slack: bool, long_s: float
) -> EventKind | None:
    if late:
        return "jerk"
    if slack and not first_one:
        return "catch"
    if long_s > _SWING_S:
        return "swing"
    if first_one:
        return "catch" if release_kind == "catch" else "release"
    return None


def find_touches(
    time_s: FloatArray,
    smooth_n: FloatArray,
    *,
    lowering_s: float,
    end_s: float,
    weight_n: float,
) -> tuple[Event, ...]:
    """Find touches, re-grips and stops between the start of the lowering and touchdown.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons at the station, zero taken.
    lowering_s, end_s : float
        The lowering: from the end of the hang to where the last fall of the load begins.
    weight_n : float
        What the station reads while the piece is lowered steadily.

    Returns
    -------
    tuple of Event
        Time and force of the dip of a touch or re-grip.
    """
    a, b = (int(i) for i in np.searchsorted(time_s, (lowering_s, end_s)))
    away = smooth_n[a:b] / weight_n - 1.0
    times = time_s[a:b]
    out: list[Event] = []
    for first, last in runs(away < -_DIP_SHARE):
        kind = _dip_kind(away, times, first, last)
        if kind is None:
            continue
        low = first + int(np.argmin(away[first:last]))
        event = Event(kind, float(times[low]), float(smooth_n[a + low]))
        if out and event.time_s - out[-1].time_s < _ONE_EVENT_S:
            out[-1] = min(out[-1], event, key=lambda one: one.force_n)
        else:
            out.append(event)
    return tuple(out)


def _dip_kind(away: FloatArray, times: FloatArray, first: int, last: int) -> EventKind | None:
    """Tell a dip by what it takes and what the spike after it gives back."""
    depth = -float(away[first:last].min())
    begin, middle, end = _lobes(away, first, last)
    lasts_s = float(times[min(middle, times.size - 1)] - times[begin])
    if depth < _LEAST_DIP:
        return None
    dip = -float(np.trapezoid(away[begin:middle], times[begin:middle]))
    spike = float(np.trapezoid(away[middle:end], times[middle:end]))
    starts = depth < _START_DIP and not bool(np.any(np.abs(away[:begin]) > _CALM))
    if lasts_s > _AGAIN_S:
        held = G_M_PER_S2 * (dip - max(spike, 0.0)) > _FASTEST_M_PER_S and middle < away.size
        return "touch" if held else None
    if starts or dip <= 0 or spike <= 0.1 * dip:
        return None
    return "regrip" if spike >= _PAID_BACK * dip else "touch"


def _lobes(away: FloatArray, first: int, last: int) -> tuple[int, int, int]:
    """Where the dip leaves and meets the weight, and where the spike after it ends."""
    up = np.flatnonzero(away[:first] >= 0)
    begin = int(up[-1]) + 1 if up.size else 0
    back = np.flatnonzero(away[last:] >= 0)
    middle = last + int(back[0]) if back.size else away.size
    down = np.flatnonzero(away[middle:] < 0)
    end = middle + int(down[0]) if down.size else away.size
    return begin, middle, end


def touchdown_kind(
    time_s: FloatArray, smooth_n: FloatArray, *, from_s: float, end_s: float, weight_n: float
) -> TouchdownKind:
    """Say how the load left the rope at the end.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    from_s, end_s : float
        From the hang to where the rope is slack.
    weight_n : float
        Hang reading.

    Returns
    -------
    str
        ``at_once``; ``ramp`` (over more than 0.8 s: brush first); ``tip_first`` (part of
        the load stands for a while); ``not_seen``.
    """
    a, b = (int(i) for i in np.searchsorted(time_s, (from_s, end_s)))
    part = smooth_n[a : b + 1]
    high = np.flatnonzero(part > _DOWN_SHARES[0] * weight_n)
    if high.size == 0 or part.size - int(high[-1]) < 2:
        return "not_seen"
    start = int(high[-1])
    low = np.flatnonzero(part[start:] < _DOWN_SHARES[1] * weight_n)
    stop = start + int(low[0]) if low.size else part.size - 1
    fall = part[start : stop + 1] / weight_n
    times = time_s[a + start : a + stop + 1]
    length_s = float(times[-1] - times[0])
    if length_s < _STEP_S:
        return "at_once"
    if _has_shoulder(times, fall):
        return "tip_first"
    return "ramp" if length_s > _RAMP_S else "at_once"


def _has_shoulder(times: FloatArray, share: FloatArray) -> bool:
    """Whether the fall of the load pauses half way, and then goes on steeply."""
    few = max(_samples(times, _SHOULDER_S), 1)
    slope = share[:-few] - share[few:]
    usual = few * float(share[0] - share[-1]) / max(share.size - 1, 1)
    middle = 0.5 * (share[:-few] + share[few:])
    slow = (np.abs(slope) < _SLOW * usual) & (middle > 0.15) & (middle < 0.75)
    return any(
        last - first >= few and bool(np.any(slope[last:] > _STEEP * usual))
        for first, last in runs(slow)
    )


def _samples(times: FloatArray, length_s: float) -> int:
    return int(length_s / (times[1] - times[0])) if times.size > 1 else 0
