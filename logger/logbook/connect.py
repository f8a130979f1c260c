"""Open a logbook's file: make it, recognise it, fold in what a crash left.

Comes in: a path. Goes out: an SQLite connection in autocommit mode, or an error that says
what the file is. Must not: know what the rows mean.

A new logbook is built beside its final name and then given that name, so that a file by
the name of a logbook is always a whole one. A closed logbook is one file with a rollback
journal setting; while it is recorded, and after a crash, the newest part is in ``-wal``.
Reading leaves an older format as it is; opening to write brings it up to date.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
import sys
from pathlib import Path
from typing import Final

from logger.errors import (
    LogbookError,
    LogbookMissingError,
    LogbookWriteError,
    NotALogbookError,
)
from logger.logbook import migrations
from logger.logbook.schema import APPLICATION_ID, PAGE_BYTES

BUSY_S: Final = 5.0
"""How long a short read or write waits for another process."""

FAILURES: Final = (sqlite3.Error, UnicodeDecodeError)
"""What reading a damaged file may raise; the latter when SQLite quotes damaged text."""

_MAGIC: Final = b"SQLite format 3\x00"
_WAL: Final = 2


def create(path: Path) -> None:
    """Make an empty logbook; does nothing when another process was quicker.

    Raises
    ------
    LogbookWriteError
        The folder is missing, cannot be written to, or full.
    """
    draft = path.with_name(f"{path.name}.new-{os.getpid()}")
    draft.unlink(missing_ok=True)
    try:
        connection = sqlite3.connect(draft, isolation_level=None)
        try:
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
            connection.execute("PRAGMA synchronous = FULL")
            migrations.migrate(connection, str(path))
        finally:
            connection.close()
        give_name(draft, path)
    except (sqlite3.Error, OSError) as error:
        raise LogbookWriteError(
            f"{path}: cannot make a logbook there ({error}); "
            "choose a folder that exists, that you may write to, and that has room"
        ) from error
    finally:
        remove_draft(draft)


def open_to_write(path: Path, *, busy_s: float = BUSY_S) -> sqlite3.Connection:
    """Open an existing logbook for writing, brought up to date.

    Raises
    ------
    LogbookMissingError, NotALogbookError
        No such file; not one of ours.
    LogbookWriteError
        It cannot be written to.
    """
    recognise(path)
    connection = _connect(path, "rw", busy_s)
    try:
        connection.execute("PRAGMA foreign_keys = ON")
        # FULL, and the folder synced once a rollback journal is gone: else it might come back.
        connection.execute("PRAGMA synchronous = EXTRA")
        _confirm(connection, path)
        migrations.migrate(connection, str(path))
        connection.execute("BEGIN IMMEDIATE")
        # A change that changes nothing: a read-only file is told now, not at the first record.
        connection.execute(f"PRAGMA user_version = {migrations.version_of(connection)}")
        connection.execute("ROLLBACK")
    except FAILURES as error:
        connection.close()
        raise not_writable(path, error) from error
    except BaseException:
        connection.close()
        raise
    return connection


def open_to_read(path: Path) -> sqlite3.Connection:
    """Open a logbook read-only, after folding in what a crash may have left.

    An older format is read as it is: only a writer brings a file up to date.

    Raises
    ------
    LogbookMissingError, NotALogbookError
        No such file; not one of ours.
    """
    recognise(path)
    _tidy(path)
    mode = "ro&immutable=1" if _wal_without_companions(path) else "ro"
    connection = _connect(path, mode, BUSY_S)
    try:
        _confirm(connection, path)
    except FAILURES as error:
        connection.close()
        raise not_readable(path, error) from error
    except BaseException:
        connection.close()
        raise
    return connection


def open_last(path: Path) -> sqlite3.Connection:
    """Open read-only and hold a snapshot, so that a connection closed before it changes nothing.

    Raises
    ------
    sqlite3.Error
        It cannot be opened.
    """
    connection = sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None
    )
    try:
        connection.execute("BEGIN")
        connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    except BaseException:
        connection.close()
        raise
    return connection


def recognise(path: Path) -> None:
    """Look at the first bytes, without opening the file as a database.

    Raises
    ------
    LogbookMissingError
        No such file.
    NotALogbookError
        Empty, foreign, damaged or newer.
    """
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except FileNotFoundError as error:
        raise LogbookMissingError(
            f"{path}: no such logbook; give the path of an existing one, "
            "or make one with: ropetally record"
        ) from error
    except OSError as error:
        raise NotALogbookError(
            f"{path}: cannot be read ({error.strerror}); give the path of a logbook file"
        ) from error
    if len(head) < 100 or not head.startswith(_MAGIC):
        what = "an empty file" if not head else "not a logbook"
        raise NotALogbookError(f"{path}: {what}; give the path of a logbook, or another name")
    if int.from_bytes(head[68:72], "big") != APPLICATION_ID:
        raise NotALogbookError(
            f"{path}: an SQLite file of another program; it was not touched; give another name"
        )
    _refuse_version(path, int.from_bytes(head[60:64], "big"))


def not_writable(path: Path, error: BaseException) -> LogbookError:
    """Error for a logbook that SQLite will not write to."""
    if _is_damage(error):
        return not_readable(path, error)
    return LogbookWriteError(
        f"{path}: cannot be written to ({error}); check that the file and its folder may be "
        "written to, that the disk has room, and that no other program holds it open"
    )


def not_readable(path: Path, error: BaseException) -> NotALogbookError:
    """Error for a logbook that SQLite will not read."""
    if not _is_damage(error):
        return NotALogbookError(
            f"{path}: cannot be read where it lies ({error}); copy it, with its -wal file if "
            "there is one, to a folder that you may write to and use that copy"
        )
    return NotALogbookError(
        f"{path}: damaged ({error}); keep it, and work on a copy made before or "
        "on what sqlite3's .recover brings back"
    )


def _is_damage(error: BaseException) -> bool:
    if isinstance(error, UnicodeDecodeError):
        return True
    code = getattr(error, "sqlite_errorcode", None) or 0
    return code & 0xFF in {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}


def _connect(path: Path, mode: str, busy_s: float) -> sqlite3.Connection:
    try:
        return sqlite3.connect(
            f"{path.absolute().as_uri()}?mode={mode}",
            uri=True,
            timeout=busy_s,
            isolation_level=None,
            check_same_thread=False,
        )
    except sqlite3.Error as error:
        raise not_readable(path, error) from error


def _confirm(connection: sqlite3.Connection, path: Path) -> None:
    """Read the first page as SQLite sees it; damage behind the header shows here."""
    found = migrations.version_of(connection)
    connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    _refuse_version(path, found)


def _refuse_version(path: Path, found: int) -> None:
    if found > migrations.NEWEST:
        raise NotALogbookError(migrations.newer_text(str(path), found, migrations.NEWEST))


def _tidy(path: Path) -> None:
    """Fold a left-over journal in, if that can be done; the tables stay as old as they are.

    ``journal_mode = DELETE`` needs the file for itself: while anybody else has it open the
    statement fails at once and changes nothing, so a live recording is never disturbed.
    """
    if not _has_leftovers(path):
        return
    with contextlib.suppress(*FAILURES, NotALogbookError):
        connection = _connect(path, "rw", 0.0)
        try:
            connection.execute("PRAGMA synchronous = FULL")
            _confirm(connection, path)
            connection.execute("PRAGMA journal_mode = DELETE")
        finally:
            connection.close()


def _has_leftovers(path: Path) -> bool:
    return (
        _header_byte(path, 18) == _WAL
        or path.with_name(path.name + "-wal").exists()
        or path.with_name(path.name + "-journal").exists()
    )


def _wal_without_companions(path: Path) -> bool:
    """Tell a file set to WAL without a ``-wal``, where none can be made: complete as it is."""
    return (
        _header_byte(path, 18) == _WAL
        and not path.with_name(path.name + "-wal").exists()
        and not os.access(
            path.parent, os.W_OK, effective_ids=os.access in os.supports_effective_ids
        )
    )


def _header_byte(path: Path, at: int) -> int:
    with path.open("rb") as file:
        return file.read(100)[at]


def give_name(draft: Path, path: Path) -> bool:
    """Give a finished draft its name; False when the name is taken by then."""
    try:
        path.hardlink_to(draft)
    except FileExistsError:
        return False
    except OSError:  # no hard links on this file system
        if path.exists():
            return False
        draft.rename(path)
    sync_folder(path.parent)
    return True


def sync_folder(folder: Path) -> None:
    """Make new names in a folder last through a power cut, where the system can."""
    if sys.platform != "win32":  # pragma: no branch - a folder cannot be opened there
        fd = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)


def remove_draft(draft: Path) -> None:
    """Remove what is left of a draft."""
    for part in ("", "-journal", "-wal", "-shm"):
        with contextlib.suppress(OSError):
            draft.with_name(draft.name + part).unlink(missing_ok=True)
