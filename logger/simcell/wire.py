"""The device's side of wire format 1, written from ``firmware_notes/wire_format.md`` alone.

Comes in: what the device wants to say; bytes that a host sent. Goes out: bytes for the
link; requests. Must not: share code with the host's decoders, which it tests by standing
apart from them.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

Format = Literal["binary", "ascii"]

VERSION_NIBBLE = 0x10
KIND_DATA, KIND_INFO, KIND_REPLY, KIND_STATUS = 0, 1, 2, 3
OP_INFO, OP_START, OP_STOP, OP_TIME = 1, 2, 3, 4
ACCEPTED, UNKNOWN_OPCODE, BAD_ARGUMENTS, NOT_NOW = 0, 1, 2, 3
UNKNOWN_BATTERY = 255
UNKNOWN_TEMPERATURE = -32768
LONGEST_REQUEST = 512


class Request(NamedTuple):
    """What a host asked for."""

    opcode: int
    request_id: int
    arguments: bytes


@dataclass(frozen=True, slots=True)
class Identity:
    """What INFO says of the device; see the wire format for the units."""

    device_id: str
    firmware: str
    boot_id: int
    sample_rate_hz: float
    count_min: int
    count_max: int
    filter_delay_us: int
    jitter_us: int
    tick_rate_hz: int = 1_000_000


@dataclass(frozen=True, slots=True)
class Health:
    """What STATUS says; None where the device does not know."""

    battery_pct: int | None
    temperature_c: float | None
    tick_us: int
    overruns: int
    clipped: int


def on_serial(payload: bytes) -> bytes:
    """Payload with CRC-32, stuffed, delimited.

    Examples
    --------
    >>> on_serial(bytes.fromhex("10 01 00 00 00 00 00 00 00 00 00 00")).hex(" ")
    '03 10 01 01 01 01 01 01 01 01 01 01 05 53 f4 43 b6 00'
    """
    stuffed: bytes = cobs.encode(payload + struct.pack("<I", zlib.crc32(payload)))
    return stuffed + b"\x00"


def data_payload(first_index: int, tick_us: int, counts: NDArray[np.int32]) -> bytes:
    """Bare data payload: header and little-endian counts.

    Examples
    --------
    >>> data_payload(65538, 7, np.array([-1], np.int32)).hex(" ")
    '10 01 02 00 07 00 00 00 ff ff ff ff'
    """
    head = struct.pack(
        "<BBHI",
        VERSION_NIBBLE | KIND_DATA,
        counts.size,
        first_index & 0xFFFF,
        tick_us & 0xFFFF_FFFF,
    )
    return head + counts.astype("<i4").tobytes()


def info_payload(request_id: int, who: Identity) -> bytes:
    """Bare info payload."""
    device_id, firmware = who.device_id.encode(), who.firmware.encode()
    fixed = struct.pack(
        "<BBIIdiiII",
        VERSION_NIBBLE | KIND_INFO,
        request_id,
        who.boot_id,
        who.tick_rate_hz,
        who.sample_rate_hz,
        who.count_min,
        who.count_max,
        who.filter_delay_us,
        who.jitter_us,
    )
    return fixed + bytes([len(device_id)]) + device_id + bytes([len(firmware)]) + firmware


def reply_payload(request: Request, status: int, answer: bytes = b"") -> bytes:
    """Bare reply payload."""
    first = VERSION_NIBBLE | KIND_REPLY
    return bytes([first, request.opcode, request.request_id, status]) + answer


def status_payload(health: Health) -> bytes:
    """Bare status payload."""
    temperature = UNKNOWN_TEMPERATURE
    if health.temperature_c is not None:
        temperature = round(100.0 * health.temperature_c)
    battery = UNKNOWN_BATTERY if health.battery_pct is None else health.battery_pct
    return struct.pack(
        "<BBhIII",
        VERSION_NIBBLE | KIND_STATUS,
        battery,
        temperature,
        health.tick_us & 0xFFFF_FFFF,
        health.overruns & 0xFFFF_FFFF,
        health.clipped & 0xFFFF_FFFF,
    )


def line(body: str) -> bytes:
    r"""Write an ASCII line with its check.

    Examples
    --------
    >>> line("Q1,1,7,")
    b'$Q1,1,7,*4A\r\n'
    """
    check = 0
    for byte in body.encode():
        check ^= byte
    return f"${body}*{check:02X}\r\n".encode()


class BinaryTalk:
    """Says everything as framed binary."""

    def data(self, first_index: int, tick_us: int, counts: NDArray[np.int32]) -> bytes:
        """Make a data frame."""
        return on_serial(data_payload(first_index, tick_us, counts))

    def info(self, request_id: int, who: Identity) -> bytes:
        """Info frame."""
        return on_serial(info_payload(request_id, who))

    def reply(self, request: Request, status: int, answer: bytes = b"") -> bytes:
        """Reply frame."""
        return on_serial(reply_payload(request, status, answer))

    def status(self, health: Health) -> bytes:
        """Status frame."""
        return on_serial(status_payload(health))


class AsciiTalk:
    """Says everything as checked lines."""

    def data(self, first_index: int, tick_us: int, counts: NDArray[np.int32]) -> bytes:
        """Write a data line."""
        values = ",".join(map(str, counts.tolist()))
        return line(f"D1,{first_index & 0xFFFF},{tick_us & 0xFFFF_FFFF},{values}")

    def info(self, request_id: int, who: Identity) -> bytes:
        """Info line."""
        return line(
            f"I1,{request_id},{who.boot_id},{who.tick_rate_hz},{who.sample_rate_hz:.17g},"
            f"{who.count_min},{who.count_max},{who.filter_delay_us},{who.jitter_us},"
            f"{who.device_id},{who.firmware}"
        )

    def reply(self, request: Request, status: int, answer: bytes = b"") -> bytes:
        """Reply line."""
        return line(f"R1,{request.opcode},{request.request_id},{status},{answer.hex()}")

    def status(self, health: Health) -> bytes:
        """Status line."""
        battery = "" if health.battery_pct is None else str(health.battery_pct)
        temperature = "" if health.temperature_c is None else str(round(100 * health.temperature_c))
        return line(
            f"S1,{battery},{temperature},{health.tick_us & 0xFFFF_FFFF},"
            f"{health.overruns},{health.clipped}"
        )


Talk = BinaryTalk | AsciiTalk


def talk(form: Format) -> Talk:
    """Choose how the device talks."""
    return AsciiTalk() if form == "ascii" else BinaryTalk()


class RequestReader:
    """Finds requests in the bytes of a host; what is damaged is ignored and counted."""

    def __init__(self, form: Format) -> None:
        self._ascii = form == "ascii"
        self._end = b"\n" if self._ascii else b"\x00"
        self._rest = b""
        self.ignored = 0

    def feed(self, data: bytes) -> list[Request]:
        """Take bytes as they came; return the requests they complete."""
        *whole, self._rest = (self._rest + data).split(self._end)
        if len(self._rest) > LONGEST_REQUEST:
            self._rest = b""
            self.ignored += 1
        read = _request_from_line if self._ascii else _request_from_frame
        requests = []
        for part in whole:
            if not part.strip():
                continue
            request = read(part)
            if request is None:
                self.ignored += 1
            else:
                requests.append(request)
        return requests


def _request_from_frame(encoded: bytes) -> Request | None:
    try:
        raw = cobs.decode(encoded)
    except cobs.DecodeError:
        return None
    payload, check = raw[:-4], raw[-4:]
    if len(payload) < 2 or struct.pack("<I", zlib.crc32(payload)) != check:
        return None
    return Request(payload[0], payload[1], payload[2:])


def _request_from_line(text: bytes) -> Request | None:
    start, star = text.rfind(b"$"), text.rfind(b"*")
    if start < 0 or star < start:
        return None
    body = text[start + 1 : star]
    if line(body.decode("latin-1")).strip().upper() != text[start:].strip().upper():
        return None
    fields = body.split(b",")
    try:
        if len(fields) != 4 or fields[0] != b"Q1":
            return None
        opcode, request_id = int(fields[1]), int(fields[2])
        return Request(opcode, request_id, bytes.fromhex(fields[3].decode("ascii")))
    except ValueError:
        return None
