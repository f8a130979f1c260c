"""Read a logbook: what was recorded, and through its base what was written down.

Comes in: a path, also of a logbook that is being recorded. Goes out: frozen rows and
read-only arrays. Must not: write, scale counts or draw conclusions.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

import msgspec
import numpy as np

from logger.errors import LogbookMissingError
from logger.logbook import codec
from logger.logbook.rows import (
    Calibration,
    LeastDelays,
    Lowering,
    Samples,
    Session,
    Stream,
)
from logger.logbook.windows import held
from logger.logbook.written import WrittenReader
from logger.records import Window
from logger.samples import (
    CellInfo,
    ExchangeNoted,
    FaultNoted,
    GapNoted,
    MarkMade,
    Scaling,
    StatusFrame,
    StatusNoted,
)

if TYPE_CHECKING:
    from pathlib import Path

    from logger.timebase import TimeFit

_CHUNK: Final = (
    "stream, first_index, n, n_frames, codec, least_tick_us, least_offset_ns, crc, counts, frames"
)
_PAGE: Final = 256  # chunks fetched at once
_STREAM: Final = """
    SELECT s.id, s.session, s.cell, s.url, s.station, s.info, s.overload_n,
           s.anchor_boot_ns, s.anchor_wall_ns, e.closed_ns, e.reason,
           (SELECT first_index FROM chunk WHERE stream = s.id ORDER BY first_index LIMIT 1),
           (SELECT first_index + n - 1 FROM chunk WHERE stream = s.id
            ORDER BY first_index DESC LIMIT 1)
    FROM stream AS s LEFT JOIN stream_end AS e ON e.stream = s.id"""
_LOWERING: Final = """
    SELECT w.lowering, w.stream, w.trigger_index, w.first_index,
           coalesce(e.last_index,
                    (SELECT c.first_index + c.n - 1 FROM chunk AS c WHERE c.stream = w.stream
                     ORDER BY c.first_index DESC LIMIT 1)),
           e.last_index IS NOT NULL
    FROM lowering AS w LEFT JOIN lowering_end AS e USING (lowering, stream)"""


class LogbookReader(WrittenReader):
    """An open logbook, read-only; a context manager.

    Opening folds in the journal that a crash left behind, where that is possible.

    Raises
    ------
    LogbookMissingError
        No such file.
    NotALogbookError
        Foreign, damaged or newer, or not readable where it lies.
    """

    def __init__(self, path: str | Path) -> None:
        super().__init__(path)
        self._fits: dict[int, TimeFit] = {}
        self._fits_of = -1  # SQLite's data version at which they were made

    # sessions, streams, calibrations

    def sessions(self) -> tuple[Session, ...]:
        """All recordings, oldest first."""
        rows = self.query(
            "SELECT s.id, s.software, s.opened_boot_ns, s.opened_wall_ns, e.session IS NOT NULL, "
            "e.closed_boot_ns, e.closed_wall_ns, e.reason "
            "FROM session AS s LEFT JOIN session_end AS e ON e.session = s.id ORDER BY s.id"
        )
        return self.typed(Session, ((*row[:4], bool(row[4]), *row[5:]) for row in rows))

    def streams(self) -> tuple[Stream, ...]:
        """All streams, in the order of their numbers."""
        rows = self.query(f"{_STREAM} ORDER BY s.id")
        return self.typed(Stream, map(self._stream, rows))

    def stream(self, stream: int) -> Stream:
        """One stream.

        Raises
        ------
        LogbookMissingError
            There is none of that number.
        """
        rows = self.query(f"{_STREAM} WHERE s.id = ?", stream)
        if not rows:
            raise self._no_stream(stream)
        return self.typed(Stream, map(self._stream, rows))[0]

    def _no_stream(self, stream: int) -> LogbookMissingError:
        known = ", ".join(str(row[0]) for row in self.query("SELECT id FROM stream ORDER BY id"))
        return LogbookMissingError(
            f"{self.path}: no stream {stream}; there are: {known or 'none yet'}"
        )

    def _info(self, stream: int) -> CellInfo:
        rows = self.query("SELECT info FROM stream WHERE id = ?", stream)
        if not rows:
            raise self._no_stream(stream)
        return self._cell_info(stream, rows[0][0])

    def _cell_info(self, stream: int, text: Any) -> CellInfo:
        try:
            info = msgspec.json.decode(text, type=CellInfo)
        except (msgspec.DecodeError, TypeError) as error:
            raise self.damaged(
                f"stream {stream}: what the cell said of itself cannot be read ({error})"
            ) from error
        if not 0 < info.sample_rate_hz < 1e9:
            raise self.damaged(f"stream {stream}: a sample rate of {info.sample_rate_hz} Hz")
        return info

    def _stream(self, row: tuple[Any, ...]) -> tuple[Any, ...]:
        """Columns of a :class:`Stream`."""
        info = self._cell_info(row[0], row[5])
        return (*row[:5], info, *row[6:9], row[9] is not None, *row[9:])

    def calibrations(self, stream: int) -> tuple[Calibration, ...]:
        """All versions of a stream's calibration, oldest first."""
        rows = self.query(
            "SELECT version, zero_counts, n_per_count, rel_u, offset_u_n, origin, entered_wall_ns "
            "FROM calibration WHERE stream = ? ORDER BY version",
            stream,
        )
        scalings = self.typed(Scaling, (row[1:6] for row in rows))
        return self.typed(
            Calibration,
            ((stream, row[0], s, row[6]) for row, s in zip(rows, scalings, strict=True)),
        )

    def scaling(self, stream: int) -> Scaling | None:
        """Read the calibration that holds, None when the stream has none."""
        versions = self.calibrations(stream)
        return versions[-1].scaling if versions else None

    # samples and times

    def samples(self, stream: int, first: int | None = None, last: int | None = None) -> Samples:
        """Read the stored samples with ``first <= index <= last``.

        Parameters
        ----------
        stream : int
        first, last : int, optional
            Both inclusive; the stream's own ends when not given.

        Returns
        -------
        Samples
            Empty when nothing is stored there; the index jumps where samples are missing.

        Raises
        ------
        LogbookMissingError
            No such stream.
        NotALogbookError
            A chunk is damaged.
        """
        period_us = 1e6 / self._info(stream).sample_rate_hz
        parts = [
            _place(chunk, *self._decode(chunk), period_us)
            for chunk in self.chunks(stream, first, last)
        ]
        if not parts:
            return Samples(*map(_frozen, _nothing()))
        index, tick_us, counts = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        low = 0 if first is None else int(np.searchsorted(index, first, side="left"))
        high = len(index) if last is None else int(np.searchsorted(index, last, side="right"))
        kept = slice(low, max(low, high))
        return Samples(_frozen(index[kept]), _frozen(tick_us[kept]), _frozen(counts[kept]))

    def chunks(
        self, stream: int, first: int | None = None, last: int | None = None
    ) -> Iterator[codec.Chunk]:
        """Read the chunks that overlap ``first`` to ``last``, in order, still packed.

        Chunks do not overlap each other, so only one that begins earlier can reach in.
        """
        at = -1 if first is None else first
        end = 2**63 - 1 if last is None else last
        begun = self.query(
            "SELECT first_index FROM chunk WHERE stream = ? AND first_index <= ? "
            "ORDER BY first_index DESC LIMIT 1",
            stream,
            at,
        )
        at = begun[0][0] if begun else at
        while page := self.query(
            f"SELECT {_CHUNK} FROM chunk WHERE stream = ? AND first_index BETWEEN ? AND ? "  # noqa: S608
            f"ORDER BY first_index LIMIT {_PAGE}",
            stream,
            at,
            end,
        ):
            for chunk in self.typed(codec.Chunk, page):
                if first is None or chunk.first_index + chunk.n > first:
                    yield chunk
            at = page[-1][1] + 1

    def _decode(self, chunk: codec.Chunk) -> tuple[Any, codec.FrameTable]:
        try:
            return codec.decode(chunk)
        except codec.CodecError as error:
            raise self.damaged(
                f"stream {chunk.stream}, samples {chunk.first_index} to "
                f"{chunk.first_index + chunk.n - 1}: {error}"
            ) from error

    def frames(self, stream: int) -> codec.FrameTable:
        """All frames of a stream as they arrived."""
        tables = [self._decode(chunk)[1] for chunk in self.chunks(stream)]
        columns = [
            np.concatenate([np.empty(0, dtype=np.int64), *(getattr(t, name) for t in tables)])
            for name in ("n", "tick_us", "received_ns")
        ]
        return codec.FrameTable(*map(_frozen, columns))

    def least_delays(self, stream: int) -> LeastDelays:
        """Read each chunk's frame with the least delay, without unpacking any."""
        rows = self.query(
            "SELECT least_tick_us, least_tick_us * 1000 + least_offset_ns FROM chunk "
            "WHERE stream = ? ORDER BY first_index",
            stream,
        )
        pairs = np.array(rows, dtype=np.int64).reshape(len(rows), 2)
        return LeastDelays(_frozen(pairs[:, 0].copy()), _frozen(pairs[:, 1].copy()))

    def time_fit(self, stream: int) -> TimeFit:
        """Fit device tick to host time over the whole stream, without unpacking a chunk.

        Kept until somebody writes into the file: a long stream holds many lowerings.

        Returns
        -------
        TimeFit
            Its error holds the bound of the ticks that the cell states, and the latency of the
            link where answers to TIME bound it.

        Raises
        ------
        LogbookMissingError
            No such stream, or it holds no sample.
        """
        version = int(self.query("PRAGMA data_version")[0][0])
        if version != self._fits_of:
            self._fits, self._fits_of = {}, version
        if stream not in self._fits:
            self._fits[stream] = self._time_fit(stream)
        return self._fits[stream]

    def _time_fit(self, stream: int) -> TimeFit:
        from logger.timebase import Exchanges, fit_times  # noqa: PLC0415 - only analyses need it

        delays, info = self.least_delays(stream), self._info(stream)
        if not len(delays.tick_us):
            raise LogbookMissingError(f"{self.path}: stream {stream} holds no sample to time")
        answers = [(e.tick_us, e.sent_ns, e.received_ns) for e in self.exchanges(stream)]
        columns = np.array(answers, dtype=np.int64).reshape(len(answers), 3).T
        return fit_times(info, delays.tick_us, delays.received_ns, Exchanges(*columns))

    # what happened on the way

    def gaps(self, stream: int) -> tuple[GapNoted, ...]:
        """Missing samples of a stream, in order."""
        rows = self.query(
            "SELECT stream, first_index, n_missing, noticed_ns, reason FROM gap "
            "WHERE stream = ? ORDER BY first_index, id",
            stream,
        )
        return self.typed(GapNoted, rows)

    def faults(self, stream: int | None = None) -> tuple[FaultNoted, ...]:
        """Faults in the order noted: of one stream, or all (also those of no stream)."""
        rows = self.query(
            "SELECT stream, cell, kind, noticed_ns, n, detail FROM fault "
            "WHERE ?1 IS NULL OR stream = ?1 ORDER BY id",
            stream,
        )
        return self.typed(FaultNoted, rows)

    def statuses(self, stream: int) -> tuple[StatusNoted, ...]:
        """Device statuses of a stream, in order."""
        rows = self.query(
            "SELECT tick_us, overruns, clipped, temperature_c, battery_pct, received_ns "
            "FROM status WHERE stream = ? ORDER BY id",
            stream,
        )
        return tuple(StatusNoted(stream, frame) for frame in self.typed(StatusFrame, rows))

    def exchanges(self, stream: int) -> tuple[ExchangeNoted, ...]:
        """Answers of a stream's device to TIME, in order; none in a file of format 1."""
        if self.file_format < 2:
            return ()
        rows = self.query(
            "SELECT stream, tick_us, sent_ns, received_ns FROM exchange "
            "WHERE stream = ? ORDER BY id",
            stream,
        )
        return self.typed(ExchangeNoted, rows)

    def marks(self, session: int | None = None) -> tuple[MarkMade, ...]:
        """Read the marks of one recording or of all, in order."""
        rows = self.query(
            "SELECT kind, at_ns, note FROM mark WHERE ?1 IS NULL OR session = ?1 ORDER BY id",
            session,
        )
        return self.typed(MarkMade, rows)

    def triggered(self, number: int | None = None) -> tuple[Lowering, ...]:
        """Windows as the trigger saw them, by number, then stream.

        All, or those of one lowering and of any that is still open on its stream.
        """
        rows = self.query(
            f"{_LOWERING} WHERE ?1 IS NULL OR w.lowering = ?1 OR e.last_index IS NULL "
            "ORDER BY w.lowering, w.stream",
            number,
        )
        return self.typed(Lowering, map(_lowering, rows))

    def lowerings(self) -> tuple[Lowering, ...]:
        """All windows as they hold now, by number, then stream.

        Those of the trigger, set anew by people's window records, and lowerings that people
        split off; one that was merged into another is still here and says so.
        """
        return held(self.triggered(), self.all_records(Window))

    def lowering(self, number: int) -> tuple[Lowering, ...]:
        """Read the windows of one lowering, one for each stream that took part.

        Raises
        ------
        LogbookMissingError
            There is none of that number.
        """
        windows = held(self.triggered(number), self.all_records(Window))
        own = tuple(window for window in windows if window.number == number)
        if not own:
            windows = self.lowerings()
            has = f"it holds 1 to {windows[-1].number}" if windows else "it holds none yet"
            raise LogbookMissingError(f"{self.path}: no lowering {number}; {has}")
        return own


def _place(
    chunk: codec.Chunk, counts: Any, table: codec.FrameTable, period_us: float
) -> tuple[codec.Int64Array, codec.Int64Array, Any]:
    """Index and tick of each sample of a chunk."""
    in_frame = np.arange(table.n.max())
    after_us = np.rint(in_frame * period_us).astype(np.int64)
    tick_us = (table.tick_us[:, None] + after_us)[in_frame < table.n[:, None]]
    return np.arange(chunk.first_index, chunk.first_index + chunk.n), tick_us, counts


def _nothing() -> tuple[Any, Any, Any]:
    empty = np.empty(0, dtype=np.int64)
    return empty, empty.copy(), np.empty(0, dtype=np.int32)


def _frozen(array: Any) -> Any:
    array.flags.writeable = False
    return array


def _lowering(row: tuple[Any, ...]) -> tuple[Any, ...]:
    """Columns of a :class:`Lowering`; one left open ends with its stream."""
    *window, closed = row
    return (*window, bool(closed), False, None, None, ())
