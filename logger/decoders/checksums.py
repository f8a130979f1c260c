"""Check sums that documented sensors put behind their messages.

Comes in: the bytes that are covered. Goes out: a number. Must not: know about framing.

References
----------
Check values for ``123456789``: CRC-16/CCITT-FALSE 29B1, Modbus 4B37, CRC-32 CBF43926
(ITU-T V.41 polynomial 1021; Modbus over Serial Line 1.02; ISO/IEC/IEEE 8802-3).
"""

from __future__ import annotations

import binascii
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import Final


@dataclass(frozen=True, slots=True)
class Checksum:
    """How a sum is formed, and how many bytes it takes."""

    of: Callable[[bytes], int]
    n_bytes: int


def xor8(data: bytes) -> int:
    """Exclusive or of all bytes.

    Examples
    --------
    >>> f"{xor8(b'123456789'):02X}"
    '31'
    """
    return reduce(xor, data, 0)


def sum8(data: bytes) -> int:
    """Sum of all bytes, low eight bits.

    Examples
    --------
    >>> f"{sum8(b'123456789'):02X}"
    'DD'
    """
    return sum(data) & 0xFF


def crc16_ccitt_false(data: bytes) -> int:
    """CRC-16/CCITT-FALSE: polynomial 1021, start FFFF, not reflected.

    Examples
    --------
    >>> f"{crc16_ccitt_false(b'123456789'):04X}"
    '29B1'
    """
    return binascii.crc_hqx(data, 0xFFFF)


def _modbus_entry(byte: int) -> int:
    for _ in range(8):
        byte = byte >> 1 ^ 0xA001 if byte & 1 else byte >> 1
    return byte


_MODBUS_TABLE: Final = tuple(map(_modbus_entry, range(256)))


def crc16_modbus(data: bytes) -> int:
    """CRC-16 of Modbus RTU: polynomial 8005 reflected, start FFFF.

    Examples
    --------
    >>> f"{crc16_modbus(b'123456789'):04X}"
    '4B37'
    """
    value = 0xFFFF
    for byte in data:
        value = value >> 8 ^ _MODBUS_TABLE[(value ^ byte) & 0xFF]
    return value


CHECKSUMS: Final[dict[str, Checksum]] = {
    "xor": Checksum(xor8, 1),
    "sum8": Checksum(sum8, 1),
    "crc16_ccitt_false": Checksum(crc16_ccitt_false, 2),
    "crc16_modbus": Checksum(crc16_modbus, 2),
    "crc32": Checksum(zlib.crc32, 4),
}
"""Name in a profile -> the sum."""
