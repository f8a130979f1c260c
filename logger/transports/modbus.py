"""Registers of a Modbus RTU device, read again and again.

Comes in: registers. Goes out: their words, big-endian, one piece a read, with the host
time right after it. Must not: decode, or keep asking when it has been stopped.

One thread owns the port: what :meth:`ModbusTransport.write` is given waits for it. A device
that does not answer is a ``no_reply`` notice once a second with the number of reads.
"""

from __future__ import annotations

import contextlib
import logging
import queue
import struct
import threading
from typing import TYPE_CHECKING, Final

from logger.clock import Clock
from logger.errors import TransportError
from logger.profile import Registers, length_of
from logger.samples import Fault
from logger.transports.base import Deliver, Notice, Url, declared_by
from logger.transports.serial_port import NEXT_STEP, PARITIES, REOPEN_S, open_port

if TYPE_CHECKING:
    from pymodbus.client import ModbusSerialClient

TELL_NS: Final = 1_000_000_000
_WRITE: Final = struct.Struct(">HH")


class ModbusTransport:
    """A Modbus RTU device on a serial port.

    Parameters
    ----------
    url : Url
        Path of the port and its options: ``profile`` (with ``[registers]``), ``baud``.
    clock : Clock
        Stamps what was read.
    """

    answers = True

    def __init__(self, url: Url, clock: Clock) -> None:
        url.allow("baud", "profile")
        declared = declared_by(url, "registers")
        if declared is None or declared.profile.registers is None:
            raise TransportError("bad_url", f"{url.text}: add ?profile=FILE with [registers]")
        link = declared.profile.link
        baud = url.options.get("baud", str(link.baud))
        if not baud.isdecimal() or int(baud) == 0:
            raise TransportError("bad_url", f"{url.text}: baud={baud!r} is no number above 0")
        self.url = url.text
        self.decoder = declared.decoder
        self.ended = False
        self._path = url.path
        self._baud = int(baud)
        self._link = link
        self._registers: Registers = declared.profile.registers
        self._n_words = length_of(declared.profile) // 2
        self._every_ns = round(
            declared.profile.n_per_message * 1e9 / declared.profile.sample_rate_hz
        )
        self._clock = clock
        self._stopping = threading.Event()
        self._writes: queue.SimpleQueue[bytes] = queue.SimpleQueue()
        self._silent = 0
        self._why = ""
        self._tell_ns = 0
        self._thread: threading.Thread | None = None

    def start(self, deliver: Deliver, notice: Notice) -> None:
        """Open the port and begin to read registers.

        Raises
        ------
        TransportError
            ``not_found``, ``no_permission`` or ``in_use``.
        """
        client = self._open()
        self._thread = threading.Thread(
            target=self._run,
            args=(client, deliver, notice),
            name=f"modbus {self._path}",
            daemon=True,
        )
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Write a register: its number and the value, two words.

        Raises
        ------
        TransportError
            ``write_failed``: it is not two words.
        """
        if len(data) != _WRITE.size:
            raise TransportError("write_failed", f"{self._path}: {len(data)} bytes, 4 expected")
        self._writes.put(data)

    def stop(self) -> None:
        """Write what waits, end the thread and close the port; again does nothing."""
        self._stopping.set()
        thread, self._thread = self._thread, None
        if thread is not None:
            thread.join()
            self.ended = True

    def _open(self) -> ModbusSerialClient:
        """Open by path.

        Raises
        ------
        TransportError
            As :meth:`start` does.
        """
        open_port(self._path, self._baud, self._link).close()  # says why not; pymodbus does not
        from pymodbus.client import ModbusSerialClient  # noqa: PLC0415 - heavy

        logging.getLogger("pymodbus").setLevel(logging.CRITICAL)  # what fails is told by notices
        client = ModbusSerialClient(
            self._path,
            baudrate=self._baud,
            bytesize=self._link.data_bits,
            parity=PARITIES[self._link.parity],
            stopbits=self._link.stop_bits,
            timeout=self._registers.timeout_s,
            retries=0,
        )
        if not client.connect():
            client.close()  # type: ignore[no-untyped-call]
            raise TransportError("in_use", f"{self._path} {NEXT_STEP['in_use']}")
        return client

    def _run(self, client: ModbusSerialClient, deliver: Deliver, notice: Notice) -> None:
        open_client: ModbusSerialClient | None = client
        notice(self._event("connected", "opened"))
        while open_client is not None:
            why = self._read_until_lost(open_client, deliver, notice)
            with contextlib.suppress(OSError, TypeError):
                open_client.close()  # type: ignore[no-untyped-call]
            self._tell(notice)
            if self._stopping.is_set():
                break
            notice(self._event("disconnected", why))
            open_client = self._reopen()
            if open_client is not None:
                notice(self._event("connected", "opened again"))

    def _read_until_lost(self, client: ModbusSerialClient, deliver: Deliver, notice: Notice) -> str:
        """Read on time; return why that ended."""
        from pymodbus.exceptions import ModbusException  # noqa: PLC0415

        due_ns = self._clock.boot_ns()
        while True:
            stopping = self._stopping.is_set()
            try:
                self._write_waiting(client)
                if stopping:
                    return "stopped"
                self._read(client, deliver)
            except ModbusException as error:
                self._count(error)
                if not client.connected or client.socket is None:
                    return str(error)
            except (OSError, TypeError) as error:
                return str(error)
            now_ns = self._clock.boot_ns()
            if now_ns >= self._tell_ns:
                self._tell(notice)
            due_ns = max(due_ns + self._every_ns, now_ns - self._every_ns)
            self._stopping.wait(max(0, due_ns - now_ns) / 1e9)

    def _read(self, client: ModbusSerialClient, deliver: Deliver) -> None:
        """Read the registers once."""
        registers = self._registers
        read = (
            client.read_holding_registers
            if registers.table == "holding"
            else client.read_input_registers
        )
        answer = read(registers.first, count=self._n_words, device_id=registers.unit)
        received_ns = self._clock.boot_ns()
        if answer.isError():
            self._count(f"the device refuses: {answer}")
            return
        deliver(struct.pack(f">{len(answer.registers)}H", *answer.registers), received_ns)

    def _write_waiting(self, client: ModbusSerialClient) -> None:
        while True:
            try:
                register, value = _WRITE.unpack(self._writes.get_nowait())
            except queue.Empty:
                return
            answer = client.write_register(register, value, device_id=self._registers.unit)
            if answer.isError():
                self._count(f"register {register} cannot be written: {answer}")

    def _count(self, why: object) -> None:
        self._silent += 1
        self._why = self._why or str(why)

    def _tell(self, notice: Notice) -> None:
        """Tell how many requests had no good answer since the last time."""
        self._tell_ns = self._clock.boot_ns() + TELL_NS
        if self._silent:
            n, self._silent = self._silent, 0
            why, self._why = self._why, ""
            detail = f"{self._path}: {n} requests without a good answer ({why})"
            notice(Fault("no_reply", self._clock.boot_ns(), n, detail))

    def _reopen(self) -> ModbusSerialClient | None:
        """Try until the port is there again; None when stopped before."""
        while not self._stopping.wait(REOPEN_S):
            with contextlib.suppress(TransportError):
                return self._open()
        return None

    def _event(self, kind: str, detail: str) -> Fault:
        return Fault(kind, self._clock.boot_ns(), 1, f"{self._path}: {detail}")
