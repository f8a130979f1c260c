"""What a reader of the logbook gets: frozen rows and arrays.

Comes in: nothing (plain types). Goes out: the vocabulary of reading. Must not: do I/O.

Gaps, faults, statuses and marks come back as the very items that were recorded
(:mod:`logger.samples`).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from logger.logbook.codec import Int64Array
from logger.samples import CellInfo, CountArray, Scaling


@dataclass(frozen=True, slots=True)
class Session:
    """One recording; ``closed`` is False after a crash, and while it records."""

    id: int
    software: str
    opened_boot_ns: int
    opened_wall_ns: int
    closed: bool
    closed_boot_ns: int | None
    closed_wall_ns: int | None
    reason: str | None


@dataclass(frozen=True, slots=True)
class Stream:
    """One cell's unbroken sequence of samples.

    ``anchor_boot_ns`` and ``anchor_wall_ns`` are one moment on both host clocks.
    ``first_index`` and ``last_index`` (inclusive) are those of the stored samples, None
    without any.
    """

    id: int
    session: int
    cell: str
    url: str
    station: str | None
    info: CellInfo
    overload_n: float | None
    anchor_boot_ns: int
    anchor_wall_ns: int
    closed: bool
    closed_ns: int | None
    reason: str | None
    first_index: int | None
    last_index: int | None


@dataclass(frozen=True, slots=True)
class Calibration:
    """A version of a stream's calibration; the highest version is the one that holds."""

    stream: int
    version: int
    scaling: Scaling
    entered_wall_ns: int


@dataclass(frozen=True, slots=True)
class Lowering:
    """A window on one stream, as the trigger saw it or as a person set it later.

    ``last_index`` is inclusive. A window left open ends at the stream's last sample and
    has ``closed`` False; ``last_index`` is None only when the stream holds no sample.
    ``trigger_index`` is where the load came on; in a window that a person set it is kept
    inside that, so a lowering made by hand has its first sample there. ``by_hand``: not as
    the trigger saw it. The links are those of the :class:`~logger.records.Window` that holds.
    """

    number: int
    stream: int
    trigger_index: int
    first_index: int
    last_index: int | None
    closed: bool
    by_hand: bool = False
    split_from: int | None = None
    merged_into: int | None = None
    joined: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Stored samples of one stream, in order, arrays of equal length, read-only.

    Parameters
    ----------
    index : (n,) int64
        Index in the stream; jumps where samples are missing.
    tick_us : (n,) int64
        Device tick, unwrapped: the frame's tick plus i sample periods, rounded to the
        nearest microsecond (to even when halfway), so never off by more than 0.5 µs.
    counts : (n,) int32
        What the converter gave.
    """

    index: Int64Array
    tick_us: Int64Array
    counts: CountArray


@dataclass(frozen=True, slots=True, eq=False)
class LeastDelays:
    """Each chunk's frame that came with the least delay after its last sample, read-only.

    Parameters
    ----------
    tick_us : (m,) int64
        Tick of that frame's last sample, unwrapped.
    received_ns : (m,) int64
        Host time of its last byte.
    """

    tick_us: Int64Array
    received_ns: Int64Array


@dataclass(frozen=True, slots=True)
class Version:
    """A record as it was written at one time; ``body`` is its JSON, ``author`` may be empty."""

    kind: str
    key: str
    version: int
    written_wall_ns: int
    author: str
    body: str


@dataclass(frozen=True, slots=True)
class Prediction:
    """A stored prediction with what it was made from.

    ``piece`` is the key of the piece (``records.piece_key``); ``inputs`` and ``result``
    are plain JSON values.
    """

    id: int
    piece: str
    made_wall_ns: int
    software: str
    inputs: Any
    result: Any
