"""Write down what people say and what was predicted, in short transactions.

Comes in: records, predictions, calibrations. Goes out: new rows; an older version is
never touched. Must not: hold the recorder's lock or keep a transaction open, since a
recording may be running in another process.
"""

from __future__ import annotations

import sqlite3
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Self, TypeVar

import msgspec

from logger import records
from logger.clock import Clock, SystemClock
from logger.errors import LogbookMissingError
from logger.logbook import connect
from logger.logbook.batch import calibration
from logger.logbook.writer import software
from logger.logbook.written import kind_of
from logger.samples import Scaling

T = TypeVar("T")


class LogbookEntries:
    """A logbook open for short writes beside a recording; a context manager.

    Parameters
    ----------
    path : path
    create : bool
        Make the logbook when it does not exist (a sheet may come before the recording).
    clock : Clock, optional
        Stamps what is written.

    Raises
    ------
    LogbookMissingError, NotALogbookError, LogbookWriteError
        As the file is.
    """

    def __init__(
        self, path: str | Path, *, create: bool = False, clock: Clock | None = None
    ) -> None:
        self.path = Path(path)
        self._clock = clock or SystemClock()
        if create and not self.path.exists():
            connect.create(self.path)
        self._connection = connect.open_to_write(self.path)

    def put_record(self, key: str, record: records.Record, *, author: str = "") -> int:
        """Store a record as the version that holds from now on.

        Parameters
        ----------
        key : str
            Its name; ``records.piece_key`` for a piece, the lowering's number for a tag.
        record : Record
            Of one of the types in ``records.KINDS``.
        author : str
            Who wrote it down, or corrected it.

        Returns
        -------
        int
            The version; that of the stored one when nothing has changed.
        """
        return self.put_records([(key, record)], author=author)[0]

    def put_records(
        self, entries: Sequence[tuple[str, records.Record]], *, author: str = ""
    ) -> list[int]:
        """Store records that belong together: all of them, or after a failure none.

        Parameters
        ----------
        entries : sequence of (key, Record)
            As for :meth:`put_record`.
        author : str
            Who wrote them down.

        Returns
        -------
        list of int
            The version of each.
        """
        wall_ns = self._clock.wall_ns()
        return self._transact(
            lambda: [self._insert(key, record, author, wall_ns) for key, record in entries]
        )

    def _insert(self, key: str, record: records.Record, author: str, wall_ns: int) -> int:
        """Write a version inside a transaction, unless it says what the last one says."""
        kind, body = kind_of(type(record)), records.to_body(record)
        row = self._connection.execute(
            "SELECT version, body FROM record WHERE kind = ? AND key = ? "
            "ORDER BY version DESC LIMIT 1",
            (kind, key),
        ).fetchone()
        if row is not None and row[1] == body:
            return int(row[0])
        version = 1 if row is None else int(row[0]) + 1
        values = (kind, key, version, wall_ns, author, body)
        self._connection.execute(
            "INSERT INTO record VALUES (NULL, ?, ?, ?, ?, ?, ?, ?)",
            (*values, record_crc(*values)),
        )
        return version

    def put_prediction(self, piece: str, inputs: Any, result: Any) -> int:
        """Store a prediction made now.

        Parameters
        ----------
        piece : str
            Key of the piece (``records.piece_key``).
        inputs, result : JSON values
            What it was made from, and what it says.

        Returns
        -------
        int
            Its number in the logbook.
        """
        texts = tuple(
            msgspec.json.encode(value, order="deterministic").decode() for value in (inputs, result)
        )

        def insert() -> int:
            values = (piece, self._clock.wall_ns(), software(), *texts)
            row = self._connection.execute(
                "INSERT INTO prediction VALUES (NULL, ?, ?, ?, ?, ?, ?) RETURNING id",
                (*values, record_crc(*values)),
            ).fetchone()
            return int(row[0])

        return self._transact(insert)

    def put_calibration(self, stream: int, scaling: Scaling) -> int:
        """Store a new version of a stream's calibration; counts stay as they are.

        Raises
        ------
        LogbookMissingError
            No such stream.
        """

        def insert() -> int:
            known, version = self._connection.execute(
                "SELECT (SELECT count(*) FROM stream WHERE id = ?1), "
                "(SELECT coalesce(max(version), 0) + 1 FROM calibration WHERE stream = ?1)",
                (stream,),
            ).fetchone()
            if not known:
                raise LogbookMissingError(
                    f"{self.path}: no stream {stream}; see: ropetally check {self.path}"
                )
            self._connection.execute(
                "INSERT INTO calibration VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                calibration(stream, version, scaling, self._clock.wall_ns()),
            )
            return int(version)

        return self._transact(insert)

    def _transact(self, work: Callable[[], T]) -> T:
        try:
            self._connection.execute("BEGIN IMMEDIATE")
            result = work()
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._undo()
            raise connect.not_writable(self.path, error) from error
        except BaseException:
            self._undo()
            raise
        return result

    def _undo(self) -> None:
        if self._connection.in_transaction:
            self._connection.execute("ROLLBACK")

    def close(self) -> None:
        """Let go of the file; does nothing the second time."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def record_crc(*values: object) -> int:
    """CRC-32 over a row's columns as a JSON array.

    Examples
    --------
    >>> record_crc("rope", "blue", 1, 0, "", "{}") == zlib.crc32(b'["rope","blue",1,0,"","{}"]')
    True
    """
    return zlib.crc32(msgspec.json.encode(values))
