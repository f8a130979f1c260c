"""``record``: what it takes, what it says, how it ends."""

from __future__ import annotations

import contextlib
import io
import json
import os
import pty
import signal
import subprocess
import sys
import threading
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from capture_rig import Cell, Recorder
from click.testing import CliRunner, Result
from fake_cell import FakeCell
from logbook_items import StillClock
from rich.console import Console

from logger.commands import keys, record, status, terminal
from logger.commands.calibrating import Calibrations, parse_points
from logger.commands.main import cli
from logger.errors import InputError, RecordingError
from logger.live import CellState, CellView, Snapshot
from logger.logbook.check import check
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Cell as CellRecord
from logger.records import LoadPoint
from logger.samples import CellInfo, Scaling
from logger.session import Session
from logger.transports.replay import write_raw

POINTS = "0:0 N,1000:100 N"


@pytest.fixture
def raw(tmp_path: Path) -> Path:
    """A raw recording: slack, a load of 500 N, slack."""
    clock = StillClock()
    records: list[tuple[int, bytes]] = []
    cell = FakeCell(clock, answers=False)
    cell.start(lambda data, at_ns: records.append((at_ns, data)), lambda _: None)
    cell.info()
    cell.samples(2000)
    cell.samples(2000, level=5000)
    cell.samples(6000)
    path = tmp_path / "cap.raw"
    write_raw(path, records)
    return path


def run(*arguments: object) -> Result:
    return CliRunner().invoke(cli, ["record", *map(str, arguments)])


def test_a_replay_is_recorded_and_summed_up(
    tmp_path: Path, raw: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    logbook = tmp_path / "job.logbook"
    result = run(logbook, "--cell", f"lead=file:{raw}", "--calibration", POINTS, "--acks")
    assert result.exit_code == 0, result.output
    assert capfd.readouterr().out.splitlines()[-1] == "ack 1 9999"
    cell, lowerings = result.stdout.splitlines()
    assert cell == "lead: 10000 samples, 0 missing in 0 gaps, 0 faults"
    assert lowerings == f"1 lowering in {logbook}. Next: ropetally lowerings {logbook}"
    assert "calibration: two points, 0 N and 100 N" in result.stderr
    assert "Not a limit, not a permission" in result.stderr
    (stream,) = check(logbook).streams
    assert (stream.cell, stream.samples) == ("lead", 10_000)


def test_json_gives_the_same_with_stable_keys(tmp_path: Path, raw: Path) -> None:
    logbook = tmp_path / "job.logbook"
    result = run(logbook, "--cell", f"file:{raw}", "--calibration", POINTS, "--json", "--quiet")
    told = json.loads(result.stdout)
    assert told["lowerings"] == 1
    assert told["logbook"] == str(logbook)
    assert told["seconds_s"] > 0
    time_error_s = told["cells"][0]["time_error_s"]
    assert 0.0 < time_error_s < 0.1
    assert told["cells"] == [
        {
            "cell": "cell", "samples": 10_000, "gaps": 0, "missing": 0, "faults": 0,
            "overruns": 0, "clock_drift_ppm": None, "time_error_s": time_error_s,
            "latency_bound_s": None,
        }
    ]  # fmt: skip


def test_without_calibration_it_says_what_to_do(tmp_path: Path, raw: Path) -> None:
    logbook = tmp_path / "job.logbook"
    result = run(logbook, "--cell", f"file:{raw}", "--quiet")
    assert result.exit_code == 0
    assert "NO CALIBRATION" in result.stderr
    assert "--calibration '0:0 N,2000000:20 kN'" in result.stderr
    assert "0 lowerings" in result.stdout
    with LogbookReader(logbook) as reader:
        assert reader.scaling(1) is None


def test_the_last_calibration_of_a_device_is_used_again(tmp_path: Path, raw: Path) -> None:
    logbook = tmp_path / "job.logbook"
    run(logbook, "--cell", f"file:{raw}", "--calibration", POINTS)
    run(logbook, "--cell", f"file:{raw}")
    with LogbookReader(logbook) as reader:
        assert reader.scaling(2) == reader.scaling(1) is not None
        assert [window.number for window in reader.lowerings()] == [1, 2]


def test_it_ends_after_so_many_lowerings(tmp_path: Path, raw: Path) -> None:
    logbook = tmp_path / "job.logbook"
    result = run(
        logbook, "--cell", f"file:{raw}", "--calibration", POINTS, "--lowerings", "1",
        "--hold-s", "1", "--open-n", "400",
    )  # fmt: skip
    assert result.exit_code == 0
    with LogbookReader(logbook) as reader:
        (window,) = reader.lowerings()
    assert window.last_index == pytest.approx(5000, abs=100)


def test_a_sheet_is_stored_and_predicted_first(tmp_path: Path, raw: Path) -> None:
    logbook = tmp_path / "job.logbook"
    sheet = resources.files("logger.commands") / "demo_sheet.toml"
    for predicted in ("5 predicted now", "0 predicted now"):
        result = run(logbook, "--cell", f"file:{raw}", "--sheet", sheet)
        assert result.exit_code == 0, result.output
        assert predicted in result.stderr
    with LogbookReader(logbook) as reader:
        assert len(reader.predictions()) == 5
        assert reader.stream(1).cell == next(iter(reader.all_records(CellRecord)))


def test_a_piece_that_cannot_be_predicted_is_said(
    tmp_path: Path, raw: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from analysis.errors import PredictionError
    from analysis.predicting import predict

    def refuse(*_: Any, **__: Any) -> None:
        raise PredictionError("no such wood")

    monkeypatch.setattr(predict, "predict", refuse)
    sheet = resources.files("logger.commands") / "demo_sheet.toml"
    result = run(tmp_path / "job.logbook", "--cell", f"file:{raw}", "--sheet", sheet)
    assert "not predicted: no such wood" in result.stderr


@pytest.mark.parametrize(
    ("cells", "expected"),
    [
        (["/dev/ttyUSB0"], "write --cell 'serial:/dev/ttyUSB0'"),
        (["lead=/dev/ttyUSB0"], "write --cell 'serial:/dev/ttyUSB0'"),
        (["file:a", "b=file:a"], "named twice"),
        (["a=file:a", "a=file:b"], "used twice"),
    ],
)
def test_cells_that_make_no_sense(tmp_path: Path, cells: list[str], expected: str) -> None:
    logbook = tmp_path / "job.logbook"
    result = run(logbook, *[word for cell in cells for word in ("--cell", cell)])
    assert isinstance(result.exception, InputError)
    assert expected in str(result.exception)
    assert not logbook.exists()


@pytest.mark.parametrize("text", ["3", "0:0 N", "0:0 N,1:x", "a:0 N,1:1 N", "0:0 N,1:1 N,2:2 N"])
def test_a_calibration_that_makes_no_sense(text: str) -> None:
    with pytest.raises(InputError, match=r"--calibration"):
        parse_points(text)


def test_two_cells_have_names_of_their_own(tmp_path: Path, raw: Path) -> None:
    other = tmp_path / "other.raw"
    other.write_bytes(raw.read_bytes())
    logbook = tmp_path / "job.logbook"
    run(logbook, "--cell", f"file:{raw}", "--cell", f"file:{other}")
    assert sorted(stream.cell for stream in check(logbook).streams) == ["cell-1", "cell-2"]


# --- which calibration ------------------------------------------------------------------


def info(device_id: str) -> CellInfo:
    return CellInfo(1, device_id, 7, "1", 1_000_000, 1000.0, -1, 1, 0, 0)


def cell_record(name: str, device_id: str = "", newtons: float = 100.0) -> CellRecord:
    points = (LoadPoint(force_n=0.0, counts=0.0), LoadPoint(force_n=newtons, counts=100.0))
    return CellRecord(name=name, points=points, device_id=device_id, overload_n=9000.0)


def slope(found: tuple[Scaling | None, float | None]) -> float | None:
    return None if found[0] is None else found[0].n_per_count


def test_the_device_id_decides_before_the_name(tmp_path: Path) -> None:
    cells = [cell_record("lead", "", 100.0), cell_record("other", "d-1", 200.0)]
    calibrations = Calibrations(None, cells, tmp_path / "none")
    assert slope(calibrations.of("lead", info("d-1"))) == 2.0
    assert slope(calibrations.of("lead", info("d-2"))) == 1.0
    assert calibrations.of("elsewhere", info("d-2")) == (None, None)
    assert len(calibrations.messages) == 3


def test_a_cell_of_another_device_is_not_taken_by_its_name(tmp_path: Path) -> None:
    calibrations = Calibrations(None, [cell_record("lead", "d-1")], tmp_path / "none")
    assert calibrations.of("lead", info("d-2")) == (None, None)


def test_what_is_entered_now_beats_the_sheet_and_the_sheet_the_logbook(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with LogbookEntries(logbook, create=True) as entries:
        entries.put_record("lead", cell_record("lead", "", 300.0))
    sheet = [cell_record("lead", "", 200.0)]
    assert slope(Calibrations(None, (), logbook).of("lead", info("d"))) == 3.0
    assert slope(Calibrations(None, sheet, logbook).of("lead", info("d"))) == 2.0
    entered = Calibrations("0:0 N,100:100 N", sheet, logbook).of("lead", info("d"))
    assert (slope(entered), entered[1]) == (1.0, 9000.0)


# --- what is shown -----------------------------------------------------------------------


def view(**more: Any) -> CellView:
    state = CellState("lead", connected=True, n_samples=12, received_ns=0, **more)
    return state.view(0)


def loaded() -> CellView:
    state = CellState(
        "lead", connected=True, lowering=3, window_open=True, peak_n=2720.0, zero_n=-0.4,
        battery_pct=87, drift_ppm=12.4,
    )  # fmt: skip
    state.samples(np.array([2400], np.int32), 0, 10.0, Scaling(0.0, 1.0, 0.0, 0.0, ""))
    return state.view(0)


def snapshot(shown: CellView, at_ns: int = 0) -> Snapshot:
    return Snapshot(at_ns, (shown,), 2, 5_000_000_000, 0)


def test_a_status_line_says_it_all() -> None:
    shown = loaded()
    assert status.cell_line(snapshot(shown), shown, "kN") == (
        "lead: 2.40 kN; lowering 3 under way, peak 2.72 kN, 0 samples/s, "
        "1 sample, 0 missing in 0 gaps, 0 faults, zero 0.00 kN, battery 87 %, clock +12 ppm"
    )
    assert status.disk_state(snapshot(shown)) == "2 lowerings recorded; disk: 5.0 GB free"
    assert status.disk_state(Snapshot(0, (), 1, None, 0)) == "1 lowering recorded"


@pytest.mark.parametrize(
    ("latency_s", "said"),
    [(0.0015, "time ± 2.1 ms"), (None, "time ± 2.1 ms (nothing bounds the latency)")],
)
def test_the_stated_time_error_is_in_the_status_line(latency_s: float | None, said: str) -> None:
    shown = view(time_error_s=0.0021, latency_s=latency_s)
    assert status.cell_state(shown, "kN").endswith(said)
    assert "time ±" not in status.cell_state(view(), "kN")


def test_what_is_not_known_is_said() -> None:
    assert "lead: no calibration; " in status.cell_line(snapshot(view()), view(), "kN")
    assert "lead: no new samples; " in status.cell_line(snapshot(view(), 2 * 10**9), view(), "kN")
    unplugged = CellState("lead", lowering=1).view(0)
    assert status.cell_state(unplugged, "kN").startswith("lowering 1 ended, 0 samples/s")
    assert status.cell_state(unplugged, "kN").endswith("NOT CONNECTED")


def text_of(shown: CellView, at_ns: int = 0) -> str:
    console = Console(file=io.StringIO(), width=100, force_terminal=True, color_system="truecolor")
    live = terminal.TerminalView("kN", console)
    live.say("a message")
    with console.capture() as captured:
        console.print(live.picture(snapshot(shown, at_ns)))
    return captured.get()


def test_the_picture_has_one_big_number_and_the_caution() -> None:
    text = text_of(loaded())
    assert " ###  " in text
    assert "kN  lead" in text
    assert "Not a limit, not a permission" in text
    assert "a message" in text
    assert "\x1b[32m" not in text
    assert "\x1b[38" not in text


def test_the_picture_keeps_its_height_when_there_is_no_number() -> None:
    heights = {
        text_of(shown, at_ns).count("\n")
        for shown, at_ns in ((loaded(), 0), (view(), 0), (view(), 2 * 10**9))
    }
    assert "NO NEW SAMPLES" in text_of(view(), 2 * 10**9)
    assert "no calibration" in text_of(view())
    assert max(heights) - min(heights) <= 1
    counted = CellState("lead")
    counted.samples(np.array([7], np.int32), 0, 10.0, None)
    assert "no calibration, 7 counts" in text_of(counted.view(0))


def test_the_picture_is_drawn_ten_times_a_second_at_most() -> None:
    out = io.StringIO()
    console = Console(file=out, width=80, force_terminal=True)
    with terminal.TerminalView("kN", console) as live:
        live.show(snapshot(view(), 10**9))
        once = len(out.getvalue())
        live.show(snapshot(view(), 10**9 + 50_000_000))
        assert len(out.getvalue()) == once > 0


def test_status_lines_come_every_few_seconds(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [0.0]
    monkeypatch.setattr("logger.commands.record.time.monotonic", lambda: now[0])
    lines = record.StatusLines("kN")
    for now[0] in (1.0, 5.0, 6.0, 10.0):
        lines.show(snapshot(loaded()))
    said = capsys.readouterr().err
    assert said.count("lead: 2.40 kN") == 2
    assert said.count("2 lowerings recorded; disk: 5.0 GB free") == 2


SHOWN = (
    "samples/s", "in 0 gaps", "0 faults", "battery 87 %", "clock +12 ppm", "GB free",
    "lowering 3 under way, peak 2.72 kN",
)  # fmt: skip


def test_headless_and_in_a_terminal_the_same_is_shown(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [0.0]
    monkeypatch.setattr("logger.commands.record.time.monotonic", lambda: now[0])
    lines = record.StatusLines("kN")
    now[0] = 6.0
    lines.show(snapshot(loaded()))
    headless = capsys.readouterr().err
    drawn = " ".join(text_of(loaded()).split())
    for part in SHOWN:
        assert part in headless
        assert part in drawn


# --- how it ends ----------------------------------------------------------------------------


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_closes_cleanly(tmp_path: Path, number: signal.Signals) -> None:
    logbook = tmp_path / "job.logbook"
    with Cell(tmp_path) as cell, Recorder(logbook, "--cell", cell.url) as recorder:
        recorder.wait_for_samples(500)
        recorder.process.send_signal(number)
        assert recorder.process.wait(60) == 0
    report = check(logbook)
    assert report.ok
    assert [stream.reason for stream in report.streams] == ["stopped"]
    assert not logbook.with_name(f"{logbook.name}-wal").exists()


@pytest.mark.parametrize("ignored", [False, True], ids=["plain", "nohup"])
def test_a_closed_terminal_stops_it_unless_it_was_told_to_outlive_it(
    tmp_path: Path, raw: Path, *, ignored: bool
) -> None:
    logbook = tmp_path / "job.logbook"
    master, slave = pty.openpty()
    start = "trap '' HUP; exec" if ignored else "exec"
    child = subprocess.Popen(
        ["sh", "-c", f'{start} "$@"', "sh", sys.executable, "-m", "logger", "record", str(logbook),
         "--cell", f"file:{raw}?pace=real", "--acks", *(["--for", "3"] if ignored else [])],
        stdin=slave, stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
    )  # fmt: skip
    os.close(slave)
    assert child.stdout is not None
    assert child.stdout.readline().startswith(b"ack ")
    os.close(master)
    child.send_signal(signal.SIGHUP)  # as the system does where the terminal is the controlling one
    _, told = child.communicate(timeout=60)
    assert (child.returncode, told.count(b"Traceback")) == (0, 0)
    found = check(logbook)
    assert found.ok
    assert 2000 * ignored < found.streams[0].samples < 10_000


def test_the_keys_end_with_their_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    master, slave = pty.openpty()
    marks: list[str] = []
    with os.fdopen(slave) as terminal_input:
        monkeypatch.setattr(sys, "stdin", terminal_input)
        with keys.mark_keys(marks.append) as read:
            assert read
            listener = next(t for t in threading.enumerate() if t.name == "keys")
            os.write(master, b"xN")
            while not marks:
                listener.join(0.05)
            os.close(master)
            listener.join(20)
            assert not listener.is_alive()
    assert marks == ["notch_done"]


def test_on_a_terminal_the_number_is_drawn(tmp_path: Path, raw: Path) -> None:
    master, slave = pty.openpty()
    child = subprocess.Popen(
        [sys.executable, "-m", "logger", "record", str(tmp_path / "job.logbook"),
         "--cell", f"file:{raw}?pace=real", "--for", "2", "--calibration", POINTS],
        stdin=slave, stdout=slave, stderr=slave,
    )  # fmt: skip
    os.close(slave)
    drawn = b""
    try:
        while data := os.read(master, 4096):
            drawn += data
    except OSError:
        pass
    os.close(master)
    assert child.wait(60) == 0
    assert b"Not a limit, not a permission" in drawn
    assert b" ###" in drawn


def test_acknowledgements_to_nobody_hold_up_nothing(tmp_path: Path, raw: Path) -> None:
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-m", "logger", "record", str(tmp_path / "job.logbook"), "--acks",
         "--cell", f"file:{raw}"],
        stdout=write, stderr=subprocess.PIPE, text=True, check=False,
    )  # fmt: skip
    os.close(write)
    assert "Traceback" not in done.stderr
    assert check(tmp_path / "job.logbook").streams[0].samples == 10_000


def test_acknowledgements_that_nobody_reads_hold_up_nothing(tmp_path: Path, raw: Path) -> None:
    read, write = os.pipe()
    os.set_blocking(write, False)
    with contextlib.suppress(BlockingIOError):
        while True:
            os.write(write, b"x" * 512)
    os.set_blocking(write, True)
    try:
        done = subprocess.run(
            [sys.executable, "-m", "logger", "record", str(tmp_path / "job.logbook"), "--acks",
             "--cell", f"file:{raw}"],
            stdout=write, stderr=subprocess.PIPE, text=True, check=False, timeout=60,
        )  # fmt: skip
    finally:
        os.close(write)
        os.close(read)
    assert (done.returncode, done.stderr.count("Traceback")) == (0, 0)
    assert "nobody reads standard output" in done.stderr
    found = check(tmp_path / "job.logbook")
    assert found.streams[0].samples == 10_000
    assert found.sessions[0].closed


class BrokenSession:
    """Stands for a session that fails."""

    stopped = False

    def __init__(self, error: Exception | None = None) -> None:
        self.error = error
        self.snapshot = Snapshot(0, (), 0, None, 0)

    def wait(self, _timeout_s: float) -> bool:
        return False

    def stop(self) -> None:
        self.stopped = True
        if self.error is not None:
            raise self.error


def test_a_failure_is_given_back_after_the_stop() -> None:
    session: Any = BrokenSession(RecordingError("ended"))
    over = record.Until(1e-9, None)
    failure = record._run(session, threading.Event(), over, None, lambda: None)
    assert isinstance(failure, RecordingError)


def test_a_bug_while_watching_still_stops_the_session() -> None:
    session: Any = BrokenSession(RecordingError("ended"))

    def bug() -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        record._run(session, threading.Event(), record.Until(None, None), None, bug)
    assert session.stopped


def test_a_failed_recording_is_summed_up_and_ends_with_its_error(
    tmp_path: Path, raw: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop = Session.stop

    def fail(self: Session) -> None:
        stop(self)
        raise RecordingError("the recording had to stop")

    monkeypatch.setattr(Session, "stop", fail)
    result = run(tmp_path / "job.logbook", "--cell", f"file:{raw}")
    assert isinstance(result.exception, RecordingError)
    assert "cell: 10000 samples" in result.stdout
