"""Bring a logbook's tables to this version, one numbered step at a time.

Comes in: an open connection with write access. Goes out: the same file, newer. Must not:
run two steps in one transaction, or touch what a step does not name.

A released step is never edited; a change of the tables is a new step. ``user_version`` in
the file's header is the number of the last step done, and it changes in the same
transaction as the tables, so that a kill leaves the file before or after a step.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from logger.errors import NotALogbookError
from logger.logbook.schema import APPLICATION_ID, VERSION_1, VERSION_2


@dataclass(frozen=True, slots=True)
class Migration:
    """One step: its number, what it does in words, its statements in order."""

    number: int
    summary: str
    statements: tuple[str, ...]


MIGRATIONS: Final[tuple[Migration, ...]] = (
    Migration(1, "the first tables", (f"PRAGMA application_id = {APPLICATION_ID}", *VERSION_1)),
    Migration(2, "answers to TIME, which bound the latency of the link", VERSION_2),
)

NEWEST: Final = MIGRATIONS[-1].number


def version_of(connection: sqlite3.Connection) -> int:
    """Read the number of the last step done, 0 for an empty database."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def migrate(
    connection: sqlite3.Connection,
    where: str,
    migrations: Sequence[Migration] = MIGRATIONS,
) -> int:
    """Run the steps that are missing, each in one transaction.

    Parameters
    ----------
    connection : sqlite3.Connection
        In autocommit mode (``isolation_level=None``).
    where : str
        The file, for messages.
    migrations : sequence of Migration
        All steps, numbered 1, 2, 3 …

    Returns
    -------
    int
        How many steps were run here.

    Raises
    ------
    NotALogbookError
        The file is newer than the last step known.
    sqlite3.Error
        A step failed; the file stands before that step.
    """
    newest = migrations[-1].number
    done = 0
    while (found := version_of(connection)) < newest:
        done += _step(connection, migrations[found])
    if found > newest:
        raise NotALogbookError(newer_text(where, found, newest))
    return done


def newer_text(where: str, found: int, known: int) -> str:
    """Tell a person whose file is newer than this program what to do."""
    return (
        f"{where}: written by a newer version (file format {found}, this program knows up to "
        f"{known}); upgrade with: pip install --upgrade ropetally"
    )


def _step(connection: sqlite3.Connection, step: Migration) -> int:
    connection.execute("BEGIN IMMEDIATE")
    try:
        if version_of(connection) != step.number - 1:  # another process was quicker
            connection.execute("ROLLBACK")
            return 0
        for statement in step.statements:
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {step.number}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise
    return 1
