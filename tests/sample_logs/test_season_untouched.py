"""Commands that read leave the committed season as it is: bytes, times, no file beside it.

The files are format 1; a reader that brought one up to date, or left a lock or a journal
beside it, would change what was recorded. A copy is read, so that a failure harms nothing.
"""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from analysis.errors import TraceFileError
from logger.commands.main import cli

FOLDER = Path(__file__).resolve().parents[2] / "sample_logs"


@pytest.fixture
def season(tmp_path: Path) -> Path:
    hidden = shutil.ignore_patterns("__pycache__")
    return shutil.copytree(FOLDER, tmp_path / "sample_logs", ignore=hidden) / "season"


def state(folder: Path) -> dict[str, tuple[int, str]]:
    """Time of the last change and a digest of every file."""
    return {
        str(path.relative_to(folder)): (
            path.stat().st_mtime_ns,
            hashlib.sha256(path.read_bytes()).hexdigest(),
        )
        for path in folder.rglob("*")
        if path.is_file()
    }


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def test_commands_that_read_change_no_file(season: Path, tmp_path: Path) -> None:
    before = state(season.parent)
    logbooks = sorted(season.glob("*.logbook"))
    assert len(logbooks) >= 8
    for logbook in logbooks:
        assert run("lowerings", logbook, "--csv", tmp_path / "list.csv").exit_code == 0
        assert run("review", logbook, "1", "--json").exit_code == 0
    assert run("report", logbooks[0], "--json").exit_code == 0
    assert run("rules", logbooks[-1], "--rule", "weight", "--json").exit_code == 0
    assert isinstance(run("trace", logbooks[0]).exception, TraceFileError)
    assert state(season.parent) == before
