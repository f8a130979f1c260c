"""Checked ASCII lines: the debug mode of the wire format.

Comes in: bytes in any chunking. Goes out: readings and faults. Must not: do I/O, or
raise because of what the bytes hold.

The check is the XOR of eight bits, as lines of marine instruments carry it: it lets one
damaged line in some hundred through, so this mode is for looking at a device.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import Final

import numpy as np

from logger.decoders.base import MAX_SAMPLES, WIRE_VERSION, Decoded, Splitter, fault
from logger.samples import CellInfo, InfoFrame, ReplyFrame, SampleFrame, StatusFrame

MAX_LINE: Final = 64 + 12 * MAX_SAMPLES

_END: Final = b"\n"
_U8, _U16, _U32 = 2**8 - 1, 2**16 - 1, 2**32 - 1


def checksum(body: bytes) -> int:
    """XOR of the bytes between ``$`` and ``*``.

    Examples
    --------
    >>> f"{checksum(b'Q1,1,7,'):02X}"
    '4A'
    """
    return reduce(xor, body, 0)


def line(body: bytes) -> bytes:
    r"""Line as it travels.

    Examples
    --------
    >>> line(b"Q1,1,7,")
    b'$Q1,1,7,*4A\r\n'
    """
    return b"$%s*%02X\r\n" % (body, checksum(body))


class AsciiLineDecoder:
    """Finds lines, checks them and reads their fields."""

    __slots__ = ("_parts",)

    def __init__(self) -> None:
        self._parts = Splitter(_END, MAX_LINE)

    def feed(self, data: bytes, received_ns: int) -> list[Decoded]:
        """Take bytes as they came and return what they completed."""
        parts = self._parts.feed(data)
        return [_read_line(part, received_ns) for part in parts if part != b"\r"]

    def finish(self, received_ns: int) -> list[Decoded]:
        """Report an unfinished line when the link ends; forget it."""
        left = self._parts.finish()
        if not left:
            return []
        return [fault("bad_length", received_ns, f"link ended {left} bytes into a line")]

    def encode_request(self, opcode: int, request_id: int, arguments: bytes = b"") -> bytes:
        """Bytes of a request; a leading line end ends whatever the device had half read."""
        body = f"Q{WIRE_VERSION},{opcode},{request_id},{arguments.hex()}"
        return b"\r\n" + line(body.encode())


def _read_line(part: bytes | None, received_ns: int) -> Decoded:
    """Check a line's frame and sum, then read it by its letter."""
    if part is None:
        return fault("oversize", received_ns, f"more than {MAX_LINE} bytes without a line end")
    text = part.removesuffix(b"\r")
    if len(text) < 6 or text[:1] != b"$" or text[-3:-2] != b"*":
        return fault("bad_line", received_ns, f"{len(text)} bytes are no $…*hh line")
    body = text[1:-3]
    if text[-2:].upper() != b"%02X" % checksum(body):
        return fault("bad_checksum", received_ns, f"line of {len(text)} bytes fails its check")
    return _read_body(body, received_ns)


def _read_body(body: bytes, received_ns: int) -> Decoded:
    head, *fields = body.split(b",")
    if head[1:] != b"%d" % WIRE_VERSION:
        return fault(
            "wrong_version", received_ns, f"line {head[:8]!r}, not of version {WIRE_VERSION}"
        )
    read = _READERS.get(head[:1])
    if read is None:
        return fault("unknown_kind", received_ns, f"line {head[:8]!r}")
    try:
        return read(fields, received_ns)
    except (ValueError, OverflowError) as error:
        return fault("bad_line", received_ns, f"line {head[:8]!r}: {error}")


def _number(field: bytes, low: int, high: int) -> int:
    """Read a decimal number between two limits."""
    value = int(field) if field.isascii() and field.lstrip(b"-").isdigit() else None
    if value is None or not low <= value <= high:
        raise ValueError(f"{field[:20]!r} is no number from {low} to {high}")
    return value


def _need(fields: list[bytes], n: int) -> None:
    if len(fields) != n:
        raise ValueError(f"{len(fields)} fields, {n} expected")


def _read_data(fields: list[bytes], received_ns: int) -> Decoded:
    if not 3 <= len(fields) <= 2 + MAX_SAMPLES:
        raise ValueError(f"{len(fields)} fields")
    values = [_number(field, -(2**31), 2**31 - 1) for field in fields[2:]]
    counts = np.array(values, dtype=np.int32)
    counts.flags.writeable = False
    return SampleFrame(
        _number(fields[0], 0, _U16), _number(fields[1], 0, _U32), counts, received_ns
    )


def _read_info(fields: list[bytes], received_ns: int) -> Decoded:
    _need(fields, 10)
    sample_rate_hz = float(fields[3])
    if not 0 < sample_rate_hz < 1e6:
        raise ValueError(f"sample rate {fields[3][:20]!r}")
    info = CellInfo(
        wire_version=WIRE_VERSION,
        device_id=fields[8].decode("utf-8", errors="replace"),
        boot_id=_number(fields[1], 0, _U32),
        firmware=fields[9].decode("utf-8", errors="replace"),
        tick_rate_hz=_number(fields[2], 0, _U32),
        sample_rate_hz=sample_rate_hz,
        count_min=_number(fields[4], -(2**31), 2**31 - 1),
        count_max=_number(fields[5], -(2**31), 2**31 - 1),
        filter_delay_us=_number(fields[6], 0, _U32),
        jitter_bound_us=_number(fields[7], 0, _U32),
    )
    return InfoFrame(_number(fields[0], 0, _U8), info, received_ns)


def _read_reply(fields: list[bytes], received_ns: int) -> Decoded:
    _need(fields, 4)
    opcode, request_id, status = (_number(field, 0, _U8) for field in fields[:3])
    payload = bytes.fromhex(fields[3].decode("ascii"))
    return ReplyFrame(opcode, request_id, status, payload, received_ns)


def _read_status(fields: list[bytes], received_ns: int) -> Decoded:
    _need(fields, 5)
    battery, temperature = fields[0], fields[1]
    return StatusFrame(
        tick_us=_number(fields[2], 0, _U32),
        overruns=_number(fields[3], 0, _U32),
        clipped=_number(fields[4], 0, _U32),
        temperature_c=_number(temperature, -(2**15), 2**15) / 100 if temperature else None,
        battery_pct=_number(battery, 0, _U8) if battery else None,
        received_ns=received_ns,
    )


_READERS: Final[dict[bytes, Callable[[list[bytes], int], Decoded]]] = {
    b"D": _read_data,
    b"I": _read_info,
    b"R": _read_reply,
    b"S": _read_status,
}
