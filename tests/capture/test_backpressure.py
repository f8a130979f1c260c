"""A disk that stalls for seconds: nothing lost within the room, counted drops beyond it.

The recorder is a real process on a real port; its disk is the shim's.
"""

from __future__ import annotations

import errno
import json
import subprocess
import sys
from pathlib import Path

import pytest
import stalled_child
from capture_rig import PROGRAM, Cell, Child, assert_none_wrong, assert_same, well
from fault_shim import environment

from logger.logbook.reader import LogbookReader
from logger.recorder import ITEM_BYTES, ROOM_BYTES
from logger.simcell.sent import Fate, SentRecord

STALL_S = 5.0
WAITS = {"only": "-wal", "fail": "sync", "from": 12, "count": 1, "wait_ms": int(STALL_S * 1000)}


def recorded(
    tmp_path: Path, seconds: float, room: int, recorder_room: int
) -> tuple[dict[str, float], SentRecord]:
    """Record 4 kHz while one sync takes 5 s; what was measured, what was sent."""
    disk = tmp_path / "disk"
    disk.mkdir()
    arguments = [sys.executable, stalled_child.__file__, str(disk / "job.logbook")]
    with Cell(tmp_path, "--rate", "4000") as cell:
        child = Child(
            [*arguments, cell.url, str(seconds), str(room), str(recorder_room)],
            stdout=subprocess.PIPE,
            env=environment(disk, **WAITS),
        )
        with child:
            assert child.process.stdout is not None
            said = json.loads(child.process.stdout.read())
            assert child.process.wait(30) == 0
        return said, cell.end()


@pytest.mark.slow
@pytest.mark.whole_machine
def test_a_stall_of_five_seconds_within_the_room_loses_nothing(tmp_path: Path) -> None:
    said, sent = recorded(tmp_path, 8.0, 0, ROOM_BYTES)
    logbook = tmp_path / "disk" / "job.logbook"
    (stream,) = well(logbook).streams
    assert (stream.missing, stream.faults) == (0, 0)
    assert assert_same(logbook, stream.id, sent) > 4000 * STALL_S
    assert said["most_waiting_bytes"] > 4 * 4000 * (STALL_S - 1), "it did stall"
    assert said["longest_put_s"] < 0.5
    assert said["longest_silence_s"] < STALL_S / 5, "the port reader went on"
    assert sent.lost(Fate.OVERRUN) == 0


@pytest.mark.slow
@pytest.mark.whole_machine
def test_a_stall_beyond_the_room_drops_and_counts(tmp_path: Path) -> None:
    room, recorder_room = 60_000, 40_000
    said, sent = recorded(tmp_path, 9.0, room, recorder_room)
    logbook = tmp_path / "disk" / "job.logbook"
    (stream,) = well(logbook).streams
    assert said["most_queued_bytes"] <= room
    assert said["most_waiting_bytes"] <= recorder_room + room + 100 * ITEM_BYTES
    stored = assert_none_wrong(logbook, stream.id, sent)
    dropped_bytes = stream.fault_kinds["queue_dropped"]
    assert stream.missing >= 4000
    assert stored + stream.missing >= 4000 * STALL_S
    samples_in_bytes = dropped_bytes / 76 * 16
    assert abs(stream.missing - samples_in_bytes) <= 0.1 * samples_in_bytes + 64
    with LogbookReader(logbook) as reader:
        assert "queue_dropped" in {gap.reason for gap in reader.gaps(stream.id)}
    assert said["longest_put_s"] < 0.5
    assert said["longest_silence_s"] < STALL_S / 5, "the port reader went on"
    assert sent.lost(Fate.OVERRUN) == 0, "nor did the device have to wait"


def test_a_sync_that_fails_under_record_is_told_and_read_back(tmp_path: Path) -> None:
    disk, acks = tmp_path / "disk", tmp_path / "acks"
    disk.mkdir()
    logbook = disk / "job.logbook"
    plan = {"only": "-wal", "fail": "sync", "from": 8, "errno": errno.EIO}
    with Cell(tmp_path) as cell, acks.open("w") as out:
        done = subprocess.run(
            [PROGRAM, "record", str(logbook), "--cell", cell.url, "--acks"],
            env=environment(disk, **plan), stdout=out, stderr=subprocess.PIPE, text=True,
            check=False, timeout=60,
        )  # fmt: skip
        sent = cell.end()
    assert done.returncode == 4
    *_, told, ended = done.stderr.splitlines()
    assert told == f"read back: {logbook} holds every sample that was acknowledged"
    assert ended.startswith(f"ropetally: {logbook}: the disk did not take a write")
    said = [line.split() for line in acks.read_text().splitlines() if line.startswith("ack ")]
    stored = assert_none_wrong(logbook, int(said[-1][1]), sent)
    assert stored > int(said[-1][2]) > 200
    assert not well(logbook).sessions[0].closed
