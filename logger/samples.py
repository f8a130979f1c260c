"""What travels from a decoder to the logbook: readings, samples, gaps, faults.

Comes in: nothing (plain frozen types). Goes out: the vocabulary of the capture side.
Must not: do I/O, hold clocks, or know about storage.

Two groups. *Readings* are what a decoder makes of bytes (``Reading | Fault``).
*Record items* are what the pipeline hands to the recorder (``RecordItem``), in the
order in which they must be stored.

Host times (``*_ns``) are nanoseconds of the clock that runs through suspend
(``logger.clock``), never wall time. Device ticks are microseconds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

CountArray = NDArray[np.int32]
Int64Array = NDArray[np.int64]

SIG_FORCE_VERSION: Final = 0
"""Stands for the wire version of a SIG Force sensor: one count is 1 mN, and no time comes with it."""


# --- readings: decoder -> pipeline -------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class SampleFrame:
    """One decoded data frame, not yet placed in its stream.

    Parameters
    ----------
    index16 : int
        Low 16 bits of the index of the first sample.
    tick_us : int
        Device tick of the first sample, unsigned 32 bit, microseconds.
    counts : (n,) int32, read-only
        What the converter gave.
    received_ns : int
        Host time at which the last byte of the frame arrived.
    """

    index16: int
    tick_us: int
    counts: CountArray
    received_ns: int

    def run(self) -> SampleRun:
        """Make a run of this frame alone."""
        tick, received = (np.array([n], dtype=np.int64) for n in (self.tick_us, self.received_ns))
        return SampleRun(self.index16, tick, self.counts, received)


@dataclass(frozen=True, slots=True, eq=False)
class SampleRun:
    """Data frames of one size that came one after the other, each going on where the last ended.

    Parameters
    ----------
    index16 : int
        Low 16 bits of the index of the first sample of all.
    tick_us : (m,) int64, read-only
        Device tick of the first sample of each frame, as it came (32 bit), m ≥ 1.
    counts : (m·n,) int32, read-only
        Samples of all frames, n of each.
    received_ns : (m,) int64, read-only
        Host time at which the last byte of each frame arrived.
    """

    index16: int
    tick_us: Int64Array
    counts: CountArray
    received_ns: Int64Array

    @property
    def n_frames(self) -> int:
        """How many frames."""
        return len(self.tick_us)

    @property
    def frame_size(self) -> int:
        """Samples in each frame."""
        return len(self.counts) // len(self.tick_us)

    def frame(self, number: int) -> SampleFrame:
        """One of the frames."""
        n = self.frame_size
        return SampleFrame(
            (self.index16 + number * n) % 2**16,
            int(self.tick_us[number]),
            self.counts[number * n : (number + 1) * n],
            int(self.received_ns[number]),
        )

    def part(self, begin: int, end: int) -> SampleRun:
        """Frames ``begin`` to ``end``, the latter not included; at least one."""
        n = self.frame_size
        return SampleRun(
            (self.index16 + begin * n) % 2**16,
            self.tick_us[begin:end],
            self.counts[begin * n : end * n],
            self.received_ns[begin:end],
        )

    def placed(self, stream_id: int, first_index: int, tick_us: Int64Array) -> SamplesPlaced:
        """Make the item of the first frames, one for each of the ``(k,)`` unwrapped ticks."""
        k, n = len(tick_us), self.frame_size
        frames = FrameTable(np.full(k, n, dtype=np.int64), tick_us, self.received_ns[:k])
        return SamplesPlaced(stream_id, first_index, self.counts[: k * n], frames)


@dataclass(frozen=True, slots=True)
class CellInfo:
    """What a device says about itself (INFO).

    ``jitter_bound_us`` bounds the error of a tick; ``filter_delay_us`` is the delay of
    the converter's filter: force happened that much earlier than the tick says.
    ``n_per_count`` is what the device or its profile says a count is worth, newtons, with
    the relative standard uncertainty ``rel_u``; None when nobody says it. ``remark`` is
    what a reader of the stream has to know of it (timed by the host, no sequence).
    ``host_timed`` says that its ticks are the host's, told by arrivals: it has no clock.
    """

    wire_version: int
    device_id: str
    boot_id: int
    firmware: str
    tick_rate_hz: int
    sample_rate_hz: float
    count_min: int
    count_max: int
    filter_delay_us: int
    jitter_bound_us: int
    n_per_count: float | None = None
    rel_u: float = 0.0
    remark: str = ""
    host_timed: bool = False

    @property
    def no_peaks(self) -> str:
        """Why no peak can be read from its samples; nothing when one can."""
        if self.wire_version != SIG_FORCE_VERSION:
            return ""
        return (
            f"about {self.sample_rate_hz:.2g} values/s without a time of their own: a peak between "
            "two values is not seen, so no lowerings and no peaks are read from this sensor"
        )


@dataclass(frozen=True, slots=True)
class InfoFrame:
    """An INFO answer, or the unsolicited one after a boot (``request_id`` 0)."""

    request_id: int
    info: CellInfo
    received_ns: int


@dataclass(frozen=True, slots=True)
class ReplyFrame:
    """Answer to a request: ``status`` 0 is accepted; ``payload`` by opcode."""

    opcode: int
    request_id: int
    status: int
    payload: bytes
    received_ns: int


@dataclass(frozen=True, slots=True)
class StatusFrame:
    """Health of the device; counters run since its boot.

    ``overruns`` counts samples the device had to drop before the link;
    ``clipped`` counts samples at a count limit.
    """

    tick_us: int
    overruns: int
    clipped: int
    temperature_c: float | None
    battery_pct: int | None
    received_ns: int


@dataclass(frozen=True, slots=True)
class Fault:
    """Bytes or frames that could not be used; a record, never an exception.

    ``kind`` is one of: ``bad_crc``, ``bad_cobs``, ``bad_length``, ``bad_checksum``,
    ``bad_line``, ``oversize``, ``unknown_kind``, ``wrong_version``, ``duplicate``,
    ``out_of_order``, ``disconnected``, ``connected``, ``reset``, ``device_overrun``,
    ``clipped``, ``queue_dropped``, ``no_reply``, ``refused``,
    ``consumer_failed``, ``index_unsure``, ``not_known``; of declared sensors also ``bad_value``,
    ``silent``, ``jitter``, ``rate_differs``; of the host ``clock_jump``, ``host_suspended``. Two
    tell of no loss and have ``n`` 0: ``device_information``, ``no_peaks``.
    """

    kind: str
    received_ns: int
    n: int
    detail: str


Reading = SampleFrame | SampleRun | InfoFrame | ReplyFrame | StatusFrame


# --- record items: pipeline -> recorder --------------------------------------------


@dataclass(frozen=True, slots=True)
class Scaling:
    """Two-point calibration: newtons = (counts - zero_counts) * n_per_count.

    ``rel_u`` is the relative standard uncertainty of the slope, ``offset_u_n`` the
    standard uncertainty of the zero in newtons, ``origin`` says where it came from
    (who, when, which loads).
    """

    zero_counts: float
    n_per_count: float
    rel_u: float
    offset_u_n: float
    origin: str


@dataclass(frozen=True, slots=True)
class StreamOpened:
    """A cell's sequence of samples begins (first data, or a device reset).

    ``stream_id`` is allocated by the pipeline, unique in the logbook.
    ``anchor_boot_ns`` and ``anchor_wall_ns`` are one moment on both host clocks.
    ``overload_n`` is the cell's entered overload limit, if any.
    """

    stream_id: int
    cell: str
    url: str
    station: str | None
    info: CellInfo
    scaling: Scaling | None
    overload_n: float | None
    anchor_boot_ns: int
    anchor_wall_ns: int


@dataclass(frozen=True, slots=True, eq=False)
class FrameTable:
    """Frames in order of arrival, arrays of equal length.

    Parameters
    ----------
    n : (m,) int64
        Samples in each frame.
    tick_us : (m,) int64
        Device tick of each frame's first sample, unwrapped.
    received_ns : (m,) int64
        Host time of each frame's last byte.
    """

    n: Int64Array
    tick_us: Int64Array
    received_ns: Int64Array


@dataclass(frozen=True, slots=True, eq=False)
class SamplesPlaced:
    """Data frames placed in their stream.

    ``first_index`` and ticks are unwrapped (they never decrease within a stream); the
    samples are ``sample period`` apart and none is missing inside. ``counts`` holds those
    of all frames, at least one.
    """

    stream_id: int
    first_index: int
    counts: CountArray
    frames: FrameTable

    @property
    def next_index(self) -> int:
        """Index after the last sample."""
        return self.first_index + len(self.counts)

    @property
    def received_ns(self) -> int:
        """Host time at which the last frame came."""
        return int(self.frames.received_ns[-1])


def placed_frame(
    stream_id: int, first_index: int, tick_us: int, counts: CountArray, received_ns: int
) -> SamplesPlaced:
    """Make the item of one frame."""
    n, tick, received = (
        np.array([number], dtype=np.int64) for number in (len(counts), tick_us, received_ns)
    )
    return SamplesPlaced(stream_id, first_index, counts, FrameTable(n, tick, received))


@dataclass(frozen=True, slots=True)
class GapNoted:
    """Samples ``first_index … first_index + n_missing - 1`` never arrived."""

    stream_id: int
    first_index: int
    n_missing: int
    noticed_ns: int
    reason: str


@dataclass(frozen=True, slots=True)
class FaultNoted:
    """A fault on record; ``stream_id`` None when no stream was open."""

    stream_id: int | None
    cell: str
    kind: str
    noticed_ns: int
    n: int
    detail: str


@dataclass(frozen=True, slots=True)
class StatusNoted:
    """A device status on record."""

    stream_id: int
    status: StatusFrame


@dataclass(frozen=True, slots=True)
class ExchangeNoted:
    """An answer to TIME on record: the device's tick was ``tick_us`` (unwrapped) between the two.

    ``sent_ns`` is when the request was first sent, ``received_ns`` when its answer came.
    """

    stream_id: int
    tick_us: int
    sent_ns: int
    received_ns: int


@dataclass(frozen=True, slots=True)
class WindowOpened:
    """The trigger saw a lowering begin; ``first_index`` includes the history."""

    lowering: int
    stream_id: int
    trigger_index: int
    first_index: int


@dataclass(frozen=True, slots=True)
class WindowClosed:
    """The lowering's window ends with ``last_index`` (inclusive)."""

    lowering: int
    stream_id: int
    last_index: int


@dataclass(frozen=True, slots=True)
class MarkMade:
    """A key was pressed; ``kind`` is a mark's name, ``at_ns`` host time."""

    kind: str
    at_ns: int
    note: str


@dataclass(frozen=True, slots=True)
class StreamClosed:
    """No more samples for this stream; ``reason``: stopped, reset, failed."""

    stream_id: int
    closed_ns: int
    reason: str


RecordItem = (
    StreamOpened | SamplesPlaced | GapNoted | FaultNoted | StatusNoted | ExchangeNoted
    | WindowOpened | WindowClosed | MarkMade | StreamClosed
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Ack:
    """A committed batch: everything of the stream up to ``last_index`` is on disk."""

    stream_id: int
    last_index: int
