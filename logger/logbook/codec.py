"""A chunk's bytes: counts and frame table, compressed, with one checksum over all.

Comes in: arrays. Goes out: bytes, and back. Must not: do I/O or know about tables.

Codec 2 (written)
-----------------
*Counts*: the first count, 32 bits, little-endian. Then each other count minus the one before,
modulo 2³², taken as signed number s and stored as 2s, or -2s - 1 if negative; little-endian; all
lowest bytes, then all second bytes and so on up to the highest that is not all 0. Before them
one byte: 1 if the lowest bytes stand as they are, as noise does not compress, and zlib (level 1)
begins behind them, 0 if it begins with them. Neighbouring counts differ little, so most chunks
hold two bytes of each, and noise of a few counts one.

Codec 1 (read; written until 2026-11-26)
----------------------------------------
*Counts*: each count minus the one before (the first minus 0), modulo 2³², little-endian;
all lowest bytes, then all second bytes, third, highest; zlib level 1.

Both
----
*Frame table*: three rows of signed 64-bit numbers, (samples in the frame, tick of its first
sample in µs, host time of its last byte in ns), each minus the frame before; all lowest bytes, then all
second bytes and so on; zlib level 1.

*Checksum*: CRC-32 (as zlib) over ``<7q`` (stream, first index, n, frames, codec, least tick,
least offset), then the stored counts, then the stored frame table.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from logger.samples import CountArray, FrameTable, Int64Array
from logger.timebase import last_ticks

__all__ = [
    "CODEC", "Chunk", "CodecError", "FrameTable", "Int64Array", "decode", "encode", "least_delay",
    "pack_counts", "unpack_counts", "unpack_frames", "verify",
]  # fmt: skip

CODEC: Final = 2
"""What is written."""
_COUNTS_HEAD: Final = 5
_NOISE: Final = 64
"""Where 7 of 8 folded differences reach so far, their lowest bytes are as good as random."""
_HEADER: Final = struct.Struct("<7q")


class CodecError(ValueError):
    """Stored bytes that are no chunk; the reader and the check say where."""


@dataclass(frozen=True, slots=True)
class Chunk:
    """A stored slice of a stream, exactly the columns of the table ``chunk``.

    ``least_tick_us`` is the tick of the *last* sample of the frame that came with the least
    delay (received − that tick; a frame is sent after its last sample), ``least_offset_ns``
    that delay: enough to fit the times of a whole stream again without unpacking it.
    """

    stream: int
    first_index: int
    n: int
    n_frames: int
    codec: int
    least_tick_us: int
    least_offset_ns: int
    crc: int
    counts: bytes
    frames: bytes


def least_delay(table: FrameTable, sample_rate_hz: float) -> tuple[int, int]:
    """Find the frame that came with the least delay after its last sample.

    Parameters
    ----------
    table : FrameTable
    sample_rate_hz : float
        Of the cell.

    Returns
    -------
    tick_us : int
        Tick of that frame's last sample.
    offset_ns : int
        Host time of its last byte minus that tick.
    """
    last_us = last_ticks(table.tick_us, table.n, sample_rate_hz)
    offset_ns = table.received_ns - last_us * 1000
    least = int(np.argmin(offset_ns))
    return int(last_us[least]), int(offset_ns[least])


def encode(
    stream: int, first_index: int, counts: CountArray, table: FrameTable, sample_rate_hz: float
) -> Chunk:
    """Pack a slice without a missing sample.

    Parameters
    ----------
    stream, first_index : int
        Where the slice begins.
    counts : (n,) int32
        What the converter gave.
    table : FrameTable
        Its frames; their samples add up to n.
    sample_rate_hz : float
        Of the cell.

    Returns
    -------
    Chunk
        Ready to be stored.
    """
    head = (
        stream, first_index, len(counts), len(table.n), CODEC, *least_delay(table, sample_rate_hz)
    )  # fmt: skip
    packed_counts = pack_counts(counts)
    packed_frames = _pack_frames(table)
    return Chunk(*head, _crc(head, packed_counts, packed_frames), packed_counts, packed_frames)


def verify(chunk: Chunk) -> None:
    """Compare the checksum.

    Raises
    ------
    CodecError
        A stored byte or number of the chunk is not what was written.
    """
    head = (
        chunk.stream,
        chunk.first_index,
        chunk.n,
        chunk.n_frames,
        chunk.codec,
        chunk.least_tick_us,
        chunk.least_offset_ns,
    )
    if _crc(head, chunk.counts, chunk.frames) != chunk.crc:
        raise CodecError("checksum differs: the stored bytes have changed since they were written")
    if chunk.codec not in _UNPACK:
        known = ", ".join(map(str, _UNPACK))
        raise CodecError(f"codec {chunk.codec} is not known here (known: {known})")


def decode(chunk: Chunk) -> tuple[CountArray, FrameTable]:
    """Unpack a chunk.

    Returns
    -------
    counts : (n,) int32, read-only
    table : FrameTable

    Raises
    ------
    CodecError
        The checksum differs, or the bytes do not unpack to what the row says.
    """
    verify(chunk)
    counts = _UNPACK[chunk.codec](chunk.counts, chunk.n)
    table = unpack_frames(chunk.frames, chunk.n_frames)
    if int(table.n.sum()) != chunk.n:
        raise CodecError(f"frame table holds {int(table.n.sum())} samples, the row says {chunk.n}")
    return counts, table


def pack_counts(counts: CountArray) -> bytes:
    """Pack ``(n,)`` counts, n > 0, as codec 2 does.

    Examples
    --------
    >>> ramp = np.array([5, 6, 4], dtype=np.int32)
    >>> unpack_counts(pack_counts(ramp), 3)
    array([5, 6, 4], dtype=int32)
    """
    plain = np.ascontiguousarray(counts, dtype="<i4")
    step = np.subtract(plain[1:], plain[:-1])  # wraps
    folded = ((step << 1) ^ (step >> 31)).view("<u4")
    size = (int(np.bitwise_or.reduce(folded)).bit_length() + 7) // 8
    planes = folded.view(np.uint8).reshape(len(folded), 4).T[:size]
    as_is = int(size > 1 and 8 * np.count_nonzero(folded < _NOISE) < len(folded))
    head: bytes = plain[:1].tobytes() + bytes([as_is]) + planes[:as_is].tobytes()
    return head + _deflate(planes[as_is:].tobytes())


def unpack_counts(packed: bytes, n: int) -> CountArray:
    """Undo :func:`pack_counts`; read-only.

    Raises
    ------
    CodecError
        The bytes are not ``n`` packed counts.
    """
    if len(packed) < _COUNTS_HEAD or packed[4] > 1:
        raise CodecError(f"{len(packed)} bytes do not begin as packed counts do")
    begin = _COUNTS_HEAD + packed[4] * (n - 1)
    plain = packed[_COUNTS_HEAD:begin]
    plain += _inflate(packed[begin:], 4 * (n - 1) - len(plain))
    size, rest = divmod(len(plain), n - 1) if n > 1 else (0, len(plain))
    if rest:
        raise CodecError(f"unpacks to {len(plain)} bytes, expected up to 4 for each of {n} counts")
    planes = np.frombuffer(plain, dtype=np.uint8).reshape(size, n - 1)
    folded = np.zeros(n - 1, dtype=np.uint32)
    for place, plane in enumerate(planes):
        folded |= plane.astype(np.uint32) << (8 * place)
    counts = np.empty(n, dtype=np.uint32)
    counts[:1] = np.frombuffer(packed, "<u4", 1)
    counts[1:] = (folded >> 1) ^ -(folded & 1)
    return _frozen(np.cumsum(counts, dtype=np.uint32).view(np.int32))


def unpack_counts_1(packed: bytes, n: int) -> CountArray:
    """Undo what codec 1 did to counts; read-only.

    Raises
    ------
    CodecError
        The bytes are not ``n`` packed counts.
    """
    step = _unshuffle(_inflate_exactly(packed, 4 * n), n, "<u4")
    return _frozen(np.cumsum(step, dtype=np.uint32).view(np.int32))


_UNPACK: Final = {1: unpack_counts_1, CODEC: unpack_counts}


def _frozen(counts: CountArray) -> CountArray:
    counts.flags.writeable = False
    return counts


def _pack_frames(table: FrameTable) -> bytes:
    rows = np.stack((table.n, table.tick_us, table.received_ns)).astype("<i8")
    step = np.diff(rows, axis=1, prepend=np.zeros((3, 1), dtype="<i8"))
    return _deflate(_shuffle(step.astype("<i8", copy=False).ravel()))


def unpack_frames(packed: bytes, n_frames: int) -> FrameTable:
    """Undo the packing of a frame table; arrays are read-only.

    Raises
    ------
    CodecError
        The bytes are not a table of ``n_frames`` frames.
    """
    step = _unshuffle(_inflate_exactly(packed, 24 * n_frames), 3 * n_frames, "<i8").reshape(
        3, n_frames
    )
    rows = np.cumsum(step, axis=1, dtype=np.int64)
    rows.flags.writeable = False
    return FrameTable(rows[0], rows[1], rows[2])


def _crc(head: tuple[int, ...], counts: bytes, frames: bytes) -> int:
    return zlib.crc32(frames, zlib.crc32(counts, zlib.crc32(_HEADER.pack(*head))))


def _shuffle(numbers: NDArray[np.generic]) -> bytes:
    return numbers.view(np.uint8).reshape(len(numbers), numbers.itemsize).T.tobytes()


def _unshuffle(plain: bytes, n: int, kind: str) -> NDArray[np.generic]:
    size = np.dtype(kind).itemsize
    planes = np.frombuffer(plain, dtype=np.uint8).reshape(size, n)
    return np.ascontiguousarray(planes.T).view(kind).ravel()


def _deflate(plain: bytes) -> bytes:
    """Compress; runs and single bytes only, since shuffled noise has no longer repeats to find."""
    deflater = zlib.compressobj(1, strategy=zlib.Z_RLE)
    return deflater.compress(plain) + deflater.flush()


def _inflate_exactly(packed: bytes, size: int) -> bytes:
    plain = _inflate(packed, size)
    if len(plain) != size:
        raise CodecError(f"unpacks to {len(plain)} bytes, expected {size}")
    return plain


def _inflate(packed: bytes, most: int) -> bytes:
    """Inflate to ``most`` bytes, never to more (a damaged length is no bomb)."""
    inflater = zlib.decompressobj()
    try:
        plain = inflater.decompress(packed, most + 1)
    except zlib.error as error:
        raise CodecError(f"compressed bytes do not unpack: {error}") from error
    if len(plain) > most or not inflater.eof or inflater.unused_data:
        raise CodecError(f"unpacks to {len(plain)} bytes, expected {most}")
    return plain
