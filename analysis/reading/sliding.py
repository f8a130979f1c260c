"""How long a piece in a span still hangs, after it slid along its rope and stopped again.

Comes in: block means with zero taken, where a hang seemed to end. Goes out: where it does.
Must not: choose a hang (``hanging.py`` does).

Notes
-----
Between two anchors a slow wind is enough to let the piece block run on along the rope. Where
it stops, friction at both sheaves turns at once, and a leg's reading jumps by a few per cent
(``physics.md`` §3, §4); then it stands as still as before. While rope is let out the angle of the
legs changes, and the reading with it, by some per cent in a second at any speed. So a level that
is even again soon after a jump has not been lowered. At the piece itself the reading is the
weight whatever the angle: nothing is told there.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from analysis.reading.filters import Blocks, runs
from analysis.reading.levels import Zero

_EVEN_S: Final = 1.0
_EVEN_PER_S: Final = 0.006
_EVEN_RANGE: Final = 0.02
_SOON_S: Final = 1.0
_JUMP: Final = 0.08


def lies_until(blocks: Blocks, zero: Zero, end_s: float, until_s: float) -> float:
    """Carry the end of a hang on over even levels that follow soon after small jumps.

    Parameters
    ----------
    blocks : Blocks
        Block means, zero not taken.
    zero : Zero
        The record's zero.
    end_s : float
        Where the hang seemed to end.
    until_s : float
        Where the load ends.

    Returns
    -------
    float
        The end of the last even level, or ``end_s``.
    """
    width = blocks.width_s
    n = max(round(_EVEN_S / width), 3)
    first = max(blocks.index(end_s) - n, 0)
    part = blocks.mean_n[first : blocks.index(until_s)] - zero.zero_n
    if part.size < 2 * n:
        return end_s
    level = float(np.nanmedian(part[:n]))
    windows = np.lib.stride_tricks.sliding_window_view(part, n)
    since = (np.arange(n) - 0.5 * (n - 1)) * width
    slope = windows @ since / (since @ since)
    left = np.ptp(windows - slope[:, None] * since, axis=1)
    even = (np.abs(slope) < _EVEN_PER_S * level) & (
        left < _EVEN_RANGE * level + 6.0 * blocks.noise_n
    )
    means = windows.mean(axis=1)
    end, was = end_s, level
    for start, stop in runs(even):
        begins, ends = blocks.time_s(first + start), blocks.time_s(first + stop - 1 + n)
        if begins - end > _SOON_S or abs(means[start] - was) > _JUMP * level:
            break
        end, was = max(end, ends), float(means[stop - 1])
    return end
