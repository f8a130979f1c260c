"""Every problem of a sheet is named, at its line; a right sheet has none."""

from __future__ import annotations

from pathlib import Path

import pytest
from sheets import SHEET, write_sheet

from logger.errors import SheetError
from logger.sheet import read_sheet
from logger.sheet_problems import CheckedSheet, check_sheet

BAD = """\
[job]
name = "orchard"
crew = "Wren"
[[rope]]
name = "blue"
stiffness_n = "80 kg"
[[rope]]
name = "red"
stiffness_n = "80 kN"
curve = [{elongation = 0.02, force_n = "2 kN"}, {elongation = 0.01, force_n = "3 kN"}]
[[rig]]
name = "A"
method = "butt_tied"
rope = "blue"
lenght = 3
station = {name = "s", mount = "end", leg = "fall"}
nodes = [
    {name = "d", role = "devise"},
    {name = "h", role = "high_block", z_m = "10 kN"},
    {name = "h", role = "redirect", z_m = "10 ft", wood_axis = [0, 0, 0]},
]
[[limit]]
on = "red"
force_n = "4 kN"
by = "Wren"
entered = "2026-01-01"
"""


def checked(folder: Path, text: str) -> CheckedSheet:
    """Check a sheet given as text."""
    return check_sheet(write_sheet(folder, text))


def problems(folder: Path, text: str) -> list[tuple[int | None, str]]:
    """Line and key of each problem."""
    return [(one.line, one.key) for one in checked(folder, text).problems]


def test_a_right_sheet_has_no_problem_and_reads_the_same(tmp_path: Path) -> None:
    found = checked(tmp_path, SHEET)
    assert found.problems == ()
    assert found.sheet == read_sheet(tmp_path / "sheet.toml")


def test_every_problem_is_named_at_its_line(tmp_path: Path) -> None:
    assert problems(tmp_path, BAD) == [
        (6, "rope[0].stiffness_n"),
        (10, "rope[1].curve[1].elongation"),
        (15, "rig[0].lenght"),
        (16, "rig[0].station.leg"),
        (18, "rig[0].nodes[0].role"),
        (19, "rig[0].nodes[1].z_m"),
        (20, "rig[0].nodes[2].name"),
        (20, "rig[0].nodes[2].wood_axis"),
        (22, "limit[0].kind"),
    ]


def test_an_untyped_limit_is_refused_in_one_line_that_names_the_types(tmp_path: Path) -> None:
    text = SHEET.replace('kind = "peak_allowance"\n', "")
    with pytest.raises(SheetError) as refused:
        read_sheet(write_sheet(tmp_path, text))
    said = str(refused.value)
    assert "\n" not in said
    assert "limit[1].kind: expected this key, which is required: one of" in said
    assert "working_limit" in said


def test_the_first_problem_is_the_one_that_reading_refuses(tmp_path: Path) -> None:
    path = write_sheet(tmp_path, BAD.replace('"80 kg"', '"80 kN"').replace("lenght = 3\n", ""))
    first = check_sheet(path).problems[0]
    assert first.key == "rope[1].curve[1].elongation"


def test_without_a_job_the_rest_is_not_judged(tmp_path: Path) -> None:
    found = checked(tmp_path, "[job]\nname = 3\n")
    assert [one.key for one in found.problems] == ["job.name"]
    assert found.sheet is None


def test_a_table_in_the_place_of_a_list_is_one_problem(tmp_path: Path) -> None:
    text = SHEET.replace("[[note]]", "[note]")
    assert [key for _, key in problems(tmp_path, text)] == ["note"]


def test_other_problems_are_worded_with_their_line(tmp_path: Path) -> None:
    found = checked(tmp_path, SHEET)
    said = found.problem(("rig", 1), "the rope is too short")
    assert said == f"{tmp_path / 'sheet.toml'}:23: rig[1]: the rope is too short"
    assert found.problem(("nowhere",), "x").endswith("sheet.toml: nowhere: x")


LIMIT = '[[limit]]\non = "blue 14"\nkind = "{}"\nforce_n = "{}"\nby = "Wren"\nentered = "x"\n'


@pytest.mark.parametrize(
    ("old", "new", "key", "words"),
    [
        (
            "dynamic_factor = 1.0\n",
            "curve = [{elongation = 0.1, breaking_share = 0.2}]\n",
            "rope[0].breaking_strength_n",
            "its table gives shares",
        ),
        ("dynamic_factor = 1.0\n", "curve = [{elongation = 0.1}]\n", "rope[0].curve[0]", "neither"),
        (
            "dynamic_factor = 1.0\n",
            (
                'breaking_strength_n = "40 kN"\ncurve = [{elongation = 0.1, breaking_share = 0.5}, '
                '{elongation = 0.2, force_n = "9 kN"}]\n'
            ),
            "rope[0].curve[1].force_n",
            "more than the row before (20000 N)",
        ),
        ("lead_length_m = 1.5\n", 'device = "winch"\nwraps = 2\n', "rig[0].wraps", "no wraps"),
        (
            "lead_length_m = 1.5\n",
            'more_stations = [{name = "rope end", mount = "sling", node = "high_block"}]\n',
            "rig[0].more_stations[0].name",
            "not used before in this rig",
        ),
        (
            'station = {name = "rope end", mount = "end", leg = "lead"}\nnodes',
            (
                'station = {name = "a", mount = "end", leg = "lead", cell = "red"}\nmore_stations = '
                '[{name = "b", mount = "sling", node = "high_block", cell = "red"}]\nnodes'
            ),
            "rig[0].more_stations[0].cell",
            "no other station",
        ),
        ("[[note]]", LIMIT.format("working_limit", "3 kN") + "[[note]]", "limit[3].kind", "second"),
        (
            'force_n = "4 kN"',
            'force_n = "45 kN"',
            "limit[0].force_n",
            "below the breaking strength",
        ),
    ],
)
def test_what_records_say_of_one_another(
    tmp_path: Path, old: str, new: str, key: str, words: str
) -> None:
    assert old in SHEET
    (problem,) = checked(tmp_path, SHEET.replace(old, new, 1)).problems
    assert problem.key == key
    assert words in str(problem)
    assert problem.line is not None


def test_a_limit_may_stand_on_any_station(tmp_path: Path) -> None:
    text = SHEET.replace(
        "lead_length_m = 1.5\n",
        'more_stations = [{name = "block sling", mount = "sling", node = "high_block"}]\n',
    ).replace('on = "high block"', 'on = "block sling"')
    assert checked(tmp_path, text).problems == ()
