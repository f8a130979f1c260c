"""The hand-over of a piece that swings: the first long wait after which the force goes to and fro.

Comes in: smoothed forces with zero taken, settled levels. Goes out: one :class:`Release`.
Must not: look at rigs whose piece hangs plumb (``steps.py`` and ``release.py`` do).

Notes
-----
A stroke of the winch goes up and stays. A swing goes up and comes down by a good part of the
weight within its period, however it begins; a sheave that sticks makes a staircase of it on
the fall, so that no single step of it rings. A piece let go gains speed steadily, so the
force leaves its level with the square of time: where it is four times as far away, twice
the time has passed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.reading.filters import moving_mean
from analysis.reading.levels import Plateau
from analysis.reading.release import Release, ReleaseKind
from analysis.reading.trace import FloatArray

_MEAN_S: Final = 0.08
_WAIT_S: Final = 2.5
_LONGEST_FOOT_S: Final = 0.4
_AWAY: Final = 0.10
_NEAR: Final = 0.015
_TO_AND_FRO: Final = 0.08
_TURNS: Final = 0.05
_SWINGS: Final = 2.0
_LONGEST_S: Final = 1.5


def swing_release(
    time_s: FloatArray,
    smooth_n: FloatArray,
    levels: tuple[Plateau, ...],
    *,
    swing_s: float,
    scale_n: float,
    until_s: float,
) -> Release | None:
    """Find the hand-over to a swing.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    levels : tuple of Plateau
        Settled levels in order of time.
    swing_s : float
        Time from one largest force of the swing to the next.
    scale_n : float
        Usual load.
    until_s : float
        Where the load ends.

    Returns
    -------
    Release or None
        None when no long wait is followed by a swing.
    """
    period = float(time_s[1] - time_s[0])
    force = moving_mean(smooth_n, max(round(_MEAN_S / period), 1))
    last = int(np.searchsorted(time_s, until_s))
    fro = np.flatnonzero(np.maximum.accumulate(force[:last]) - force[:last] > _TO_AND_FRO * scale_n)
    if fro.size == 0:
        return None
    for level in reversed(levels):
        start = _leaving(time_s[:last], force[:last], level, scale_n)
        if start is not None and start < fro[0]:
            return _timed(time_s, force, start, level, swing_s, scale_n)
    return None


def _leaving(time_s: FloatArray, force_n: FloatArray, level: Plateau, scale_n: float) -> int | None:
    """Sample at which a level is left for good; None when the rope was not still for long."""
    begin = int(np.searchsorted(time_s, level.end_s - 0.1))
    away = np.abs(force_n - level.last_n)
    far = np.flatnonzero(away[begin:] > _AWAY * scale_n)
    came = np.flatnonzero(away[:begin] > _AWAY * scale_n)
    if far.size == 0 or came.size == 0:
        return None
    near = np.flatnonzero(away[begin : begin + far[0]] <= _NEAR * scale_n)
    left = begin + (int(near[-1]) if near.size else 0)
    quarter = left + int(np.argmax(away[left:] > 4.0 * _NEAR * scale_n))
    foot = min(quarter - left, round(_LONGEST_FOOT_S / float(time_s[1] - time_s[0])))
    start = max(left - foot, int(came[-1]) + 1)
    return start if time_s[start] - time_s[came[-1]] >= _WAIT_S else None


def _timed(
    time_s: FloatArray,
    force_n: FloatArray,
    start: int,
    level: Plateau,
    swing_s: float,
    scale_n: float,
) -> Release:
    """First extreme after the start, and the swings among which the peak is sought."""
    end_s = float(time_s[start]) + _SWINGS * swing_s
    part = force_n[start : int(np.searchsorted(time_s, end_s))] - level.last_n
    falls = bool(part[int(np.argmax(np.abs(part) > _TURNS * scale_n))] < 0)
    up = -part if falls else part
    highest = np.maximum.accumulate(up)
    turned = np.flatnonzero(highest - up > _TURNS * scale_n)
    turn = int(turned[0]) if turned.size else part.size - 1
    first = start + int(np.argmax(up[: turn + 1]))
    first_s, start_s = float(time_s[first]), float(time_s[start])
    slow = not falls and first_s - start_s > max(_LONGEST_S, 0.8 * swing_s)
    kind: ReleaseKind = "drop" if falls else "gradual" if slow else "rise"
    return Release(kind, start_s, first_s, first_s + 0.05, end_s, None, level)
