"""``ropetally lowerings``: what is listed agrees with what was recorded; nothing heavy loads."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from logbook_factory import Made, drop_force, make_logbook, release_force
from reviews import set_window
from sheets import write_sheet

from logger.commands import lowerings, tag


def listed(made: Made, *arguments: str) -> str:
    result = CliRunner().invoke(lowerings.command, [str(made.path), *arguments])
    assert result.exception is None, result.exception
    return result.output


def rows(made: Made) -> list[dict[str, Any]]:
    plain: list[dict[str, Any]] = json.loads(listed(made, "--json"))["lowerings"]
    return plain


def tagged(made: Made, *arguments: str) -> None:
    result = CliRunner().invoke(tag.command, [str(made.path), *arguments])
    assert result.exception is None, result.exception


def test_each_lowering_is_a_row_that_agrees_with_the_record(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force(), release_force()])
    tagged(made, "--sheet", str(write_sheet(tmp_path)))
    first, second = rows(made)
    assert (first["lowering"], first["piece"], first["method"]) == (1, "orchard/P1", "snubbed_drop")
    assert (second["lowering"], second["piece"], second["method"]) == (2, "orchard/P2", "tip_tied")
    assert abs(first["start_wall_ns"] - made.start_wall_ns(1)) < 5_000_000
    assert first["duration_s"] == pytest.approx(15.999, abs=0.001)
    low, high = made.windows[0]
    assert first["peak_n"] == pytest.approx(made.force_n[low : high + 1].max(), abs=2.0)
    assert first["samples"] == high - low + 1
    assert first["flags"] == []


def test_the_table_keeps_to_eighty_columns_and_to_the_unit(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force(), release_force()])
    tagged(made, "--sheet", str(write_sheet(tmp_path)))
    tagged(made, "1", "--note", "a long note about the wind, the tag line and the neighbour's cat")
    text = listed(made, "--units", "lbf")
    assert max(map(len, text.splitlines())) <= 80
    assert text.splitlines()[0].split() == [
        "no", "start", "s", "piece", "method", "peak", "notes",
    ]  # fmt: skip
    assert "943 lbf" in text
    assert "orchard/P2" in text


def test_what_to_doubt_stands_beside_the_peak(tmp_path: Path) -> None:
    made = make_logbook(
        tmp_path / "job.logbook",
        [drop_force(peak_n=9000.0), drop_force(peak_n=3000.0)],
        gaps=[(12_000, 50)],
        count_limits=(-32_768, 32_767),
        leave_open=True,
    )
    tagged(made, "2", "--discard", "--tag-line-tight", "--touched")
    first, second = rows(made)
    assert first["flags"] == ["gap", "clipped"]
    assert second["flags"] == ["not_closed", "tag_line_tight", "touched", "discarded"]
    text = listed(made)
    assert "≥ 3.23 kN" in text
    assert "not tied" in text
    assert "not closed; tag line tight" in text


def test_a_corrected_window_is_the_one_listed(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    tagged(made, "1", "--first-index", "4000", "--last-index", "5999")
    assert rows(made)[0]["samples"] == 2000


def test_counts_without_calibration_and_an_empty_window(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force(), drop_force()], scaling=False)
    set_window(made, 2, 900_000, 900_010)
    first, second = rows(made)
    assert first["peak_n"] is None
    assert (second["start"], second["duration_s"], second["flags"]) == (
        None, None, ["empty", "by_hand"],
    )  # fmt: skip
    assert "not calibrated" in listed(made)


def test_cells_are_named_when_there_are_several(tmp_path: Path) -> None:
    path = tmp_path / "job.logbook"
    make_logbook(path, [drop_force()])
    made = make_logbook(path, [np.zeros(9000)], cell="grey")
    assert "cell grey" in listed(made)


def test_a_logbook_without_lowerings_says_what_is_next(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [])
    assert "no lowerings yet" in listed(made)
    assert rows(made) == []


@pytest.mark.parametrize(
    "arguments",
    [
        ("lowerings", "{}"),
        ("tag", "{}", "1", "--note", "x"),
        ("tag", "{}", "--history", "tag", "1"),
    ],
)
def test_commands_of_the_logbook_load_nothing_heavy(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    tagged(made, "1", "--note", "y")
    code = (
        "import sys, json\nsys.argv = ['ropetally', *sys.argv[1:]]\n"
        "from logger.commands.main import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "print('\\n' + json.dumps(sorted({m.split('.')[0] for m in sys.modules})))"
    )
    filled = [argument.format(made.path) for argument in arguments]
    done = subprocess.run(
        [sys.executable, "-c", code, *filled], check=True, capture_output=True, text=True
    )
    loaded = set(json.loads(done.stdout.splitlines()[-1]))
    assert {"scipy", "pandas", "matplotlib", "analysis"}.isdisjoint(loaded)
