"""``ropetally lowerings`` filtered, sorted and as CSV."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from logbook_factory import Made, drop_force, make_logbook, release_force
from sheets import write_sheet

from logger.commands import lowerings, tag
from logger.commands.lowering_rows import COLUMNS, moment_ns, ordered
from logger.commands.main import cli, exit_code_of
from logger.errors import InputError, LogbookMissingError


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Four lowerings: P1 dropped, P2 tip-tied, one discarded, one not tied."""
    forces = [
        drop_force(), release_force(), drop_force(peak_n=3000.0), drop_force(peak_n=9000.0),
    ]  # fmt: skip
    made = make_logbook(tmp_path / "job.logbook", forces, gaps=[(70_000, 50)])
    tagged(made, "--sheet", str(write_sheet(tmp_path)))
    tagged(made, "3", "--discard", "--reason", 'brushed "the" roof, twice', "--touched")
    return made


def tagged(made: Made, *arguments: str) -> None:
    result = CliRunner().invoke(tag.command, [str(made.path), *arguments])
    assert result.exception is None, result.exception


def listed(made: Made, *arguments: str) -> str:
    result = CliRunner().invoke(lowerings.command, [str(made.path), *arguments])
    assert result.exception is None, result.exception
    return result.output


def numbers(made: Made, *arguments: str) -> list[int]:
    plain: list[dict[str, Any]] = json.loads(listed(made, *arguments, "--json"))["lowerings"]
    return [row["lowering"] for row in plain]


def refused(made: Made, *arguments: str) -> str:
    result = CliRunner().invoke(lowerings.command, [str(made.path), *arguments])
    assert isinstance(result.exception, (InputError, LogbookMissingError)), result.output
    assert exit_code_of(result.exception) in {2, 4}
    return str(result.exception)


# --- filter ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        ((), [1, 2, 3, 4]),
        (("--job", "orchard"), [1, 2]),
        (("--method", "tip_tied"), [2]),
        (("--piece", "P1"), [1]),
        (("--piece", "orchard/P2"), [2]),
        (("--species", "RED oak"), [1, 2]),
        (("--untagged",), [3, 4]),
        (("--discarded",), [3]),
        (("--flag", "touched"), [3]),
        (("--flag", "touched", "--flag", "gap"), []),
        (("--flag", "gap"), [4]),
        (("--since", "2026-05-05"), []),
        (("--until", "2026-05-03"), []),
        (("--since", "2026-05-03", "--until", "2026-05-05"), [1, 2, 3, 4]),
        (("--untagged", "--discarded"), [3]),
    ],
)
def test_filters(made: Made, arguments: tuple[str, ...], expected: list[int]) -> None:
    assert numbers(made, *arguments) == expected


def test_since_and_until_split_the_day_at_a_moment(made: Made) -> None:
    rows = json.loads(listed(made, "--json"))["lowerings"]
    third = rows[2]["start"]
    assert numbers(made, "--since", third) == [3, 4]
    assert numbers(made, "--until", third) == [1, 2]


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--job", "park"), "no lowering with job 'park'; there are: orchard"),
        (("--piece", "P7"), "no lowering with piece 'P7'; there are: orchard/P1, orchard/P2"),
        (("--method", "swing"), "no lowering with method 'swing'; there are: snubbed_drop"),
        (("--species", "yew"), "no lowering with species 'yew'; there are: northern red oak"),
        (("--since", "May"), "'May' is no date; write for example 2026-06-03"),
        (("--sort", "weight"), "--sort 'weight': use one or more of lowering, start"),
        (("--csv", "-", "--json"), "--csv or --json, not both"),
        (("--csv", "list.txt"), "give a file that ends in .csv"),
    ],
)
def test_what_is_not_there_lists_what_is(
    made: Made, arguments: tuple[str, ...], expected: str
) -> None:
    assert expected in refused(made, *arguments)


def test_an_unknown_flag_or_method_lists_the_known_ones(made: Made) -> None:
    for option in ("--flag", "--method"):
        result = CliRunner().invoke(cli, ["lowerings", str(made.path), option, "purple"])
        assert result.exit_code == 2
        assert "touched" in result.output or "span_rig" in result.output


def test_without_any_tie_it_says_how(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    assert "none yet; tie lowerings with: ropetally tag" in refused(made, "--job", "orchard")


def test_a_text_table_says_when_nothing_is_so(made: Made) -> None:
    assert "none of the 4 lowerings is so" in listed(made, "--flag", "clipped")


def test_merged_ones_are_hidden_told_and_listed_with_all(made: Made) -> None:
    tagged(made, "1", "--join", "2", "--by", "Wren")
    tagged(made, "4", "--split-at", "8s", "--by", "Wren")
    assert numbers(made) == [1, 3, 4, 5]
    assert numbers(made, "--all") == [1, 2, 3, 4, 5]
    assert numbers(made, "--all", "--flag", "merged") == [2]
    text = listed(made)
    assert "merged into others, listed with --all: 2" in text
    assert "joined with 2" in text
    assert "split from 4" in text
    assert "window set by hand" in " ".join(text.split())
    whole = listed(made, "--all")
    assert "merged into 1" in whole
    assert "merged into others" not in whole
    assert max(map(len, whole.splitlines())) <= 80


# --- sort, CSV -----------------------------------------------------------------------------


def test_sorting_by_several_keys_puts_what_is_not_known_last(made: Made) -> None:
    assert numbers(made, "--sort", "peak") == [2, 3, 1, 4]
    assert numbers(made, "--sort", "peak", "--reverse") == [4, 1, 3, 2]
    assert numbers(made, "--sort", "method,lowering") == [1, 2, 3, 4]
    assert numbers(made, "--sort", "method", "--reverse") == [2, 1, 3, 4]
    assert numbers(made, "--sort", "cell, start", "--reverse") == [4, 3, 2, 1]


def test_sorting_is_stable() -> None:
    rows = [{"job": "b", "lowering": n} for n in (3, 1, 2)]
    assert [row["lowering"] for row in ordered(rows, "job")] == [3, 1, 2]


def test_csv_is_rfc_4180_in_si_and_agrees_with_json(made: Made, tmp_path: Path) -> None:
    target = tmp_path / "list.csv"
    text = listed(made, "--csv", str(target))
    assert text == f"written: {target} (4 lowerings)\n"
    raw = target.read_bytes()
    assert raw.count(b"\r\n") == 5
    assert raw.count(b"\n") == 5
    rows = list(csv.DictReader(io.StringIO(raw.decode(), newline="")))
    assert tuple(rows[0]) == COLUMNS
    plain = json.loads(listed(made, "--json"))["lowerings"]
    for row, same in zip(rows, plain, strict=True):
        assert float(row["peak_n"]) == same["peak_n"]
        assert int(row["start_wall_ns"]) == same["start_wall_ns"]
        assert row["flags"].split() == same["flags"]
        assert row["piece"] == (same["piece"] or "")
    assert rows[2]["discard_reason"] == 'brushed "the" roof, twice'
    assert rows[2]["discarded"] == "true"


def test_csv_to_standard_output_is_only_csv(made: Made) -> None:
    result = CliRunner().invoke(lowerings.command, [str(made.path), "--csv", "-", "--piece", "P1"])
    assert result.stdout_bytes.startswith(b"lowering,start,")
    assert result.stdout_bytes.count(b"\r\n") == 2


def test_csv_into_a_folder_that_is_not_there(made: Made, tmp_path: Path) -> None:
    result = CliRunner().invoke(
        lowerings.command, [str(made.path), "--csv", str(tmp_path / "no" / "a.csv")]
    )
    assert result.exception is not None
    assert exit_code_of(result.exception) == 4
    assert "cannot be written" in str(result.exception)


def test_a_moment_may_bring_its_own_zone() -> None:
    assert moment_ns("2026-06-03T12:00:00+02:00") == moment_ns("2026-06-03T10:00:00+00:00")
    with pytest.raises(InputError, match="is no date"):
        moment_ns("0001-01-01T00:00:00+23:59")
