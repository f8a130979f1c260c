"""When a caught piece first stands still: from the way down of the force, after its peak.

Comes in: the load at the piece from first load on, its weight, a ring-down where one was
fitted. Goes out: a time with its standard uncertainty. Must not: find phases, or integrate
(``free_fall``).

Notes
-----
The standstill is that of the *motion*: with Kelvin–Voigt damping the force peaks earlier, by
2 asin ζ/ω_d, which is close to the rope's loss time c/k at any frequency.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.filters import moving_mean
from analysis.reading.place import RopeInPlay
from analysis.reading.ringdown import RingDown
from analysis.reading.stiffness import swinging_length_m
from analysis.reading.trace import FloatArray

USUAL_DAMPING: Final = 0.1
"""Own assumption, used with half its size as uncertainty where no ring-down was fitted."""

_SLOPE_S: Final = 0.01
_STEEP: Final = (0.25, 0.75)
_BEFORE_QUARTER: Final = 0.46
"""Between an evenly growing slope (1/2) and the top of a sine (0.425)."""
_BREAKS_AT: Final = 0.4
_BREAKS_TO: Final = 0.75
"""A slope that was this share of the steepest and falls to this share of itself broke off."""
_BEGIN_REL_U: Final = 0.1
_NEAR_TOP: Final = 0.99
_SMOOTH: Final = 0.7
_LEAST_POINTS: Final = 6
_STANDSTILL_U_S: Final = 0.008
"""Own assumption: how well the standstill is found where sheave and device slip."""
_USUAL_HZ: Final = 2.0


def loss_time_s(frequency_hz: float, damping_ratio: float) -> float:
    """Time by which the piece's standstill follows the force peak, 2 asin ζ/ω_d.

    Examples
    --------
    >>> round(loss_time_s(1.0, 0.1), 4)
    0.0319
    """
    return 2.0 * math.asin(damping_ratio) / (2.0 * math.pi * frequency_hz)


def ring_loss(ring: RingDown | None, *, sticks: bool) -> tuple[float, float] | None:
    """Time from force peak to standstill by the ring-down, and its standard uncertainty, seconds.

    Parameters
    ----------
    ring : RingDown or None
        None, or one that does not decay, tells nothing.
    sticks : bool
        Whether the sheave surely stuck meanwhile. Where it turned, the ring-down decays by its
        friction too: the rope's own part lies anywhere between nothing and all of it.
    """
    if ring is None or ring.damping_ratio <= 0:
        return None
    loss = loss_time_s(ring.frequency_hz, min(ring.damping_ratio, 0.5))
    return (loss, 0.25 * loss) if sticks else (0.5 * loss, loss / math.sqrt(12.0))


def usual_loss(
    time_s: FloatArray, force_n: FloatArray, weight_n: float, rope: RopeInPlay | None
) -> tuple[float, float]:
    """As :func:`ring_loss`, of usual damping, where no ring-down was fitted.

    Parameters
    ----------
    time_s, force_n, weight_n
        As for :func:`standstill`.
    rope : RopeInPlay or None
        Lengths: the piece would ring on the lead alone, faster than it rebounds, as the fall
        takes part in that.
    """
    hz = rebound_hz(time_s, force_n, weight_n) or _USUAL_HZ
    if rope is not None:
        swing = max(float(force_n.max()) / weight_n - 1.0, 0.0)
        hz *= math.sqrt(swinging_length_m(rope, swing) / rope.lead_m)
    loss = loss_time_s(hz, USUAL_DAMPING)
    return loss, 0.5 * loss


@dataclass(frozen=True, slots=True)
class Standstill:
    """When the caught piece first stands still, and the standard uncertainty of that."""

    time_s: float
    u_s: float


def standstill(
    time_s: FloatArray, force_n: FloatArray, weight_n: float, loss_s: float, loss_u_s: float = 0.0
) -> Standstill | None:
    """Time at which the caught piece stands still for the first time.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        Load at the piece from the first load on, newtons with zero taken.
    weight_n : float
        What it settles at.
    loss_s, loss_u_s : float
        By how much the standstill follows the force peak where nothing slips
        (:func:`loss_time_s`), and its standard uncertainty.

    Returns
    -------
    Standstill or None
        None when the force never clearly comes down from a hump above the weight.

    Notes
    -----
    The way down begins as 1 − (ωt)²/2 about the weight, so that its slope grows evenly from
    nothing, whatever came before: a smooth top, the flat top of a device that slips, a braked
    run that sags. From the times at which the slope is a quarter and three quarters of its
    steepest the begin follows without ω. A smooth top, as wide to both sides, is the force
    peak and the piece stands still later by the loss time; after a flat top the begin of the
    way down is the standstill; where the sheave sticks as the motion turns, and the force falls faster
    than it rose, it lies somewhere between. While it sticks only the lead gives; where it turns
    the slope breaks off, and it is the part before that whose begin is sought.
    """
    down = _way_down(time_s, force_n - weight_n)
    if down is None:
        return None
    u = math.hypot(_BEGIN_REL_U * down.steep_s, _STANDSTILL_U_S)
    if down.begin_s - down.top_s[0] < _SMOOTH * down.steep_s:
        return Standstill(0.5 * sum(down.top_s) + loss_s, math.hypot(u, loss_u_s))
    return Standstill(down.begin_s + 0.5 * loss_s, math.hypot(u, loss_s / math.sqrt(12.0)))


def rebound_hz(time_s: FloatArray, force_n: FloatArray, weight_n: float) -> float | None:
    """Frequency of the rebound: a quarter of a swing leads from the standstill to the weight.

    Parameters
    ----------
    time_s, force_n, weight_n
        As for :func:`standstill`.

    Returns
    -------
    float or None
        None when the force never clearly comes down from a hump above the weight.
    """
    down = _way_down(time_s, force_n - weight_n)
    return None if down is None else 0.25 / max(down.weight_s - down.begin_s, _SLOPE_S)


@dataclass(frozen=True, slots=True)
class _WayDown:
    """First and last time near the top; begin, a measure of its bend, end at the weight."""

    top_s: tuple[float, float]
    begin_s: float
    steep_s: float
    weight_s: float


def _way_down(time_s: FloatArray, above_n: FloatArray) -> _WayDown | None:
    """Find where the first hump above the weight comes down."""
    hump = _first_hump(above_n)
    if hump is None:
        return None
    first, last = hump
    time, above = time_s[first : last + 1], above_n[first : last + 1]
    begin = _begin(time, above)
    if begin is None:
        return None
    high = np.flatnonzero(above[:-1] > _NEAR_TOP * float(above[:-1].max()))
    return _WayDown((float(time[high[0]]), float(time[high[-1]])), *begin, float(time[-1]))


def _begin(time_s: FloatArray, above_n: FloatArray) -> tuple[float, float] | None:
    """When the way down begins, and how long it takes to get from a quarter to three quarters steep."""
    step_s = float(np.median(np.diff(time_s)))
    few = max(round(_SLOPE_S / step_s), 1)
    top = int(np.argmax(above_n))
    mean = moving_mean(above_n, few)[top:]
    if mean.size < _LEAST_POINTS + few:
        return None
    slope = mean[:-few] - mean[few:]
    steepest = _steepest(slope)
    passed = []
    for part in _STEEP:
        flatter = np.flatnonzero(slope[: steepest + 1] < part * slope[steepest])
        i = int(flatter[-1]) if flatter.size else 0
        rise = float(slope[i + 1] - slope[i]) if i < steepest else 0.0
        inside = (part * float(slope[steepest]) - float(slope[i])) / rise if rise > 0 else 0.0
        passed.append(float(time_s[top + i]) + (inside + 0.5 * few) * step_s)
    steep_s = passed[1] - passed[0]
    return passed[0] - _BEFORE_QUARTER * steep_s, steep_s


def _steepest(slope: FloatArray) -> int:
    """Where the way down is steepest, or where the sheave turns, if that shows before."""
    last = int(np.argmax(slope))
    so_far = np.maximum.accumulate(slope[: last + 1])
    broken = np.flatnonzero(
        (so_far > _BREAKS_AT * slope[last]) & (slope[: last + 1] < _BREAKS_TO * so_far)
    )
    return int(np.argmax(slope[: broken[0]])) if broken.size else last


def _first_hump(above_n: FloatArray) -> tuple[int, int] | None:
    """First stretch above the weight that holds a clear top and comes down again."""
    largest = float(above_n.max()) if above_n.size else 0.0
    if largest <= 0:
        return None
    positive = above_n > 0
    edges = np.flatnonzero(np.diff(positive.astype(np.int8)))
    starts = [0, *(int(e) + 1 for e in edges)]
    for start, stop in zip(starts, [*starts[1:], above_n.size], strict=True):
        if positive[start] and float(above_n[start:stop].max()) > 0.4 * largest:
            return None if stop == above_n.size else (start, stop)
    return None
