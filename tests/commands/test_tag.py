"""``ropetally tag``: ties, corrections, guesses, limits, history; every version is kept."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from logbook_factory import Made, drop_force, make_logbook, release_force
from sheets import SHEET, write_sheet

from logger.commands.main import exit_code_of
from logger.commands.tag import command
from logger.errors import InputError, LogbookMissingError
from logger.logbook.reader import LogbookReader
from logger.records import Limit, Piece, Tag


@pytest.fixture
def made(tmp_path: Path) -> Made:
    return make_logbook(tmp_path / "job.logbook", [drop_force(), release_force(), drop_force()])


def run(made: Made, *arguments: str) -> Result:
    return CliRunner().invoke(command, [str(made.path), *arguments])


def said(made: Made, *arguments: str) -> str:
    result = run(made, *arguments)
    assert result.exception is None, result.exception
    return result.output


def as_json(made: Made, *arguments: str) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(said(made, *arguments, "--json"))
    return plain


def refused(made: Made, *arguments: str) -> str:
    result = run(made, *arguments)
    assert isinstance(result.exception, (InputError, LogbookMissingError)), result.output
    assert exit_code_of(result.exception) in {2, 4}
    assert "\n" not in str(result.exception)
    return str(result.exception)


def tags(made: Made) -> dict[str, Tag]:
    with LogbookReader(made.path) as reader:
        return reader.all_records(Tag)


# --- ties ------------------------------------------------------------------------------


def test_sheet_ties_lowerings_in_order_and_says_what_is_left(made: Made, tmp_path: Path) -> None:
    text = said(made, "--sheet", str(write_sheet(tmp_path)))
    assert "lowering 1 is orchard/P1" in text
    assert "lowering 2 is orchard/P2" in text
    assert "caution: without a piece: lowerings 3" in text
    assert {key: tag.piece for key, tag in tags(made).items()} == {"1": "P1", "2": "P2"}
    assert said(made, "--sheet", str(tmp_path / "sheet.toml")).startswith("nothing new to tie")


def test_pieces_tied_and_lowerings_discarded_are_passed_over(made: Made, tmp_path: Path) -> None:
    sheet = str(write_sheet(tmp_path))
    said(made, "1", "--discard", "--note", "knocked the cell")
    plain = as_json(made, "--sheet", sheet)
    assert plain["tied"] == [
        {"lowering": 2, "piece": "orchard/P1"},
        {"lowering": 3, "piece": "orchard/P2"},
    ]
    assert tags(made)["1"] == Tag(note="knocked the cell", discarded=True)


def test_a_piece_that_was_not_lowered_is_told(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    assert "caution: without a lowering: orchard/P2" in said(
        made, "--sheet", str(write_sheet(tmp_path))
    )


def test_a_tie_by_hand_keeps_what_was_noted(made: Made, tmp_path: Path) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    assert "touched" in said(made, "3", "--touched", "--note", "stem", "--by", "Wren")
    text = said(made, "last", "--piece", "P2", "--tag-line-tight")
    assert text.startswith("lowering 3: orchard/P2, touched, tag line tight, note: stem")
    assert "(version 2)" in text
    assert not tags(made)["3"].discarded
    said(made, "3", "--no-touched", "--first-index", "48000", "--last-index", "60000")
    assert not tags(made)["3"].touched
    with LogbookReader(made.path) as reader:
        (window,) = reader.lowering(3)
    assert (window.first_index, window.last_index) == (48000, 60000)


def test_a_sheet_calibrates_a_stream_that_has_no_calibration(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()], scaling=False)
    text = said(made, "--sheet", str(write_sheet(tmp_path)))
    assert "calibrated streams 1 from the sheet" in text
    with LogbookReader(made.path) as reader:
        scaling = reader.scaling(1)
    assert scaling is not None
    assert (scaling.zero_counts, scaling.n_per_count) == (500.0, 0.1)


def test_a_piece_that_cannot_be_predicted_is_told(made: Made, tmp_path: Path) -> None:
    bad = SHEET.replace(
        'station = {name = "rope end", mount = "end", leg = "lead"}\n\n[[piece]]',
        'station = {name = "x", mount = "end", leg = "standing"}\n\n[[piece]]',
    )
    assert "caution: orchard/P2 could not be predicted" in said(
        made, "--sheet", str(write_sheet(tmp_path, bad))
    )


# --- corrections -------------------------------------------------------------------------


def test_a_correction_is_a_new_version_with_its_author(made: Made, tmp_path: Path) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    text = said(
        made, "--set", "piece", "orchard/P1", "length_m=1.3 m", "drop.slack_m=0.2", "--by", "Wren"
    )
    assert text.splitlines() == [
        "piece orchard/P1: version 2, by Wren",
        "predicted again: orchard/P1",
    ]
    with LogbookReader(made.path) as reader:
        piece = reader.record(Piece, "orchard/P1")
        assert piece is not None
        assert piece.drop is not None
        assert (piece.length_m, piece.drop.slack_m) == (1.3, 0.2)
        old, new = reader.versions("piece", "orchard/P1")
    assert (old.author, new.author) == ("Heron", "Wren")
    assert '"length_m":1.2' in old.body
    text = said(made, "--history", "piece", "orchard/P1")
    assert "length_m 1.2 → 1.3" in text
    assert "drop.slack_m 0.1 → 0.2" in text
    assert max(map(len, text.splitlines())) <= 80


def test_a_field_can_be_taken_away_and_a_list_grow(made: Made, tmp_path: Path) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    said(
        made, "--set", "piece", "orchard/P1", "species=", "diameters[1].diameter_m=40 cm",
        'diameters[2]={at_m = 1.2, diameter_m = "40 cm"}', "diameters[1].at_m=0.6", "--by", "Wren",
    )  # fmt: skip
    with LogbookReader(made.path) as reader:
        piece = reader.record(Piece, "orchard/P1")
    assert piece is not None
    assert piece.species == ""
    assert [(d.at_m, d.diameter_m) for d in piece.diameters] == [
        (0.0, 0.44),
        (0.6, 0.4),
        (1.2, 0.4),
    ]
    history = " ".join(said(made, "--history", "piece", "orchard/P1").split())
    assert "species taken away (was northern red oak)" in history


def test_a_record_can_be_made_from_nothing(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()], scaling=False)
    text = said(
        made, "--set", "cell", "red",
        "points=[{force_n=0, counts=500}, {force_n='1 kN', counts=10500}]", "--by", "Wren",
    )  # fmt: skip
    assert "calibrated streams 1" in text
    plain = as_json(made, "--set", "limit", "x/y", "on=red", "kind=peak_allowance",
                    "force_n=9 kN", "by=Wren", "entered=today", "--by", "Wren")  # fmt: skip
    assert plain["record"]["force_n"] == 9000.0


def test_a_corrected_calibration_is_a_new_version_of_its_streams(
    made: Made, tmp_path: Path
) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    text = said(made, "--set", "cell", "red", "points[1].force_n=1010", "--by", "Wren")
    assert "calibrated streams 1" in text
    with LogbookReader(made.path) as reader:
        old, new = reader.calibrations(1)
    assert old.scaling.n_per_count == 0.1
    assert new.scaling.n_per_count == pytest.approx(0.101)
    again = said(made, "--set", "cell", "red", "points[1].force_n=1010", "--by", "Wren")
    assert "calibrated" not in again


def test_a_correction_that_cannot_be_predicted_is_stored_and_told(
    made: Made, tmp_path: Path
) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    text = said(made, "--set", "rig", "limb", "station.leg=standing", "--by", "Wren")
    assert "caution: orchard/P2 could not be predicted" in text


def test_a_guess_is_added_with_who_made_it(made: Made, tmp_path: Path) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    text = said(
        made, "--guess-weight", "300 kgf", "--guess-drop", "4 ft", "--guess-by", "Robin",
        "--guess-how", "girth", "--piece", "P1",
    )  # fmt: skip
    assert text.splitlines() == ["piece orchard/P1: version 2, by Robin"]
    with LogbookReader(made.path) as reader:
        piece = reader.record(Piece, "orchard/P1")
    assert piece is not None
    first, second = piece.guesses
    assert (first.by, second.by, second.how) == ("Wren", "Robin", "girth")
    assert second.weight_n == pytest.approx(2941.995)
    assert second.drop_m == pytest.approx(1.2192)


def test_a_limit_is_typed_and_signed(made: Made) -> None:
    text = said(
        made, "--limit", "blue 14", "--limit-kind", "working_limit", "--limit-force", "5 kN",
        "--limit-by", "Wren", "--limit-note", "design factor 10",
    )  # fmt: skip
    assert "nothing here is called 'blue 14' yet; there are: block sling, red" in text
    with LogbookReader(made.path) as reader:
        limit = reader.record(Limit, "blue 14/working_limit")
    assert limit is not None
    assert (limit.force_n, limit.by, limit.note) == (5000.0, "Wren", "design factor 10")
    assert len(limit.entered) == len("2026-05-03 10:20")
    text = said(
        made, "--limit", "red", "--limit-kind", "peak_allowance", "--limit-force", "5 kN",
        "--limit-by", "Wren",
    )  # fmt: skip
    assert "caution" not in text


def test_history_as_json(made: Made, tmp_path: Path) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    plain = as_json(made, "--history", "job", "orchard")
    (version,) = plain["versions"]
    assert version["author"] == "Heron"
    assert version["record"]["name"] == "orchard"


def test_history_says_when_a_version_has_no_author(made: Made) -> None:
    said(made, "1", "--note", "windy")
    assert "not said" in said(made, "--history", "tag", "1")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ((), "say what to tag"),
        (("1", "--set", "job", "orchard"), "one thing at a time"),
        (("1", "note=x"), "'note=x' goes with --set"),
        (("1",), "say what to note on lowering 1"),
        (("nine", "--note", "x"), "'nine': give a lowering's number"),
        (("9", "--note", "x"), "no lowering 9; it holds 1, 2, 3"),
        (("1", "--piece", "P7"), "no piece 'P7'; there are: orchard/P1, orchard/P2"),
        (("--set", "pice", "x", "a=1", "--by", "W"), "'pice' is no kind of record; use one of job"),
        (("--set", "job", "orchard", "note=x"), "add --by NAME"),
        (("--set", "job", "orchard", "--by", "W"), "say what to correct"),
        (("--set", "job", "orchard", "nte=x", "--by", "W"), "did you mean note?"),
        (("--set", "job", "orchard", "a b=x", "--by", "W"), "expected a known key"),
        (("--set", "job", "orchard", "note[3]=x", "--by", "W"), "there is no note[3] to change"),
        (("--set", "job", "orchard", "=x", "--by", "W"), "is not FIELD=VALUE"),
        (
            ("--set", "piece", "orchard/P1", "length_m=3 kg", "--by", "W"),
            "length_m: expected a num",
        ),
        (("--set", "piece", "orchard/P1", "length_m=", "--by", "W"), "length_m: expected this key"),
        (("--set", "job", "orchard", "date=", "--by", "W"), "there is no date to change"),
        (("--guess-weight", "300 kgf", "--piece", "P1"), "a guess needs --guess-by"),
        (("--guess-drop", "3 kgf", "--guess-by", "W", "--piece", "P1"), "guess: drop_m: expected"),
        (("--limit", "x"), "a limit needs --limit-kind"),
        (
            ("--limit", "x", "--limit-kind", "swl", "--limit-force", "1 kN", "--limit-by", "W"),
            "limit: kind: expected one of",
        ),
        (
            ("--limit", "x", "--limit-kind", "swl", "--limit-force", "1", "--limit-by", "W"),
            "not a number with a unit",
        ),
        (("--history", "piece", "orchard/P9"), "no piece 'orchard/P9'; there are: orchard/P1"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    made: Made, tmp_path: Path, arguments: tuple[str, ...], expected: str
) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    assert expected in refused(made, *arguments)


def test_an_empty_logbook_says_what_is_next(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [])
    assert "it holds no lowerings yet" in refused(made, "last", "--note", "x")
    assert "no piece 'P1'; there are: none yet" in refused(
        made, "--guess-drop", "1 m", "--guess-by", "W", "--piece", "P1"
    )


def test_a_name_in_two_jobs_needs_its_job(made: Made, tmp_path: Path) -> None:
    said(made, "--sheet", str(write_sheet(tmp_path)))
    other = SHEET.replace('name = "orchard"', 'name = "park"')
    said(made, "--sheet", str(write_sheet(tmp_path, other, "park.toml")))
    assert "more than one piece 'P1'; there are: orchard/P1, park/P1" in refused(
        made, "1", "--piece", "P1"
    )
