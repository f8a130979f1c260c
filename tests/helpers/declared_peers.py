"""Live peers of the example profiles on pseudo-terminals: what their papers would describe.

Comes in: calls of a test. Goes out: the peers' own bytes, built here from the papers and not
by the code under test; a real pymodbus server behind a relay between two pseudo-terminals.
"""

from __future__ import annotations

import asyncio
import os
import select
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pty_relay import PtyRelay, raw_pty

import logger.profiles

PROFILES = Path(logger.profiles.__file__).parent
LINE = PROFILES / "checked_line.toml"
FRAME = PROFILES / "framed_counts.toml"
REGISTERS = PROFILES / "polled_registers.toml"


def line_bytes(number: int, load_kgf: float) -> bytes:
    """One line of the invented indicator."""
    body = f"LD,{number % 10_000:04d},{load_kgf:+07.1f}".encode()
    check = 0
    for byte in body:
        check ^= byte
    return b"$" + body + b"*%02X\r\n" % check


def crc16(data: bytes) -> int:
    """CRC-16/CCITT-FALSE, bit by bit."""
    value = 0xFFFF
    for byte in data:
        value ^= byte << 8
        for _ in range(8):
            value = (value << 1 ^ 0x1021 if value & 0x8000 else value << 1) & 0xFFFF
    return value


def frame_bytes(number: int, counts: tuple[int, int, int, int], first_ms: int = 0) -> bytes:
    """One frame of the invented amplifier: four readings 2.5 ms apart."""
    body = bytes([number % 256]) + ((first_ms + number * 10) % 2**32).to_bytes(4, "little")
    body += b"".join(count.to_bytes(3, "little", signed=True) for count in counts)
    return b"\xa5\x5a" + body + crc16(body).to_bytes(2, "little")


class Sender:
    """A device on a pseudo-terminal: waits for its start command, sends until it is stopped.

    It sends message ``i`` at ``i / rate_hz`` after the start, but none that ``skip`` names;
    a message that ``damage`` names has one byte changed.
    """

    def __init__(
        self,
        message: Callable[[int], bytes],
        rate_hz: float,
        *,
        start: bytes,
        stop: bytes,
        skip: frozenset[int] = frozenset(),
        damage: frozenset[int] = frozenset(),
    ) -> None:
        self.fd, self._other = raw_pty()
        self.path = os.ttyname(self._other)
        self.heard = b""
        self.sent = 0
        self._message, self._rate_hz = message, rate_hz
        self._start, self._stop = start, stop
        self._skip, self._damage = skip, damage
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ending.set()
        self._thread.join()
        os.close(self._other)
        os.close(self.fd)

    @property
    def was_stopped(self) -> bool:
        return self._stop in self.heard

    def _run(self) -> None:
        begun_s: float | None = None
        while not self._ending.is_set():
            if select.select([self.fd], [], [], 0.002)[0]:
                self.heard += os.read(self.fd, 100)
            if self._start not in self.heard or self.was_stopped:
                continue
            begun_s = begun_s or time.monotonic()
            while self.sent / self._rate_hz < time.monotonic() - begun_s:
                self._send(self.sent)
                self.sent += 1

    def _send(self, number: int) -> None:
        data = bytearray(self._message(number))
        if number in self._damage:
            data[len(data) // 2] ^= 0x10
        if number not in self._skip:
            os.write(self.fd, data)


class ModbusPeer:
    """A real pymodbus server: registers 100 to 102 count up; it hears register 200.

    It serves one end of a relay of two pseudo-terminals, the transport opens the other.
    """

    def __init__(self) -> None:
        self._a, self._server_end = raw_pty()
        self._b, self._client_end = raw_pty()
        self.path = os.ttyname(self._client_end)
        self.written: list[int] = []
        self.reads = 0
        self.deaf = False
        self._ending = threading.Event()
        self._relay = PtyRelay(self._a, self._b, forth=self._hear, back=self._hear)
        self._ready = threading.Event()
        self._serving = threading.Thread(target=lambda: asyncio.run(self._serve()))

    def __enter__(self) -> Self:
        self._relay.__enter__()
        self._serving.start()
        assert self._ready.wait(20)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._ending.set()
        self._serving.join()
        self._relay.__exit__(kind, error, trace)
        for fd in (self._a, self._b, self._server_end, self._client_end):
            os.close(fd)

    def _hear(self, data: bytes) -> bytes:
        return b"" if self.deaf else data

    async def _serve(self) -> None:
        from pymodbus.server import ModbusSerialServer
        from pymodbus.simulator import DataType, SimData, SimDevice

        async def act(
            function: int, first: int, _at: int, _n: int, registers: list[int], values: Any
        ) -> None:
            if function == 6 and values is not None:
                self.written.append(values[0])
            elif function == 4:
                load = (self.reads - 40) & 0xFFFF_FFFF
                words = [self.reads & 0xFFFF, load >> 16, load & 0xFFFF]
                registers[100 - first : 103 - first] = words
                self.reads += 1

        device = SimDevice(
            7, simdata=[SimData(100, count=200, datatype=DataType.REGISTERS)], action=act
        )
        server = ModbusSerialServer(device, port=os.ttyname(self._server_end), baudrate=115_200)
        await server.serve_forever(background=True)
        self._ready.set()
        while not self._ending.is_set():
            await asyncio.sleep(0.02)
        await server.shutdown()  # type: ignore[no-untyped-call]
