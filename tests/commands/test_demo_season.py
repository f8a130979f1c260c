"""Which season the demo reads, and what it says when there is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.commands.demo import LOGBOOK, SEASON, SEASON_PEAKS, SEASON_RULES, find_season, rules_of
from logger.errors import InputError


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


def test_rules_of_the_demo_and_of_the_season_are_asked_for(tmp_path: Path) -> None:
    assert rules_of(None, tmp_path) == [["rules", LOGBOOK]]
    season = with_season(tmp_path)
    assert rules_of(season, tmp_path / "out") == [
        ["rules", LOGBOOK],
        ["rules", "../sample_logs/season", "--figure", SEASON_RULES, "--pit", SEASON_PEAKS],
    ]
