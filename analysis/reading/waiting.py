"""The last wait: the winch stands still, and either the hand-over or the lowering ends it.

Comes in: block means, the zero. Goes out: one :class:`Wait`, or None. Must not: time the
release (``release.py`` does) or find the hang (``hanging.py`` does).

Notes
-----
Strokes of the winch follow each other; before the hinge lets go the rope stands still for
longer, but for creep and what the saw changes. So what ends the first long wait that no
higher one follows is the hand-over, unless it is the start of the lowering: then the piece
came onto the rope within the wait, unseen. A start of the lowering pulls the reading down
first, and no farther than a turn of friction between reader and piece takes it. A piece let
go downwards does so too, but stays between the level B that it left and 2A - B, and the hang
A after it ends in the start of the lowering.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.reading.filters import Blocks, moving_mean, runs
from analysis.reading.levels import Plateau, Zero
from analysis.reading.release import Release, quiet_release
from analysis.reading.stretches import Hang
from analysis.reading.trace import FloatArray

_SPAN_S: Final = 0.2
_QUICK_PER_S: Final = 0.10
_LEAST_LEVEL: Final = 0.1
_MEAN_S: Final = 0.15
_EDGE_S: Final = 0.3
_HOLD_S: Final = 0.8
WAIT_S: Final = 2.5
"""A rope that stands still for as long waits for the saw, not for the next stroke."""
SLOW_S: Final = 0.6
_HIGHER: Final = 1.15
_LASTING_S: Final = 2.0
_AWAY: Final = 0.03
_SETTLED_S: tuple[float, float] = (0.4, 3.0)
_TURN: Final = 0.03
_BOUND: Final = 1.3
_FIRST_S: Final = 1.0
_LOWERS_S: Final = 0.5
_DOWN_S: Final = 4.0
_DIPS: Final = 0.8
_SLIP: Final = 0.03
_SURELY_HANGS_S: Final = 2.0
_CAME_OVER: Final = 0.12
_SLOW_CHANGE: Final = 0.06
_FOOT_SHARE: Final = 0.15


@dataclass(frozen=True, slots=True)
class Wait:
    """The last wait before the piece hangs.

    Parameters
    ----------
    level : Plateau
        Where it stands; it may creep from its first to its last reading.
    hands_over : bool
        The hand-over ends it; False: the lowering does, and the hand-over lies in it.
    """

    level: Plateau
    hands_over: bool


def find_wait(
    blocks: Blocks, zero: Zero, *, turn: float, swings: bool, end_s: float
) -> Wait | None:
    """Find the last wait.

    Parameters
    ----------
    blocks : Blocks
        Block means, zero not taken.
    zero : Zero
        The record's zero.
    turn : float
        Most by which friction that turns lets the reading fall, as a ratio; 1 at the piece.
    end_s : float
        Where the load ends.

    Returns
    -------
    Wait or None
        None when the rope never stood still for long before anything swung.
    """
    mean = _filled(blocks, zero)[: blocks.index(end_s)]
    holds = _holds(mean, blocks, zero)
    for index, hold in enumerate(holds):
        if hold.duration_s < WAIT_S:
            continue
        later = holds[index + 1 :]
        after_n, settled = _level_after(mean, blocks, hold, later)
        reached = max([after_n, hold.last_n, *(h.first_n for h in later[:1])])
        lasting = (h for h in later if h.duration_s >= _LASTING_S)
        if any(h.level_n > _HIGHER * turn * reached for h in lasting):
            continue
        if settled is not None and _rises_on(mean, blocks, settled, later, turn):
            continue
        before = mean[: blocks.index(hold.start_s)]
        if before.size and before.max() > _HIGHER * hold.first_n:
            return None
        down = _goes_down(mean, blocks, hold)
        if down is None or end_s - hold.end_s < _LOWERS_S:
            return None
        hang = settled or next(iter(later), None)
        lowers = (
            end_s - hold.end_s < (_DOWN_S if down else WAIT_S)
            or _came_over(mean, blocks, hold)
            or (
                down
                and after_n >= (1.0 / turn - _TURN) * hold.last_n
                and not _swings(mean, blocks, hold, hang, turn, planned=swings)
            )
        )
        return Wait(hold, hands_over=not lowers)
    return None


def _filled(blocks: Blocks, zero: Zero) -> FloatArray:
    """Block means with zero taken, smoothed, gaps bridged."""
    mean = blocks.mean_n - zero.zero_n
    good = np.flatnonzero(np.isfinite(mean))
    whole = np.interp(np.arange(mean.size), good, mean[good])
    return moving_mean(whole, round(_MEAN_S / blocks.width_s))


def _holds(mean: FloatArray, blocks: Blocks, zero: Zero) -> list[Plateau]:
    """Stretches in which the reading moves slowly."""
    few = max(round(_SPAN_S / blocks.width_s), 1)
    level = np.clip(np.minimum(mean[few:], mean[:-few]), _LEAST_LEVEL * zero.scale_n, zero.scale_n)
    least = _QUICK_PER_S * few * blocks.width_s * level + 6.0 * blocks.noise_n
    quick = np.abs(mean[few:] - mean[:-few]) > least
    moving = mean < zero.slack_n
    for shift in range(few + 1):
        moving[shift : shift + quick.size] |= quick
    edge = max(round(_EDGE_S / blocks.width_s), 1)
    return [
        Plateau(
            blocks.time_s(a), blocks.time_s(b), float(np.median(mean[a:b])),
            float(np.median(mean[a : a + edge])), float(np.median(mean[max(b - edge, a) : b])),
        )
        for a, b in runs(~moving)
        if (b - a) * blocks.width_s >= _HOLD_S
    ]  # fmt: skip


def _level_after(
    mean: FloatArray, blocks: Blocks, hold: Plateau, later: list[Plateau]
) -> tuple[float, Plateau | None]:
    """Level of the hold reached soon, in stages or not, else the middle of the swinging."""
    soon = [h for h in later if h.start_s - hold.end_s < _SETTLED_S[1]]
    if soon:
        return soon[-1].first_n, soon[-1]
    first, last = (blocks.index(hold.end_s + s) for s in _SETTLED_S)
    part = mean[first : min(last, (first + mean.size) // 2)]
    return (float(np.median(part)) if part.size else hold.last_n), None


def _goes_down(mean: FloatArray, blocks: Blocks, hold: Plateau) -> bool | None:
    """Whether the reading leaves a hold downwards; None when it stays to the end."""
    part = mean[max(blocks.index(hold.end_s) - 2, 0) :] - hold.last_n
    far = np.flatnonzero(np.abs(part) > _AWAY * hold.last_n + 6.0 * blocks.noise_n)
    if far.size == 0:
        return None
    soon = part[far[0] : far[0] + round(_FIRST_S / blocks.width_s)]
    top = int(np.argmax(soon))
    return bool(part[far[0]] < 0) and bool(-soon[: top + 1].min() > 0.5 * soon[top])


def _rises_on(
    mean: FloatArray, blocks: Blocks, hold: Plateau, later: list[Plateau], turn: float
) -> bool:
    """Whether a hold is left for a higher level: a lowering never does that, but for friction."""
    then = [h for h in later if h.start_s > hold.start_s]
    level_n, _ = _level_after(mean, blocks, hold, then)
    return not _goes_down(mean, blocks, hold) and level_n > (1.0 + _AWAY) * turn * hold.last_n


def _came_over(mean: FloatArray, blocks: Blocks, hold: Plateau) -> bool:
    """Whether the level changed slowly and then stayed: a saw's relief lasts to the hand-over."""
    late = mean[blocks.index(hold.end_s - _SURELY_HANGS_S) : blocks.index(hold.end_s)]
    changed = abs(hold.last_n - hold.first_n) > _CAME_OVER * hold.last_n
    return changed and float(np.abs(late - hold.last_n).max()) < _SLIP * hold.last_n


def _swings(
    mean: FloatArray,
    blocks: Blocks,
    hold: Plateau,
    hang: Plateau | None,
    turn: float,
    *,
    planned: bool,
) -> bool:
    """Whether what follows a hold downwards is the swinging of a piece let go.

    A planned swing passes the level that it left; else the swinging stays within its bounds
    up to a hang that ends downwards, as a lowering starts.
    """
    begin, left_n = blocks.index(hold.end_s), (1.0 + _SLIP) * hold.last_n
    if planned:
        part = mean[begin : blocks.index(hold.end_s + _SETTLED_S[1])]
        return bool(part.max() > left_n) or bool(part.min() < _DIPS / turn * hold.last_n)
    if hang is None or not _goes_down(mean, blocks, hang):
        return False
    part = mean[begin : blocks.index(hang.start_s)]
    away = max(hold.last_n - hang.level_n, 0.0)
    low = hang.level_n - _BOUND * away - _SLIP * hang.level_n
    return part.size > 0 and bool(part.max() <= left_n) and bool(part.min() >= low)


def surely_hangs(hang: Hang) -> Hang:
    """Last two seconds of a hang after a slow change that may have been the saw's relief."""
    return replace(hang, start_s=max(hang.start_s, hang.end_s - _SURELY_HANGS_S))


def unseen_release(blocks: Blocks, zero: Zero, wait: Plateau) -> tuple[Release, Hang]:
    """Hand-over within a wait that the lowering ends, and the hang at the end of it.

    A slow change of the level is the hand-over; without one it lies anywhere. As the hinge may
    still carry a part, only the last two seconds count as the hang: common practice looks at a
    hanging piece for as long before it lowers it, no source.
    """
    late_s = max(wait.end_s - _SURELY_HANGS_S, 0.5 * (wait.start_s + wait.end_s))
    hang = Hang(late_s, wait.end_s, still=True, period_s=0.0)
    change = wait.last_n - wait.first_n
    first, last = blocks.index(wait.start_s), blocks.index(wait.end_s)
    mean = blocks.mean_n[first:last] - zero.zero_n
    if abs(change) < _SLOW_CHANGE * wait.last_n:
        level = replace(wait, end_s=late_s)
        return quiet_release(level, zero.load_s, replace(wait, start_s=late_s)), hang
    begun = np.flatnonzero(np.abs(mean - wait.first_n) < _FOOT_SHARE * abs(change))
    done = np.flatnonzero(np.abs(mean - wait.last_n) > _FOOT_SHARE * abs(change))
    start_s = blocks.time_s(first + int(begun[-1]) + 1 if begun.size else first)
    end_s = blocks.time_s(first + int(done[-1]) + 1 if done.size else first)
    end_s = max(end_s, start_s + 2.0 * blocks.width_s)
    settled = replace(wait, end_s=start_s, level_n=wait.first_n, last_n=wait.first_n)
    hang = replace(hang, start_s=min(max(late_s, end_s), wait.end_s))
    return Release("gradual", start_s, end_s, end_s, end_s, None, settled, quiet=True), hang
