"""The Force characteristic (0x2C07) of the Bluetooth SIG: a slow value without a time.

Comes in: one characteristic at a time, its 16-bit UUID (little-endian) before its value.
Goes out: readings, timed by their arrival, and faults. Must not: do I/O, or let anyone
believe that a peak can be read from it: ``CellInfo.no_peaks`` says why not.

Force is a signed 32-bit number of millinewtons, 0x7FFFFFFF when it is not known; so one
count is 1 mN. The device answers no requests: the decoder answers INFO, START and STOP for
it when the next packet comes, INFO only once it has seen how often values come. Its ticks are
the host's, so that nobody asks for its TIME.

References
----------
Bluetooth SIG, "GATT Specification Supplement", Force: sint32, unit 0.001 N, 0x7FFFFFFF for
"value is not known". "Assigned Numbers": 0x2C07 Force, 0x2A19 Battery Level, 0x2A24 Model
Number String, 0x2A25 Serial Number String, 0x2A26 Firmware Revision String, 0x2A29
Manufacturer Name String.
"""

from __future__ import annotations

import struct
from typing import Final

import numpy as np

from logger.decoders.base import Decoded, Opcode, fault
from logger.samples import (
    SIG_FORCE_VERSION,
    CellInfo,
    Fault,
    InfoFrame,
    ReplyFrame,
    SampleFrame,
    StatusFrame,
)

FORCE: Final = 0x2C07
BATTERY: Final = 0x2A19
MODEL: Final = 0x2A24
SERIAL: Final = 0x2A25
FIRMWARE: Final = 0x2A26
MANUFACTURER: Final = 0x2A29

NOT_KNOWN: Final = 0x7FFF_FFFF
NEWTONS_PER_COUNT: Final = 0.001
ASSUMED_REL_U: Final = 0.02
"""Relative standard uncertainty of a sensor that nobody has calibrated (our own assumption)."""
LATE_US: Final = 10_000_000
"""How old a value may be when it comes: nothing in it says so (our own bound)."""
VALUES_TO_KNOW_THE_RATE: Final = 5

_FORCE: Final = struct.Struct("<i")
_UUID: Final = struct.Struct("<H")
_TEXTS: Final = {MODEL, SERIAL, FIRMWARE, MANUFACTURER}
_RATE_LIMITS_HZ: Final = (0.01, 1000.0)


def characteristic(uuid: int, value: bytes) -> bytes:
    """One characteristic as this decoder takes it.

    Examples
    --------
    >>> characteristic(FORCE, bytes.fromhex("87 d6 12 00")).hex(" ")
    '07 2c 87 d6 12 00'
    """
    return _UUID.pack(uuid) + value


class SigForceDecoder:
    """Reads characteristics of a force sensor and answers for it.

    A new connection is a new segment: how many values were missed is not known.
    """

    __slots__ = (
        "_asked", "_boot", "_first_ns", "_flagged", "_index", "_last_ns", "_texts",
    )  # fmt: skip

    def __init__(self) -> None:
        self._boot = 1
        self._index = 0
        self._first_ns = self._last_ns = 0
        self._flagged = False
        self._texts: dict[int, str] = {}
        self._asked: dict[int, int] = {}

    def feed(self, data: bytes, received_ns: int) -> list[Decoded]:
        """Take one characteristic."""
        if len(data) <= _UUID.size:
            return [fault("bad_length", received_ns, f"{len(data)} bytes are no characteristic")]
        (uuid,) = _UUID.unpack_from(data)
        value = data[_UUID.size :]
        if uuid == FORCE:
            return self._force(value, received_ns)
        if uuid == BATTERY:
            return self._battery(value, received_ns)
        if uuid in _TEXTS:
            self._texts[uuid] = value.decode("utf-8", errors="replace").strip("\0 ")
            return []
        return [fault("unknown_kind", received_ns, f"characteristic 0x{uuid:04X}")]

    def finish(self, received_ns: int) -> list[Decoded]:  # noqa: ARG002
        """End the segment: what comes over the next connection does not follow on."""
        self._boot += 1
        self._index = 0
        self._asked.clear()
        return []

    def encode_request(
        self,
        opcode: int,
        request_id: int,
        arguments: bytes = b"",  # noqa: ARG002
    ) -> bytes:
        """Remember the request, to be answered with a packet to come; nothing to send."""
        self._asked[opcode] = request_id
        return b""

    def _force(self, value: bytes, received_ns: int) -> list[Decoded]:
        if len(value) != _FORCE.size:
            detail = f"Force has {_FORCE.size} bytes, this {len(value)}"
            return [fault("bad_length", received_ns, detail)]
        (millinewtons,) = _FORCE.unpack(value)
        if self._index == 0:
            self._first_ns = received_ns
        index, self._index, self._last_ns = self._index, self._index + 1, received_ns
        got: list[Decoded] = []
        if millinewtons == NOT_KNOWN:
            got.append(fault("not_known", received_ns, "the sensor says that it does not know"))
        else:
            counts = np.array([millinewtons], dtype=np.int32)
            counts.flags.writeable = False
            got.append(SampleFrame(index & 0xFFFF, _tick_us(received_ns), counts, received_ns))
        return got + self._answers(received_ns)

    def _battery(self, value: bytes, received_ns: int) -> list[Decoded]:
        if len(value) != 1 or value[0] > 100:
            return [fault("bad_length", received_ns, f"Battery Level {value.hex()}: 0 to 100 %")]
        return [StatusFrame(_tick_us(received_ns), 0, 0, None, value[0], received_ns)]

    def _answers(self, received_ns: int) -> list[Decoded]:
        """Answer what was asked since the last packet."""
        got: list[Decoded] = []
        if self._index >= VALUES_TO_KNOW_THE_RATE and Opcode.INFO in self._asked:
            request_id = self._asked.pop(Opcode.INFO)
            info = self._info()
            got.append(InfoFrame(request_id, info, received_ns))
            if not self._flagged:
                self._flagged = True
                got.append(Fault("no_peaks", received_ns, 0, info.no_peaks))
        for opcode in (Opcode.START, Opcode.STOP):
            if opcode in self._asked:
                request_id = self._asked.pop(opcode)
                got.append(ReplyFrame(opcode, request_id, 0, b"", received_ns))
        return got

    def _info(self) -> CellInfo:
        """Say who this is, as far as it is known."""
        names = [self._texts[uuid] for uuid in (MANUFACTURER, MODEL, SERIAL) if uuid in self._texts]
        seconds = (self._last_ns - self._first_ns) / 1e9
        low, high = _RATE_LIMITS_HZ
        rate_hz = (self._index - 1) / seconds if seconds > 0 else high
        return CellInfo(
            wire_version=SIG_FORCE_VERSION,
            device_id=" ".join(names) or "force sensor",
            boot_id=self._boot,
            firmware=self._texts.get(FIRMWARE, ""),
            tick_rate_hz=1_000_000,
            sample_rate_hz=min(max(rate_hz, low), high),
            count_min=-(2**31),
            count_max=2**31 - 1,
            filter_delay_us=0,
            jitter_bound_us=LATE_US,
            n_per_count=NEWTONS_PER_COUNT,
            rel_u=ASSUMED_REL_U,
            remark="SIG Force: slow, timed by its arrival, no peaks are read from it",
            host_timed=True,
        )


def _tick_us(received_ns: int) -> int:
    return received_ns // 1000 & 0xFFFF_FFFF
