"""``ropetally cells``: what is there, who answers, what to do when nobody does."""

from __future__ import annotations

import json
import os
import select
import threading
import tty
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from logger.commands.cells import command
from logger.simcell import wire

WHO = wire.Identity("cell-9", "1.2", 0xBEEF, 320.0, -9, 9, 0, 0)


class Answering:
    """A device on a pseudo-terminal that answers INFO in one format, or nothing."""

    def __init__(self, form: wire.Format, *, mute: bool = False) -> None:
        self.fd, other = os.openpty()
        tty.setraw(other)
        self.name = os.ttyname(other)
        self.heard: list[wire.Request] = []
        self._other = other
        self._form: wire.Format = form
        self._mute = mute
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def close(self) -> None:
        self._ending.set()
        self._thread.join()
        os.close(self._other)
        os.close(self.fd)

    def _run(self) -> None:
        reader, said = wire.RequestReader(self._form), wire.talk(self._form)
        while not self._ending.is_set():
            if not select.select([self.fd], [], [], 0.02)[0]:
                continue
            for request in reader.feed(os.read(self.fd, 1000)):
                self.heard.append(request)
                if not self._mute and request.opcode == wire.OP_INFO:
                    os.write(self.fd, said.info(request.request_id, WHO))


@dataclass
class Known:
    """What the operating system says about a port."""

    device: str
    description: str | None


@pytest.fixture(autouse=True)
def known(monkeypatch: pytest.MonkeyPatch) -> list[Known]:
    """Ports of the machine: none but what a test puts here."""
    ports: list[Known] = []
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: ports)
    return ports


@pytest.fixture
def device() -> Iterator[Answering]:
    made = Answering("binary")
    yield made
    made.close()


def run(*arguments: str) -> Result:
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0
    return result


def test_no_port_says_what_to_do() -> None:
    (line,) = run().output.splitlines()
    assert line.startswith("No serial port found. Plug the cell in")


def test_ports_are_listed_and_not_opened(known: list[Known], device: Answering) -> None:
    known += [
        Known("/dev/ttyUSB7", "bridge"),
        Known("/dev/ttyACM0", None),
        Known("/dev/ttyS0", "n/a"),
        Known(device.name, "a device"),
    ]
    assert run().output.splitlines() == [
        f"{device.name}: a device",
        "/dev/ttyACM0: a port",
        "/dev/ttyS0: a port",
        "/dev/ttyUSB7: bridge",
        "Ask which of them is a cell: ropetally cells --ask",
    ]
    assert device.heard == []


def test_named_ports_are_listed_alone_in_the_order_named_and_once(
    known: list[Known], device: Answering
) -> None:
    known += [Known("/dev/ttyACM0", "other"), Known("/dev/ttyUSB7", "bridge")]
    assert run("/dev/ttyUSB7", device.name, "/dev/ttyUSB7").output.splitlines() == [
        "/dev/ttyUSB7: bridge",
        f"{device.name}: named",
        "Ask whether a cell is there: add --ask",
    ]
    assert device.heard == []


def test_only_named_ports_are_asked(known: list[Known], device: Answering) -> None:
    other = Answering("binary")
    known += [Known(other.name, "not to be disturbed"), Known(device.name, "bridge")]
    try:
        (line,) = run(device.name, "--ask").output.splitlines()
        assert line.startswith(f"{device.name}: cell cell-9")
        assert device.heard
        assert other.heard == []
        run("--ask")
        assert other.heard
    finally:
        other.close()


def test_a_cell_says_who_it_is(device: Answering) -> None:
    (line,) = run(device.name, "--ask").output.splitlines()
    assert line == (
        f"{device.name}: cell cell-9, 320 samples/s, boot 0000beef, firmware 1.2; "
        f"record it with --cell 'serial:{device.name}'"
    )
    assert {request.opcode for request in device.heard} == {wire.OP_INFO}


def test_a_cell_that_talks_in_lines_is_found_too() -> None:
    device = Answering("ascii")
    try:
        (line,) = run(device.name, "--ask", "--wait-s", "0.3").output.splitlines()
    finally:
        device.close()
    assert line.endswith(f"--cell 'serial:{device.name}?decoder=ascii'")


def test_json(device: Answering) -> None:
    answer = json.loads(run(device.name, "--ask", "--json").output)
    assert answer["next"] is None
    (port,) = answer["ports"]
    assert port == {
        "port": device.name, "description": "named", "asked": True, "answers": True,
        "decoder": "binary", "device_id": "cell-9", "firmware": "1.2", "boot_id": 0xBEEF,
        "sample_rate_hz": 320.0, "error": None,
    }  # fmt: skip


def test_silence_and_a_missing_port_are_said_with_a_next_step(tmp_path: Path) -> None:
    mute = Answering("binary", mute=True)
    try:
        lines = run(
            mute.name, str(tmp_path / "gone"), "--ask", "--wait-s", "0.2"
        ).output.splitlines()
    finally:
        mute.close()
    assert lines[0] == f"{mute.name}: named, no cell answered"
    assert lines[1].startswith(f"{tmp_path / 'gone'}: ")
    assert "is not there" in lines[1]
    assert lines[2].startswith("No cell answered. Check power and cable")
    assert len(lines) == 3
