"""Kill −9 of a recorder: what was acknowledged is there, the file opens unaided."""

from __future__ import annotations

import random
import time
from pathlib import Path

import pytest
from recording_child import Recording, losses

from logger.logbook.check import check
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter


def kill_again_and_again(path: Path, rng: random.Random, n: int) -> int:
    """Record, kill at a random moment, compare; n times into one logbook."""
    acknowledged: dict[int, int] = {}
    for _ in range(n):
        with Recording(path) as recording:
            recording.read_acks(rng.randrange(1, 120))
            recording.kill(rng.uniform(0, 0.02))
        acknowledged |= recording.acks
        assert losses(path, acknowledged) == []
    return len(acknowledged)


def test_killed_at_a_few_random_moments(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    assert kill_again_and_again(path, random.Random(1), 4) >= 3 * 4 - 2
    report = check(path)
    assert report.ok
    assert len(report.sessions) == 4
    assert not any(session.closed for session in report.sessions)
    assert not any(stream.closed for stream in report.streams)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.logbook", "a.logbook.lock"]


@pytest.mark.slow
def test_killed_at_twenty_random_moments(tmp_path: Path) -> None:
    for seed in (2, 3):
        kill_again_and_again(tmp_path / f"{seed}.logbook", random.Random(seed), 10)


@pytest.mark.slow
def test_killed_while_the_logbook_is_made(tmp_path: Path) -> None:
    rng = random.Random(4)
    with Recording(tmp_path / "first.logbook") as recording:
        recording.wait_for_begin()
        started = time.monotonic()
        recording.read_acks(1)
        making_s = time.monotonic() - started
    for i in range(20):
        path = tmp_path / f"{i}.logbook"
        with Recording(path) as recording:
            recording.wait_for_begin()
            recording.kill(rng.uniform(0, making_s))
        if path.exists():
            assert losses(path, recording.acks) == []
        else:
            assert recording.acks == {}
        with LogbookWriter(path) as writer:  # it goes on, whatever was left
            assert writer.session >= 1
        assert check(path).ok


def test_a_window_left_open_ends_at_the_last_sample(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with Recording(path) as recording:
        recording.read_acks(30)
        recording.kill()
    with LogbookReader(path) as reader:
        ends = {stream.id: stream.last_index for stream in reader.streams()}
        windows = reader.lowerings()
        assert windows
        for window in windows:
            assert window.last_index is not None
            assert window.closed or window.last_index == ends[window.stream]


def test_the_comparison_can_fail(tmp_path: Path) -> None:
    # A recorder that acknowledges before it has committed must be found out.
    path = tmp_path / "a.logbook"
    with Recording(path, "--ack-early") as recording:
        assert recording.read_acks(3)
        recording.kill()
    assert [text.split(":")[1] for text in losses(path, recording.acks)] == [
        " acknowledged to 14, stored to None",
        " acknowledged to 47, stored to None",
        " acknowledged to 80, stored to None",
    ]
