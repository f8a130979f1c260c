"""Turn the items of one batch into rows, in order.

Comes in: record items and a connection inside a transaction. Goes out: rows. Must not:
begin or end the transaction; the writer does.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import Final

import msgspec
import numpy as np

from logger.errors import LogbookWriteError
from logger.logbook import codec
from logger.samples import (
    ExchangeNoted,
    FaultNoted,
    FrameTable,
    GapNoted,
    MarkMade,
    RecordItem,
    SamplesPlaced,
    Scaling,
    StatusNoted,
    StreamClosed,
    StreamOpened,
    WindowClosed,
    WindowOpened,
)

CHUNK_LIMIT: Final = 65536
"""Most samples in a chunk, so that a read of a window never unpacks much more than it."""


class _Run:
    """Samples of one stream that follow each other without a missing one."""

    __slots__ = ("first_index", "items", "next_index")

    def __init__(self, first: SamplesPlaced) -> None:
        self.first_index = first.first_index
        self.next_index = first.first_index
        self.items: list[SamplesPlaced] = []

    def takes(self, item: SamplesPlaced) -> bool:
        """Whether the frames follow directly and there is room."""
        size = item.next_index - self.first_index
        return item.first_index == self.next_index and size <= CHUNK_LIMIT

    def append(self, item: SamplesPlaced) -> None:
        """Take the next frames."""
        self.items.append(item)
        self.next_index = item.next_index

    def chunk(self, stream: int, sample_rate_hz: float) -> codec.Chunk:
        """Pack the frames."""
        tables = [item.frames for item in self.items]
        table = FrameTable(
            np.concatenate([t.n for t in tables]),
            np.concatenate([t.tick_us for t in tables]),
            np.concatenate([t.received_ns for t in tables]),
        )
        counts = np.concatenate([item.counts for item in self.items])
        return codec.encode(stream, self.first_index, counts, table, sample_rate_hz)


class Batch:
    """One transaction's worth of items.

    Parameters
    ----------
    connection : sqlite3.Connection
        Inside a transaction.
    session : int
        The recording.
    wall_ns : int
        Now; stamps calibrations.
    rates_hz : dict
        Stream -> sample rate of the streams opened so far; grows here.

    Attributes
    ----------
    last : dict
        Stream -> last index stored, for streams with samples in the batch.
    """

    def __init__(
        self,
        connection: sqlite3.Connection,
        session: int,
        wall_ns: int,
        rates_hz: dict[int, float],
    ) -> None:
        self._execute = connection.execute
        self._session = session
        self._wall_ns = wall_ns
        self._rates_hz = rates_hz
        self._runs: dict[int, _Run] = {}
        self.last: dict[int, int] = {}
        self._store: dict[type, Callable[..., None]] = {
            StreamOpened: self._opened,
            SamplesPlaced: self._samples,
            GapNoted: self._gap,
            FaultNoted: self._fault,
            StatusNoted: self._status,
            ExchangeNoted: self._exchange,
            WindowOpened: self._window_opened,
            WindowClosed: self._window_closed,
            MarkMade: self._mark,
            StreamClosed: self._stream_closed,
        }

    def add(self, item: RecordItem) -> None:
        """Store an item; samples wait until their run ends."""
        self._store[type(item)](item)

    def flush_all(self) -> None:
        """Store the samples that wait."""
        for stream in list(self._runs):
            self._flush(stream)

    def _insert(self, table: str, *values: object) -> None:
        marks = ", ".join("?" * len(values))
        self._execute(f"INSERT INTO {table} VALUES ({marks})", values)  # noqa: S608 - our own names

    def _opened(self, item: StreamOpened) -> None:
        self._rates_hz[item.stream_id] = item.info.sample_rate_hz
        self._insert(
            "stream",
            item.stream_id,
            self._session,
            item.cell,
            item.url,
            item.station,
            msgspec.json.encode(item.info).decode(),
            item.overload_n,
            item.anchor_boot_ns,
            item.anchor_wall_ns,
        )
        if item.scaling is not None:
            self._insert(
                "calibration", *calibration(item.stream_id, 1, item.scaling, self._wall_ns)
            )

    def _samples(self, item: SamplesPlaced) -> None:
        if not len(item.counts):
            return
        if item.stream_id not in self._rates_hz:
            raise LogbookWriteError(
                f"stream {item.stream_id}: samples for a stream that was not opened in this "
                "recording; open it first"
            )
        run = self._runs.get(item.stream_id)
        if run is None or not run.takes(item):
            self._flush(item.stream_id)
            run = self._runs[item.stream_id] = _Run(item)
        run.append(item)

    def _flush(self, stream: int) -> None:
        run = self._runs.pop(stream, None)
        if run is None:
            return
        chunk = run.chunk(stream, self._rates_hz[stream])
        self._insert(
            "chunk",
            None,
            stream,
            chunk.first_index,
            chunk.n,
            chunk.n_frames,
            chunk.codec,
            chunk.least_tick_us,
            chunk.least_offset_ns,
            chunk.crc,
            chunk.counts,
            chunk.frames,
        )
        self.last[stream] = run.next_index - 1

    def _gap(self, item: GapNoted) -> None:
        self._insert(
            "gap",
            None,
            item.stream_id,
            item.first_index,
            item.n_missing,
            item.noticed_ns,
            item.reason,
        )

    def _fault(self, item: FaultNoted) -> None:
        self._insert(
            "fault",
            None,
            self._session,
            item.stream_id,
            item.cell,
            item.kind,
            item.noticed_ns,
            item.n,
            item.detail,
        )

    def _status(self, item: StatusNoted) -> None:
        status = item.status
        self._insert(
            "status",
            None,
            item.stream_id,
            status.tick_us,
            status.overruns,
            status.clipped,
            status.temperature_c,
            status.battery_pct,
            status.received_ns,
        )

    def _exchange(self, item: ExchangeNoted) -> None:
        self._insert("exchange", None, item.stream_id, item.tick_us, item.sent_ns, item.received_ns)

    def _window_opened(self, item: WindowOpened) -> None:
        self._insert(
            "lowering", item.lowering, item.stream_id, item.trigger_index, item.first_index
        )

    def _window_closed(self, item: WindowClosed) -> None:
        self._insert("lowering_end", item.lowering, item.stream_id, item.last_index)

    def _mark(self, item: MarkMade) -> None:
        self._insert("mark", None, self._session, item.kind, item.at_ns, item.note)

    def _stream_closed(self, item: StreamClosed) -> None:
        self._flush(item.stream_id)
        self._insert("stream_end", item.stream_id, item.closed_ns, item.reason)


def calibration(stream: int, version: int, scaling: Scaling, wall_ns: int) -> tuple[object, ...]:
    """Lay out a row of the table ``calibration``."""
    return (
        stream,
        version,
        scaling.zero_counts,
        scaling.n_per_count,
        scaling.rel_u,
        scaling.offset_u_n,
        scaling.origin,
        wall_ns,
    )
