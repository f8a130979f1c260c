"""Recording under a service manager: the unit in the README is one that works."""

from __future__ import annotations

import configparser
import re
import shlex
import signal
import subprocess
from pathlib import Path

from capture_rig import PROGRAM, Cell, Child, wait_until

from logger.commands.record import command
from logger.logbook.check import check
from logger.logbook.reader import LogbookReader

ROOT = Path(__file__).resolve().parents[2]
SHOWN = ("samples/s", "missing in", "faults", "battery", "GB free", "Recording.")


def unit() -> configparser.ConfigParser:
    """The unit file that the README shows."""
    (text,) = re.findall(
        r"```ini\n(.*?)```", (ROOT / "README.md").read_text("utf-8"), flags=re.DOTALL
    )
    parser = configparser.ConfigParser(interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read_string(text)
    return parser


def start_line() -> list[str]:
    return shlex.split(unit()["Service"]["ExecStart"])


def test_the_units_start_line_is_one_that_record_takes() -> None:
    program, name, *arguments = start_line()
    assert (Path(program).name, name) == ("ropetally", "record")
    context = command.make_context("record", arguments)
    assert context.params["cells"] == ("serial:/dev/ttyUSB0?baud=921600",)
    assert unit()["Service"]["KillSignal"] == "SIGTERM"
    assert set(unit()["Service"]["RestartPreventExitStatus"].split()) == {"2", "4"}


def test_stopped_by_a_service_manager_the_logbook_is_closed(tmp_path: Path) -> None:
    logbook, journal = tmp_path / "job.logbook", tmp_path / "journal"
    _, _, *arguments = start_line()
    arguments[0] = str(logbook)
    with Cell(tmp_path) as cell, journal.open("w") as out:
        arguments[arguments.index("--cell") + 1] = cell.url
        service = Child(
            [PROGRAM, "record", *arguments], stdin=subprocess.DEVNULL, stdout=out, stderr=out,
            start_new_session=True,
        )  # fmt: skip
        with service:
            wait_until(lambda: all(part in journal.read_text() for part in SHOWN))
            service.process.send_signal(signal.SIGTERM)
            assert service.process.wait(60) == 0
    report = check(logbook)
    assert report.ok
    assert [session.closed for session in report.sessions] == [True]
    assert [path.name for path in tmp_path.glob("job.logbook*")] == ["job.logbook"]
    with LogbookReader(logbook) as reader:
        assert reader.sessions()[0].reason == "stopped"


def test_a_port_that_is_not_there_ends_with_a_code_that_is_tried_again(tmp_path: Path) -> None:
    _, _, *arguments = start_line()
    arguments[0] = str(tmp_path / "job.logbook")
    arguments[arguments.index("--cell") + 1] = f"serial:{tmp_path / 'none'}"
    done = subprocess.run(
        [PROGRAM, "record", *arguments], capture_output=True, text=True, check=False
    )
    assert done.returncode == 3
    assert str(done.returncode) not in unit()["Service"]["RestartPreventExitStatus"].split()
    assert list(tmp_path.iterdir()) == []
