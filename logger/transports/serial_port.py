"""A serial port by its path, read by one thread, re-opened when it comes back.

Comes in: bytes of the port. Goes out: the same bytes with the host time right after the
read. Must not: decode, buffer more than one read, or wait for line ends (pyserial's
``readline`` reads byte by byte).
"""

from __future__ import annotations

import contextlib
import errno
import threading
from typing import Final

import serial

from logger.clock import Clock
from logger.errors import TransportError, TransportReason
from logger.profile import Link
from logger.samples import Fault
from logger.transports.base import Deliver, Notice, Url, declared_by

PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}
READ_TIMEOUT_S: Final = 0.1
WRITE_TIMEOUT_S: Final = 0.5
REOPEN_S: Final = 0.25

_REASONS: Final[dict[int, TransportReason]] = {
    errno.ENOENT: "not_found",
    errno.ENODEV: "not_found",
    errno.ENXIO: "not_found",
    errno.EACCES: "no_permission",
    errno.EPERM: "no_permission",
    errno.EBUSY: "in_use",
    errno.EAGAIN: "in_use",
}

NEXT_STEP: Final[dict[TransportReason, str]] = {
    "not_found": "is not there or is no serial port: plug it in, see ropetally cells",
    "no_permission": (
        "may not be opened by you: on Linux join the group that owns it (often dialout) and log in again"
    ),
    "in_use": "is in use by another program: close that one first",
}


def reason_of(error: OSError) -> TransportReason:
    """Say why a port could not be opened, from pyserial's error.

    Examples
    --------
    >>> reason_of(OSError(errno.EACCES, "no"))
    'no_permission'
    """
    if error.errno in _REASONS:
        return _REASONS[error.errno]
    text = str(error)
    if "PermissionError" in text or "Access is denied" in text:
        return "in_use"
    return "not_found"


def open_port(path: str, baud: int, link: Link) -> serial.Serial:
    """Open a serial port for this process alone.

    Raises
    ------
    TransportError
        ``not_found``, ``no_permission``, ``in_use``, or ``bad_url`` for settings that the
        port does not take.
    """
    try:
        return serial.Serial(
            path,
            baud,
            bytesize=link.data_bits,
            parity=PARITIES[link.parity],
            stopbits=link.stop_bits,
            timeout=READ_TIMEOUT_S,
            write_timeout=WRITE_TIMEOUT_S,
            exclusive=True,
        )
    except Exception as error:  # pyserial lets termios.error through, which is no OSError
        reason = reason_of(error) if isinstance(error, OSError) else "bad_url"
        how = f"{baud} baud" + ("" if link.parity == "none" else f", parity {link.parity}")
        step = NEXT_STEP.get(reason, f"cannot be opened at {how}: {error}")
        raise TransportError(reason, f"{path} {step}") from error


class SerialTransport:
    """A serial port.

    Parameters
    ----------
    url : Url
        Path of the port (or a link to it) and its options: ``baud``, ``decoder`` or ``profile``.
    clock : Clock
        Stamps what was read.
    """

    answers = True

    def __init__(self, url: Url, clock: Clock) -> None:
        url.allow("baud", "profile")
        declared = declared_by(url, "line", "frame")
        self._set = Link() if declared is None else declared.profile.link
        baud = url.options.get("baud", str(self._set.baud))
        if not baud.isdecimal() or int(baud) == 0:
            raise TransportError("bad_url", f"{url.text}: baud={baud!r} is no number above 0")
        self.url = url.text
        self.decoder = (
            url.options.get("decoder", "binary") if declared is None else declared.decoder
        )
        self.ended = False
        self._path = url.path
        self._baud = int(baud)
        self._clock = clock
        self._stopping = threading.Event()
        self._port: serial.Serial | None = None
        self._guard = threading.Lock()
        self._thread: threading.Thread | None = None

    def start(self, deliver: Deliver, notice: Notice) -> None:
        """Open the port and begin to read.

        Raises
        ------
        TransportError
            ``not_found``, ``no_permission`` or ``in_use``.
        """
        self._port = self._open()
        self._thread = threading.Thread(
            target=self._run, args=(deliver, notice), name=f"serial {self._path}", daemon=True
        )
        self._thread.start()

    def write(self, data: bytes) -> None:
        """Send bytes to the device.

        Raises
        ------
        TransportError
            ``disconnected``, or ``write_failed`` when the port does not take them.
        """
        with self._guard:
            port = self._port
            if port is None:
                raise TransportError("disconnected", f"{self._path} is not connected")
            try:
                port.write(data)
            except (OSError, TypeError) as error:
                raise TransportError("write_failed", f"{self._path}: {error}") from error

    def stop(self) -> None:
        """End the thread and close the port; again does nothing."""
        self._stopping.set()
        thread, self._thread = self._thread, None
        if thread is None:
            return
        with self._guard, contextlib.suppress(OSError, TypeError, AttributeError):
            if self._port is not None:
                self._port.cancel_read()
        thread.join()
        self.ended = True

    def _open(self) -> serial.Serial:
        """Open by path, so that a link that points elsewhere by now is followed."""
        port = open_port(self._path, self._baud, self._set)
        with contextlib.suppress(OSError, ValueError, AttributeError):
            port.set_low_latency_mode(True)
        return port

    def _run(self, deliver: Deliver, notice: Notice) -> None:
        notice(self._event("connected", "opened"))
        while not self._stopping.is_set():
            why = self._read_until_lost(deliver)
            self._close()
            if self._stopping.is_set():
                break
            notice(self._event("disconnected", why))
            if self._reopen():
                notice(self._event("connected", "opened again"))
        self._close()

    def _read_until_lost(self, deliver: Deliver) -> str:
        """Read what comes; return why that ended."""
        port = self._port
        assert port is not None  # noqa: S101
        try:
            while not self._stopping.is_set():
                waiting = port.in_waiting
                data = port.read(waiting or 1)
                if data and not waiting:  # it waited for the first byte: take what came with it
                    waiting = port.in_waiting
                    data = data + port.read(waiting) if waiting else data
                if data:
                    deliver(data, self._clock.boot_ns())
        except (OSError, TypeError) as error:
            return str(error)
        return "stopped"

    def _close(self) -> None:
        with self._guard:
            port, self._port = self._port, None
        if port is not None:
            with contextlib.suppress(OSError):
                port.close()

    def _reopen(self) -> bool:
        """Try until the port is there again; False when stopped before."""
        while not self._stopping.wait(REOPEN_S):
            try:
                port = self._open()
            except TransportError:
                continue
            with self._guard:
                self._port = port
            return True
        return False

    def _event(self, kind: str, detail: str) -> Fault:
        return Fault(kind, self._clock.boot_ns(), 1, f"{self._path}: {detail}")
