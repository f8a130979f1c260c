"""Rope that is taken in while the piece hangs: the hang ends in a rise, not in a dip.

Comes in: smoothed forces, a hang. Goes out: a :class:`Rise`, or None. Must not: find the hang,
or where the lowering starts (``hanging.py`` does).

Notes
-----
Whoever lets rope out lets the piece gain speed first: the reading dips by a/g. Whoever takes
it in (to clear something below, to take the load off a hook) pulls it up first. A brake that grips while
the piece comes down does so too: a rise says where no lowering *starts*, not that the piece
hung before it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.filters import moving_mean
from analysis.reading.stretches import Hang
from analysis.reading.trace import FloatArray

_MEAN_S: Final = 0.2
_LOOK_BACK_S: Final = 3.0
_EDGE_S: Final = 0.5
"""The end of a hang is known to so much."""
_LOOK_S: Final = 1.5
_TOP_S: Final = 1.0
_LEAST_SHARE: Final = 0.03
_LEAST_SAMPLES: Final = 4
_SIGMAS: Final = 6.0
_WANDERS: Final = 1.5
_DIPS: Final = 0.4


@dataclass(frozen=True, slots=True)
class Rise:
    """Time of its top, and the level that it left."""

    top_s: float
    from_n: float


def ends_in_a_rise(
    time_s: FloatArray, smooth_n: FloatArray, hang: Hang, until_s: float, noise_n: float
) -> Rise | None:
    """Find the rise that ends a hang.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Evenly sampled newtons, smoothed, zero taken.
    hang : Hang
        Its end is known to half a second.
    until_s : float
        Where the load ends.
    noise_n : float
        Noise of a smoothed sample.

    Returns
    -------
    Rise or None
        None where a dip comes first, nothing stands out of the last 3 s of the hang, or the
        rise is no larger than the swings there.
    """
    step_s = float(np.median(np.diff(time_s[:50])))
    few = max(round(max(0.0 if hang.still else hang.period_s, _MEAN_S) / step_s), 1)
    marks = max(hang.end_s - _LOOK_BACK_S, hang.start_s), min(hang.end_s + _LOOK_S, until_s)
    first, last = (int(i) for i in np.searchsorted(time_s, marks))
    edge = int(np.searchsorted(time_s, hang.end_s - _EDGE_S))
    if edge - first < _LEAST_SAMPLES:
        return None
    begin = max(first - few, 0)
    mean = moving_mean(smooth_n[begin : last + few], few)[first - begin : last - begin]
    before, away = mean[: edge - first], mean[edge - first :]
    level = float(np.median(before))
    wander = float(np.abs(before - level).max())
    limit = max(_LEAST_SHARE * level, _SIGMAS * noise_n, _WANDERS * wander)
    far = np.flatnonzero(np.abs(away - level) > limit)
    if far.size == 0 or away[: far[0] + 1].min() - level < -_DIPS * limit:
        return None
    rises = edge + int(far[0])
    top = rises + int(np.argmax(smooth_n[rises : min(rises + round(_TOP_S / step_s) + 1, last)]))
    swings = float(np.abs(smooth_n[first:edge] - level).max())
    if smooth_n[top] - level < _WANDERS * swings:
        return None
    return Rise(float(time_s[top]), level)
