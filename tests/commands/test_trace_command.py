from __future__ import annotations

import json
import math
from pathlib import Path

import pytest
from click.testing import CliRunner

from analysis.errors import TraceFileError
from logger.commands.trace import command

PLATE = Path(__file__).parents[1] / "data" / "force_plate_jump.csv"
CONTRACT = {
    "hang_weight_n",
    "hang_weight_n_u",
    "peak_n",
    "peak_n_u",
    "peak_time_s",
    "dynamic_factor",
    "pretension_settled_n",
    "release_kind",
    "release_peak_n",
    "flags",
}


def run(*arguments: str) -> str:
    result = CliRunner().invoke(command, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


def test_json_keeps_the_agreed_keys() -> None:
    found = json.loads(run(str(PLATE), "--json"))
    assert set(found) >= CONTRACT
    assert found["hang_weight_n"] == pytest.approx(767.1, rel=0.005)
    assert found["peak_n"] == pytest.approx(3219.4, rel=0.001)
    assert found["phases"][0]["name"] == "pretension"
    assert set(found["budgets"]["peak_n"]) >= {"calibration", "zero", "noise", "sampling"}


def test_table_says_unit_uncertainty_flags_and_caution() -> None:
    text = run(str(PLATE), "--units", "N")
    assert "3219 ± " in text
    assert " N at 4.038 s (catch)" in text
    assert "zero is taken as 0" in text
    assert "static calibration" in text
    assert "never permission" in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_table_of_a_small_uncertainty_shows_its_digits() -> None:
    assert "0.767 ± 0.002 kN" in run(str(PLATE))


def test_calibration_and_clip_enter() -> None:
    found = json.loads(run(str(PLATE), "--json", "--calibration-u", "1", "--clip", "3 kN"))
    assert found["peak_is_lower_bound"]
    assert "clipped" in found["flags"]
    assert "calibration_unknown" not in found["flags"]
    assert found["peak_n_u"] > 0.02 * 3219
    assert "at least 3.219 ± 0.014 kN" in run(str(PLATE), "--clip", "3 kN")


def test_units_and_columns_by_option(tmp_path: Path) -> None:
    rows = [f"{i * 1000},{0.0 if i < 1000 else 2.0}" for i in range(3000)]
    path = tmp_path / "odd.csv"
    path.write_text("\n".join(["when,pull", *rows]))
    found = json.loads(
        run(
            str(path), "--json", "--time-column", "when", "--time-unit", "us",
            "--force-column", "pull", "--force-unit", "kN",
        )
    )  # fmt: skip
    assert found["hang_weight_n"] == pytest.approx(2000.0, rel=0.005)
    assert found["duration_s"] == pytest.approx(2.999)


def test_nothing_loaded_is_said(tmp_path: Path) -> None:
    path = tmp_path / "flat.csv"
    path.write_text("time_s,force_n\n" + "\n".join(f"{i / 100},5" for i in range(300)))
    found = json.loads(run(str(path), "--json"))
    assert found["flags"] == ["no_load"]
    assert found["hang_weight_n"] is None
    assert found["phases"] == []
    assert "nothing was loaded" in run(str(path))


def test_a_bad_row_is_a_typed_error(tmp_path: Path) -> None:
    path = tmp_path / "bad.csv"
    path.write_text("time_s,force_n\n0,1\n1,oops\n")
    with pytest.raises(TraceFileError, match=r"bad\.csv:3"):
        run(str(path))


def test_json_has_no_nan(tmp_path: Path) -> None:
    path = tmp_path / "gap.csv"
    rows = [
        f"{i / 200},{math.nan if 300 < i < 320 else (0 if i < 200 else 900)}" for i in range(900)
    ]
    path.write_text("time_s,force_n\n" + "\n".join(rows))
    found = json.loads(run(str(path), "--json"), parse_constant=pytest.fail)
    assert "gap" in found["flags"]
