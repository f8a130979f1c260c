"""When a hanging piece is stirred again: the first growth of its swings.

Comes in: smoothed forces after the release, the period of the ring-down. Goes out: a time.
Must not: name the cause (a start of the lowering, a touch and a gust look alike here).

Notes
-----
A mean over one period takes out both the weight and slow wander, not the ring-down. What
is left can only fade while nobody does anything; where its size over half a period grows
by three fifths and by more than noise explains, the piece was stirred. A lowering that starts
while the piece still swings shows in that mean itself: a dip of about a second, the piece
gaining speed, larger than what swings and wind made of the mean before.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.reading.filters import moving_mean
from analysis.reading.trace import FloatArray

_STEP_S: Final = 0.04
_GROWTH: Final = 1.6
_LEAST_SHARE: Final = 0.012
_LARGEST_SHARE: Final = 0.3
_SIGMAS: Final = 4.5
_DIP_S: Final = 0.9
_LOOK_BACK_S: Final = 1.6
_APART_S: Final = 0.5
_DIP_GROWTH: Final = 1.6
_LEAST_DIP: Final = 0.025
_TO_START_S: Final = 0.45
_SHORTEST_S: Final = 0.4
_LONGEST_S: Final = 1.6


def stirred_s(
    time_s: FloatArray,
    force_n: FloatArray,
    *,
    level_n: float,
    period_s: float,
    noise_n: float,
) -> float | None:
    """Time at which fading swings grow again.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        From the first extreme after the release to the end of the load; zero taken.
    level_n : float
        What it hangs at, about.
    period_s : float
        Of the ring-down; 0 when nothing swung.
    noise_n : float
        Standard deviation of one sample.

    Returns
    -------
    float or None
        None when the swings only fade.
    """
    if time_s.size < 8 or level_n <= 0:
        return None
    every = max(round(_STEP_S / float(np.median(np.diff(time_s[:50])))), 1)
    whole = time_s.size // every * every
    force = force_n[:whole].reshape(-1, every).mean(axis=1) / level_n
    times = time_s[:whole].reshape(-1, every).mean(axis=1)
    step = float(times[1] - times[0]) if times.size > 1 else 1.0
    n = max(round(min(max(period_s, _SHORTEST_S), _LONGEST_S) / step), 4)
    noise = noise_n / level_n / math.sqrt(every)
    found = [
        s
        for s in (_grown_s(times, force, n, noise), _dipped_s(times, force, n, step, noise))
        if s is not None
    ]
    return min(found, default=None)


def _grown_s(times: FloatArray, share: FloatArray, n: int, noise: float) -> float | None:
    """First growth of the swings about their own mean over a period."""
    if share.size < 3 * n:
        return None
    moving = np.abs(share - moving_mean(share, n))[n // 2 : -(n // 2)]
    times = times[n // 2 : -(n // 2)]
    sizes = np.lib.stride_tricks.sliding_window_view(moving, n).max(axis=1)
    half = n // 2
    before, after = sizes[:-half], sizes[half:]
    grown = after > _GROWTH * before + max(_LEAST_SHARE, _SIGMAS * noise)
    found = np.flatnonzero(grown & (before < _LARGEST_SHARE))
    if found.size == 0:
        return None
    first = int(found[0])
    reached = np.flatnonzero(moving[first + half :] > 0.5 * (before[first] + after[first]))
    return float(times[first + half + (int(reached[0]) if reached.size else 0)])


def _dipped_s(
    times: FloatArray, share: FloatArray, n: int, step_s: float, noise: float
) -> float | None:
    """First dip of the mean over a period that is larger than what came before: a start."""
    reach, back = round(_DIP_S / step_s), round(_LOOK_BACK_S / step_s)
    if share.size < 2 * reach + back + n:
        return None
    mean = moving_mean(share, n)
    dip = 0.5 * (mean[: -2 * reach] + mean[2 * reach :]) - mean[reach:-reach]
    usual = np.lib.stride_tricks.sliding_window_view(np.maximum(dip, 0.0), back).max(axis=1)
    now = dip[back + round(_APART_S / step_s) :]
    usual = usual[: now.size]
    least = max(_LEAST_DIP, _SIGMAS * noise)
    found = np.flatnonzero(now > _DIP_GROWTH * usual + least)
    if found.size == 0:
        return None
    first = back + round(_APART_S / step_s) + int(found[0])
    top = first + int(np.argmax(dip[first : first + round(0.6 / step_s) + 1]))
    return float(times[reach + top]) - _TO_START_S
