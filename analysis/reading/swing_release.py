"""The hand-over of a piece that swings, in time.

Comes in: smoothed forces with zero taken, the wait before. Goes out: one :class:`Release`.
Must not: look at rigs whose piece hangs plumb (``release.py`` does) or find the wait.

Notes
-----
A piece let go gains speed steadily, so the force leaves its level with the square of time:
where it is four times as far away, twice the time has passed. On the fall the sheave sticks
at first: winched in, the fall reads F = T/eta, and moves when the lead has grown from eta F to
F/eta. With T = eta F + b t^2 it then moves with the slope s = 2 eta b t, so t = 2 F (1 - eta^2)/s
has passed.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.reading.filters import moving_mean
from analysis.reading.levels import Plateau
from analysis.reading.release import Release, ReleaseKind
from analysis.reading.trace import FloatArray

_MEAN_S: Final = 0.08
_LONGEST_FOOT_S: Final = 0.3
_SLOPE_S: Final = 0.1
_SLOPES_S: Final = 0.4
_AWAY: Final = 0.05
_NEAR: Final = 0.015
_TURNS: Final = 0.05
_SWINGS: Final = 2.0
_LONGEST_S: Final = 1.5


def swing_release(
    time_s: FloatArray,
    smooth_n: FloatArray,
    level: Plateau,
    *,
    swing_s: float,
    scale_n: float,
    until_s: float,
    sticks: float = 0.0,
) -> Release:
    """Time the hand-over to a swing.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    level : Plateau
        The wait that the hand-over ends.
    swing_s : float
        Time from one largest force of the swing to the next.
    scale_n : float
        Usual load.
    until_s : float
        Where the load ends.
    sticks : float
        1 - eta^2 of the sheave between piece and cell; 0 without one.

    Returns
    -------
    Release
    """
    period = float(time_s[1] - time_s[0])
    force = moving_mean(smooth_n, max(round(_MEAN_S / period), 1))
    last = int(np.searchsorted(time_s, until_s))
    start = _leaving(time_s[:last], force[:last], level, scale_n, sticks)
    return _timed(time_s, force, start, level, swing_s, scale_n)


def _leaving(
    time_s: FloatArray, force_n: FloatArray, level: Plateau, scale_n: float, sticks: float
) -> int:
    """Sample at which a level is left for good."""
    period = float(time_s[1] - time_s[0])
    begin = min(int(np.searchsorted(time_s, level.end_s - 0.1)), time_s.size - 1)
    away = force_n[begin:] - level.last_n
    far = np.flatnonzero(np.abs(away) > _AWAY * scale_n)
    near = np.flatnonzero(np.abs(away[: far[0] if far.size else None]) <= _NEAR * scale_n)
    left = int(near[-1]) if near.size else 0
    if sticks and far.size and away[far[0]] > 0.0:
        few = max(round(_SLOPE_S / period), 1)
        part = away[left : left + round(_SLOPES_S / period)]
        slope = float(np.max(part[few:] - part[:-few], initial=0.0)) / _SLOPE_S
        foot_s = min(2.0 * sticks * level.last_n / max(slope, 1e-9), _LONGEST_FOOT_S)
    else:
        quarter = int(np.argmax(np.abs(away[left:]) > 4.0 * _NEAR * scale_n))
        foot_s = min(quarter * period, _LONGEST_FOOT_S)
    return max(begin + left - round(foot_s / period), 0)


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
    falls = float(np.mean(part)) < 0.0
    up = -part if falls else part
    skip = int(np.argmax(up > _TURNS * scale_n))
    highest = np.maximum.accumulate(up[skip:])
    turned = np.flatnonzero(highest - up[skip:] > _TURNS * scale_n)
    turn = skip + int(turned[0]) if turned.size else part.size - 1
    first = start + int(np.argmax(up[: turn + 1]))
    first_s, start_s = float(time_s[first]), float(time_s[start])
    slow = not falls and first_s - start_s > max(_LONGEST_S, 0.8 * swing_s)
    kind: ReleaseKind = "drop" if falls else "gradual" if slow else "rise"
    return Release(kind, start_s, first_s, first_s + 0.05, end_s, None, level)
