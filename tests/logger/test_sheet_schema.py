"""The schema that editors use is the one of the records, and judges sheets as reading does."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from sheets import SHEET

from logger.records import convert, to_si
from logger.sheet import plain_values
from logger.sheet_schema import schema_text, sheet_schema

VALIDATOR = Draft202012Validator(sheet_schema())
SHEETS = sorted(
    path
    for folder in ("sample_logs/sheets", "logger/commands")
    for path in (Path(__file__).parents[2] / folder).glob("*.toml")
)


def faults(text: str) -> list[str]:
    """Paths at which the schema finds fault."""
    found = VALIDATOR.iter_errors(plain_values(tomllib.loads(text)))
    return sorted(".".join(map(str, one.absolute_path)) for one in found)


def test_the_published_file_is_the_generated_schema() -> None:
    published = files("logger.commands").joinpath("sheet.schema.json").read_text(encoding="utf-8")
    assert published == schema_text(), "write it anew: ropetally rig schema --out FILE"


def test_the_schema_itself_is_valid() -> None:
    Draft202012Validator.check_schema(sheet_schema())


@pytest.mark.parametrize("path", SHEETS, ids=lambda path: path.name)
def test_every_sheet_of_ours_fits(path: Path) -> None:
    assert faults(path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ('"30 kN"', '"30 kg"', "rope.0.stiffness_n"),
        ('"30 kN"', '"-30 kN"', "rope.0.stiffness_n"),
        ("lead_length_m = 1.5", "lead_length_m = -1.5", "rig.0.lead_length_m"),
        ('method = "tip_tied"', 'method = "tied"', "rig.1.method"),
        ('kind = "peak_allowance"\n', "", "limit.1"),
        ('crew = "Heron"', 'crow = "Heron"', "job"),
        ("{at_m = 0.0, diameter_m = 0.44}", "{at_m = 0.0}", "piece.0.diameters.0"),
        (
            "dynamic_factor = 1.0",
            "curve = [{elongation = 0.1, force_n = 5, breaking_share = 0.2}]",
            "rope.0.curve.0",
        ),
    ],
)
def test_what_reading_refuses_the_schema_finds(old: str, new: str, where: str) -> None:
    assert old in SHEET
    assert where in faults(SHEET.replace(old, new, 1))


@pytest.mark.parametrize("text", ["3 m", "-3.5 ft", ".5 in", "+1e1 m"])
def test_a_position_may_be_text_that_reads_the_same(text: str) -> None:
    node: dict[str, Any] = {"name": "A", "role": "anchor", "z_m": text}
    Draft202012Validator({**sheet_schema(), "$ref": "#/$defs/Node"}).validate(node)
    from logger.records import Node

    assert convert(to_si(node), Node).z_m != 0.0
