"""A slow, obvious twin of the binary decoder: one byte after the other, one frame at a time.

Comes in: pieces of bytes with their times. Goes out: what stands in them as plain tuples, for
data frames, and the kinds of faults. Written from ``firmware_notes/wire_format.md``; it shares
nothing with ``logger/decoders`` but the length of the longest frame.
"""

from __future__ import annotations

from collections.abc import Iterable

LONGEST = 8 + 4 * 255 + 4
LONGEST_ENCODED = LONGEST + LONGEST // 254 + 1

Found = tuple[object, ...]


def crc32(data: bytes) -> int:
    """Bit by bit, as ISO/IEC/IEEE 8802-3 has it, lowest bit first."""
    left = 0xFFFFFFFF
    for byte in data:
        left ^= byte
        for _ in range(8):
            left = left >> 1 ^ (0xEDB88320 if left & 1 else 0)
    return left ^ 0xFFFFFFFF


def unstuffed(encoded: bytes) -> bytes | None:
    """Undo COBS; None where a block is cut short."""
    plain = bytearray()
    at = 0
    while at < len(encoded):
        code = encoded[at]
        block = encoded[at + 1 : at + code]
        if len(block) < code - 1:
            return None
        plain += block
        at += code
        if code < 0xFF and at < len(encoded):
            plain.append(0)
    return bytes(plain)


def found_in(pieces: Iterable[tuple[bytes, int]]) -> list[Found]:
    """Data frames as (index16, tick, counts, time of arrival), faults as (kind, time)."""
    found: list[Found] = []
    part = bytearray()
    skipping = False
    for data, received_ns in pieces:
        for byte in data:
            if byte:
                part.append(byte)
                if len(part) > LONGEST_ENCODED and not skipping:
                    found.append(("oversize", received_ns))
                    skipping = True
                continue
            if part and not skipping:
                found.append((*one(bytes(part)), received_ns))
            part.clear()
            skipping = False
    return found


def one(encoded: bytes) -> Found:
    """One frame between two delimiters."""
    raw = unstuffed(encoded)
    if raw is None:
        return ("bad_cobs",)
    if len(raw) <= 4:
        return ("bad_length",)
    payload, check = raw[:-4], int.from_bytes(raw[-4:], "little")
    if crc32(payload) != check:
        return ("bad_crc",)
    if payload[0] != 0x10:
        return ("no data", payload)
    if len(payload) < 12 or len(payload) != 8 + 4 * payload[1]:
        return ("bad_length",)
    values = [payload[i : i + 4] for i in range(8, len(payload), 4)]
    return (
        int.from_bytes(payload[2:4], "little"),
        int.from_bytes(payload[4:8], "little"),
        tuple(int.from_bytes(value, "little", signed=True) for value in values),
    )
