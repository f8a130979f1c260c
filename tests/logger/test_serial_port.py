"""Serial transport against a real pseudo-terminal, opened by path through pyserial."""

from __future__ import annotations

import contextlib
import errno
import os
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import psutil
import pytest
import serial

from logger.clock import SystemClock
from logger.errors import TransportError
from logger.samples import Fault
from logger.transports import open_transport
from logger.transports.base import parse_url
from logger.transports.serial_port import SerialTransport, reason_of

WAIT_S = 60.0


class Port:
    """The device's end of a pseudo-terminal."""

    def __init__(self) -> None:
        self.fd, other = os.openpty()
        tty.setraw(other)
        self.name = os.ttyname(other)
        self._other: int | None = other

    def write(self, data: bytes) -> None:
        assert os.write(self.fd, data) == len(data)

    def read(self, n: int) -> bytes:
        data = b""
        while len(data) < n:
            data += os.read(self.fd, n - len(data))
        return data

    def let_go(self) -> None:
        """Close our copy of the far end, so that pulling the plug is noticed there."""
        if self._other is not None:
            os.close(self._other)
            self._other = None

    def pull(self) -> None:
        self.let_go()
        with contextlib.suppress(OSError):
            os.close(self.fd)


class Heard:
    """What a transport delivered, and waiting for it."""

    def __init__(self) -> None:
        self.chunks: list[tuple[bytes, int]] = []
        self.notices: list[Fault] = []
        self.threads: set[str] = set()
        self._changed = threading.Condition()

    def deliver(self, data: bytes, received_ns: int) -> None:
        with self._changed:
            self.threads.add(threading.current_thread().name)
            self.chunks.append((data, received_ns))
            self._changed.notify_all()

    def notice(self, fault: Fault) -> None:
        with self._changed:
            self.notices.append(fault)
            self._changed.notify_all()

    def bytes(self) -> bytes:
        return b"".join(data for data, _ in self.chunks)

    def kinds(self) -> list[str]:
        return [fault.kind for fault in self.notices]

    def wait(self, condition: Callable[[], bool]) -> None:
        with self._changed:
            assert self._changed.wait_for(condition, WAIT_S), (self.kinds(), self.bytes()[-50:])


@pytest.fixture
def port() -> Iterator[Port]:
    made = Port()
    yield made
    made.pull()


@pytest.fixture(autouse=True)
def nothing_is_left_behind() -> Iterator[None]:
    me = psutil.Process()
    threads, fds = set(threading.enumerate()), me.num_fds()
    yield
    assert set(threading.enumerate()) <= threads
    assert me.num_fds() <= fds


@contextlib.contextmanager
def listening(url: str) -> Iterator[tuple[SerialTransport, Heard]]:
    transport = open_transport(url)
    assert isinstance(transport, SerialTransport)
    heard = Heard()
    transport.start(heard.deliver, heard.notice)
    try:
        yield transport, heard
    finally:
        transport.stop()


def test_bytes_come_with_the_time_right_after_the_read(port: Port) -> None:
    clock = SystemClock()
    with listening(f"serial:{port.name}") as (_, heard):
        heard.wait(lambda: heard.kinds() == ["connected"])
        before_ns = clock.boot_ns()
        port.write(b"\x00first\xff")
        heard.wait(lambda: heard.bytes() == b"\x00first\xff")
        after_ns = clock.boot_ns()
    assert all(before_ns < received_ns < after_ns for _, received_ns in heard.chunks)
    assert heard.threads == {f"serial {port.name}"}


def test_many_bytes_come_whole_in_few_reads(port: Port) -> None:
    sent = bytes(range(256)) * 400
    with listening(f"serial:{port.name}") as (_, heard):
        for start in range(0, len(sent), 512):
            port.write(sent[start : start + 512])
        heard.wait(lambda: len(heard.bytes()) == len(sent))
    assert heard.bytes() == sent
    assert len(heard.chunks) < len(sent) / 50
    stamps = [received_ns for _, received_ns in heard.chunks]
    assert stamps == sorted(stamps)


def test_requests_go_out(port: Port) -> None:
    with listening(f"serial:{port.name}") as (transport, _):
        transport.write(b"\x00ask\x00")
        assert port.read(5) == b"\x00ask\x00"


def test_what_waited_before_opening_is_flushed(port: Port) -> None:
    port.write(b"old")
    with listening(f"serial:{port.name}") as (_, heard):
        heard.wait(lambda: heard.kinds() == ["connected"])
        port.write(b"new")
        heard.wait(lambda: len(heard.bytes()) >= 3)
    assert heard.bytes() == b"new"


def test_a_port_pulled_and_back_under_the_same_link(port: Port, tmp_path: Path) -> None:
    link = tmp_path / "cell"
    link.symlink_to(port.name)
    back = Port()
    try:
        with listening(f"serial:{link}") as (transport, heard):
            port.write(b"one")
            heard.wait(lambda: heard.bytes() == b"one")
            port.pull()
            heard.wait(lambda: heard.kinds() == ["connected", "disconnected"])
            with pytest.raises(TransportError) as caught:
                transport.write(b"x")
            assert caught.value.reason == "disconnected"
            link.unlink()
            link.symlink_to(back.name)
            heard.wait(lambda: heard.kinds() == ["connected", "disconnected", "connected"])
            back.write(b"two")
            heard.wait(lambda: heard.bytes() == b"onetwo")
            transport.write(b"hi")
            assert back.read(2) == b"hi"
    finally:
        back.pull()
    assert str(link) in heard.notices[1].detail


def test_stop_while_the_port_is_gone(
    port: Port, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    link = tmp_path / "cell"
    link.symlink_to(port.name)
    failed = threading.Event()
    with listening(f"serial:{link}") as (transport, heard):
        really_open = transport._open

        def open_and_tell() -> serial.Serial:
            try:
                return really_open()
            except TransportError:
                failed.set()
                raise

        monkeypatch.setattr(transport, "_open", open_and_tell)
        link.unlink()
        port.pull()
        heard.wait(lambda: heard.kinds() == ["connected", "disconnected"])
        assert failed.wait(WAIT_S)
    assert heard.kinds() == ["connected", "disconnected"]


def test_stop_joins_closes_and_may_be_called_again(port: Port) -> None:
    with listening(f"serial:{port.name}") as (transport, heard):
        heard.wait(lambda: heard.kinds() == ["connected"])
        transport.stop()
        assert transport.ended
        transport.stop()
        with pytest.raises(TransportError, match="not connected"):
            transport.write(b"x")
    port.write(b"late")
    assert heard.bytes() == b""


def test_stop_before_start_does_nothing(port: Port) -> None:
    open_transport(f"serial:{port.name}").stop()


def test_a_port_in_use_is_refused(port: Port) -> None:
    with listening(f"serial:{port.name}"):
        second = open_transport(f"serial:{port.name}")
        with pytest.raises(TransportError, match="close that one first") as caught:
            second.start(lambda *_: None, lambda _: None)
    assert caught.value.reason == "in_use"


@pytest.mark.parametrize("what", ["missing", "folder", "file"])
def test_what_is_no_port_is_not_found(what: str, tmp_path: Path) -> None:
    path = tmp_path / "missing" if what == "missing" else tmp_path
    if what == "file":
        path = tmp_path / "file"
        path.write_bytes(b"")
    with pytest.raises(TransportError, match="ropetally cells") as caught:
        open_transport(f"serial:{path}").start(lambda *_: None, lambda _: None)
    assert caught.value.reason == "not_found"
    assert str(path) in str(caught.value)


def test_a_port_that_may_not_be_opened(port: Port, monkeypatch: pytest.MonkeyPatch) -> None:
    """Root may open anything, so the refusal is made where the machine would make it."""

    def refuse(path: str, *_: object) -> int:
        raise PermissionError(errno.EACCES, "Permission denied", path)

    monkeypatch.setattr("serial.serialposix.os.open", refuse)
    with pytest.raises(TransportError, match="join the group that owns it") as caught:
        open_transport(f"serial:{port.name}").start(lambda *_: None, lambda _: None)
    assert caught.value.reason == "no_permission"


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (serial.SerialException(errno.EBUSY, "busy"), "in_use"),
        (serial.SerialException("could not open port: PermissionError(13, 'Access is denied.')"), "in_use"),
        (serial.SerialException("could not open port: FileNotFoundError(2)"), "not_found"),
        (OSError(errno.EPERM, "no"), "no_permission"),
        (OSError(errno.ENXIO, "no"), "not_found"),
    ],
)  # fmt: skip
def test_reasons(error: OSError, reason: str) -> None:
    assert reason_of(error) == reason


class FullPort:
    """A port whose far end takes nothing."""

    def write(self, data: bytes) -> int:
        raise serial.SerialTimeoutException("Write timeout")


def test_a_port_that_takes_nothing_fails_the_write(monkeypatch: pytest.MonkeyPatch) -> None:
    transport = SerialTransport(parse_url("serial:/dev/any"), SystemClock())
    monkeypatch.setattr(transport, "_port", FullPort())
    with pytest.raises(TransportError, match="Write timeout") as caught:
        transport.write(b"x")
    assert caught.value.reason == "write_failed"


@pytest.mark.parametrize(
    ("url", "says"),
    [
        ("/dev/ttyUSB0", "write for example serial:"),
        ("serial:", "write for example serial:"),
        (":x", "write for example serial:"),
        ("pigeon:loft", "use serial or file"),
        ("serial:/dev/x?baud=fast", "is no number above 0"),
        ("serial:/dev/x?baud=0", "is no number above 0"),
        ("serial:/dev/x?bauds=9600", "use one of decoder, baud"),
        ("serial:/dev/x?decoder=morse", "decoder must be one of"),
        ("serial:/dev/x?baud", "name=value"),
        ("file:x?pace=slow", "full or real"),
        ("file:x?baud=9600", "use one of decoder, pace"),
    ],
)
def test_urls_that_make_no_sense(url: str, says: str) -> None:
    with pytest.raises(TransportError, match=says) as caught:
        open_transport(url)
    assert caught.value.reason == "bad_url"


def test_options_of_a_url() -> None:
    transport = open_transport("serial:/dev/x?baud=9600&decoder=ascii")
    assert transport.url == "serial:/dev/x?baud=9600&decoder=ascii"
    assert (transport.decoder, transport.answers, transport.ended) == ("ascii", True, False)


def test_a_rate_that_the_port_cannot_do(port: Port, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise ValueError("Invalid baud rate")

    monkeypatch.setattr("serial.Serial", refuse)
    with pytest.raises(TransportError, match="at 7 baud: Invalid") as caught:
        open_transport(f"serial:{port.name}?baud=7").start(lambda *_: None, lambda _: None)
    assert caught.value.reason == "bad_url"
