"""Marks by single keys, pressed on a real terminal of a real recording."""

from __future__ import annotations

import os
import subprocess
import termios
from pathlib import Path
from typing import get_args

from capture_rig import CALIBRATION, PROGRAM, Cell, wait_until

from logger.commands.keys import LEGEND, MARK_KEYS
from logger.logbook.reader import LogbookReader
from logger.records import MarkKind


def test_every_mark_has_a_key_and_stands_in_the_legend() -> None:
    assert set(MARK_KEYS.values()) == set(get_args(MarkKind))
    for key, kind in MARK_KEYS.items():
        assert f"{key} {kind.replace('_', ' ')}" in LEGEND


def test_keys_put_marks_on_record_and_leave_the_terminal_as_it_was(tmp_path: Path) -> None:
    master, slave = os.openpty()
    before = termios.tcgetattr(slave)
    logbook, errors, acks = (tmp_path / name for name in ("l.logbook", "errors", "acks"))
    try:
        with Cell(tmp_path) as cell, errors.open("w") as stderr, acks.open("w") as stdout:
            recorder = subprocess.Popen(
                [PROGRAM, "record", str(logbook), "--cell", cell.url, "--acks", *CALIBRATION],
                stdin=slave, stdout=stdout, stderr=stderr,
            )  # fmt: skip
            wait_until(lambda: LEGEND in errors.read_text() and "ack 1 " in acks.read_text())
            os.write(master, b"nxM")
            wait_until(lambda: "mark: tip moved" in errors.read_text())
            recorder.terminate()
            assert recorder.wait(60) == 0
        assert termios.tcgetattr(slave) == before
    finally:
        os.close(master)
        os.close(slave)
    with LogbookReader(logbook) as reader:
        marks = reader.marks()
        (stream,) = reader.streams()
    assert [mark.kind for mark in marks] == ["notch_done", "tip_moved"]
    assert all(mark.at_ns > stream.anchor_boot_ns - 5_000_000_000 for mark in marks)
