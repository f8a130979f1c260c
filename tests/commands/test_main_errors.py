"""Every error that reaches the entry point is one line with an exit code of its own."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from logger.commands import main as entry
from logger.errors import (
    InputError,
    LogbookMissingError,
    LoggerError,
    RecordingError,
    TransportError,
)


def failing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], error: BaseException
) -> tuple[int, str]:
    """Exit code and standard error of a command line that ends in ``error``."""

    def fail(*, standalone_mode: bool) -> None:
        raise error

    monkeypatch.setattr(entry.cli, "main", fail)
    with pytest.raises(SystemExit) as stop:
        entry.main()
    assert isinstance(stop.value.code, int)
    return stop.value.code, capsys.readouterr().err


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (InputError("x"), 2),
        (LoggerError("x"), 2),
        (TransportError("not_found", "x"), 3),
        (LogbookMissingError("x"), 4),
        (RecordingError("x"), 5),
        (KeyboardInterrupt(), 130),
    ],
)
def test_own_errors_keep_their_words(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    error: BaseException,
    code: int,
) -> None:
    got, text = failing(monkeypatch, capsys, error)
    assert got == code
    assert text == ("ropetally: interrupted\n" if code == 130 else "ropetally: x\n")


def test_an_error_of_the_system_names_the_file_and_what_to_do(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    figure = tmp_path / "nowhere" / "last.png"
    with pytest.raises(FileNotFoundError) as caught:
        figure.write_bytes(b"")
    code, text = failing(monkeypatch, capsys, caught.value)
    assert code == 4
    assert text == (
        f"ropetally: {figure}: No such file or directory; check the path, its rights and the "
        "room on the disk\n"
    )


def test_a_fault_of_the_program_is_one_line_that_says_where(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("ROPETALLY_TRACEBACK", raising=False)
    code, text = failing(monkeypatch, capsys, KeyError("a\nb"))
    assert code == 70
    assert text.count("\n") == 1
    assert "KeyError" in text
    assert Path(__file__).name in text
    assert "Traceback" not in text


def test_a_developer_sees_the_traceback(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*, standalone_mode: bool) -> None:
        raise KeyError("a")

    monkeypatch.setenv("ROPETALLY_TRACEBACK", "1")
    monkeypatch.setattr(entry.cli, "main", fail)
    with pytest.raises(KeyError):
        entry.main()


def test_a_wrong_option_points_to_the_help(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(sys, "argv", ["ropetally", "trace", "--nonsense"])
    with pytest.raises(SystemExit) as stop:
        entry.main()
    assert stop.value.code == 2
    lines = capsys.readouterr().err.splitlines()
    assert lines[0].startswith("ropetally: ")
    assert lines[1] == "try: ropetally trace --help"
