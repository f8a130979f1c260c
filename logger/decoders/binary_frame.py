"""The binary wire format: COBS frames with CRC-32, and their payloads.

Comes in: bytes of a serial link in any chunking, or one bare payload of a radio packet
(:func:`read_payload`). Goes out: readings and faults. Must not: do I/O, or raise
because of what the bytes hold.

The format is written down in ``firmware_notes/wire_format.md``.

References
----------
S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on
Networking 7(2), 1999. CRC-32 as in ISO/IEC/IEEE 8802-3 (Ethernet) and zlib.
"""

from __future__ import annotations

import itertools
import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from typing import Final

import numpy as np
from cobs import cobs

from logger.decoders.base import (
    MAX_SAMPLES,
    NO_BATTERY,
    NO_TEMPERATURE,
    WIRE_VERSION,
    Decoded,
    Piece,
    Splitter,
    fault,
)
from logger.errors import FrameError
from logger.samples import (
    CellInfo,
    Fault,
    InfoFrame,
    ReplyFrame,
    SampleFrame,
    SampleRun,
    StatusFrame,
)

DATA, INFO, REPLY, STATUS = range(4)

DATA_HEADER: Final = struct.Struct("<BBHI")
INFO_FIXED: Final = struct.Struct("<BBIIdiiII")
REPLY_FIXED: Final = struct.Struct("<BBBB")
STATUS_FIXED: Final = struct.Struct("<BBhIII")
CHECK: Final = struct.Struct("<I")

MAX_PAYLOAD: Final = DATA_HEADER.size + 4 * MAX_SAMPLES
MAX_ENCODED: Final = MAX_PAYLOAD + CHECK.size + (MAX_PAYLOAD + CHECK.size) // 254 + 1

MAX_RUN: Final = 256
"""Most frames in a run: with the most samples each, it still fits into one stored chunk."""

_DELIMITER: Final = b"\x00"
_DATA_FIRST: Final = WIRE_VERSION << 4 | DATA
_RESIDUE: Final = 0x2144DF1C
"""CRC-32 of anything followed by its own CRC-32, lowest byte first."""


def frame(payload: bytes) -> bytes:
    """Payload as it travels on a serial link: CRC-32, COBS, delimiter.

    Raises
    ------
    FrameError
        The payload is empty or longer than a frame may be.

    Examples
    --------
    >>> frame(b"123456789").hex(" ")
    '0e 31 32 33 34 35 36 37 38 39 26 39 f4 cb 00'
    """
    if not 0 < len(payload) <= MAX_PAYLOAD:
        raise FrameError(f"a payload has 1 to {MAX_PAYLOAD} bytes, this one {len(payload)}")
    encoded: bytes = cobs.encode(payload + CHECK.pack(zlib.crc32(payload)))
    return encoded + _DELIMITER


class BinaryFrameDecoder:
    """Finds frames between delimiters, checks them and reads their payloads.

    Data frames of one size that go on where the last ended come as one run, also over many
    pieces, so that what follows has its costs once a turn, not once a frame.
    """

    __slots__ = ("_parts",)

    def __init__(self) -> None:
        self._parts = Splitter(_DELIMITER, MAX_ENCODED)

    def feed(self, data: bytes, received_ns: int) -> list[Decoded]:
        """Take bytes as they came and return what they completed."""
        return self.feed_all(((data, received_ns),))

    def feed_all(self, pieces: Sequence[Piece]) -> list[Decoded]:
        """Take many pieces, in order, and return what they completed."""
        parts: list[bytes | None] = []
        came: list[int] = []
        for data, received_ns in pieces:
            ended = self._parts.feed(data)
            parts += ended
            came += [received_ns] * len(ended)
        if not parts:
            return []
        sound = _all_sound(parts)
        if sound is None:
            return list(_read_in_order(list(map(_unframe, parts, came)), came))
        alike = len(set(map(len, sound))) == 1
        return list(_read_alike(sound, came) if alike else _read_in_order(sound, came))

    def finish(self, received_ns: int) -> list[Decoded]:
        """Report an unfinished frame when the link ends; forget it."""
        left = self._parts.finish()
        if not left:
            return []
        return [fault("bad_length", received_ns, f"link ended {left} bytes into a frame")]

    def encode_request(self, opcode: int, request_id: int, arguments: bytes = b"") -> bytes:
        """Bytes of a request; a leading delimiter ends whatever the device had half read."""
        return _DELIMITER + frame(bytes((opcode, request_id)) + arguments)


def _all_sound(parts: list[bytes | None]) -> list[bytes] | None:
    """Undo COBS and verify the check sums, for all at once; None as soon as one is not sound."""
    if None in parts:
        return None
    try:
        raws: list[bytes] = list(map(cobs.decode, parts))
    except cobs.DecodeError:
        return None
    sound = set(map(zlib.crc32, raws)) == {_RESIDUE} and min(map(len, raws)) > CHECK.size
    return raws if sound else None


def _unframe(encoded: bytes | None, received_ns: int) -> bytes | Fault:
    """Undo COBS and verify the check sum, which stays behind the payload."""
    if encoded is None:
        return fault("oversize", received_ns, f"more than {MAX_ENCODED} bytes without a delimiter")
    try:
        raw: bytes = cobs.decode(encoded)
    except cobs.DecodeError as error:
        return fault("bad_cobs", received_ns, f"{len(encoded)} bytes: {error}")
    if len(raw) <= CHECK.size:
        return fault("bad_length", received_ns, f"{len(raw)} bytes are no frame")
    if zlib.crc32(raw) != _RESIDUE:
        return fault("bad_crc", received_ns, f"{len(raw) - CHECK.size} bytes fail their CRC-32")
    return raw


def read_payload(payload: bytes, received_ns: int) -> Decoded:
    """Read one bare payload.

    Parameters
    ----------
    payload : bytes
        Without CRC and framing.
    received_ns : int
        Host time at which its last byte arrived.
    """
    if not payload:
        return fault("bad_length", received_ns, "empty payload")
    version, kind = payload[0] >> 4, payload[0] & 0x0F
    if version != WIRE_VERSION:
        return fault(
            "wrong_version",
            received_ns,
            f"wire version {version}, this program reads {WIRE_VERSION}",
        )
    read = _READERS.get(kind)
    if read is None:
        return fault("unknown_kind", received_ns, f"frame kind {kind}, {len(payload)} bytes")
    return read(payload, received_ns)


def _read_in_order(raws: Sequence[bytes | Fault], came: list[int]) -> Iterator[Decoded]:
    """Read frames of any kind, their CRC behind them, and pass on faults, in order."""
    lengths = [0 if isinstance(raw, Fault) else len(raw) for raw in raws]
    begin = 0
    for length, alike in itertools.groupby(lengths):
        end = begin + len(list(alike))
        if length:
            yield from _read_alike(raws[begin:end], came[begin:end])  # type: ignore[arg-type]
        else:
            yield from raws[begin:end]  # type: ignore[misc]
        begin = end


def _read_alike(raws: list[bytes], came: list[int]) -> Iterator[Decoded]:
    """Read checked frames of one length: as runs if all are data frames, else one by one."""
    n, rest = divmod(len(raws[0]) - DATA_HEADER.size - CHECK.size, 4)
    first = _DATA_FIRST | n << 8
    words = None if rest or n < 1 else np.frombuffer(b"".join(raws), "<u4").reshape(-1, n + 3)
    if words is None or ((words[:, 0] & 0xFFFF) != first).any():
        for raw, received_ns in zip(raws, came, strict=True):
            yield read_payload(raw[: -CHECK.size], received_ns)
        return
    # The first word holds kind, n and, above them, the index: it goes on by n << 16, and wraps.
    begins = np.flatnonzero(np.diff(words[:, 0]) != n << 16) + 1
    tick_us = words[:, 1].astype(np.int64)
    counts = words[:, 2:-1].astype(np.uint32).view(np.int32).reshape(-1)
    received = np.array(came, dtype=np.int64)
    tick_us.flags.writeable = counts.flags.writeable = received.flags.writeable = False
    for begin, end in itertools.pairwise((0, *begins.tolist(), len(raws))):
        for at in range(begin, end, MAX_RUN):
            to = min(end, at + MAX_RUN)
            index16 = int(words[at, 0]) >> 16
            yield SampleRun(index16, tick_us[at:to], counts[at * n : to * n], received[at:to])


def _read_one(payload: bytes, received_ns: int) -> SampleFrame | Fault:
    """Read the payload of one data frame."""
    if len(payload) < DATA_HEADER.size:
        return _short("data", payload, received_ns)
    _, n, index16, tick_us = DATA_HEADER.unpack_from(payload)
    if n == 0 or len(payload) != DATA_HEADER.size + 4 * n:
        return fault(
            "bad_length", received_ns, f"data frame says {n} samples in {len(payload)} bytes"
        )
    counts = np.frombuffer(payload, "<i4", offset=DATA_HEADER.size).astype(np.int32, copy=False)
    counts.flags.writeable = False
    return SampleFrame(index16, tick_us, counts, received_ns)


def _read_info(payload: bytes, received_ns: int) -> Decoded:
    if len(payload) < INFO_FIXED.size:
        return _short("info", payload, received_ns)
    first, request_id, boot_id, tick_hz, sample_hz, low, high, delay_us, jitter_us = (
        INFO_FIXED.unpack_from(payload)
    )
    texts = _read_texts(payload[INFO_FIXED.size :], 2)
    if texts is None or not 0 < sample_hz < 1e6:
        return fault("bad_length", received_ns, f"info of {len(payload)} bytes makes no sense")
    info = CellInfo(
        wire_version=first >> 4, device_id=texts[0], boot_id=boot_id, firmware=texts[1],
        tick_rate_hz=tick_hz, sample_rate_hz=sample_hz, count_min=low, count_max=high,
        filter_delay_us=delay_us, jitter_bound_us=jitter_us,
    )  # fmt: skip
    return InfoFrame(request_id, info, received_ns)


def _read_texts(data: bytes, n: int) -> list[str] | None:
    """Read ``n`` texts, each behind a byte with its length; None when they do not fit exactly."""
    texts = []
    for _ in range(n):
        if not data or len(data) < 1 + data[0]:
            return None
        texts.append(data[1 : 1 + data[0]].decode("utf-8", errors="replace"))
        data = data[1 + data[0] :]
    return None if data else texts


def _read_reply(payload: bytes, received_ns: int) -> Decoded:
    if len(payload) < REPLY_FIXED.size:
        return _short("reply", payload, received_ns)
    _, opcode, request_id, status = REPLY_FIXED.unpack_from(payload)
    return ReplyFrame(opcode, request_id, status, payload[REPLY_FIXED.size :], received_ns)


def _read_status(payload: bytes, received_ns: int) -> Decoded:
    if len(payload) != STATUS_FIXED.size:
        return _short("status", payload, received_ns)
    _, battery, temperature, tick_us, overruns, clipped = STATUS_FIXED.unpack(payload)
    return StatusFrame(
        tick_us=tick_us,
        overruns=overruns,
        clipped=clipped,
        temperature_c=None if temperature == NO_TEMPERATURE else temperature / 100,
        battery_pct=None if battery == NO_BATTERY else battery,
        received_ns=received_ns,
    )


def _short(what: str, payload: bytes, received_ns: int) -> Fault:
    return fault("bad_length", received_ns, f"{what} frame of {len(payload)} bytes")


_READERS: Final[dict[int, Callable[[bytes, int], Decoded]]] = {
    DATA: _read_one,
    INFO: _read_info,
    REPLY: _read_reply,
    STATUS: _read_status,
}
