"""``ropetally plan``: one page before the cut, and the prediction stored."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sheets import SHEET, write_sheet

from analysis.predicting.piece import estimate
from logger.clock import SystemClock
from logger.commands.main import cli
from logger.commands.planning import store_sheet
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Tag
from logger.sheet import read_sheet

RIGS = Path(__file__).parents[2] / "sample_logs" / "rigs"


def run(*arguments: str | Path) -> Result:
    """Run ``ropetally plan``."""
    return CliRunner().invoke(cli, ["plan", *map(str, arguments)])


def test_the_page_in_a_terminal_says_all_that_it_should() -> None:
    done = run(RIGS / "span.toml", "--piece", "1")
    assert done.exit_code == 0, done.output
    sheet = read_sheet(RIGS / "span.toml")
    known = estimate(sheet.piece[0])
    text = " ".join(done.output.split())
    assert f"weight {known.weight_n / 1e3:.2f} ± {known.weight_u_n / 1e3:.2f} kN" in text
    assert f"{known.centre_from_butt_m:.2f} ±" in text
    for words in (
        "For the ground hand",
        "fails down below",
        "below the working limit 5.50 kN",
        "entered by Dunlin lead, 2026-11-22",
        "the peak allowance 9.00 kN",
        "smaller Planned: 4.40 m",
        "Nothing is said about a longer piece",
        "Tension during the back cut can split the stem lengthwise",
        "never permission",
    ):
        assert words in text
    assert text.index("smaller Planned") < text.index("bigger Nothing")
    assert max(map(len, done.output.splitlines())) <= 80


def test_numbers_follow_the_units_asked_for() -> None:
    found = run(RIGS / "span.toml", "--piece", "L1", "--units", "lbf", "--lengths", "ft").output
    assert " kN" not in found
    assert "14.4 ft" in found
    assert " in standing" in found


def test_json_is_si_and_whole() -> None:
    done = run(RIGS / "span.toml", "--piece", "L2", "--json")
    (plan,) = json.loads(done.output)["plans"]
    assert plan["piece"] == "L2"
    assert plan["prediction"]["peak_n"]["p95"] > plan["prediction"]["peak_n"]["p50"]
    assert {one["kind"] for one in plan["margins"]} == {"working_limit", "peak_allowance"}
    assert plan["smaller_or_bigger"]["opens_on"] == "smaller"
    assert plan["pretension"]["hinge"]


def test_a_drop_has_no_band_and_says_why() -> None:
    text = " ".join(run(RIGS / "drop.toml").output.split())
    assert "a snubbed_drop is not pretensioned" in text
    assert "PAST the working limit 7.00 kN" in text
    assert "the working limit" in text


def test_the_prediction_is_stored_once_and_used_again(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    asked: list[str | Path] = [RIGS / "span.toml", "--logbook", logbook, "--piece", "L1", "--json"]
    first = json.loads(run(*asked).output)["plans"][0]
    second = json.loads(run(*asked).output)["plans"][0]
    assert first["prediction"] == second["prediction"]
    with LogbookReader(logbook) as reader:
        (stored,) = reader.predictions("glass-roof/L1")
    assert stored.result["peak_n"] == first["prediction"]["peak_n"]


def test_what_the_logbook_has_seen_lets_a_longer_piece_be_spoken_of(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    sheet = read_sheet(RIGS / "span.toml")
    store_sheet(logbook, sheet)
    with LogbookEntries(logbook, clock=SystemClock()) as entries:
        for number, piece in enumerate(sheet.piece, 1):
            tag = Tag(piece=piece.name, job=sheet.job.name)
            entries.put_record(str(number), tag, author="Dunlin")
    asked: list[str | Path] = [RIGS / "span.toml", "--logbook", logbook, "--piece", "L1", "--json"]
    found = json.loads(run(*asked).output)["plans"][0]["smaller_or_bigger"]
    heaviest = max(estimate(piece).weight_n for piece in sheet.piece)
    assert found["range_seen"]["high_n"] == pytest.approx(heaviest)
    assert found["range_seen"]["pieces"] == 2


def test_a_piece_is_cut_from_its_limb(tmp_path: Path) -> None:
    text = (RIGS / "span.toml").read_text(encoding="utf-8")
    limb = text[text.index("[[piece]]") :].split("[[piece]]")[1]
    limb = limb.replace('"L1"', '"whole"').replace("4.4 m", "9 m").replace("hinge", "hinge", 1)
    path = write_sheet(tmp_path, f"{text}\n[[piece]]{limb}")
    done = run(path, "--piece", "L1", "--limb", "whole", "--json")
    found = json.loads(done.output)["plans"][0]["smaller_or_bigger"]
    assert found["limb"] == "whole"
    assert max(found["lengths_m"]) == pytest.approx(9.0)


def test_without_a_working_limit_nothing_is_said_of_bigger_pieces(tmp_path: Path) -> None:
    text = SHEET.replace('kind = "working_limit"', 'kind = "peak_allowance"')
    done = run(write_sheet(tmp_path, text), "--piece", "P1")
    assert "no working limit is entered" in " ".join(done.output.split())


def test_a_piece_that_cannot_be_planned_is_told_and_the_others_stand(tmp_path: Path) -> None:
    second = '{name = "other", role = "high_block", z_m = 9.0},'
    text = SHEET.replace(
        '    {name = "high block", role', f'    {second}\n    {{name = "high block", role'
    )
    done = run(write_sheet(tmp_path, text))
    assert done.exit_code == 0, done.output
    assert "caution: P1 is not planned: " in done.output
    assert "orchard/P2" in done.output
    alone = run(write_sheet(tmp_path, text), "--piece", "P1")
    assert alone.exit_code != 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--page", "x.pdf"], "a page is .html"),
        (["--figure", "x.gif"], ".png or .svg"),
        (["--figure", "x.png"], "say which: --piece NAME"),
        (["--piece", "P9"], "no piece 'P9'; its pieces: P1, P2 (or 1 to 2)"),
        (["--piece", "3"], "no piece '3'"),
        (["--limb", "nothing"], "no piece 'nothing'"),
    ],
)
def test_what_cannot_be_asked(tmp_path: Path, arguments: list[str], words: str) -> None:
    done = run(write_sheet(tmp_path), *arguments)
    assert done.exit_code != 0
    assert words in str(done.exception)


def test_a_sheet_without_a_piece_is_refused(tmp_path: Path) -> None:
    done = run(write_sheet(tmp_path, '[job]\nname = "a"\ncrew = "Wren"\n'))
    assert "no piece to plan" in str(done.exception)


def test_page_and_figure_need_nothing_else(tmp_path: Path) -> None:
    page, figure = tmp_path / "plan.html", tmp_path / "plan.png"
    done = run(RIGS / "span.toml", "--piece", "L1", "--page", page, "--figure", figure)
    assert done.exit_code == 0, done.output
    text = page.read_text(encoding="utf-8")
    assert "INVENTED" in text
    assert "http" not in text.replace("http-equiv", "")
    assert "<script" not in text
    assert text.count("data:image/png;base64,") == 2  # the rig, and the pull at the winch
    assert "For the ground hand" in text
    assert 'href="#piece-L1">L1</a>' in text
    assert "Pull at the winch, L1" in text
    assert figure.read_bytes().startswith(b"\x89PNG")


def test_limits_of_an_earlier_sheet_count_for_a_rig_of_the_logbook(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    text = (RIGS / "span.toml").read_text(encoding="utf-8")
    store_sheet(logbook, read_sheet(RIGS / "span.toml"))
    head, pieces = text[: text.index("[[rope]]")], text[text.index("[[piece]]") :]
    path = write_sheet(tmp_path, head + pieces.replace('"L1"', '"L9"'))
    asked: list[str | Path] = [path, "--logbook", logbook, "--piece", "L9", "--json"]
    (plan,) = json.loads(run(*asked).output)["plans"]
    assert {one["on"] for one in plan["margins"]} == {"blue 14", "oak block", "ash sling"}
