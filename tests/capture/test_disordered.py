"""Frames that come in another order, and what is given as a logbook and is none, to real recorders."""

from __future__ import annotations

import sqlite3
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from capture_rig import PROGRAM, Cell, Recorder, assert_none_wrong, well
from frame_relay import FrameRelay, swapped

from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.transports.replay import write_raw


def test_frames_that_change_places_bring_no_wrong_sample(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--rate", "4000", "--fifo", "32768") as cell,
        FrameRelay(str(cell.link), swapped) as relay,
        Recorder(logbook, "--cell", relay.url) as recorder,
    ):
        recorder.wait_for_samples(3000)
        assert recorder.stop() == 0, recorder.errors()
        sent = cell.end()
        moved = relay.n_moved
    (stream,) = well(logbook).streams
    stored = assert_none_wrong(logbook, stream.id, sent)
    late = stream.fault_kinds["out_of_order"]
    assert moved > 10
    assert late == stream.missing > 16 * 5, "each late frame is a gap and a fault, nothing else"
    assert late <= 16 * moved
    assert stored > 2000
    assert set(stream.fault_kinds) == {"out_of_order"}
    with LogbookReader(logbook) as reader:
        assert {gap.n_missing % 16 for gap in reader.gaps(stream.id)} == {0}


def foreign(path: Path) -> None:
    path.write_text("a letter, not a logbook\n" * 20)


def another_program(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE t (x)")
    connection.close()


def damaged(path: Path) -> None:
    LogbookWriter(path).close()
    raw = bytearray(path.read_bytes())
    raw[100:4000] = bytes(3900)
    path.write_bytes(raw)


def newer(path: Path) -> None:
    LogbookWriter(path).close()
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA user_version = 99")
    connection.close()


@pytest.mark.parametrize("make", [foreign, another_program, damaged, newer])
def test_record_leaves_alone_what_is_no_logbook_of_its_own(
    tmp_path: Path, make: Callable[[Path], None]
) -> None:
    path = tmp_path / "job.logbook"
    make(path)
    before = path.read_bytes()
    write_raw(tmp_path / "cap.raw", [(0, b"nothing")])
    done = subprocess.run(
        [PROGRAM, "record", str(path), "--cell", f"file:{tmp_path / 'cap.raw'}"],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 4
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"ropetally: {path}: ")
    assert path.read_bytes() == before
    assert [p.name for p in tmp_path.glob("job.logbook*")] == ["job.logbook"]


def test_a_second_recorder_is_sent_away_and_the_first_goes_on(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, name="one") as one,
        Cell(tmp_path, name="two") as two,
        Recorder(logbook, "--cell", one.url) as first,
    ):
        first.wait_for_samples(200)
        second = subprocess.run(
            [PROGRAM, "record", str(logbook), "--cell", two.url, "--for", "5"],
            capture_output=True, text=True, check=False, timeout=60,
        )  # fmt: skip
        first.wait_for_samples(max(first.acks().values()) + 200)
        assert first.stop() == 0
    assert second.returncode == 4
    assert str(first.process.pid) in second.stderr
    assert "stop that one first" in second.stderr
    (stream,) = well(logbook).streams
    assert (stream.missing, stream.faults) == (0, 0)
