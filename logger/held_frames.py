"""Frames that wait until their device has said who it is (INFO), so that they can be placed.

Comes in: runs of frames as they came. Goes out: the same runs in the same order, or those that
found no room. Must not: do I/O, ask a clock, or lose a frame without giving it back.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from typing import Final

from logger.samples import SampleRun

ROOM_FRAMES: Final = 4096


class HeldFrames:
    """Runs that wait, the oldest first."""

    __slots__ = ("_runs",)

    def __init__(self) -> None:
        self._runs: deque[SampleRun] = deque()

    def __bool__(self) -> bool:
        return bool(self._runs)

    @property
    def n_samples(self) -> int:
        """How many samples wait."""
        return sum(len(run.counts) for run in self._runs)

    def keep(self, run: SampleRun) -> Iterator[SampleRun]:
        """Add the newest run; give the oldest frames for which there is no more room."""
        self._runs.append(run)
        excess = sum(kept.n_frames for kept in self._runs) - ROOM_FRAMES
        while excess > 0:
            oldest = self._runs.popleft()
            if oldest.n_frames > excess:
                self._runs.appendleft(oldest.part(excess, oldest.n_frames))
                oldest = oldest.part(0, excess)
            excess -= oldest.n_frames
            yield oldest

    def put_before(self, runs: Iterable[SampleRun]) -> None:
        """Put runs, in their order, before those that wait."""
        self._runs.extendleft(reversed(list(runs)))

    def take(self) -> SampleRun:
        """Take the oldest; there must be one."""
        return self._runs.popleft()

    def clear(self) -> None:
        """Forget what waits."""
        self._runs.clear()
