"""Declared sensors behind links: URLs, start and stop, restarts, trying a profile."""

from __future__ import annotations

import json
import queue
import termios
from collections.abc import Sequence
from pathlib import Path

import pytest
from capture_rig import wait_until
from click.testing import CliRunner, Result
from declared_peers import FRAME, LINE, REGISTERS, ModbusPeer, Sender, frame_bytes, line_bytes
from fake_cell import calibrated
from logbook_items import StillClock

from logger.cell_line import CellPlan
from logger.clock import SystemClock
from logger.commands.cells import command
from logger.decoders.base import Commands
from logger.errors import InputError, SheetError, TransportError
from logger.handshake import SilentHandshake, State
from logger.pipeline import ByteQueue, Pipeline, TransportEvent
from logger.samples import (
    CellInfo,
    Fault,
    FaultNoted,
    GapNoted,
    InfoFrame,
    RecordItem,
    ReplyFrame,
    StreamClosed,
    StreamOpened,
)
from logger.transports import Deliver, Notice, open_transport
from logger.transports.replay import write_raw

SECOND = 1_000_000_000


# --- start and stop ---------------------------------------------------------------------------


def test_a_silent_device_is_started_and_stopped() -> None:
    talk = SilentHandshake(Commands(b"go", b"halt"))
    assert talk.poll(0) == []
    talk.link_up(0)
    assert (talk.state, talk.poll(0), talk.poll(1)) == (State.RUNNING, [b"go"], [])
    talk.link_up(14 * SECOND)
    assert talk.poll(0) == []
    talk.link_up(15 * SECOND)
    assert talk.poll(0) == [b"go"]
    talk.stop(0)
    talk.stop(0)
    assert (talk.poll(0), talk.state, talk.poll(0)) == ([b"halt"], State.STOPPED, [])
    talk.link_up(99 * SECOND)
    talk.stop(0)
    assert (talk.poll(0), talk.state, talk.take_faults()) == ([], State.STOPPED, [])


def test_a_silent_device_is_started_again_when_the_link_is_back() -> None:
    talk = SilentHandshake(Commands(b"go", b"halt"))
    talk.link_up(0)
    talk.link_down()
    assert (talk.poll(0), talk.state) == ([], State.IDLE)
    talk.link_up(1)
    assert talk.poll(0) == [b"go"]
    talk.stop(0)
    talk.link_down()
    assert (talk.state, talk.poll(0)) == (State.STOPPED, [])
    idle = SilentHandshake(Commands())
    idle.stop(0)
    assert idle.state is State.STOPPED


def test_a_silent_device_is_who_its_decoder_says() -> None:
    talk = SilentHandshake(Commands())
    info = CellInfo(255, "x", 0, "", 1_000_000, 10.0, 0, 1, 0, 0)
    talk.on_reading(ReplyFrame(1, 1, 0, b"", 0))
    known = [talk.info]
    talk.on_reading(InfoFrame(0, info, 0))
    assert [*known, talk.info] == [None, info]
    talk.link_up(0)
    assert talk.poll(0) == []


# --- the pipeline around it -----------------------------------------------------------------------


class Scripted:
    """A transport that a test feeds."""

    answers = True
    ended = False
    url = "fake:declared"

    def __init__(self, profile: Path) -> None:
        self.decoder = f"profile:{profile}"
        self.written: list[bytes] = []

    def start(self, _deliver: Deliver, _notice: Notice) -> None:
        """Nothing to open."""

    def write(self, data: bytes) -> None:
        self.written.append(data)

    def stop(self) -> None:
        """Nothing to close."""


class Bench:
    """A pipeline turned by hand over one scripted link."""

    def __init__(self, profile: Path) -> None:
        self.clock = StillClock()
        self.link = Scripted(profile)
        self.items: list[RecordItem] = []
        self.queue = ByteQueue(10_000_000)
        plan = CellPlan("c", self.link.url, calibrated)
        self.pipeline = Pipeline(
            self.items.append, [(plan, self.link)], self.queue, clock=self.clock
        )
        self.notice("connected")

    def notice(self, kind: str) -> None:
        fault = Fault(kind, self.clock.boot_ns(), 1, "scripted")
        self.queue.put(TransportEvent(0, b"", fault.received_ns, fault))
        self.turn()

    def give(self, data: bytes, after_s: float) -> None:
        self.clock.sleep(after_s)
        self.queue.put(TransportEvent(0, data, self.clock.boot_ns()))
        self.turn()

    def lines(self, numbers: Sequence[int]) -> None:
        for number in numbers:
            self.give(line_bytes(number, 1.0), 1 / 80)

    def turn(self) -> None:
        self.pipeline._turn()

    def end(self) -> None:
        for line in self.pipeline._lines:
            line.finish(self.clock.boot_ns(), "stopped")

    def of(self, kind: type) -> list[RecordItem]:
        return [item for item in self.items if isinstance(item, kind)]

    def faults(self) -> list[str]:
        return [item.kind for item in self.items if isinstance(item, FaultNoted)]


def test_the_stream_goes_on_when_the_link_is_back() -> None:
    bench = Bench(LINE)
    assert bench.link.written == [b"GO\r\n"]
    bench.lines(range(200))
    bench.notice("disconnected")
    bench.clock.sleep(5.0)
    bench.notice("connected")
    assert bench.link.written == [b"GO\r\n"] * 2
    bench.lines(range(600, 800))
    bench.end()
    (opened,) = bench.of(StreamOpened)
    assert isinstance(opened, StreamOpened)
    assert opened.info.remark.startswith("timed on the host")
    (gap,) = bench.of(GapNoted)
    assert isinstance(gap, GapNoted)
    assert (gap.first_index, gap.n_missing, gap.reason) == (200, 400, "disconnected")


def test_a_sensor_that_begins_again_opens_a_new_stream() -> None:
    bench = Bench(LINE)
    bench.lines(range(3000, 3500))
    bench.lines(range(300))
    bench.end()
    first, second = bench.of(StreamClosed)
    assert isinstance(first, StreamClosed)
    assert isinstance(second, StreamClosed)
    assert (first.reason, second.reason) == ("reset", "stopped")
    assert bench.faults() == ["reset"]
    assert len(bench.of(StreamOpened)) == 2


def test_a_silence_without_a_sequence_is_a_gap_of_that_reason(tmp_path: Path) -> None:
    profile = tmp_path / "plain.toml"
    profile.write_text(
        'name = "p"\nsample_rate_hz = 80\n[line]\nfields = ["v"]\n[value]\nfields = ["v"]\n'
    )
    bench = Bench(profile)
    for _ in range(200):
        bench.give(b"1\n", 1 / 80)
    bench.give(b"1\n", 1 + 1 / 80)
    bench.end()
    (gap,) = bench.of(GapNoted)
    assert isinstance(gap, GapNoted)
    assert (gap.n_missing, gap.reason) == (80, "silent")
    assert bench.faults() == ["silent"]


def test_a_device_is_stopped_by_its_command() -> None:
    bench = Bench(FRAME)
    bench.pipeline.stop_cells()
    bench.turn()
    assert bench.link.written == [b"S\x01", b"S\x00"]
    assert bench.pipeline.stopped.is_set()


# --- URLs -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("url", "message"),
    [
        (f"serial:/dev/x?profile={REGISTERS}", "open it with modbus:"),
        (f"modbus:/dev/x?profile={LINE}", "open it with serial:"),
        (f"serial:/dev/x?profile={LINE}&decoder=ascii", "a decoder or a profile, not both"),
        ("modbus:/dev/x", r"add \?profile=FILE"),
        (f"modbus:/dev/x?profile={REGISTERS}&baud=fast", "is no number above 0"),
        (f"modbus:/dev/x?profile={REGISTERS}&pace=full", "unknown option"),
    ],
)
def test_urls_that_do_not_fit(url: str, message: str) -> None:
    with pytest.raises(TransportError, match=message) as caught:
        open_transport(url)
    assert caught.value.reason == "bad_url"


def test_a_wrong_profile_is_told_before_the_link_is_opened(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("name = 1")
    with pytest.raises(SheetError, match=r"x.toml:1: name: expected text"):
        open_transport(f"serial:/dev/x?profile={path}")
    with pytest.raises(InputError, match="no such cell profile"):
        open_transport(f"file:x?profile={tmp_path / 'none'}")


def test_a_profile_sets_the_port(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[object] = []

    def serial_port(*given: object, **more: object) -> None:
        seen.extend((*given, more["parity"], more["stopbits"], more["bytesize"]))
        raise ValueError("enough")

    monkeypatch.setattr("serial.Serial", serial_port)
    for url in (f"serial:/x?profile={LINE}", f"modbus:/x?profile={REGISTERS}&baud=9600"):
        with pytest.raises(TransportError, match="cannot be opened at"):
            open_transport(url).start(lambda *_: None, lambda _: None)
    assert seen == ["/x", 57600, "N", 1, 8, "/x", 9600, "N", 2, 8]


def test_settings_that_a_port_does_not_take_are_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "even.toml"
    path.write_text(LINE.read_text() + 'parity = "even"\n')

    def refuse(*_: object, **__: object) -> None:
        raise termios.error(22, "Invalid argument")  # pyserial lets it through; no OSError

    monkeypatch.setattr("serial.Serial", refuse)
    with pytest.raises(TransportError, match=r"57600 baud, parity even: .*Invalid") as caught:
        open_transport(f"serial:/x?profile={path}").start(lambda *_: None, lambda _: None)
    assert caught.value.reason == "bad_url"


# --- Modbus ---------------------------------------------------------------------------------------


class Taken:
    """What a transport gave."""

    def __init__(self) -> None:
        self.data: list[bytes] = []
        self.notices: queue.SimpleQueue[Fault] = queue.SimpleQueue()

    def deliver(self, data: bytes, _received_ns: int) -> None:
        self.data.append(data)


def fast(tmp_path: Path, **changes: str) -> Path:
    """The registers' profile, faster, with lines changed."""
    text = REGISTERS.read_text().replace("sample_rate_hz = 20.0", "sample_rate_hz = 100.0")
    text = text.replace("timeout_s = 0.5", "timeout_s = 0.1")
    for old, new in changes.items():
        text = text.replace(old, new)
    path = tmp_path / "fast.toml"
    path.write_text(text)
    return path


def test_registers_are_read_and_written(tmp_path: Path) -> None:
    taken = Taken()
    with ModbusPeer() as peer:
        link = open_transport(f"modbus:{peer.path}?profile={fast(tmp_path)}")
        link.start(taken.deliver, taken.notices.put)
        link.write(b"\0\xc8\0\x09")
        wait_until(lambda: len(taken.data) >= 5)
        with pytest.raises(TransportError, match="3 bytes, 4 expected"):
            link.write(b"abc")
        link.write(b"\0\xc8\0\x0a")
        link.stop()
        link.stop()
        assert link.ended
        assert peer.written == [9, 10]
    assert taken.data[1] == b"\0\1" + (2**32 - 39).to_bytes(4, "big")
    assert taken.notices.get().kind == "connected"


def test_a_refusal_and_a_silence_are_told_with_their_number(tmp_path: Path) -> None:
    taken = Taken()
    with ModbusPeer() as peer:
        path = fast(tmp_path, **{"first = 100": "first = 1000", "start = [200, 1]": ""})
        link = open_transport(f"modbus:{peer.path}?profile={path}")
        link.start(taken.deliver, taken.notices.put)
        assert taken.notices.get(timeout=20).kind == "connected"
        refused = taken.notices.get(timeout=20)
        assert refused.kind == "no_reply"
        assert "the device refuses" in refused.detail
        peer.deaf = True
        wait_until(lambda: "No response" in taken.notices.get(timeout=20).detail)
        link.write(b"\0\xc8\0\x09")
        link.stop()
    assert taken.data == []


def test_a_port_that_goes_and_comes_back_is_followed(tmp_path: Path) -> None:
    taken = Taken()
    port = tmp_path / "port"
    with ModbusPeer() as peer:
        port.symlink_to(peer.path)
        link = open_transport(f"modbus:{port}?profile={fast(tmp_path)}")
        link.start(taken.deliver, taken.notices.put)
        wait_until(lambda: len(taken.data) >= 5)
        port.unlink()
    wait_until(lambda: taken.notices.get(timeout=20).kind == "disconnected")
    with ModbusPeer() as peer:
        port.symlink_to(peer.path)
        wait_until(lambda: taken.notices.get(timeout=20).kind == "connected")
        before = len(taken.data)
        wait_until(lambda: len(taken.data) > before + 5)
        link.stop()


def test_a_port_that_stays_away_does_not_hold_up_the_stop(tmp_path: Path) -> None:
    taken = Taken()
    with ModbusPeer() as peer:
        link = open_transport(f"modbus:{peer.path}?profile={fast(tmp_path)}")
        link.start(taken.deliver, taken.notices.put)
        wait_until(lambda: len(taken.data) >= 1)
    wait_until(lambda: taken.notices.get(timeout=20).kind == "disconnected")
    link.stop()
    assert link.ended


def test_a_port_that_another_program_takes_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pymodbus.client.ModbusSerialClient.connect", lambda _: False)
    with ModbusPeer() as peer:
        link = open_transport(f"modbus:{peer.path}?profile={fast(tmp_path)}")
        with pytest.raises(TransportError, match="in use by another program"):
            link.start(lambda *_: None, lambda _: None)


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    link = open_transport(f"modbus:{tmp_path / 'gone'}?profile={REGISTERS}")
    with pytest.raises(TransportError, match="is not there") as caught:
        link.start(lambda *_: None, lambda _: None)
    assert caught.value.reason == "not_found"
    link.stop()


# --- trying ---------------------------------------------------------------------------------------


def run(*arguments: object) -> Result:
    return CliRunner().invoke(command, list(map(str, arguments)))


@pytest.fixture
def recorded(tmp_path: Path) -> Path:
    path = tmp_path / "line.raw"
    lines = [line_bytes(i, i / 10) for i in range(100)]
    lines[50] = lines[50].replace(b"+", b"-")
    write_raw(path, [(i * 12_500_000, text) for i, text in enumerate(lines)])
    return path


def test_try_shows_values_and_what_did_not_parse(recorded: Path) -> None:
    result = run("try", LINE, f"file:{recorded}")
    assert result.exit_code == 0, result.output
    lines = result.output.splitlines()
    assert lines[0] == "   0.000 s  index     0  0 counts = 0.0 N ± 0.5 %"
    assert lines[-3].startswith("99 samples; states 80 samples/s, times within ±1.0 ms (estimate)")
    assert lines[-2] == "checked-line: timed on the host, its jitter estimated at the start"
    assert lines[-1].startswith("not used: bad_checksum × 1, first: '$LD,0050,-")
    assert len(lines) == 23


def test_try_in_json_is_si(recorded: Path) -> None:
    told = json.loads(run("try", LINE, f"file:{recorded}?pace=full", "--json").output)
    assert (told["samples"], told["sample_rate_hz"], told["force_rel_u"]) == (99, 80.0, 0.005)
    assert told["values"][10]["force_n"] == [pytest.approx(9.80665)]
    assert told["not_used"]["bad_checksum"]["n"] == 1


def test_try_says_what_to_do_when_nothing_parses(recorded: Path, tmp_path: Path) -> None:
    output = run("try", FRAME, f"file:{recorded}").output
    assert "bytes came, none of them a value. Compare" in output
    empty = tmp_path / "empty.raw"
    write_raw(empty, [])
    assert "Nothing came. Check power" in run("try", LINE, f"file:{empty}").output
    told = json.loads(run("try", LINE, f"file:{empty}", "--json").output)
    assert (told["samples"], told["sample_rate_hz"], told["values"]) == (0, None, [])


def test_try_starts_and_stops_the_sensor() -> None:
    with Sender(
        lambda i: frame_bytes(i, (1, 2, 3, 4)), 100.0, start=b"S\x01", stop=b"S\x00"
    ) as peer:
        result = run("try", FRAME, f"serial:{peer.path}", "--seconds", "0.5")
        wait_until(lambda: peer.was_stopped)
    assert result.exit_code == 0, result.output
    assert "1 counts, 2 counts, 3 counts, 4 counts" in result.output


def test_try_tells_of_a_wrong_profile_and_of_a_missing_port(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("name = 1")
    assert isinstance(run("try", path, "serial:/dev/x").exception, SheetError)
    gone = run("try", LINE, f"serial:{tmp_path / 'gone'}").exception
    assert isinstance(gone, TransportError)
    assert "PROFILE URL" in run("try", "--help").output
    assert "cells try PROFILE URL" in run("--help").output


def test_try_notes_a_link_that_is_lost() -> None:
    from logger.commands.trying import Trial, _Link

    trial = Trial(1.0)
    link = _Link(f"serial:/dev/x?profile={LINE}", SystemClock(), trial)
    for event in (
        Fault("connected", 0, 1, ""), (line_bytes(1, 1.0), 5), Fault("disconnected", 9, 1, "gone"),
        Fault("no_reply", 9, 3, "nothing"),
    ):  # fmt: skip
        link._take(event)
    assert trial.n_samples == 1
    assert dict(trial.faults) == {"disconnected": 1, "no_reply": 3}
    assert link.handshake.state is State.IDLE
