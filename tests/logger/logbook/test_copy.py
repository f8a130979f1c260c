"""Copies: of closed, live and damaged logbooks; what is never replaced."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import pytest
from click.testing import CliRunner
from logbook_items import frame, opened, small

from logger.commands.main import cli
from logger.errors import (
    InputError,
    LogbookBusyError,
    LogbookMissingError,
    LogbookWriteError,
    NotALogbookError,
)
from logger.logbook import copy as copying
from logger.logbook.check import check
from logger.logbook.copy import copy
from logger.logbook.writer import LogbookWriter


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_copy_holds_the_same(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    report = copy(path, tmp_path / "b.logbook")
    assert report.ok
    assert report == check(path) == check(tmp_path / "b.logbook")
    assert names(tmp_path) == ["a.logbook", "b.logbook"]


def test_a_live_logbook_is_copied_into_one_closed_file(tmp_path: Path) -> None:
    path, target = tmp_path / "a.logbook", tmp_path / "out"
    target.mkdir()
    with LogbookWriter(path) as writer:
        writer.write([opened(1), frame(1, 0)])
        report = copy(path, target / "b.logbook")
        assert report.streams[0].samples == 16
        writer.write([frame(1, 16)])
    assert names(target) == ["b.logbook"]
    connection = sqlite3.connect(target / "b.logbook")
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    connection.close()
    with LogbookWriter(target / "b.logbook") as writer:  # and it can be recorded into
        assert writer.next_stream_id == 2


def test_a_file_is_replaced_only_when_asked(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    target = tmp_path / "b.logbook"
    target.write_text("precious")
    with pytest.raises(InputError, match=r"b.logbook: is there already.*--force"):
        copy(path, target)
    assert target.read_text() == "precious"
    Path(f"{target}-wal").write_bytes(b"of the old file")
    assert copy(path, target, force=True).ok
    assert check(target).streams[0].samples == 96
    assert names(tmp_path) == ["a.logbook", "b.logbook"]


def test_a_name_taken_meanwhile_is_not_replaced(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, target = small(tmp_path / "a.logbook"), tmp_path / "b.logbook"
    real = check

    def slow(draft: Path) -> object:
        target.write_text("precious")
        return real(draft)

    monkeypatch.setattr(copying, "check", slow)
    with pytest.raises(InputError, match="is there already"):
        copy(path, target)
    assert target.read_text() == "precious"
    assert names(tmp_path) == ["a.logbook", "b.logbook"]


def test_what_cannot_be_a_target(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    for force in (False, True):
        with pytest.raises(InputError, match="is the logbook itself"):
            copy(path, path, force=force)
        with pytest.raises(InputError, match="a folder"):
            copy(path, tmp_path, force=force)
    with pytest.raises(LogbookWriteError, match="could not be made"):
        copy(path, tmp_path / "none" / "b.logbook")
    with LogbookWriter(tmp_path / "live.logbook"), pytest.raises(LogbookBusyError):
        copy(path, tmp_path / "live.logbook", force=True)
    assert names(tmp_path) == ["a.logbook", "live.logbook"]


def test_a_name_that_the_folder_refuses(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = small(tmp_path / "a.logbook")

    def refuse(draft: Path, target: Path) -> bool:
        raise PermissionError("not here")

    monkeypatch.setattr("logger.logbook.connect.give_name", refuse)
    with pytest.raises(LogbookWriteError, match=r"cannot write the copy there \(not here\)"):
        copy(path, tmp_path / "b.logbook")
    assert names(tmp_path) == ["a.logbook"]


def test_what_cannot_be_a_source(tmp_path: Path) -> None:
    with pytest.raises(LogbookMissingError):
        copy(tmp_path / "a.logbook", tmp_path / "b.logbook")
    (tmp_path / "a.logbook").write_text("shopping")
    with pytest.raises(NotALogbookError):
        copy(tmp_path / "a.logbook", tmp_path / "b.logbook")
    assert names(tmp_path) == ["a.logbook"]


def test_a_damaged_logbook_is_copied_as_it_is_and_told(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("DROP TRIGGER chunk_no_update")
    connection.execute("UPDATE chunk SET crc = 1")
    connection.close()
    done = CliRunner().invoke(cli, ["copy", str(path), str(tmp_path / "b.logbook")])
    assert done.exit_code == 1
    assert "checksum differs" in done.output
    assert names(tmp_path) == ["a.logbook", "b.logbook"]


def test_the_command(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    target = str(tmp_path / "b.logbook")
    done = CliRunner().invoke(cli, ["copy", str(path), target])
    assert done.exit_code == 0
    assert done.output.startswith(f"copied {path} to {target}\n{target}: all is well\n")
    done = CliRunner().invoke(cli, ["copy", str(path), target, "--force", "--json"])
    plain = json.loads(done.output)
    assert (plain["ok"], plain["copy"]) == (True, target)
    assert plain["streams"][0]["samples"] == 96
    assert Path(target).stat().st_size == path.stat().st_size
