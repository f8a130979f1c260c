"""Named stretches of a record, and the marks at which they begin.

Comes in: release, load, hang. Goes out: :class:`Phase`, :class:`Hang`, marks. Must not:
find any of them (``phases.py`` does).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.reading.levels import Plateau
from analysis.reading.release import Release
from analysis.reading.trace import FloatArray

PhaseName = Literal[
    "slack",
    "pretension",
    "hand_over",
    "catch",
    "ring_down",
    "hang",
    "lowering",
    "touchdown",
    "after",
]


SHORT_HANG_S: Final = 1.0
"""Own choice: a hang shorter than that tells little."""
_STILL_CARRIED: Final = 0.7
_LEAST_LOWERING_S: Final = 0.1
_LEAST_OPEN_S: Final = 0.2


@dataclass(frozen=True, slots=True)
class Phase:
    """A named stretch of the record."""

    name: PhaseName
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Told:
    """What a followed motion tells of a quantity, SI, and its relative standard uncertainty."""

    value: float
    rel_u: float


UNTOLD: Final = Told(math.nan, math.inf)


@dataclass(frozen=True, slots=True)
class Tells:
    """What a followed motion tells: weight of the piece, EA of the rope, efficiency of the high block."""

    weight: Told
    ea: Told = UNTOLD
    efficiency: Told = UNTOLD


@dataclass(frozen=True, slots=True)
class Hang:
    """Where the piece hangs: stretch, whether it is still, period of what is left.

    ``end_seen``: a start of the lowering (or a touch, or a gust) shows where it ends.
    ``told``: what its motion tells. ``lowered_s``: where the lowering
    starts, if rope was taken in before it.
    """

    start_s: float
    end_s: float
    still: bool
    period_s: float
    end_seen: bool = True
    told: Tells | None = None
    lowered_s: float | None = None

    @property
    def lowering_s(self) -> float:
        """Where the lowering starts: where the hang ends, but for rope that was taken in first."""
        return self.end_s if self.lowered_s is None else self.lowered_s


def on_the_way(plateau: Plateau, hang: Plateau) -> bool:
    """Whether a short level is only the slow slope up to the hang."""
    away = hang.level_n - plateau.level_n
    if plateau.duration_s > 1.5 or abs(away) > 0.25 * hang.level_n:
        return False
    towards = math.copysign(1.0, away) * (plateau.last_n - plateau.first_n)
    return abs(away) < 0.04 * hang.level_n or towards > 0.01 * plateau.level_n


def release_marks(release: Release | None, load_s: float) -> list[tuple[PhaseName, float]]:
    """Begin of the stretches up to the ring-down, given where the load begins."""
    if release is None:
        return [("pretension", load_s)]
    marks: list[tuple[PhaseName, float]] = []
    if release.kind == "catch":
        if release.slack_from_s is not None and release.slack_from_s > load_s + 0.1:
            marks.append(("pretension", load_s))
            if release.settled is not None:
                marks.append(("hand_over", release.settled.end_s))
            marks.append(("slack", release.slack_from_s))
        marks.append(("catch", max(release.start_s, load_s)))
        return marks
    if release.start_s > load_s and (release.settled is not None or release.start_s > load_s + 0.3):
        marks.append(("pretension", load_s))
    if release.first_s > release.start_s:
        marks.append(("hand_over", max(release.start_s, load_s) if marks else load_s))
    return marks


def hang_marks(
    time_s: FloatArray,
    smooth_n: FloatArray,
    release: Release | None,
    hang: Hang,
    load_end_s: float,
    *,
    down: bool,
) -> list[tuple[PhaseName, float]]:
    """Begin of the stretches from the ring-down to the touchdown.

    Parameters
    ----------
    time_s, smooth_n : (n,) float64
        Smoothed newtons, zero taken.
    release, hang : Release or None, Hang
        As found.
    load_end_s : float
        Where the rope is slack, or the record ends.
    down : bool
        Whether the rope went slack at the end.

    Returns
    -------
    list of (str, float)
    """
    marks: list[tuple[PhaseName, float]] = []
    if release is not None and release.kind != "gradual":
        marks.append(("ring_down", min(release.after_first_s, hang.start_s)))
    marks.append(("hang", hang.start_s))
    touch = load_end_s
    if down:
        a, lowered, b = (
            int(i) for i in np.searchsorted(time_s, (hang.start_s, hang.lowering_s, load_end_s))
        )
        high = np.flatnonzero(smooth_n[a:b] > _STILL_CARRIED * _carried_n(smooth_n, a, lowered, b))
        touch = float(time_s[a + int(high[-1])]) if high.size else load_end_s
    still_open = not down and float(time_s[-1]) - hang.lowering_s > _LEAST_OPEN_S
    if touch - hang.lowering_s > _LEAST_LOWERING_S or still_open:
        marks.append(("lowering", hang.lowering_s))
    if down:
        marks.append(("touchdown", max(touch, hang.lowering_s)))
    return marks


def _carried_n(smooth_n: FloatArray, hang: int, lowered: int, down: int) -> float:
    """Usual reading of the hang or of the lowering, the smaller: friction turns on the fall."""
    parts = (smooth_n[hang:lowered], smooth_n[lowered:down])
    return min((float(np.median(part)) for part in parts if part.size), default=0.0)
