"""The cell behind its pseudo-terminal: in this process step by step, then as a child."""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, suppress
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs

from logger.commands.main import main
from logger.simcell import wire
from logger.simcell.device import Converter, DeviceOptions
from logger.simcell.process import BOOT_CLOCK, CellProcess, Port, ProcessOptions
from logger.simcell.scenario import Scenario, Signal, parse_scenario
from logger.simcell.sent import Fate, read_sent
from logger.simcell.world import World, make_world

START = b"\x00" + wire.on_serial(bytes([wire.OP_START, 1]))
INFO = b"\x00" + wire.on_serial(bytes([wire.OP_INFO, 2]))
COUNTER = make_world(Scenario(signal=Signal("counter")))
QUIET = Converter(rate_hz=2000.0, noise_n=0.0, drift_n_per_min=0.0)


def open_port(link: Path) -> int:
    fd = os.open(link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    tty.setraw(fd)
    return fd


def read_some(fd: int) -> bytes:
    with suppress(BlockingIOError):
        return os.read(fd, 65536)
    return b""


def payloads(stream: bytes) -> list[bytes]:
    """Payloads between the first and the last delimiter."""
    parts = stream.split(b"\x00")[:-1]
    return [bytes(cobs.decode(part))[:-4] for part in parts if part]


def samples(stream: bytes) -> list[int]:
    data = [p[8:] for p in payloads(stream) if p[0] == 0x10]
    return [int(count) for count in np.frombuffer(b"".join(data), "<i4")]


@contextmanager
def cell(
    tmp_path: Path, world: World = COUNTER, *, baud: int = 0, fifo: int = 1024
) -> Iterator[CellProcess]:
    options = ProcessOptions(
        tmp_path / "cell", tmp_path / "sent.bin", tmp_path / "truth.json", baud=baud
    )
    made = CellProcess(options, DeviceOptions(converter=QUIET, fifo_bytes=fifo), world)
    made.open()
    try:
        yield made
    finally:
        made.close()


def turn_until(
    made: CellProcess, fd: int, enough: Callable[[bytes], bool], limit_s: float = 60.0
) -> bytes:
    stream, end = b"", time.monotonic() + limit_s
    while not enough(stream):
        assert time.monotonic() < end, f"only {len(stream)} bytes"
        made.turn()
        stream += read_some(fd)
    return stream


def test_it_answers_and_sends_what_it_recorded_as_sent(tmp_path: Path) -> None:
    with cell(tmp_path) as made:
        fd = open_port(made.options.link)
        os.write(fd, INFO + START)
        stream = turn_until(made, fd, lambda s: len(s) > 5000)
        os.close(fd)
    got = samples(stream)
    record = read_sent(tmp_path / "sent.bin")
    assert got == list(range(len(got)))
    assert record.samples()[: len(got)].tolist() == got
    kinds = [p[0] & 0x0F for p in payloads(stream)]
    assert kinds[:4] == [wire.KIND_INFO, wire.KIND_INFO, wire.KIND_REPLY, wire.KIND_DATA]
    assert not os.path.lexists(tmp_path / "cell")


def test_samples_are_taken_when_the_record_says(tmp_path: Path) -> None:
    with cell(tmp_path) as made:
        fd = open_port(made.options.link)
        before = time.clock_gettime_ns(BOOT_CLOCK)
        os.write(fd, START)
        turn_until(made, fd, lambda s: len(s) > 3000)
        after = time.clock_gettime_ns(BOOT_CLOCK)
        os.close(fd)
    heads = read_sent(tmp_path / "sent.bin").heads
    assert before < heads["taken_ns"][0] < heads["taken_ns"][-1] < after
    period_ns = np.diff(heads["taken_ns"]) / 16
    assert np.allclose(period_ns, 500_000 / 1.000012, atol=1.0)
    truth = json.loads((tmp_path / "truth.json").read_text())
    assert truth["started_boot_ns"] == heads["taken_ns"][0]


def test_nobody_reads_until_the_fifo_overruns(tmp_path: Path) -> None:
    with cell(tmp_path, fifo=256) as made:
        fd = open_port(made.options.link)
        os.write(fd, START)
        end = time.monotonic() + 60.0
        while made.device.overruns < 100:
            assert time.monotonic() < end
            made.turn()
        stream = turn_until(made, fd, lambda s: s.endswith(b"\x00") and not made.device.fifo)
        overruns = made.device.overruns
        stream += turn_until(made, fd, lambda s: len(s) > 500)
        os.close(fd)
    got = samples(stream)
    missing = sorted(set(range(got[-1] + 1)) - set(got))
    assert len(missing) == overruns
    assert read_sent(tmp_path / "sent.bin").lost(Fate.OVERRUN) == overruns


def test_a_slow_link_carries_no_more_than_its_speed(tmp_path: Path) -> None:
    with cell(tmp_path, baud=38_400) as made:
        fd = open_port(made.options.link)
        os.write(fd, START)
        begun = time.monotonic()
        stream = turn_until(made, fd, lambda s: len(s) > 2500)
        took_s = time.monotonic() - begun
        os.close(fd)
    assert len(stream) <= 3840 * took_s * 1.05 + 200
    assert made.device.overruns > 0


def test_pulling_the_plug_and_putting_it_back(tmp_path: Path) -> None:
    with cell(tmp_path) as made:
        link = made.options.link
        fd = open_port(link)
        os.write(fd, START)
        turn_until(made, fd, lambda s: len(s) > 500)
        made.do("unplug")
        made.do("unplug")
        assert not os.path.lexists(link)
        with pytest.raises(OSError, match="Input/output"):
            os.write(fd, b"x")
        os.close(fd)
        for _ in range(5):
            made.turn()
        assert made.port.write(b"x") == 0
        assert made.port.read() == b""
        made.do("replug")
        made.do("replug")
        fd = open_port(link)
        stream = turn_until(made, fd, lambda s: len(s) > 1000)
        os.close(fd)
    assert len(samples(stream.split(b"\x00", 1)[1])) > 100
    assert read_sent(tmp_path / "sent.bin").lost(Fate.UNPLUGGED) > 0


def test_control_words(tmp_path: Path) -> None:
    with cell(tmp_path) as made:
        boot = made.device.boot_id
        made.do("reset")
        made.do("nonsense")
        assert made.device.boot_id != boot
        made.do("stop")
        assert made.device.silent


def test_a_port_without_a_plug_does_nothing(tmp_path: Path) -> None:
    port = Port(tmp_path / "p")
    port.unplug()
    assert port.write(b"x") == 0
    port.plug()
    port.plug()
    assert (tmp_path / "p").is_symlink()
    assert port.read() == b""
    assert sum(port.write(bytes(4096)) for _ in range(200)) < 200 * 4096
    port.unplug()


def test_it_ends_by_itself_after_the_scenario(tmp_path: Path, capfd: object) -> None:
    text = "[signal]\nkind = 'csv'\npath = '{}'\n"
    (tmp_path / "f.csv").write_text("time_s,force_n\n0,0\n0.2,100\n")
    world = make_world(parse_scenario(text.format(tmp_path / "f.csv")))
    link = tmp_path / "cell"

    def host() -> None:
        end = time.monotonic() + 60.0
        while not link.exists() and time.monotonic() < end:
            time.sleep(0.01)
        fd = open_port(link)
        os.write(fd, START)
        while link.exists() and time.monotonic() < end:
            read_some(fd)
            time.sleep(0.005)
        os.close(fd)

    thread = threading.Thread(target=host)
    thread.start()
    before = signal.getsignal(signal.SIGTERM)
    options = ProcessOptions(link, truth=tmp_path / "t.json", exit_after_s=0.1)
    CellProcess(options, DeviceOptions(converter=QUIET), world).run()
    thread.join()
    assert signal.getsignal(signal.SIGTERM) is before
    truth = json.loads((tmp_path / "t.json").read_text())
    assert truth["duration_s"] == pytest.approx(0.2, abs=0.01)
    assert truth["lowerings"] == []


@pytest.mark.parametrize(("number", "plugged"), [(signal.SIGUSR1, False), (signal.SIGUSR2, True)])
def test_signals_pull_and_plug(tmp_path: Path, number: int, plugged: bool) -> None:
    with cell(tmp_path) as made:
        os.kill(os.getpid(), number)
        made.turn()
        made.turn()
        assert made.device.plugged is plugged


# --- as a child process --------------------------------------------------------------


@contextmanager
def child(tmp_path: Path, *options: str) -> Iterator[subprocess.Popen[bytes]]:
    program = Path(sys.executable).with_name("ropetally")
    link = tmp_path / "cell"
    process = subprocess.Popen(
        [program, "simcell", "--link", link, "--truth", tmp_path / "t.json", *options],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stdin is not None
    try:
        assert process.stdout.readline() == f"ready {link}\n".encode()
        yield process
    finally:
        process.kill()
        process.wait()
        process.stdin.close()
        process.stdout.close()


def collect(fd: int, n_bytes: int, limit_s: float = 60.0) -> bytes:
    stream, end = b"", time.monotonic() + limit_s
    while len(stream) < n_bytes:
        assert time.monotonic() < end, f"only {len(stream)} bytes"
        stream += read_some(fd)
        time.sleep(0.002)
    return stream


def wait_for(condition: Callable[[], bool], limit_s: float = 60.0) -> None:
    end = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < end
        time.sleep(0.005)


def test_a_child_keeps_time_survives_the_plug_and_ends_cleanly(tmp_path: Path) -> None:
    sent = tmp_path / "sent.bin"
    with child(tmp_path, *map(str, counting(tmp_path)), "--rate", "4000", "--sent", str(sent)) as p:
        link = tmp_path / "cell"
        fd = open_port(link)
        begun = time.monotonic()
        os.write(fd, START)
        got = samples(collect(fd, 20_000))
        took_s = time.monotonic() - begun
        assert got == list(range(len(got)))
        assert len(got) / took_s < 4300
        assert p.stdin is not None
        p.stdin.write(b"unplug\n")
        p.stdin.flush()
        wait_for(lambda: not os.path.lexists(link))
        os.close(fd)
        p.stdin.write(b"replug\n")
        p.stdin.flush()
        wait_for(link.exists)
        fd = open_port(link)
        assert len(samples(collect(fd, 2000).split(b"\x00", 1)[1])) > 100
        p.send_signal(signal.SIGTERM)
        assert p.wait(60) == 0
        os.close(fd)
        assert not os.path.lexists(link)
    heads = read_sent(sent).heads
    assert int(heads["first_index"][-1]) == 16 * (heads.size - 1)


def test_the_demo_scenario_starts_soon(tmp_path: Path) -> None:
    with child(tmp_path) as p:
        truth = json.loads((tmp_path / "t.json").read_text())
        assert len(truth["lowerings"]) == 5
        assert truth["lowerings"][0]["seen"] is None
        p.terminate()
        assert p.wait(60) == 0


def counting(folder: Path) -> tuple[str, Path]:
    """Option for a scenario that is made at once."""
    scenario = folder / "counter.toml"
    scenario.write_text("[signal]\nkind = 'counter'\n")
    return "--scenario", scenario


def complaint(*arguments: str | Path) -> str:
    """The one line with which ``simcell`` refuses to start."""
    said = io.StringIO()
    with pytest.MonkeyPatch.context() as patched, redirect_stderr(said):
        patched.setattr(sys, "argv", ["ropetally", "simcell", *map(str, arguments)])
        with pytest.raises(SystemExit) as ended:
            main()
    assert ended.value.code == 2
    assert said.getvalue().count("\n") == 1
    return said.getvalue()


@pytest.mark.parametrize("content", [None, b"\xff\xfe", b"= no toml"])
def test_a_bad_scenario_is_one_line(tmp_path: Path, content: bytes | None) -> None:
    scenario = tmp_path / "scenario.toml"
    if content is not None:
        scenario.write_bytes(content)
    text = complaint("--link", tmp_path / "c", "--scenario", scenario)
    assert text.startswith(f"ropetally: {scenario}: ")


def test_a_file_under_the_links_name_is_left_alone(tmp_path: Path) -> None:
    precious = tmp_path / "job.logbook"
    precious.write_bytes(b"what a crew recorded")
    assert "is there already" in complaint("--link", precious, *counting(tmp_path))
    assert precious.read_bytes() == b"what a crew recorded"
    assert not precious.is_symlink()


def test_a_link_or_record_in_no_folder_is_one_line(tmp_path: Path) -> None:
    nowhere = tmp_path / "nowhere"
    quick = counting(tmp_path)
    assert f"{nowhere}: no such folder" in complaint("--link", nowhere / "cell", *quick)
    sent = complaint("--link", tmp_path / "c", "--sent", nowhere / "sent.bin", *quick)
    assert f"{nowhere}" in sent


def test_the_link_of_a_cell_that_died_is_taken_over(tmp_path: Path) -> None:
    link = tmp_path / "cell"
    link.symlink_to(tmp_path / "gone")
    port = Port(link)
    port.plug()
    assert link.resolve().parent == Path("/dev/pts")
    port.unplug()
