"""Copy a logbook, also while it is being recorded, into one closed file.

Comes in: two paths. Goes out: a whole copy under its name, checked, or nothing. Must not:
stall a recording, or touch the name of the copy before the copy is complete.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from pathlib import Path

from logger.errors import InputError, LogbookWriteError
from logger.logbook import connect
from logger.logbook.check import Report, check
from logger.logbook.lock import RecorderLock


def copy(source: str | Path, target: str | Path, *, force: bool = False) -> Report:
    """Copy by SQLite's backup, in one step, from one moment of the source.

    Parameters
    ----------
    source, target : path
        From, to.
    force : bool
        Replace a file that is there.

    Returns
    -------
    Report
        The check of the copy. A damaged logbook is copied as it is, and its report says so.

    Raises
    ------
    InputError
        The target is there (and not ``force``), or is the source, or a folder.
    LogbookBusyError
        The target is being recorded.
    LogbookMissingError, NotALogbookError
        The source is no logbook.
    LogbookWriteError
        The copy could not be written; nothing bears its name.
    """
    source, target = Path(source), Path(target)
    connect.recognise(source)
    _refuse(source, target, force=force)
    draft = target.with_name(f"{target.name}.new-{os.getpid()}")
    try:
        _back_up(source, draft)
        report = check(draft)
        if force:
            _replace(draft, target)
        elif not connect.give_name(draft, target):
            _refuse(source, target, force=False)
    except OSError as error:
        raise LogbookWriteError(
            f"{target}: cannot write the copy there ({error}); "
            "choose a folder that exists, that you may write to, and that has room"
        ) from error
    finally:
        connect.remove_draft(draft)
    return report


def _refuse(source: Path, target: Path, *, force: bool) -> None:
    if not target.exists():
        return
    if target.is_dir():
        raise InputError(f"{target}: a folder; give the name of a file in it")
    if target.samefile(source):
        raise InputError(f"{target}: is the logbook itself; give the copy another name")
    if not force:
        raise InputError(f"{target}: is there already; give another name, or --force to replace it")


def _back_up(source: Path, draft: Path) -> None:
    origin = connect.open_to_read(source)
    try:
        copied = sqlite3.connect(draft, isolation_level=None)
        try:
            copied.execute("PRAGMA synchronous = FULL")
            origin.backup(copied)  # in one step: with more, each commit of a recorder restarts it
            copied.execute("PRAGMA journal_mode = DELETE")
        finally:
            copied.close()
    except sqlite3.Error as error:
        raise LogbookWriteError(
            f"{draft.parent}: the copy could not be made ({error}); check that the disk has room "
            f"and that the logbook can be read: ropetally check {source}"
        ) from error
    finally:
        origin.close()


def _replace(draft: Path, target: Path) -> None:
    """Put the copy in the place of another file, which nobody may be recording."""
    lock = RecorderLock(target)
    try:
        for part in ("-wal", "-shm", "-journal"):  # of the old file; they would spoil the new one
            with contextlib.suppress(FileNotFoundError):
                target.with_name(target.name + part).unlink()
        draft.replace(target)
        connect.sync_folder(target.parent)
    finally:
        lock.release()
