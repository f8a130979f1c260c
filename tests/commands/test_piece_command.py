"""``ropetally piece``: from options, a sheet, a logbook; text, JSON, one clear line when wrong."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from logbook_factory import FakeClock
from sheets import SHEET, write_sheet

from logger.commands.main import exit_code_of, message_of
from logger.commands.piece import command
from logger.commands.planning import store_sheet
from logger.sheet import read_sheet

OAK = (
    "--species",
    "white oak",
    "--length",
    "4 m",
    "--diameter",
    "0:40cm",
    "--diameter",
    "tip:20 cm",
)


def shown(*arguments: str) -> str:
    result = CliRunner().invoke(command, [str(a) for a in arguments], catch_exceptions=False)
    assert result.exit_code == 0
    return result.output


def refused(*arguments: str) -> str:
    """One line, with the exit code of input to correct."""
    error = CliRunner().invoke(command, list(arguments)).exception
    assert error is not None
    assert exit_code_of(error) == 2
    assert "\n" not in message_of(error)
    return message_of(error)


def in_json(*arguments: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads(shown(*arguments, "--json"))["pieces"]
    return found


def test_a_piece_from_options() -> None:
    # White oak, 1010 kg/m³ (wood table: Miles & Smith 2009); frustum 0.4 to 0.2 m, 4 m.
    (piece,) = in_json(*OAK)
    volume = math.pi / 12 * 4.0 * (0.16 + 0.08 + 0.04)
    assert piece["volume_m3"] == pytest.approx(volume)
    assert piece["weight_n"] == pytest.approx(1010 * 9.80665 * volume, rel=0.002)
    assert piece["weight_p05_n"] < piece["weight_n"] < piece["weight_p95_n"]
    parts = piece["rel_u_by_input"].values()
    assert piece["weight_u_n"] == pytest.approx(
        2 * piece["weight_n"] * math.sqrt(sum(part**2 for part in parts))
    )


def test_a_girth_is_the_circle_around_its_diameter() -> None:
    (by_tape,) = in_json("--length", "4 m", "--girth", f"mid:{100 * math.pi * 0.3} cm")
    (across,) = in_json("--length", "4 m", "--diameter", "2:30cm")
    assert by_tape["weight_n"] == pytest.approx(across["weight_n"])


def test_text_has_weight_centre_parts_guess_and_what_narrows_it() -> None:
    said = shown(*OAK, "--guess", "250 kgf", "--by", "Wren", "--units", "lbf", "--lengths", "ft")
    assert "lbf (k = 2)" in said
    assert "ft from the butt" in said
    assert "density (species 10 %" in said
    assert "Wren: 551 lbf" in said
    assert "weigh a disc of its wood and measure its volume" in said
    assert "An estimate, never a permission" in said
    assert max(map(len, said.splitlines())) <= 80


def test_narrowing_is_a_new_estimate_with_that_measurement() -> None:
    butt = (
        "--species",
        "white oak",
        "--length",
        "4 m",
        "--density",
        "900 kg/m3",
        "--density-u",
        "3",
    )
    (one,) = in_json(*butt, "--diameter", "butt:40cm")
    mid = next(n for n in one["narrowing"] if n["key"] == "diameter_mid")
    (with_it,) = in_json(*butt, "--diameter", "butt:40cm", "--diameter", "mid:40cm")
    rel_u = with_it["weight_u_n"] / with_it["weight_n"]
    assert mid["weight_u_n"] == pytest.approx(rel_u * one["weight_n"])
    assert mid["ratio"] < 0.5


def test_unlisted_species_are_said() -> None:
    assert "'baobab' is not listed" in shown(
        "--length", "4 m", "--diameter", "mid:40cm", "--species", "baobab"
    )


def test_wood_that_is_not_sound() -> None:
    (sound,) = in_json(*OAK)
    (hollow,) = in_json(*OAK, "--cavity", "0.5", "--decay", "0.6", "--brush", "10")
    assert hollow["weight_n"] == pytest.approx(sound["weight_n"] * 0.75 * 0.6 / 0.9)
    assert {"cavity", "brush"} <= set(hollow["rel_u_by_input"])
    assert "decay" in hollow["density_rel_u_by_input"]
    (dead,) = in_json(*OAK, "--condition", "standing_dead")
    assert dead["weight_n"] < sound["weight_n"]


def test_sapwood_narrows_a_pine_and_moves_its_centre_out() -> None:
    pine = ("--species", "loblolly pine", "--length", "4 m", "--diameter", "0:40cm",
            "--diameter", "4:16cm")  # fmt: skip
    (plain,) = in_json(*pine)
    (shell,) = in_json(*pine, "--sapwood", "6 cm")
    assert shell["centre_from_butt_m"] > plain["centre_from_butt_m"]
    assert shell["density_kg_per_m3"] > plain["density_kg_per_m3"]


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    return write_sheet(tmp_path)


def test_pieces_of_a_sheet_and_of_its_logbook_are_the_same(sheet: Path, tmp_path: Path) -> None:
    logbook = tmp_path / "orchard.logbook"
    store_sheet(logbook, read_sheet(sheet), clock=FakeClock())
    from_sheet = in_json(str(sheet))
    assert [piece["piece"] for piece in from_sheet] == ["orchard/P1", "orchard/P2"]
    assert in_json(str(logbook)) == from_sheet
    (one,) = in_json(str(logbook), "--piece", "P1")
    assert one["guesses"][0] == {
        "by": "Wren", "how": "gut", "weight_n": pytest.approx(120 * 9.80665),
        "ratio": pytest.approx(120 * 9.80665 / one["weight_n"]),
    }  # fmt: skip
    assert "Wren by gut: 1.18 kN" in shown(str(sheet), "--piece", "orchard/P1")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "--length: write one with its unit"),
        (("--length", "4"), "--length: '4' is not a number with a unit of length"),
        (("--length", "-4 m", "--diameter", "0:40cm"), "length_m: expected"),
        (("--length", "4 m"), "--diameter: write at least one"),
        (("--length", "4 m", "--diameter", "40cm"), "'40cm': write place:size"),
        (("--length", "4 m", "--girth", "0:40"), "--girth: '40'"),
        (("--length", "4 m", "--girth", "two:40cm"), "--girth: 'two'"),
        (("--length", "4 m", "--diameter", "5:40cm"), "beyond the piece's end"),
        (("--length", "4 m", "--diameter", "0:4cm", "--cavity", "x"), "--cavity: 'x' is no share"),
        (("--length", "4 m", "--diameter", "0:4cm", "--density-u", "3"), "it needs --density"),
        (("--length", "4 m", "--diameter", "0:4cm", "--species", "wite oak"), "did you mean"),
        (("--piece", "P1"), "it needs a sheet or a logbook"),
        (("absent.toml",), "absent.toml: no such sheet or logbook"),
        ((".",), ".: cannot read it"),
    ],
)
def test_what_is_wrong_is_one_line(arguments: tuple[str, ...], words: str) -> None:
    assert words in refused(*arguments)


def test_what_does_not_go_with_a_sheet(sheet: Path) -> None:
    assert "--diameter: not together with" in refused(str(sheet), "--diameter", "0:40cm")
    assert "no piece 'P9'; it holds orchard/P1, orchard/P2" in refused(str(sheet), "--piece", "P9")


def test_all_pieces_in_text_with_a_guess_of_a_drop_alone(tmp_path: Path) -> None:
    only_drop = SHEET.replace('weight_n = "120 kgf", drop_m = 0.4', "drop_m = 0.4")
    said = shown(str(write_sheet(tmp_path, only_drop)))
    assert "orchard/P1, northern red oak" in said
    assert "orchard/P2, northern red oak" in said
    assert "guess" not in said


def test_nothing_left_to_narrow_is_said() -> None:
    known = ("--length", "4 m", "--density", "900 kg/m3", "--density-u", "4")
    ends = ("--diameter", "butt:40cm", "--diameter", "mid:30cm", "--diameter", "tip:20cm")
    assert "nothing on this list takes 3 % off" in shown(*known, *ends)


def test_an_empty_sheet_says_so(tmp_path: Path) -> None:
    empty = write_sheet(tmp_path, '[job]\nname = "j"\ncrew = "Heron"\n')
    assert "it holds no pieces" in refused(str(empty))


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ("diameters = [{at_m = 0.0}]", "diameters[0]: expected diameter_m or girth_m"),
        ("diameters = [{at_m = 0.0, diameter_m = 0.4, girth_m = 1.2}]", "exactly one of both"),
        ('diameters = [{at_m = 0.0, girth_m = "1 kN"}]', "diameters[0].girth_m"),
        ('diameters = [{at_m = 0.0, girth_m = "130 cm"}]\nsapwood_m = -0.01', "sapwood_m"),
        (
            'diameters = [{at_m = 0.0, girth_m = "130 cm"}]\ninclination_rad = "95 deg"',
            "inclination_rad",
        ),
        (
            'diameters = [{at_m = 0.0, girth_m = "130 cm"}]\nhinge = {width_m = 0.3}',
            "hinge.thickness_m",
        ),
        ('diameters = [{at_m = 0.0, girth_m = "130 cm"}]\ndecay_factor = 1.5', "decay_factor"),
    ],
)
def test_new_keys_of_a_sheet_are_checked_with_their_line(
    wrong: str, words: str, tmp_path: Path
) -> None:
    right = "diameters = [{at_m = 0.0, diameter_m = 0.28}, {at_m = 4.0, diameter_m = 0.22}]"
    line = SHEET[: SHEET.index(right)].count("\n") + 1
    path = write_sheet(tmp_path, SHEET.replace(right, wrong))
    said = refused(str(path))
    assert words in said
    assert f":{line + wrong.count(chr(10))}:" in said or f":{line}:" in said or "hinge" in said


def test_new_keys_of_a_sheet_are_read_with_units(tmp_path: Path) -> None:
    right = "diameters = [{at_m = 0.0, diameter_m = 0.28}, {at_m = 4.0, diameter_m = 0.22}]"
    new = """\
diameters = [{at_m = 0.0, girth_m = "90 cm"}, {at_m = 4.0, diameter_m = 0.22}]
inclination_rad = "40 deg"
tie_from_butt_m = "6 ft"
sapwood_m = "3 cm"
hinge = {width_m = "25 cm", thickness_m = "30 mm", notch_depth_m = "8 cm"}
"""
    piece = read_sheet(write_sheet(tmp_path, SHEET.replace(right, new))).piece[1]
    assert piece.diameters[0].across_m == pytest.approx(0.9 / math.pi)
    assert piece.inclination_rad == pytest.approx(math.radians(40))
    assert piece.tie_from_butt_m == pytest.approx(6 * 0.3048)
    assert piece.hinge is not None
    assert piece.hinge.thickness_m == pytest.approx(0.03)
