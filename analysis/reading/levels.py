"""Levels of a trace: where it is slack, what slack reads, where it stands still.

Comes in: block means. Goes out: the zero with its uncertainty, and plateaus in order.
Must not: decide which plateau is the hang (``phases.py`` does).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.filters import Blocks, robust_sd, runs, shorth, window_range
from analysis.reading.trace import FloatArray

STILL_S: Final = 0.6
"""A level that holds this long is settled."""
_STILL_SHARE: Final = 0.02
_SLACK_SHARE: Final = 0.04
_TIGHT_SHARE: Final = 0.008
_SLACK_LOOK_BACK_S: Final = 3.0
_LARGEST_ZERO: Final = 0.2
_BACK_SHARE: Final = 0.02
_LEAST_SLACK_S: Final = 0.2
_RAMP_SHARE: Final = 0.03
_MOST_SHARE: Final = 0.65
"""A ramp stays for half of its length near its middle; a level with a tail at either end for longer."""
_CREST_S: Final = 1.5
_HANDLING_S: Final = 0.8
_HANDLING_SHARE: Final = 0.25
_CREST_SHARE: Final = 0.09


@dataclass(frozen=True, slots=True)
class Zero:
    """What the slack rope reads.

    Parameters
    ----------
    zero_n : float
        Newtons; 0 when nothing slack was found before the load.
    u_n : float
        Standard uncertainty of the slack level, newtons.
    load_s : float
        Time at which the load begins.
    scale_n : float
        Usual loaded level above zero, newtons; 0 when there is no load.
    slack_n : float
        Below this (zero taken) the rope counts as slack.
    found : bool
        Whether a slack stretch stands before the load.
    """

    zero_n: float
    u_n: float
    load_s: float
    scale_n: float
    slack_n: float
    found: bool


@dataclass(frozen=True, slots=True)
class Plateau:
    """A settled level: its stretch and what it reads there, zero taken."""

    start_s: float
    end_s: float
    level_n: float
    first_n: float
    last_n: float

    @property
    def duration_s(self) -> float:
        """How long it holds."""
        return self.end_s - self.start_s


def _scale(mean: FloatArray) -> tuple[float, float]:
    """Lowest level, and usual loaded height above it."""
    base, top = float(np.percentile(mean, 1.0)), float(mean.max())
    high = mean[mean > base + 0.05 * (top - base)]
    if high.size == 0:
        return base, 0.0
    return base, float(np.percentile(high, 75.0)) - base


def find_zero(blocks: Blocks) -> Zero:
    """Take the zero from the slack stretch before the load.

    Parameters
    ----------
    blocks : Blocks
        Block means, zero not taken.

    Returns
    -------
    Zero

    Notes
    -----
    A beginning counts as slack when it is the lowest level of the record, and lies within
    a fifth of the usual load of zero or is the level to which the record comes back at its end;
    a record that begins loaded has no zero of its own.
    The most crowded half of the last 3 s before the reading first stirs is averaged, so
    that a hand on the rope or a rope just taken up does not count.
    """
    mean = blocks.mean_n
    good = mean[np.isfinite(mean)]
    base, scale = _scale(good)
    noise = blocks.noise_n
    if scale <= 10.0 * noise:
        level = shorth(good)
        return Zero(float(level.mean()), robust_sd(good), math.inf, 0.0, math.inf, found=True)
    threshold = max(8.0 * noise, _SLACK_SHARE * scale)
    few = max(round(_LEAST_SLACK_S / blocks.width_s), 2)
    begin = float(np.median(good[:few]))
    lowest = abs(begin - base) <= max(8.0 * noise, 0.06 * scale)
    back = abs(float(np.median(good[-few:])) - begin) <= max(4.0 * noise, _BACK_SHARE * scale)
    if not lowest or (abs(begin) > _LARGEST_ZERO * scale and not back):
        return Zero(0.0, 0.0, blocks.start_s, scale, threshold, found=False)
    first = _first_load(mean - begin, threshold, scale, round(_HANDLING_S / blocks.width_s))
    tight = mean[:first] - begin <= max(6.0 * noise, _TIGHT_SHARE * scale)
    quiet = int(np.argmin(tight)) if not tight.all() else first
    last = int(np.flatnonzero(tight)[-1]) + 1 if tight.any() else first
    if min(first, last) < few:
        return Zero(0.0, 0.0, blocks.start_s, scale, threshold, found=False)
    look = round(_SLACK_LOOK_BACK_S / blocks.width_s)
    end = quiet if quiet >= few else last
    slack = mean[max(end - 1 - look, 0) : max(end - 1, few - 1)]
    slack = slack[np.isfinite(slack)]
    level = shorth(slack)
    u = max(noise, robust_sd(slack)) / math.sqrt(level.size)
    load_s = blocks.time_s(last)
    return Zero(float(level.mean()), u, load_s, scale, threshold, found=True)


def _first_load(above: FloatArray, threshold_n: float, scale_n: float, few: int) -> int:
    """First block of the load; short small pulls by hand on a slack rope do not count."""
    loads = runs(above > threshold_n)
    for a, b in loads:
        if b - a >= few or float(np.nanmax(above[a:b])) > _HANDLING_SHARE * scale_n:
            return a
    return loads[0][0]


def find_slack(
    blocks: Blocks, zero: Zero, after_s: float, least_s: float
) -> tuple[float, float] | None:
    """First stretch after a time in which the rope is slack.

    Returns
    -------
    (start_s, end_s) or None
    """
    begin = blocks.index(after_s)
    mask = blocks.mean_n[begin:] - zero.zero_n < zero.slack_n
    for a, b in runs(mask):
        if (b - a) * blocks.width_s >= least_s:
            return blocks.time_s(begin + a), blocks.time_s(begin + b)
    return None


def find_plateaus(
    blocks: Blocks, zero: Zero, *, still_s: float = STILL_S, share: float = _STILL_SHARE
) -> tuple[Plateau, ...]:
    """Find loaded levels that hold still.

    Parameters
    ----------
    blocks : Blocks
        Block means, zero not taken.
    zero : Zero
        The record's zero and scale.
    still_s : float
        How long a level must hold.
    share : float
        Largest range over that time, as a share of the level.

    Returns
    -------
    tuple of Plateau
        In order of time.
    """
    n = max(round(still_s / blocks.width_s), 3)
    mean = blocks.mean_n - zero.zero_n
    span, middle = window_range(mean, n)
    tolerance = share * np.abs(middle) + 0.003 * zero.scale_n + 6.0 * blocks.noise_n
    still = (span <= tolerance) & (middle > zero.slack_n)
    few = max(n // 2, 2)
    least = 0.015 * zero.scale_n + 6.0 * blocks.noise_n
    whole = [(a, b + n - 1) for a, b in runs(still)]
    begins, ends = (np.median(part, axis=1).tolist() for part in _ends(mean, whole, few))
    cut = [
        stretch
        for (first, last), begin, end in zip(whole, begins, ends, strict=True)
        for stretch in _unramped(mean[first:last], first, (begin, end), few, least)
    ]
    begin_parts, end_parts = _ends(mean, cut, few)
    firsts, lasts = begin_parts.mean(axis=1).tolist(), np.median(end_parts, axis=1).tolist()
    return _joined(
        [
            Plateau(
                blocks.time_s(first),
                blocks.time_s(last),
                float(np.median(mean[first:last])),
                *levels,
            )
            for (first, last), *levels in zip(cut, firsts, lasts, strict=True)
        ]
    )


def _ends(
    mean: FloatArray, stretches: list[tuple[int, int]], few: int
) -> tuple[FloatArray, FloatArray]:
    """First and last few values of each of k stretches, each ``(k, few)``."""
    edges = np.array(stretches, dtype=np.int64).reshape(-1, 2)
    inside = np.arange(few)
    return mean[edges[:, :1] + inside], mean[edges[:, 1:] - few + inside]


def _unramped(
    part: FloatArray, first: int, ends_n: tuple[float, float], few: int, least_n: float
) -> list[tuple[int, int]]:
    """Cut the slow ramp out of a stretch that begins and ends at different levels."""
    begin, end = ends_n
    last = first + part.size
    if abs(end - begin) < max(_RAMP_SHARE * max(abs(begin), abs(end)), least_n):
        return [(first, last)]
    near, most = 0.25 * abs(end - begin), max(round(_MOST_SHARE * part.size), 2 * few)
    out = []
    for level, least in ((begin, 2 * few), (end, 2 * few), (float(np.median(part)), most)):
        held = max(
            runs(np.abs(part - level) <= near), key=lambda run: run[1] - run[0], default=(0, 0)
        )
        if held[1] - held[0] >= least:
            out.append((first + held[0], first + held[1]))
    return [out[-1]] if out and out[-1][1] - out[-1][0] >= most else out


def settle_on(plateaus: tuple[Plateau, ...], index: int) -> Plateau:
    """Pass from the still crest of a slow swing to the long level that follows it."""
    chosen = plateaus[index]
    for later in plateaus[index + 1 :]:
        close = later.start_s - chosen.end_s < _CREST_S
        alike = abs(later.level_n - chosen.level_n) < _CREST_SHARE * chosen.level_n
        longer = later.duration_s > 2.0 * chosen.duration_s
        if close and alike and longer and chosen.duration_s < _CREST_S:
            chosen = later
    return chosen


def _joined(found: list[Plateau]) -> tuple[Plateau, ...]:
    """Join neighbours that a single restless block separated."""
    out: list[Plateau] = []
    for plateau in found:
        last = out[-1] if out else None
        if (
            last is not None
            and plateau.start_s - last.end_s < 0.15
            and abs(plateau.first_n - last.last_n) < 0.01 * abs(last.level_n)
        ):
            out[-1] = Plateau(
                last.start_s,
                plateau.end_s,
                last.level_n if last.duration_s > plateau.duration_s else plateau.level_n,
                last.first_n,
                plateau.last_n,
            )
        else:
            out.append(plateau)
    return tuple(out)
