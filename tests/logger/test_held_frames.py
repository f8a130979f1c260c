"""Frames that wait for INFO: none is lost without being given back, and order is kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import held_frames
from logger.held_frames import HeldFrames
from logger.samples import SampleRun

PER_FRAME = 3


def run(first_frame: int, n_frames: int) -> SampleRun:
    """Frames whose tick is their number."""
    ticks = np.arange(first_frame, first_frame + n_frames)
    counts = np.zeros(n_frames * PER_FRAME, np.int32)
    return SampleRun(first_frame * PER_FRAME, ticks, counts, ticks * 1000)


def numbers(runs: list[SampleRun]) -> list[int]:
    return [tick for one in runs for tick in one.tick_us.tolist()]


def all_of(held: HeldFrames) -> list[int]:
    taken = []
    while held:
        taken.append(held.take())
    return numbers(taken)


@given(sizes=st.lists(st.integers(1, 40), max_size=30), room=st.integers(1, 60))
def test_what_finds_no_room_is_the_oldest_and_is_given_back(sizes: list[int], room: int) -> None:
    held, first = HeldFrames(), 0
    lost: list[SampleRun] = []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(held_frames, "ROOM_FRAMES", room)
        for size in sizes:
            lost += held.keep(run(first, size))
            first += size
            assert held.n_samples <= room * PER_FRAME
    kept = all_of(held)
    assert len(kept) == min(first, room)
    assert numbers(lost) + kept == list(range(first))


def test_what_is_put_before_comes_first_in_its_order() -> None:
    held = HeldFrames()
    assert list(held.keep(run(5, 2))) == []
    held.put_before([run(0, 2), run(2, 3)])
    assert held.n_samples == 7 * PER_FRAME
    assert all_of(held) == list(range(7))
    assert list(held.keep(run(0, 2))) == []
    held.clear()
    assert not held
