"""Open a logbook to read, and read what people wrote down and what was predicted.

Comes in: a path. Goes out: records as they hold now, their history, predictions. Must
not: write, or keep a query open: each is fetched whole, so that a recorder's journal can
shrink.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self, TypeVar

import msgspec

from logger import records
from logger.errors import NotALogbookError
from logger.logbook import connect
from logger.logbook.rows import Prediction, Version

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

R = TypeVar("R", bound=records.Record)
T = TypeVar("T", bound="DataclassInstance")


class WrittenReader:
    """Base of the reader: the open file, and all in it that is not recorded samples."""

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        self._connection = connect.open_to_read(self.path)

    @property
    def file_format(self) -> int:
        """Number of the file's format; an older one is read as it is."""
        return int(self.query("PRAGMA user_version")[0][0])

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

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """See one moment of a logbook that is being recorded, for as long as the block runs.

        The recording goes on, but its journal cannot shrink meanwhile.
        """
        self.query("BEGIN")
        try:
            yield
        finally:
            self.query("COMMIT")

    def query(self, sql: str, *values: object) -> list[tuple[Any, ...]]:
        """Fetch all rows of a read-only query, for what the methods below do not cover.

        Raises
        ------
        NotALogbookError
            SQLite cannot read them.
        """
        try:
            return self._connection.execute(sql, values).fetchall()
        except connect.FAILURES as error:
            raise connect.not_readable(self.path, error) from error

    def typed(self, kind: type[T], rows: Iterable[Sequence[object]]) -> tuple[T, ...]:
        """Turn fetched rows into a row type, whose fields are the columns in order.

        Raises
        ------
        NotALogbookError
            A column holds what was never written there.
        """
        names = [field.name for field in dataclasses.fields(kind)]
        plain = [dict(zip(names, row, strict=True)) for row in rows]
        try:
            return msgspec.convert(plain, tuple[kind, ...], builtin_types=(bytes,))  # type: ignore[valid-type]
        except msgspec.ValidationError as error:
            raise self.damaged(f"a {kind.__name__} is not as it was written ({error})") from error

    def damaged(self, what: str) -> NotALogbookError:
        """Make the error for a part that cannot be what was written."""
        return NotALogbookError(f"{self.path}: {what}; run: ropetally check {self.path}")

    def keys(self, kind: str) -> tuple[str, ...]:
        """Keys under which records of a kind are held, in the order first written."""
        rows = self.query(
            "SELECT key FROM record WHERE kind = ? GROUP BY key ORDER BY min(id)", kind
        )
        return tuple(row[0] for row in rows)

    def versions(self, kind: str, key: str) -> tuple[Version, ...]:
        """All versions of a record, oldest first."""
        rows = self.query(
            "SELECT kind, key, version, written_wall_ns, author, body FROM record "
            "WHERE kind = ? AND key = ? ORDER BY version",
            kind,
            key,
        )
        return self.typed(Version, rows)

    def record(self, record: type[R], key: str) -> R | None:
        """Read the version that holds now, None when there is no such record.

        Parameters
        ----------
        record : type
            One of the types in ``records.KINDS``.
        key : str
            As it was stored.
        """
        kind = kind_of(record)
        versions = self.versions(kind, key)
        return self._record(versions[-1], record) if versions else None

    def all_records(self, record: type[R]) -> dict[str, R]:
        """Key → the version that holds now, for every record of a type."""
        kind = kind_of(record)
        rows = self.query(
            "SELECT kind, key, version, written_wall_ns, author, body FROM record "
            "WHERE kind = ? ORDER BY id",
            kind,
        )
        newest = {v.key: v for v in self.typed(Version, rows)}  # a key keeps its first place
        return {key: self._record(version, record) for key, version in newest.items()}

    def _record(self, version: Version, record: type[R]) -> R:
        try:
            return records.from_body(version.body, record)
        except msgspec.DecodeError as error:
            raise self.damaged(
                f"{version.kind} {version.key!r}, version {version.version}: {error}"
            ) from error

    def predictions(self, piece: str | None = None) -> tuple[Prediction, ...]:
        """Read stored predictions in the order made, of one piece (by its key) or of all."""
        which = "?1 IS NULL" if piece is None else "piece = ?1"  # the latter by its index
        rows = self.query(
            "SELECT id, piece, made_wall_ns, software, inputs, result FROM prediction "  # noqa: S608
            f"WHERE {which} ORDER BY id",
            piece,
        )
        try:
            rows = [(*r[:4], msgspec.json.decode(r[4]), msgspec.json.decode(r[5])) for r in rows]
        except (msgspec.DecodeError, TypeError) as error:
            raise self.damaged(f"a prediction cannot be read ({error})") from error
        return self.typed(Prediction, rows)


def kind_of(record: type[records.Record]) -> str:
    """Name under which a type of record is stored.

    Examples
    --------
    >>> kind_of(records.Piece)
    'piece'
    """
    return next(kind for kind, known in records.KINDS.items() if known is record)
