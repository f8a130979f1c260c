"""The one writer of a recording: a batch in, one transaction, acknowledgements out.

Comes in: record items in the order in which they must be stored. Goes out: rows of the
logbook, and an :class:`~logger.samples.Ack` for what is on disk. Must not: be used by two
threads at a time, wait for anything but the disk, or go on after a failed write.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import sqlite3
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from logger.clock import Clock, SystemClock
from logger.errors import LogbookWriteError
from logger.logbook import connect
from logger.logbook.batch import Batch
from logger.logbook.lock import RecorderLock
from logger.samples import Ack, RecordItem

CHECKPOINT_S: Final = 5.0

_BUSY_S: Final = 30.0  # a tag write that hangs must not end a recording; the queue holds 60 s
_LEAVE_S: Final = 0.2


def software() -> str:
    """Name and version of this program, as kept with what it wrote."""
    return f"ropetally {importlib.metadata.version('ropetally')}"


class LogbookWriter:
    """An open recording: holds the recorder's lock and a session in the logbook.

    Parameters
    ----------
    path : path
        The logbook; made when it does not exist.
    clock : Clock, optional
        Stamps the session and paces the checkpoints.

    Attributes
    ----------
    session : int
        Number of this recording in the logbook.
    next_stream_id, next_lowering : int
        First numbers not used yet, read when opened; the caller counts on from there.

    Raises
    ------
    LogbookBusyError
        Another recorder holds the lock.
    NotALogbookError
        The file is foreign, damaged or newer.
    LogbookWriteError
        The file or its folder cannot be written to.
    """

    def __init__(self, path: str | Path, *, clock: Clock | None = None) -> None:
        self.path = Path(path)
        self._clock = clock or SystemClock()
        self._lock = RecorderLock(self.path)
        try:
            if not self.path.exists():
                connect.create(self.path)
            self._connection = connect.open_to_write(self.path, busy_s=_BUSY_S)
        except BaseException:
            self._lock.release()
            raise
        self._failure: LogbookWriteError | None = None
        self._closed = False
        self._rates_hz: dict[int, float] = {}
        try:
            self._begin()
        except sqlite3.Error as error:
            self._connection.close()
            self._lock.release()
            raise connect.not_writable(self.path, error) from error

    def _begin(self) -> None:
        for setting in ("journal_mode = WAL", "wal_autocheckpoint = 0"):
            self._connection.execute(f"PRAGMA {setting}")
        self._connection.execute("BEGIN IMMEDIATE")
        row = self._connection.execute(
            "INSERT INTO session (software, opened_boot_ns, opened_wall_ns) VALUES (?, ?, ?) "
            "RETURNING id",
            (software(), self._clock.boot_ns(), self._clock.wall_ns()),
        ).fetchone()
        self.session: int = row[0]
        self.next_stream_id: int = self._next("stream", "id")
        self.next_lowering: int = max(
            self._next("lowering", "lowering"),
            self._next("record WHERE kind = 'window'", "CAST(key AS INTEGER)"),
        )
        self._connection.execute("COMMIT")
        self._checkpoint()

    def _next(self, table: str, column: str) -> int:
        sql = f"SELECT coalesce(max({column}), 0) + 1 FROM {table}"  # noqa: S608 - our own names
        return int(self._connection.execute(sql).fetchone()[0])

    def write(self, items: Sequence[RecordItem]) -> tuple[Ack, ...]:
        """Store a batch in one transaction.

        Parameters
        ----------
        items : sequence of RecordItem
            In the order in which they must be stored; any number of streams.

        Returns
        -------
        tuple of Ack
            The last index on disk of each stream that had samples in the batch. Returned
            only after COMMIT has returned.

        Raises
        ------
        LogbookWriteError
            Nothing of the batch is acknowledged, and every later call raises the same: a
            failed write or sync is never tried again.
        """
        if self._failure is not None:
            raise self._failure
        if self._closed:
            raise LogbookWriteError(f"{self.path}: closed; open it again to record")
        batch = Batch(self._connection, self.session, self._clock.wall_ns(), self._rates_hz)
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            for item in items:
                batch.add(item)
            batch.flush_all()
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            raise self._fail(error) from error
        except BaseException as error:
            self._fail(error)
            raise
        self._checkpoint_when_due()
        return tuple(Ack(stream, last) for stream, last in batch.last.items())

    def _fail(self, error: BaseException) -> LogbookWriteError:
        """Refuse all that follows; what was acknowledged stays."""
        self._failure = LogbookWriteError(
            f"{self.path}: the disk did not take a write ({error}); recording stopped, what was "
            "acknowledged is kept; make room or change the disk, run 'ropetally check', then "
            "record again"
        )
        if self._connection.in_transaction:
            try:
                self._connection.execute("ROLLBACK")
            except sqlite3.Error as second:
                self._failure.add_note(f"and rolling back failed: {second}")
        return self._failure

    def _checkpoint_when_due(self) -> None:
        """Move the journal into the file; a failure is kept for the next call.

        The batch before it is already on disk and must still be acknowledged.
        """
        if self._clock.boot_ns() - self._checkpointed_ns < CHECKPOINT_S * 1e9:
            return
        try:
            self._checkpoint()
        except sqlite3.Error as error:
            self._fail(error)

    def _checkpoint(self) -> None:
        """Passive: never waits for a reader."""
        self._connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()
        self._checkpointed_ns = self._clock.boot_ns()

    def close(self, reason: str = "stopped") -> None:
        """End the session and leave one file; does nothing the second time.

        Parameters
        ----------
        reason : str
            Why the recording ended, as stored.

        Raises
        ------
        LogbookWriteError
            A write failed, now or before.
        """
        if self._closed:
            return
        self._closed = True
        try:
            if self._failure is not None:
                raise self._failure
            self._end(reason)
        except sqlite3.Error as error:
            raise self._fail(error) from error
        finally:
            if self._failure is not None:
                self._leave()
            self._connection.close()
            self._lock.release()

    def _leave(self) -> None:
        """Let the connection close without folding the journal in: that would sync again.

        SQLite folds it in when the last connection closes, unless that one may only read.
        What was acknowledged is in the journal; the next command that opens the file folds
        it in, with writes of its own.
        """
        with contextlib.suppress(sqlite3.Error):
            last = connect.open_last(self.path)
            self._connection.close()
            last.close()

    def _end(self, reason: str) -> None:
        execute = self._connection.execute
        execute("BEGIN IMMEDIATE")
        execute(
            "INSERT INTO session_end VALUES (?, ?, ?, ?)",
            (self.session, self._clock.boot_ns(), self._clock.wall_ns(), reason),
        )
        execute("COMMIT")
        execute(f"PRAGMA busy_timeout = {int(_LEAVE_S * 1000)}")
        execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        try:
            execute("PRAGMA journal_mode = DELETE")
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}:
                raise
            # somebody reads it: the next command that opens it finishes this

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close("stopped" if kind is None else "failed")
