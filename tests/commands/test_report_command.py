"""``ropetally report``: one page of a job, alone in its file, from a logbook as it stands."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from logbook_factory import Made, drop_force, make_logbook, release_force
from reviews import prepared
from sheets import SHEET, write_sheet

from logger.commands import report, tag
from logger.commands.main import exit_code_of
from logger.errors import InputError, LogbookMissingError
from logger.logbook.check import check


@pytest.fixture
def made(tmp_path: Path) -> Made:
    return prepared(tmp_path, [drop_force(), release_force(), drop_force(peak_n=3000.0)])


def said(made: Made, *arguments: str) -> str:
    result = CliRunner().invoke(report.command, [str(made.path), *arguments])
    assert result.exception is None, result.exception
    return result.output


def as_json(made: Made, *arguments: str) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(said(made, *arguments, "--json"))
    return plain


def tagged(made: Made, *arguments: str) -> None:
    result = CliRunner().invoke(tag.command, [str(made.path), *arguments])
    assert result.exception is None, result.exception


def refused(made: Made, *arguments: str) -> str:
    result = CliRunner().invoke(report.command, [str(made.path), *arguments])
    assert isinstance(result.exception, (InputError, LogbookMissingError)), result.output
    assert exit_code_of(result.exception) in {2, 4}
    assert "\n" not in str(result.exception)
    return str(result.exception)


def test_the_page_is_written_and_said(made: Made, tmp_path: Path) -> None:
    target = tmp_path / "orchard.html"
    before = made.path.read_bytes()
    text = said(made, "--job", "orchard", "--out", str(target), "--units", "lbf")
    assert "job orchard: 2 pieces, 2 lowerings, 2 compared" in text
    assert text.splitlines()[-1] == f"written: {target}"
    html = target.read_text(encoding="utf-8")
    assert "Forces in lbf" in html
    assert html.count('<section id="lowering-') == 2
    assert made.path.read_bytes() == before


def test_without_a_name_the_page_is_called_after_the_only_job(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sheet = SHEET.replace('name = "orchard"', 'name = "..orchard: 7"')
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    tagged(made, "--sheet", str(write_sheet(tmp_path, sheet)))
    monkeypatch.chdir(tmp_path)
    assert "written: report-orchard-7.html" in said(made)
    assert (tmp_path / "report-orchard-7.html").exists()


def test_json_writes_a_page_only_when_asked(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    before = sorted(tmp_path.iterdir())
    plain = as_json(made)
    assert plain["files"] == []
    assert sorted(tmp_path.iterdir()) == before
    assert [row["lowering"] for row in plain["lowerings"]] == [1, 2]
    target = tmp_path / "a.html"
    assert as_json(made, "--out", str(target))["files"] == [str(target)]
    assert target.exists()


def test_what_people_changed_is_in_the_report(made: Made) -> None:
    tagged(made, "1", "--split-at", "9s", "--by", "Robin")
    tagged(made, "3", "--piece", "P1")
    tagged(made, "2", "--join", "3", "--by", "Robin")
    tagged(made, "2", "--discard", "--reason", "two pieces", "--by", "Robin")
    tagged(made, "--set", "piece", "orchard/P1", "note=short", "--by", "Wren")
    tagged(made, "--set", "rope", "blue 14", "note=wet", "--by", "Wren")
    tagged(made, "--set", "job", "orchard", "date=2026-05-04", "--by", "Wren")
    plain = as_json(made)
    reasons = {entry["lowering"]: entry["reason"] for entry in plain["left_out"]}
    assert set(reasons) == {2, 3, 4}
    assert reasons[2] == "discarded by a person: two pieces"
    assert reasons[3] == "merged into lowering 2: its samples are part of that"
    assert reasons[4].startswith("not tied to a piece")
    changed = {(entry["kind"], entry["key"]): entry for entry in plain["corrections"]}
    assert {
        ("window", "1"), ("window", "2"), ("window", "3"), ("window", "4"), ("tag", "2"),
        ("piece", "orchard/P1"), ("rope", "blue 14"), ("job", "orchard"),
    } == set(changed)  # fmt: skip
    assert changed["window", "3"]["author"] == "Robin"
    assert changed["piece", "orchard/P1"]["change"] == "note short"
    times = [entry["written_wall_ns"] for entry in plain["corrections"]]
    assert times == sorted(times)
    assert check(made.path).ok


def test_one_that_cannot_be_read_is_told_and_hides_no_other(made: Made, tmp_path: Path) -> None:
    made2 = make_logbook(made.path, [drop_force()], cell="grey", scaling=False)
    tagged(made2, "4", "--piece", "P2")
    text = said(made, "--out", str(tmp_path / "a.html"))
    assert "caution: lowering 4 is not compared: cannot be read:" in text
    assert "no calibration" in text


def test_jobs_are_kept_apart_and_must_be_named(made: Made, tmp_path: Path) -> None:
    other = SHEET.replace('name = "orchard"', 'name = "park"')
    tagged(made, "--sheet", str(write_sheet(tmp_path, other, "park.toml")))
    assert "say which job with --job; there are: orchard, park" in refused(made)
    assert [row["lowering"] for row in as_json(made, "--job", "park")["lowerings"]] == [3]
    assert len(as_json(made, "--job", "park")["pieces"]) == 2


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--job", "prak"), "no job 'prak'; there are: orchard"),
        (("--out", "job.logbook"), "job.logbook: a page is .html"),
    ],
)
def test_what_cannot_be_reported(made: Made, arguments: tuple[str, ...], expected: str) -> None:
    assert expected in refused(made, *arguments)


def test_a_logbook_without_a_job_says_how_to_make_one(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    assert "say which job with --job; there are: none yet; store a sheet" in refused(made)


def test_a_job_with_nothing_in_it(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    tagged(made, "--set", "job", "orchard", "crew=Heron", "--by", "Wren")
    assert "job orchard has neither pieces nor lowerings" in refused(made)
