"""``ropetally rig``: every problem in one line, a figure, the schema."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from sheets import SHEET, write_sheet

from logger.commands.main import cli
from logger.sheet_schema import schema_text

RIGS = Path(__file__).parents[2] / "sample_logs" / "rigs"


def run(*arguments: str | Path) -> Result:
    """Run ``ropetally rig``."""
    return CliRunner().invoke(cli, ["rig", *map(str, arguments)])


@pytest.mark.parametrize("path", sorted(RIGS.glob("*.toml")), ids=lambda path: path.stem)
def test_the_invented_rigs_have_no_problem(path: Path) -> None:
    done = run("check", path)
    assert done.exit_code == 0, done.output
    assert "0 problem(s)" in done.output


def test_every_problem_has_its_line_and_the_exit_code_says_so(tmp_path: Path) -> None:
    text = SHEET.replace('kind = "peak_allowance"\n', "").replace('"30 kN"', '"30 kg"')
    done = run("check", write_sheet(tmp_path, text))
    assert done.exit_code == 1
    lines = done.output.splitlines()
    assert "sheet.toml:8: rope[0].stiffness_n: expected" in lines[0]
    assert "limit[1].kind: expected this key, which is required" in lines[1]
    assert lines[-1].endswith("2 problem(s), 0 caution(s)")


def test_a_nearly_tight_rope_is_a_caution(tmp_path: Path) -> None:
    text = (RIGS / "span.toml").read_text(encoding="utf-8")
    done = run("check", write_sheet(tmp_path, text.replace('"11 m"\nwraps', '"7.15 m"\nwraps')))
    assert "caution: " in done.output
    assert "nearly tight across the span" in done.output
    assert "rig[0]:" in done.output


def test_a_load_past_a_limit_is_a_problem_with_type_and_author(tmp_path: Path) -> None:
    text = (RIGS / "span.toml").read_text(encoding="utf-8").replace('"5.5 kN"', '"1.2 kN"')
    done = run("check", write_sheet(tmp_path, text))
    assert done.exit_code == 1
    problem = done.output.splitlines()[0]
    assert "piece[0]: L1: blue 14: heavy piece hanging" in problem
    assert "PAST the working limit 1.20 kN" in problem
    assert "entered by Dunlin lead, 2026-11-22" in problem


def test_a_cell_that_cannot_be_there_is_told_with_where_it_can(tmp_path: Path) -> None:
    text = (RIGS / "span.toml").read_text(encoding="utf-8")
    text = text.replace('mount = "end", node = "ash sling"', 'mount = "end", leg = "lead"')
    done = run("check", write_sheet(tmp_path, text))
    assert done.exit_code == 1
    assert "cannot pass the piece's block" in done.output


def test_check_as_json(tmp_path: Path) -> None:
    done = run("check", RIGS / "span.toml", "--json")
    found = json.loads(done.output)
    assert found["problems"] == []
    names = {load["name"] for load in found["rigs"][0]["loads"]}
    assert {"standing end", "lead", "fall", "standing", "oak block", "ash sling"} <= names


def test_a_piece_that_cannot_be_computed_is_a_problem(tmp_path: Path) -> None:
    text = SHEET.replace('species = "northern red oak"', 'species = "unobtainium wood"', 1)
    done = run("check", write_sheet(tmp_path, text))
    assert "piece[0]" in done.output


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_a_rig_is_drawn(tmp_path: Path, ending: str) -> None:
    out = tmp_path / f"rig.{ending}"
    done = run("draw", RIGS / "span.toml", "--out", out, "--units", "kgf", "--lengths", "ft")
    assert done.exit_code == 0, done.output
    head = out.read_bytes()[:100]
    assert head.startswith(b"\x89PNG") if ending == "png" else b"<?xml" in head


def test_draw_tells_loads_as_json_and_takes_a_weight(tmp_path: Path) -> None:
    out = tmp_path / "rig.png"
    weight = ["--weight", "200 kgf", "--json"]
    done = run("draw", RIGS / "base_redirect.toml", "--out", out, *weight)
    lead = next(x for x in json.loads(done.output)["loads"] if x["name"] == "lead")
    assert lead["hang_n"] == pytest.approx(200 * 9.80665)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--out", "x.pdf"], ".png or .svg"),
        (["--out", "x.png", "--rig", "nothing"], "no rig 'nothing'; its rigs: stem, limb"),
        (["--out", "x.png"], "say which rig: --rig NAME"),
        (["--out", "x.png", "--rig", "stem", "--piece", "P2"], "no piece 'P2' on rig stem"),
        (["--out", "x.png", "--rig", "stem", "--weight", "heavy"], "not a number with a unit"),
    ],
)
def test_what_cannot_be_drawn_is_told(tmp_path: Path, arguments: list[str], words: str) -> None:
    done = run("draw", write_sheet(tmp_path), *arguments)
    assert done.exit_code != 0
    assert words in str(done.exception)


def test_a_rig_without_a_piece_is_drawn_with_a_weight_of_one_kilonewton(tmp_path: Path) -> None:
    text = SHEET.replace(
        'rig = "stem"\nlength', 'rig = "limb"\nrelease = {share_carried = 0.5}\nlength'
    )
    text = text.replace(
        "drop = {tie_above_block_m = 0.0, centre_above_tie_m = 0.0, slack_m = 0.1}\n", ""
    )
    done = run(
        "draw", write_sheet(tmp_path, text), "--rig", "stem", "--out", tmp_path / "a.png", "--json"
    )
    lead = next(x for x in json.loads(done.output)["loads"] if x["name"] == "lead")
    assert lead["hang_n"] == pytest.approx(1000.0)


def test_the_schema_is_printed_or_written(tmp_path: Path) -> None:
    assert run("schema").output == schema_text()
    out = tmp_path / "sheet.schema.json"
    assert run("schema", "--out", out).exit_code == 0
    assert out.read_text(encoding="utf-8") == schema_text()
