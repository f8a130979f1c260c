"""The lowerings of a logbook as rows: gathered, filtered, sorted, as CSV.

Comes in: an open logbook and what a person asks for. Goes out: plain rows in SI. Must not:
read features (``review`` does), load more than numpy, or write into the logbook.
"""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from logger.commands.output import iso_time, listed
from logger.errors import InputError, LogbookMissingError
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Lowering, Samples, Stream
from logger.records import Piece, Rig, Tag, piece_key
from logger.samples import Scaling
from logger.scaling import to_newtons

Row = dict[str, Any]

FLAGS: Final = (
    "empty", "gap", "clipped", "not_closed", "tag_line_tight", "touched", "discarded",
    "by_hand", "merged",
)  # fmt: skip
"""Names of the flags, in the order shown."""

SORT_KEYS: Final[dict[str, str]] = {
    "lowering": "lowering",
    "start": "start_wall_ns",
    "duration": "duration_s",
    "job": "job",
    "piece": "piece",
    "species": "species",
    "method": "method",
    "cell": "cell",
    "station": "station",
    "peak": "peak_n",
}
"""Name of a sort key → the row's field."""

COLUMNS: Final = (
    "lowering", "start", "start_wall_ns", "duration_s", "job", "piece", "species", "method",
    "peak_n", "cell", "station", "stream", "first_index", "last_index", "samples", "flags",
    "discarded", "discard_reason", "split_from", "merged_into", "joined", "note",
)  # fmt: skip
"""Columns of the CSV, SI with the unit in the name."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to list; None and empty mean everything.

    ``since_ns`` and ``until_ns`` are wall times, the second one exclusive. ``merged``: also
    the lowerings that are part of another now.
    """

    job: str | None = None
    method: str | None = None
    piece: str | None = None
    species: str | None = None
    flags: tuple[str, ...] = ()
    since_ns: int | None = None
    until_ns: int | None = None
    untagged: bool = False
    discarded: bool = False
    merged: bool = False


class Rows:
    """Gathers rows from an open logbook; what many rows share is read once."""

    def __init__(self, reader: LogbookReader) -> None:
        self._reader = reader
        self._tags = reader.all_records(Tag)
        self._pieces = reader.all_records(Piece)
        self._rigs = reader.all_records(Rig)
        self._streams = {stream.id: stream for stream in reader.streams()}
        self._scalings: dict[int, Scaling | None] = {}

    def all(self) -> list[Row]:
        """One row for each window, by number, then stream."""
        return [self._row(window) for window in self._reader.lowerings()]

    def _row(self, window: Lowering) -> Row:
        """Gather what is listed of one window."""
        tag = self._tags.get(str(window.number), Tag())
        key = piece_key(tag.job, tag.piece) if tag.piece else None
        piece = self._pieces.get(key) if key else None
        rig = self._rigs.get(piece.rig) if piece is not None else None
        stream = self._stream(window.stream)
        first, last = window.first_index, window.last_index
        samples = self._reader.samples(stream.id, first, first if last is None else last)
        start_ns, duration_s = self._times(stream, samples)
        return {
            "lowering": window.number,
            "stream": stream.id,
            "cell": stream.cell,
            "station": stream.station,
            "start": None if start_ns is None else iso_time(start_ns),
            "start_wall_ns": start_ns,
            "duration_s": duration_s,
            "job": tag.job or None,
            "piece": key,
            "species": (piece.species or None) if piece is not None else None,
            "method": rig.method if rig is not None else None,
            "peak_n": _peak_n(samples, self._scaling(stream.id), stream.info.sample_rate_hz),
            "first_index": first,
            "last_index": last,
            "samples": len(samples.index),
            "discarded": tag.discarded,
            "discard_reason": tag.discard_reason,
            "split_from": window.split_from,
            "merged_into": window.merged_into,
            "joined": list(window.joined),
            "flags": _flags(window, samples, stream, tag),
            "note": tag.note,
        }

    def _stream(self, number: int) -> Stream:
        return self._streams.get(number) or self._reader.stream(number)

    def _scaling(self, stream: int) -> Scaling | None:
        if stream not in self._scalings:
            self._scalings[stream] = self._reader.scaling(stream)
        return self._scalings[stream]

    def _times(self, stream: Stream, samples: Samples) -> tuple[int | None, float | None]:
        """Wall time of the first sample and seconds to the last."""
        if not len(samples.index):
            return None, None
        host_ns = self._reader.time_fit(stream.id).host_ns(samples.tick_us[[0, -1]])
        to_wall_ns = stream.anchor_wall_ns - stream.anchor_boot_ns
        return int(host_ns[0]) + to_wall_ns, round(float(host_ns[1] - host_ns[0]) / 1e9, 3)


def _peak_n(samples: Samples, scaling: Scaling | None, rate_hz: float) -> float | None:
    """Largest reading above the median of the window's first second."""
    if scaling is None or not len(samples.counts):
        return None
    force_n = to_newtons(samples.counts, scaling)
    slack_n = float(np.median(force_n[: max(1, int(rate_hz))]))
    return float(force_n.max()) - slack_n


def _flags(window: Lowering, samples: Samples, stream: Stream, tag: Tag) -> list[str]:
    """Name what a reader must know before trusting the peak."""
    index, counts, info = samples.index, samples.counts, stream.info
    found = {
        "empty": not len(index),
        "gap": len(index) > 0 and int(index[-1] - index[0]) + 1 > len(index),
        "clipped": len(counts) > 0
        and (int(counts.max()) >= info.count_max or int(counts.min()) <= info.count_min),
        "not_closed": not window.closed,
        "tag_line_tight": tag.tag_line_tight,
        "touched": tag.touched,
        "discarded": tag.discarded,
        "by_hand": window.by_hand,
        "merged": window.merged_into is not None,
    }
    return [name for name in FLAGS if found[name]]


# --- filter ------------------------------------------------------------------------------


def chosen(rows: Iterable[Row], wanted: Wanted) -> list[Row]:
    """Keep the rows that are wanted, in their order."""
    tests = _tests(wanted)
    return [row for row in rows if all(test(row) for test in tests)]


def _tests(wanted: Wanted) -> list[Callable[[Row], bool]]:
    """Give what a row must pass."""
    since, until = wanted.since_ns, wanted.until_ns
    species = (wanted.species or "").lower()
    asked: list[tuple[bool, Callable[[Row], bool]]] = [
        (not wanted.merged, lambda row: row["merged_into"] is None),
        (wanted.job is not None, lambda row: bool(row["job"] == wanted.job)),
        (wanted.method is not None, lambda row: bool(row["method"] == wanted.method)),
        (wanted.piece is not None, lambda row: _is_piece(row["piece"], wanted.piece or "")),
        (bool(species), lambda row: species in (row["species"] or "").lower()),
        (since is not None, lambda row: _begun_ns(row) >= (since or 0)),
        (until is not None, lambda row: 0 <= _begun_ns(row) < (until or 0)),
        (wanted.untagged, lambda row: row["piece"] is None),
        (wanted.discarded, lambda row: bool(row["discarded"])),
        (bool(wanted.flags), lambda row: set(wanted.flags) <= set(row["flags"])),
    ]
    return [test for is_asked, test in asked if is_asked]


def _begun_ns(row: Row) -> int:
    """Start to the millisecond that is printed, so that a printed start can be asked for."""
    start_ns = row["start_wall_ns"]
    return -1 if start_ns is None else int(start_ns) + 500_000


def _is_piece(key: str | None, wanted: str) -> bool:
    """Whether a piece is meant by its key or its bare name."""
    return key is not None and wanted in {key, key.partition("/")[2]}


def check_wanted(rows: Sequence[Row], wanted: Wanted, where: object) -> None:
    """Refuse a job, method, piece or species that no row has; say what there is.

    Raises
    ------
    LogbookMissingError
        With the list.
    """
    for field in ("job", "method", "piece", "species"):
        asked = getattr(wanted, field)
        known = sorted({row[field] for row in rows if row[field]})
        if asked is None or any(_matches(field, name, asked) for name in known):
            continue
        there_are = listed(known) or "none yet; tie lowerings with: ropetally tag"
        raise LogbookMissingError(
            f"{where}: no lowering with {field} {asked!r}; there are: {there_are}"
        )


def _matches(field: str, name: str, asked: str) -> bool:
    if field == "piece":
        return _is_piece(name, asked)
    return asked.lower() in name.lower() if field == "species" else name == asked


def moment_ns(text: str, *, end: bool = False) -> int:
    """Wall time of a date, or of a date with time, in this machine's time zone.

    Parameters
    ----------
    text : str
        ISO, for example ``2026-06-03`` or ``2026-06-03T14:00``.
    end : bool
        A bare date means its last moment (the next day's first one, exclusive).

    Raises
    ------
    InputError
        Not such a date.

    Examples
    --------
    >>> moment_ns("2026-06-04") == moment_ns("2026-06-03", end=True)
    True
    """
    try:
        moment = dt.datetime.fromisoformat(text)
        if end and len(text) <= len("2026-06-03"):
            moment += dt.timedelta(days=1)
        return round(moment.astimezone().timestamp() * 1e9)
    except (ValueError, OverflowError, OSError) as error:
        raise InputError(f"{text!r} is no date; write for example 2026-06-03") from error


# --- sort, CSV -----------------------------------------------------------------------------


def ordered(rows: Iterable[Row], keys: str, *, reverse: bool = False) -> list[Row]:
    """Sort rows by one key or more, separated by commas; what is not known comes last.

    Raises
    ------
    InputError
        No such key.
    """
    result = list(rows)
    for key in reversed([word.strip() for word in keys.split(",")]):
        if key not in SORT_KEYS:
            raise InputError(f"--sort {key!r}: use one or more of {listed(SORT_KEYS)}")
        field = SORT_KEYS[key]
        known = [row for row in result if row[field] is not None]
        unknown = [row for row in result if row[field] is None]
        known.sort(key=lambda row: row[field], reverse=reverse)
        result = known + unknown
    return result


def as_csv(rows: Iterable[Row]) -> str:
    """Rows as RFC 4180: comma, CRLF, quotes where needed; flags separated by spaces.

    Examples
    --------
    >>> as_csv([]).split(",")[:3]
    ['lowering', 'start', 'start_wall_ns']
    """
    target = io.StringIO()
    writer = csv.writer(target, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    writer.writerows([_plain(row[column]) for column in COLUMNS] for row in rows)
    return target.getvalue()


def _plain(value: Any) -> Any:
    if isinstance(value, list):
        return " ".join(map(str, value))
    return str(value).lower() if isinstance(value, bool) else value
