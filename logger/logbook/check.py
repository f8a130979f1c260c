"""Verify a logbook: file, checksums, counts, gaps, windows, keys.

Comes in: a path. Goes out: a report. Must not: change or mend anything (opening folds in
what a crash left behind, as every command does).

A *problem* is something that cannot be true of a logbook as it was written; a *note* is
true but worth knowing, such as a recording that was cut short.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import msgspec
import numpy as np

from logger import records
from logger.errors import NotALogbookError
from logger.logbook import codec
from logger.logbook.entries import record_crc
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Lowering, Session, Stream
from logger.samples import FaultNoted, GapNoted

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Finding:
    """Something found: where in the logbook, and what."""

    where: str
    what: str

    def __str__(self) -> str:
        return f"{self.where}: {self.what}"


@dataclass(frozen=True, slots=True)
class StreamReport:
    """What a stream holds; ``samples`` were unpacked and counted, not read from a total.

    ``gaps`` and ``faults`` count rows; ``missing`` is the number of samples in the gaps,
    ``fault_kinds`` how many bytes, frames or samples each kind touched.
    """

    id: int
    session: int
    cell: str
    station: str | None
    sample_rate_hz: float
    samples: int
    chunks: int
    first_index: int | None
    last_index: int | None
    gaps: int
    missing: int
    faults: int
    fault_kinds: dict[str, int]
    closed: bool
    reason: str | None


@dataclass(frozen=True, slots=True)
class Report:
    """The whole check; ``ok`` when there is no problem. ``faults`` includes those of no stream."""

    ok: bool
    problems: tuple[Finding, ...]
    notes: tuple[Finding, ...]
    sessions: tuple[Session, ...]
    streams: tuple[StreamReport, ...]
    lowerings: tuple[Lowering, ...]
    faults: int
    marks: int
    records: int
    predictions: int


def check(path: str | Path) -> Report:
    """Verify all of a logbook, also one that is being recorded.

    Raises
    ------
    LogbookMissingError, NotALogbookError
        The file is not there or cannot be opened as a logbook at all.
    """
    with LogbookReader(path) as reader, reader.snapshot():
        return _Check(reader).run()


class _Check:
    """One pass over one snapshot; collects findings."""

    def __init__(self, reader: LogbookReader) -> None:
        self._reader = reader
        self._problems: list[Finding] = []
        self._notes: list[Finding] = []
        self._extents: dict[int, tuple[int, int]] = {}

    def run(self) -> Report:
        """Verify everything; damage in one place does not hide the rest."""
        reader = self._reader
        self._count("file", self._file)
        sessions = self._rows("recordings", reader.sessions)
        self._sessions(sessions)
        faults = self._rows("faults", lambda: reader.faults(None))
        streams = self._rows("streams", reader.streams)
        reports = tuple(self._stream(stream, faults) for stream in streams)
        triggered = self._rows("lowerings", reader.triggered)
        for lowering in triggered:
            self._lowering(lowering)
        lowerings = self._rows("lowerings", reader.lowerings)
        self._count("windows", lambda: self._by_hand(triggered, lowerings))
        n_records = self._count("records", self._records)
        n_predictions = self._count("predictions", self._predictions)
        self._count("tags", lambda: self._tags(lowerings))
        marks = self._rows("marks", lambda: reader.marks(None))
        return Report(
            ok=not self._problems,
            problems=tuple(self._problems),
            notes=tuple(self._notes),
            sessions=sessions,
            streams=reports,
            lowerings=lowerings,
            faults=len(faults),
            marks=len(marks),
            records=n_records,
            predictions=n_predictions,
        )

    def _problem(self, where: str, what: str) -> None:
        self._problems.append(Finding(where, what))

    def _note(self, where: str, what: str) -> None:
        self._notes.append(Finding(where, what))

    def _damaged(self, where: str, error: NotALogbookError) -> None:
        self._problem(where, str(error).removeprefix(f"{self._reader.path}: "))

    def _rows(self, where: str, work: Callable[[], tuple[T, ...]]) -> tuple[T, ...]:
        """Read rows; damage becomes a problem."""
        try:
            return work()
        except NotALogbookError as error:
            self._damaged(where, error)
            return ()

    def _count(self, where: str, work: Callable[[], int]) -> int:
        """Verify a part and count its rows; damage becomes a problem."""
        try:
            return work()
        except NotALogbookError as error:
            self._damaged(where, error)
            return 0

    # the file

    def _file(self) -> int:
        rows = self._reader.query("PRAGMA integrity_check")
        for row in rows:
            if row[0] != "ok":
                self._problem("file", f"SQLite finds its own structure broken: {row[0]}")
        for table, row_id, parent, _ in self._reader.query("PRAGMA foreign_key_check"):
            where = table if row_id is None else f"{table} {row_id}"
            self._problem(where, f"belongs to a {parent} that does not exist")
        return len(rows)

    def _sessions(self, sessions: tuple[Session, ...]) -> None:
        for session in sessions:
            if not session.closed:
                self._note(
                    f"recording {session.id}",
                    "not closed: it is running, or it was cut short; "
                    "everything acknowledged is here",
                )

    # streams

    def _stream(self, stream: Stream, faults: tuple[FaultNoted, ...]) -> StreamReport:
        where = f"stream {stream.id}"
        gaps = self._rows(where, lambda: self._reader.gaps(stream.id))
        tiles = _Tiles(gaps)
        samples, chunks = self._samples(where, stream, tiles)
        self._calibrations(where, stream.id)
        self._rows(where, lambda: self._reader.exchanges(stream.id))
        if tiles.extent is not None:
            self._extents[stream.id] = tiles.extent
        own = [fault for fault in faults if fault.stream_id == stream.id]
        kinds: Counter[str] = Counter()
        for fault in own:
            kinds[fault.kind] += fault.n
        return StreamReport(
            id=stream.id,
            session=stream.session,
            cell=stream.cell,
            station=stream.station,
            sample_rate_hz=stream.info.sample_rate_hz,
            samples=samples,
            chunks=chunks,
            first_index=stream.first_index,
            last_index=stream.last_index,
            gaps=len(gaps),
            missing=sum(gap.n_missing for gap in gaps),
            faults=len(own),
            fault_kinds=dict(kinds),
            closed=stream.closed,
            reason=stream.reason,
        )

    def _samples(self, where: str, stream: Stream, tiles: _Tiles) -> tuple[int, int]:
        """Unpack all chunks; count the good samples, and the chunks."""
        samples = chunks = 0
        tick_us: int | None = None
        try:
            for chunk in self._reader.chunks(stream.id):
                place = f"{where}, samples {chunk.first_index} to {chunk.first_index + chunk.n - 1}"
                chunks += 1
                for text in tiles.take(chunk.first_index, chunk.n):
                    self._problem(where, text)
                table = self._chunk(place, chunk, stream.info.sample_rate_hz)
                if table is not None:
                    samples += chunk.n
                    tick_us = self._ticks(place, table, tick_us)
            for text in tiles.finish():
                self._problem(where, text)
        except NotALogbookError as error:
            self._damaged(where, error)
        return samples, chunks

    def _chunk(self, place: str, chunk: codec.Chunk, rate_hz: float) -> codec.FrameTable | None:
        try:
            _, table = codec.decode(chunk)
        except codec.CodecError as error:
            self._problem(place, str(error))
            return None
        stated = (chunk.least_tick_us, chunk.least_offset_ns)
        if codec.least_delay(table, rate_hz) != stated:
            self._problem(place, "the least delay kept beside the frames is not theirs")
        return table

    def _ticks(self, place: str, table: codec.FrameTable, before_us: int | None) -> int:
        ticks = table.tick_us if before_us is None else np.append(before_us, table.tick_us)
        if np.any(np.diff(ticks) <= 0):
            self._problem(place, "the device's ticks do not go forward")
        return int(table.tick_us[-1])

    def _calibrations(self, where: str, stream: int) -> None:
        versions = self._rows(where, lambda: self._reader.calibrations(stream))
        for expected, calibration in enumerate(versions, start=1):
            if calibration.version != expected:
                self._problem(where, f"calibration {expected} is missing")
                return

    # lowerings

    def _lowering(self, lowering: Lowering) -> None:
        where = f"lowering {lowering.number}, stream {lowering.stream}"
        extent = self._extents.get(lowering.stream)
        if not lowering.closed:
            self._note(where, "its window was left open; it is taken to end at the last sample")
        if extent is None or lowering.last_index is None:
            self._problem(where, "the window lies on a stream that holds no sample")
            return
        if not lowering.first_index <= lowering.trigger_index <= lowering.last_index:
            self._problem(
                where,
                f"first {lowering.first_index}, trigger {lowering.trigger_index} and last "
                f"{lowering.last_index} are not in order",
            )
        if lowering.first_index < extent[0] or lowering.last_index > extent[1]:
            self._problem(
                where,
                f"the window {lowering.first_index} to {lowering.last_index} reaches beyond the "
                f"stream's {extent[0]} to {extent[1]}",
            )

    def _by_hand(self, triggered: tuple[Lowering, ...], lowerings: tuple[Lowering, ...]) -> int:
        """Verify the windows that people set, and how they hang together."""
        for lowering in lowerings:
            if lowering.by_hand and lowering not in triggered:
                self._lowering(lowering)
        known = {lowering.number for lowering in lowerings}
        own = {lowering.number for lowering in triggered}
        windows = self._reader.all_records(records.Window)
        for key, window in windows.items():
            where = f"window {key!r}"
            if not key.isdigit() or int(key) not in known:
                self._problem(where, "there is no lowering of that number")
            elif (window.split_from is None) != (int(key) in own):
                self._problem(where, "split from another, or found by the trigger: not both")
            for number in (window.split_from, window.merged_into, *window.joined):
                if number is not None and (number not in known or str(number) == key):
                    self._problem(where, f"it names lowering {number}, which cannot be")
        return len(windows)

    # what people wrote down

    def _records(self) -> int:
        rows = self._reader.query(
            "SELECT kind, key, version, written_wall_ns, author, body, crc FROM record "
            "ORDER BY kind, key, version"
        )
        newest: dict[tuple[str, str], int] = {}
        for *values, crc in rows:
            kind, key, version = values[:3]
            where = f"{kind} {key!r}, version {version}"
            if version != newest.get((kind, key), 0) + 1:
                self._problem(where, "an earlier version is missing")
            newest[kind, key] = version
            if record_crc(*values) != crc:
                self._problem(where, "checksum differs: it has changed since it was written")
            else:
                self._body(where, kind, values[5])
        return len(rows)

    def _body(self, where: str, kind: str, body: str) -> None:
        record = records.KINDS.get(kind)
        if record is None:
            self._problem(where, f"no kind of record is called {kind!r}")
            return
        try:
            records.from_body(body, record)
        except msgspec.DecodeError as error:
            self._problem(where, f"cannot be read: {error}")

    def _predictions(self) -> int:
        rows = self._reader.query(
            "SELECT id, piece, made_wall_ns, software, inputs, result, crc FROM prediction"
        )
        for number, *values, crc in rows:
            if record_crc(*values) != crc:
                self._problem(
                    f"prediction {number}",
                    "checksum differs: it has changed since it was written",
                )
        return len(rows)

    def _tags(self, lowerings: tuple[Lowering, ...]) -> int:
        numbers = {str(lowering.number) for lowering in lowerings}
        pieces = set(self._reader.keys("piece"))
        tags = self._reader.all_records(records.Tag)
        for key, tag in tags.items():
            if key not in numbers:
                self._problem(f"tag {key!r}", "there is no lowering of that number")
            piece = records.piece_key(tag.job, tag.piece)
            if tag.piece and piece not in pieces:
                self._note(f"tag {key!r}", f"no piece {piece!r} is written down")
        return len(tags)


class _Tiles:
    """Lays chunks and gaps of a stream end to end; says where they do not fit."""

    def __init__(self, gaps: tuple[GapNoted, ...]) -> None:
        self._gaps = list(gaps)
        self._next: int | None = None
        self.extent: tuple[int, int] | None = None

    def take(self, first_index: int, n: int) -> Iterator[str]:
        """Lay the next chunk."""
        while self._gaps and self._gaps[0].first_index < first_index:
            gap = self._gaps.pop(0)
            yield from self._lay(gap.first_index, gap.n_missing, "gap")
        yield from self._lay(first_index, n, "chunk")

    def finish(self) -> Iterator[str]:
        """Lay the gaps behind the last chunk."""
        for gap in self._gaps:
            yield from self._lay(gap.first_index, gap.n_missing, "gap")

    def _lay(self, first_index: int, n: int, what: str) -> Iterator[str]:
        end = first_index + n
        if n <= 0:
            yield f"the {what} at sample {first_index} has length {n}"
        if self._next is not None and first_index > self._next:
            yield (
                f"samples {self._next} to {first_index - 1} are neither stored nor noted as a gap"
            )
        if self._next is not None and first_index < self._next:
            yield (
                f"the {what} at sample {first_index} overlaps what comes before it "
                f"(up to {self._next - 1})"
            )
        self._next = end if self._next is None else max(self._next, end)
        low = first_index if self.extent is None else min(self.extent[0], first_index)
        self.extent = (low, self._next - 1)
