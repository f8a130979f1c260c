"""The tables of a logbook: those of format 1, and what each later format adds.

Comes in: nothing. Goes out: SQL. Must not: open files or know about records' meaning.

Every table only grows. A correction is a new row (``record``, ``calibration``), an end is
a row of its own (``session_end``, ``stream_end``, ``lowering_end``), so that a killed
recorder leaves nothing half true. Triggers refuse UPDATE and DELETE on all of them.

Times: ``*_boot_ns`` and ``*_ns`` are host nanoseconds of the clock that runs through
suspend, ``*_wall_ns`` nanoseconds since 1970 UTC, ``*_tick_us`` the device's unwrapped
microseconds. Indices count a stream's samples, missing ones included.
"""

from __future__ import annotations

from typing import Final

APPLICATION_ID: Final = 0x52706C79
"""``Rply`` in the file's header: what makes an SQLite file a logbook."""

PAGE_BYTES: Final = 8192
"""A batch's chunks come to a few kilobytes; in smaller pages up to half of each stays empty."""

TABLES: Final[tuple[str, ...]] = (
    """CREATE TABLE session (
        id INTEGER PRIMARY KEY,
        software TEXT NOT NULL,
        opened_boot_ns INTEGER NOT NULL,
        opened_wall_ns INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE session_end (
        session INTEGER PRIMARY KEY REFERENCES session,
        closed_boot_ns INTEGER NOT NULL,
        closed_wall_ns INTEGER NOT NULL,
        reason TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE stream (
        id INTEGER PRIMARY KEY,
        session INTEGER NOT NULL REFERENCES session,
        cell TEXT NOT NULL,
        url TEXT NOT NULL,
        station TEXT,
        info TEXT NOT NULL,
        overload_n REAL,
        anchor_boot_ns INTEGER NOT NULL,
        anchor_wall_ns INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE stream_end (
        stream INTEGER PRIMARY KEY REFERENCES stream,
        closed_ns INTEGER NOT NULL,
        reason TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE calibration (
        stream INTEGER NOT NULL REFERENCES stream,
        version INTEGER NOT NULL CHECK (version >= 1),
        zero_counts REAL NOT NULL,
        n_per_count REAL NOT NULL,
        rel_u REAL NOT NULL,
        offset_u_n REAL NOT NULL,
        origin TEXT NOT NULL,
        entered_wall_ns INTEGER NOT NULL,
        PRIMARY KEY (stream, version)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE chunk (
        id INTEGER PRIMARY KEY,
        stream INTEGER NOT NULL REFERENCES stream,
        first_index INTEGER NOT NULL CHECK (first_index >= 0),
        n INTEGER NOT NULL CHECK (n > 0),
        n_frames INTEGER NOT NULL CHECK (n_frames > 0),
        codec INTEGER NOT NULL,
        least_tick_us INTEGER NOT NULL,
        least_offset_ns INTEGER NOT NULL,
        crc INTEGER NOT NULL,
        counts BLOB NOT NULL,
        frames BLOB NOT NULL,
        UNIQUE (stream, first_index)
    ) STRICT""",
    """CREATE TABLE gap (
        id INTEGER PRIMARY KEY,
        stream INTEGER NOT NULL REFERENCES stream,
        first_index INTEGER NOT NULL,
        n_missing INTEGER NOT NULL,
        noticed_ns INTEGER NOT NULL,
        reason TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX gap_by_stream ON gap (stream, first_index)",
    """CREATE TABLE fault (
        id INTEGER PRIMARY KEY,
        session INTEGER NOT NULL REFERENCES session,
        stream INTEGER REFERENCES stream,
        cell TEXT NOT NULL,
        kind TEXT NOT NULL,
        noticed_ns INTEGER NOT NULL,
        n INTEGER NOT NULL,
        detail TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE status (
        id INTEGER PRIMARY KEY,
        stream INTEGER NOT NULL REFERENCES stream,
        tick_us INTEGER NOT NULL,
        overruns INTEGER NOT NULL,
        clipped INTEGER NOT NULL,
        temperature_c REAL,
        battery_pct INTEGER,
        received_ns INTEGER NOT NULL
    ) STRICT""",
    """CREATE TABLE lowering (
        lowering INTEGER NOT NULL CHECK (lowering >= 1),
        stream INTEGER NOT NULL REFERENCES stream,
        trigger_index INTEGER NOT NULL,
        first_index INTEGER NOT NULL,
        PRIMARY KEY (lowering, stream)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE lowering_end (
        lowering INTEGER NOT NULL,
        stream INTEGER NOT NULL,
        last_index INTEGER NOT NULL,
        PRIMARY KEY (lowering, stream),
        FOREIGN KEY (lowering, stream) REFERENCES lowering
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE mark (
        id INTEGER PRIMARY KEY,
        session INTEGER NOT NULL REFERENCES session,
        kind TEXT NOT NULL,
        at_ns INTEGER NOT NULL,
        note TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE record (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        key TEXT NOT NULL,
        version INTEGER NOT NULL CHECK (version >= 1),
        written_wall_ns INTEGER NOT NULL,
        author TEXT NOT NULL,
        body TEXT NOT NULL,
        crc INTEGER NOT NULL,
        UNIQUE (kind, key, version)
    ) STRICT""",
    """CREATE TABLE prediction (
        id INTEGER PRIMARY KEY,
        piece TEXT NOT NULL,
        made_wall_ns INTEGER NOT NULL,
        software TEXT NOT NULL,
        inputs TEXT NOT NULL,
        result TEXT NOT NULL,
        crc INTEGER NOT NULL
    ) STRICT""",
    "CREATE INDEX prediction_by_piece ON prediction (piece)",
)

_FIRST: Final[tuple[str, ...]] = (
    "session",
    "session_end",
    "stream",
    "stream_end",
    "calibration",
    "chunk",
    "gap",
    "fault",
    "status",
    "lowering",
    "lowering_end",
    "mark",
    "record",
    "prediction",
)
"""Tables of format 1."""

GROWING: Final[tuple[str, ...]] = (*_FIRST, "exchange")
"""Tables that only grow: all of them."""


def guards(table: str) -> tuple[str, ...]:
    """Triggers that refuse to change or remove a row of ``table``.

    Examples
    --------
    >>> guards("chunk")[0].split(" BEGIN")[0]
    'CREATE TRIGGER chunk_no_update BEFORE UPDATE ON chunk'
    """
    return tuple(
        f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, '{table} is never rewritten'); END"
        for event in ("UPDATE", "DELETE")
    )


VERSION_1: Final[tuple[str, ...]] = (
    *TABLES,
    *(statement for table in _FIRST for statement in guards(table)),
)

VERSION_2: Final[tuple[str, ...]] = (
    """CREATE TABLE exchange (
        id INTEGER PRIMARY KEY,
        stream INTEGER NOT NULL REFERENCES stream,
        tick_us INTEGER NOT NULL,
        sent_ns INTEGER NOT NULL,
        received_ns INTEGER NOT NULL CHECK (received_ns >= sent_ns)
    ) STRICT""",
    "CREATE INDEX exchange_by_stream ON exchange (stream, id)",
    *guards("exchange"),
)
"""Answers to TIME: a tick of the device, read by it between two host times."""
