"""Which season the demo reads, and what it says when there is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.commands.demo import (
    SEASON,
    SEASON_PEAKS,
    SEASON_RULES,
    find_season,
    meanwhile,
    season_call,
    show_season,
    wait_for_port,
)
from logger.errors import InputError, RecordingError


def with_season(place: Path) -> Path:
    folder = place / SEASON
    folder.mkdir(parents=True)
    (folder / "a.logbook").touch()
    return folder


def test_the_season_of_the_current_folder_comes_first(tmp_path: Path) -> None:
    here, beside = tmp_path / "here", tmp_path / "beside"
    assert find_season(None, (here, beside)) is None
    second = with_season(beside)
    assert find_season(None, (here, beside)) == second.resolve()
    first = with_season(here)
    assert find_season(None, (here, beside)) == first.resolve()


def test_a_named_folder_must_hold_logbooks(tmp_path: Path) -> None:
    own = with_season(tmp_path)
    assert find_season(own, ()) == own.resolve()
    with pytest.raises(InputError, match=r"no \.logbook in it"):
        find_season(tmp_path, (tmp_path,))


def test_the_season_is_worked_on_meanwhile_and_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season = with_season(tmp_path)
    call = season_call(season, tmp_path / "out")
    assert call == [
        "rules", "../sample_logs/season", "--figure", SEASON_RULES, "--pit", SEASON_PEAKS,
    ]  # fmt: skip
    with meanwhile(["--version"], tmp_path) as child:
        show_season(child, ["--version"])
    assert "$ ropetally --version\nropetally, version" in capsys.readouterr().out


def test_a_season_that_cannot_be_read_ends_the_demo(tmp_path: Path) -> None:
    call = season_call(with_season(tmp_path), tmp_path)
    with (
        pytest.raises(RecordingError, match="exit code 4"),
        meanwhile(call, tmp_path) as child,
    ):
        show_season(child, call)


def test_no_season_is_said_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with meanwhile(None, tmp_path) as child:
        show_season(child, None)
    assert "--season FOLDER" in capsys.readouterr().out


def test_what_runs_meanwhile_ends_with_the_demo(tmp_path: Path) -> None:
    with meanwhile(["simcell", "--link", "port"], tmp_path) as child:
        assert child is not None
        wait_for_port(tmp_path / "port", child)
        assert child.poll() is None
    assert child.poll() is not None
