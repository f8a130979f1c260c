"""Opening: foreign, damaged, newer, older and unwritable files; the recorder's lock."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from logbook_items import frame, opened, small

from logger.errors import (
    LogbookBusyError,
    LogbookError,
    LogbookMissingError,
    LogbookWriteError,
    NotALogbookError,
)
from logger.logbook import connect, lock, migrations
from logger.logbook.check import check
from logger.logbook.copy import copy
from logger.logbook.entries import LogbookEntries
from logger.logbook.lock import RecorderLock
from logger.logbook.migrations import MIGRATIONS, Migration, migrate, version_of
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Job
from logger.samples import ExchangeNoted

SEASON = Path(__file__).resolve().parents[3] / "sample_logs" / "season"
OPENERS: list[Callable[[Path], object]] = [LogbookReader, LogbookWriter, LogbookEntries, check]


def put_header(path: Path, at: int, value: int) -> None:
    content = bytearray(path.read_bytes())
    content[at : at + 4] = value.to_bytes(4, "big")
    path.write_bytes(content)


@pytest.fixture
def public_folder() -> Iterator[Path]:
    """A folder that every user may enter (pytest's own are closed to others)."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


@contextlib.contextmanager
def ordinary_user() -> Iterator[None]:
    """Be nobody for a moment when the tests run as root, whom no permission stops."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


@pytest.mark.parametrize("opener", OPENERS)
@pytest.mark.parametrize(
    ("content", "what"),
    [
        (b"", "an empty file"),
        (b"time_s,force_n\n" * 100, "not a logbook"),
        (b"SQLite format 3\x00", "not a logbook"),
    ],
)
def test_a_foreign_file_is_named_and_left_alone(
    tmp_path: Path, opener: Callable[[Path], object], content: bytes, what: str
) -> None:
    path = tmp_path / "other"
    path.write_bytes(content)
    with pytest.raises(NotALogbookError, match=f"other: {what}.*give the path"):
        opener(path)
    assert path.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["other"]


@pytest.mark.parametrize("opener", OPENERS)
def test_another_programs_database_is_left_alone(
    tmp_path: Path, opener: Callable[[Path], object]
) -> None:
    path = tmp_path / "other.sqlite"
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE stream (x)")
    connection.commit()
    connection.close()
    content = path.read_bytes()
    with pytest.raises(NotALogbookError, match="of another program; it was not touched"):
        opener(path)
    assert path.read_bytes() == content


@pytest.mark.parametrize("opener", OPENERS)
def test_a_newer_file_asks_for_a_newer_program(
    tmp_path: Path, opener: Callable[[Path], object]
) -> None:
    path = small(tmp_path / "a.logbook")
    put_header(path, 60, 99)
    content = path.read_bytes()
    with pytest.raises(NotALogbookError, match=r"file format 99.*up to 2.*pip install --upgrade"):
        opener(path)
    assert path.read_bytes() == content


@pytest.mark.parametrize("opener", OPENERS)
def test_a_folder_or_a_missing_file(tmp_path: Path, opener: Callable[[Path], object]) -> None:
    if opener is not LogbookWriter:
        with pytest.raises(LogbookMissingError, match=r"no such logbook.*ropetally record"):
            opener(tmp_path / "none.logbook")
    with pytest.raises(NotALogbookError, match="cannot be read"):
        opener(tmp_path)


@pytest.mark.parametrize("keep", [100, 5000, 20_000, 60_000])
def test_a_truncated_file_is_a_typed_error_or_a_problem(tmp_path: Path, keep: int) -> None:
    path = small(tmp_path / "a.logbook")
    path.write_bytes(path.read_bytes()[:keep])
    problems: list[str] = []
    try:
        problems += map(str, check(path).problems)
    except NotALogbookError as error:
        problems.append(str(error))
    assert problems
    with contextlib.suppress(LogbookError), LogbookWriter(path) as writer:
        writer.write([opened(50), frame(50, 0)])


def test_damage_behind_the_header_is_told(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    content = bytearray(path.read_bytes())
    content[100:4096] = bytes(3996)
    path.write_bytes(content)
    for opener in OPENERS:
        with pytest.raises(NotALogbookError, match=r"a.logbook: damaged"):
            opener(path)


def test_a_file_that_goes_while_it_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(connect, "recognise", lambda path: None)
    with pytest.raises(NotALogbookError, match="cannot be read where it lies"):
        LogbookEntries(tmp_path / "a.logbook")


def test_damaged_text_in_sqlites_own_message_is_damage(tmp_path: Path) -> None:
    error = UnicodeDecodeError("utf-8", b"\xff", 0, 1, "invalid start byte")
    assert "damaged" in str(connect.not_writable(tmp_path / "a.logbook", error))


# --- older files ------------------------------------------------------------------------

NEXT = Migration(3, "weather", ("CREATE TABLE weather (note TEXT) STRICT",))
FIRST_FORMAT = SEASON / "mill-pond.logbook"
"""A file that was written when format 1 was the newest, and has stayed as it was."""


def in_memory() -> sqlite3.Connection:
    return sqlite3.connect(":memory:", isolation_level=None)


def test_steps_are_numbered_and_run_once() -> None:
    assert [step.number for step in MIGRATIONS] == list(range(1, len(MIGRATIONS) + 1))
    connection = in_memory()
    assert migrate(connection, "x") == len(MIGRATIONS)
    assert migrate(connection, "x") == 0
    assert migrate(connection, "x", (*MIGRATIONS, NEXT)) == 1
    assert version_of(connection) == 3
    with pytest.raises(NotALogbookError, match="file format 3"):
        migrate(connection, "x")
    connection.close()


def test_a_step_that_fails_leaves_the_file_before_it() -> None:
    connection = in_memory()
    broken = Migration(
        3, "half", ("CREATE TABLE half (x INT) STRICT", "CREATE TABLE one (x INT)", "no")
    )
    with pytest.raises(sqlite3.OperationalError):
        migrate(connection, "x", (*MIGRATIONS, broken))
    assert version_of(connection) == 2
    left = connection.execute("SELECT * FROM sqlite_schema WHERE name IN ('half', 'one')")
    assert not left.fetchall()
    connection.close()


def test_a_step_that_ends_its_own_transaction_fails_all_the_same() -> None:
    connection = in_memory()
    with pytest.raises(sqlite3.OperationalError, match="syntax"):
        migrate(connection, "x", (Migration(1, "rude", ("ROLLBACK", "no")),))
    assert version_of(connection) == 0
    connection.close()


def test_a_newer_version_that_stands_only_in_the_journal(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    newer = sqlite3.connect(path, isolation_level=None)
    newer.execute("PRAGMA journal_mode = WAL")
    newer.execute("PRAGMA user_version = 99")
    for opener in OPENERS:
        with pytest.raises(NotALogbookError, match="file format 99"):
            opener(path)
    newer.close()


def test_a_step_that_another_process_has_done_is_not_run_again(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    connection = sqlite3.connect(path, isolation_level=None)
    assert migrations._step(connection, MIGRATIONS[0]) == 0
    connection.close()


def test_the_old_file_is_one() -> None:
    content = FIRST_FORMAT.read_bytes()
    assert int.from_bytes(content[60:64], "big") == 1
    assert int.from_bytes(content[18:19], "big") == 1


@pytest.mark.parametrize("opener", [LogbookReader, check])
def test_reading_an_older_logbook_leaves_it_as_it_is(
    tmp_path: Path, opener: Callable[[Path], object]
) -> None:
    path = Path(shutil.copy(FIRST_FORMAT, tmp_path / "old.logbook"))
    opened_one = opener(path)
    if isinstance(opened_one, LogbookReader):
        assert opened_one.file_format == 1
        assert opened_one.exchanges(1) == ()
        assert len(opened_one.samples(1, 0, 999).index) == 1000
        assert opened_one.lowering(1)
        opened_one.close()
    assert path.read_bytes() == FIRST_FORMAT.read_bytes()
    assert [p.name for p in tmp_path.iterdir()] == ["old.logbook"]


@pytest.mark.parametrize("opener", [LogbookWriter, LogbookEntries])
def test_writing_brings_an_older_logbook_up_to_date(
    tmp_path: Path, opener: Callable[[Path], LogbookWriter | LogbookEntries]
) -> None:
    path = Path(shutil.copy(FIRST_FORMAT, tmp_path / "old.logbook"))
    with LogbookReader(path) as reader:
        before = reader.samples(1), reader.gaps(1), reader.lowerings(), reader.predictions()
    opener(path).close()
    with LogbookReader(path) as reader:
        assert reader.file_format == migrations.NEWEST == 2
        assert reader.exchanges(1) == ()
        after = reader.samples(1), reader.gaps(1), reader.lowerings(), reader.predictions()
    assert after[1:] == before[1:]
    assert (after[0].counts == before[0].counts).all()
    assert (after[0].tick_us == before[0].tick_us).all()
    assert check(path).ok


def test_an_older_logbook_is_recorded_into_and_keeps_both(tmp_path: Path) -> None:
    path = Path(shutil.copy(FIRST_FORMAT, tmp_path / "old.logbook"))
    with LogbookWriter(path) as writer:
        stream = writer.next_stream_id
        answer = ExchangeNoted(stream, 16_000, 5, 9)
        writer.write([opened(stream), frame(stream, 0), answer])
    with LogbookReader(path) as reader:
        assert reader.exchanges(stream) == (answer,)
        assert reader.exchanges(1) == ()
    assert check(path).ok


def test_both_formats_are_copied_as_they_are(tmp_path: Path) -> None:
    old, new = tmp_path / "old.logbook", small(tmp_path / "new.logbook")
    shutil.copy(FIRST_FORMAT, old)
    for source, file_format in ((old, 1), (new, 2)):
        assert copy(source, tmp_path / "copy", force=True).ok
        with LogbookReader(tmp_path / "copy") as reader:
            assert reader.file_format == file_format
    assert old.read_bytes() == FIRST_FORMAT.read_bytes()


def test_what_a_crash_left_of_an_older_logbook_is_folded_in_without_a_step(tmp_path: Path) -> None:
    path = Path(shutil.copy(FIRST_FORMAT, tmp_path / "old.logbook"))
    writer = sqlite3.connect(path, isolation_level=None)
    writer.execute("PRAGMA journal_mode = WAL")
    writer.execute("INSERT INTO mark VALUES (NULL, 1, 'free', 5, '')")
    crashed = tmp_path / "crashed.logbook"
    for part in ("", "-wal"):
        shutil.copy(f"{path}{part}", f"{crashed}{part}")
    writer.close()
    with LogbookReader(crashed) as reader:
        assert reader.marks()[-1].kind == "free"
        assert reader.file_format == 1
    assert not Path(f"{crashed}-wal").exists()


def test_an_older_logbook_that_may_not_be_written_to_is_read(public_folder: Path) -> None:
    path = Path(shutil.copy(FIRST_FORMAT, public_folder / "a.logbook"))
    path.chmod(0o444)
    public_folder.chmod(0o555)
    with ordinary_user(), LogbookReader(path) as reader:
        assert reader.file_format == 1


# --- files and folders that may not be written to ---------------------------------------


def test_a_read_only_logbook_can_be_read_and_nothing_else(public_folder: Path) -> None:
    path = small(public_folder / "a.logbook")
    path.chmod(0o444)
    with ordinary_user():
        assert check(path).ok
        with pytest.raises(LogbookWriteError, match=r"a.logbook: cannot be written to"):
            LogbookEntries(path)
    public_folder.chmod(0o777)
    with ordinary_user(), pytest.raises(LogbookWriteError, match="cannot be written to"):
        LogbookWriter(path)
    assert sorted(p.name for p in public_folder.iterdir()) == ["a.logbook"]


def test_a_folder_that_may_not_be_written_to(public_folder: Path) -> None:
    path = small(public_folder / "a.logbook")
    path.chmod(0o666)
    public_folder.chmod(0o555)
    with ordinary_user():
        assert check(path).ok
        with pytest.raises(LogbookWriteError, match=r"lock file.*folder that you may write to"):
            LogbookWriter(path)
        with pytest.raises(LogbookWriteError, match="cannot make a logbook there"):
            LogbookEntries(public_folder / "new.logbook", create=True)
    with pytest.raises(LogbookWriteError, match="cannot make"):
        LogbookEntries(public_folder / "missing" / "new.logbook", create=True)


def test_what_a_crash_left_where_nothing_can_be_written(public_folder: Path) -> None:
    path = public_folder / "a.logbook"
    writer = LogbookWriter(path)
    writer.write([opened(1), frame(1, 0)])
    crashed = public_folder / "crashed"
    crashed.mkdir()
    for part in ("", "-wal"):
        shutil.copy(f"{path}{part}", crashed / f"a.logbook{part}")
    writer._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    shutil.copy(path, crashed / "folded.logbook")  # set to WAL, complete without one
    writer.close()
    crashed.chmod(0o555)
    with ordinary_user():
        with pytest.raises(NotALogbookError, match="copy it, with its -wal file"):
            LogbookReader(crashed / "a.logbook")
        assert check(crashed / "folded.logbook").streams[0].samples == 16
    crashed.chmod(0o755)
    assert check(crashed / "a.logbook").streams[0].samples == 16


def test_a_left_over_rollback_journal_is_rolled_back(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    crashed = tmp_path / "crashed.logbook"
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA cache_size = 1")  # dirty pages spill into the file at once
    connection.execute("BEGIN IMMEDIATE")
    for i in range(300):
        connection.execute(
            "INSERT INTO record VALUES (NULL, 'note', ?, 1, 1, '', ?, 1)", (str(i), "x" * 900)
        )
    shutil.copy(path, crashed)
    shutil.copy(f"{path}-journal", f"{crashed}-journal")
    connection.execute("ROLLBACK")
    connection.close()
    report = check(crashed)
    assert report.ok
    assert report.records == 0
    assert not Path(f"{crashed}-journal").exists()


# --- making a logbook -------------------------------------------------------------------


def test_a_logbook_appears_under_its_name_only_when_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.logbook"

    def stop(*_: object) -> int:
        raise sqlite3.OperationalError("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(migrations, "migrate", stop)
        with pytest.raises(LogbookWriteError, match=r"cannot make a logbook there.*full"):
            connect.create(path)
    assert list(tmp_path.iterdir()) == []
    connect.create(path)
    content = path.read_bytes()
    connect.create(path)  # the quicker one stays
    assert path.read_bytes() == content
    assert [p.name for p in tmp_path.iterdir()] == ["a.logbook"]


def test_a_disk_without_hard_links_will_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Path, target: Path) -> None:
        raise PermissionError("no links here")

    monkeypatch.setattr(Path, "hardlink_to", refuse)
    connect.create(tmp_path / "a.logbook")
    with LogbookEntries(tmp_path / "a.logbook", create=True) as entries:
        entries.put_record("x", Job(name="x", crew="c"))
    connect.create(tmp_path / "a.logbook")
    assert check(tmp_path / "a.logbook").records == 1


# --- the lock ---------------------------------------------------------------------------


def test_the_second_recorder_is_told_who_is_first(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with LogbookWriter(path):
        with pytest.raises(LogbookBusyError, match=rf"a.logbook.*process {os.getpid()}"):
            LogbookWriter(path)
        assert check(path).ok
    LogbookWriter(path).close()


def test_a_disk_that_cannot_lock_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(fd: int) -> None:
        raise OSError(errno.ENOLCK, "No locks available")

    monkeypatch.setattr(lock, "_lock", refuse)
    with pytest.raises(LogbookWriteError, match=r"cannot be locked \(No locks available\)"):
        LogbookWriter(tmp_path / "a.logbook")


def test_a_left_over_lock_file_means_nothing(tmp_path: Path) -> None:
    (tmp_path / "a.logbook.lock").write_text(" 999\n")
    LogbookWriter(tmp_path / "a.logbook").close()


def test_a_lock_whose_file_was_removed_meanwhile_is_taken_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.logbook"
    real = lock._lock
    calls = []

    def late(fd: int) -> None:
        calls.append(fd)
        if len(calls) == 1:
            (tmp_path / "a.logbook.lock").unlink()
        elif len(calls) == 2:
            (tmp_path / "a.logbook.lock").unlink()
            (tmp_path / "a.logbook.lock").touch()
        real(fd)

    monkeypatch.setattr(lock, "_lock", late)
    held = RecorderLock(path)
    monkeypatch.undo()
    assert len(calls) == 3
    with pytest.raises(LogbookBusyError):
        RecorderLock(path)
    held.release()
    held.release()
    RecorderLock(path).release()
    assert list(tmp_path.iterdir()) == []
