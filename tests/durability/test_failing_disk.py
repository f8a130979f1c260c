"""A disk that fails in each of its ways, under a real writer process: told, nothing lost."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from pathlib import Path

import pytest
from fault_child import Ended, Forks
from fault_shim import Call, calls
from recording_child import Recording, losses

from logger.logbook.check import check

BATCHES = ("--batches", "25")
WAL, FILE = "-wal", "/a.logbook"


@pytest.fixture
def disk(tmp_path: Path) -> Path:
    made = tmp_path / "disk"
    made.mkdir()
    return made


@pytest.fixture
def forks(disk: Path) -> Iterator[Forks]:
    with Forks(disk) as made:
        yield made


def stopped_loudly(path: Path, ended: Ended) -> None:
    """It ended with the error, and all that was acknowledged is there; it goes on later."""
    assert ended.code == 4
    assert ended.last_line.startswith(f"LogbookWriteError: {path}")
    assert "recording stopped" in ended.last_line
    assert "ropetally check" in ended.last_line
    assert losses(path, ended.acks) == []
    assert [session.closed for session in check(path).sessions] == [False]
    with Recording(path, "--batches", "3") as later:
        assert later.end() == 0
    assert losses(path, ended.acks | later.acks) == []


def after_failure(log: Path) -> tuple[Call, list[Call]]:
    """The call that failed and all later ones on files, the lock's left out."""
    made = [call for call in calls(log) if not call.path.endswith(".lock") and call.kind != "A"]
    first = next(number for number, call in enumerate(made) if call.kind == "F")
    return made[first], made[first + 1 :]


@pytest.mark.parametrize("only", [WAL, FILE], ids=["journal", "file"])
@pytest.mark.parametrize(
    ("kind", "error", "start"),
    [
        ("write", errno.EIO, 60),
        pytest.param("write", errno.ENOSPC, 45, marks=pytest.mark.slow),
        ("sync", errno.EIO, 14),
    ],
)
def test_a_failed_write_or_sync_ends_the_recording_and_is_never_tried_again(
    forks: Forks, disk: Path, tmp_path: Path, kind: str, error: int, start: int, only: str
) -> None:
    path, log = disk / "a.logbook", tmp_path / "calls"
    checkpoint_s = "100" if only == WAL else "0"
    plan = {"only": only, "fail": kind, "from": start, "count": 1, "errno": error, "log": log}
    ended = forks.record(path, *BATCHES, "--checkpoint-s", checkpoint_s, **plan)
    assert ended.acks
    failed, later = after_failure(log)
    assert (failed.data.decode(), failed.offset) == (kind, error)
    assert [call for call in later if call.kind in "WSTUR"] == [], "left as it was"
    stopped_loudly(path, ended)


def test_a_sync_that_fails_for_ever(forks: Forks, disk: Path) -> None:
    path = disk / "a.logbook"
    plan = {"only": WAL, "fail": "sync", "from": 9, "errno": errno.EIO}
    ended = forks.record(path, *BATCHES, "--checkpoint-s", "100", **plan)
    assert ended.acks
    stopped_loudly(path, ended)


@pytest.mark.parametrize("room", [300_000, 500_000])
def test_a_disk_that_fills_up(forks: Forks, disk: Path, room: int) -> None:
    path = disk / "a.logbook"
    ended = forks.record(path, "--batches", "400", "--checkpoint-s", "100", room=room)
    assert len(ended.acks) == 3
    stopped_loudly(path, ended)


def test_a_disk_without_room_for_a_new_logbook_leaves_none(forks: Forks, disk: Path) -> None:
    ended = forks.record(disk / "a.logbook", *BATCHES, room=50_000)
    assert ended.code == 4
    assert "has room" in ended.last_line
    assert list(disk.iterdir()) == []


@pytest.mark.parametrize("only", [WAL, FILE])
def test_short_writes_are_finished(forks: Forks, disk: Path, tmp_path: Path, only: str) -> None:
    path, log = disk / "a.logbook", tmp_path / "calls"
    plan = {"only": only, "fail": "write", "from": 20, "errno": 0, "log": log}
    ended = forks.record(path, *BATCHES, "--checkpoint-s", "0", **plan)
    halves = [c for c in calls(log) if c.kind == "W" and c.path.endswith(only)]
    assert sum(len(call.data) == 4096 for call in halves) > 20
    assert ended.code == 0
    assert len(ended.acks) == 3
    assert losses(path, ended.acks) == []
    assert check(path).problems == ()
    assert check(path).sessions[0].closed


def test_a_slow_sync_is_waited_for(forks: Forks, disk: Path, tmp_path: Path) -> None:
    path, log = disk / "a.logbook", tmp_path / "calls"
    plan = {"only": WAL, "fail": "sync", "from": 9, "count": 4, "wait_ms": 250, "log": log}
    ended = forks.record(path, *BATCHES, "--checkpoint-s", "100", **plan)
    assert ended.code == 0
    assert losses(path, ended.acks) == []
    # The shim logs a sync once it has been waited for.
    made = [c for c in calls(log) if c.kind == "A" or (c.kind in "WS" and c.path.endswith(WAL))]
    before = [made[at - 1].kind for at, call in enumerate(made) if call.kind == "A"]
    assert len(before) >= 25
    assert set(before) <= {"S", "A"}
