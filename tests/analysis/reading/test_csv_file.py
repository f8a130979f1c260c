from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from analysis.errors import TraceFileError
from analysis.reading.csv_file import Columns, read_csv


def write(folder: Path, text: str) -> Path:
    path = folder / "record.csv"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "newtons"),
    [
        ("# maker\ntime_s,force_n\n0,1\n0.1,2\n", 1.0),
        ("Force (kN),Time (s)\n1,0\n2,0.1\n", 1000.0),
        ("t [ms];Load [kgf]\n0;1\n100;2\n", 9.80665),
        ("time_s;force_n\n0,0;1,5\n0,1;3,0\n", 1.5),
        ("time_ms\ttension_lbf\n\n0\t1\n100\t2\n", 4.4482216152605),
    ],
)
def test_headers_name_columns_and_units(tmp_path: Path, text: str, newtons: float) -> None:
    time, force = read_csv(write(tmp_path, text))
    assert time == pytest.approx([0.0, 0.1])
    assert force == pytest.approx([newtons, 2 * newtons])


def test_columns_by_number_without_header(tmp_path: Path) -> None:
    said = Columns(time="1", force="3", time_unit_s=1.0, force_unit_n=1000.0)
    time, force = read_csv(write(tmp_path, "0,9,1\n0.5,9,2\n"), said)
    assert time == pytest.approx([0.0, 0.5])
    assert force == pytest.approx([1000.0, 2000.0])


def test_a_rate_stands_in_for_times(tmp_path: Path) -> None:
    time, _ = read_csv(write(tmp_path, "force_n\n1\n2\n3\n"), Columns(rate_hz=10.0))
    assert time == pytest.approx([0.0, 0.1, 0.2])


def test_missing_forces_are_nan(tmp_path: Path) -> None:
    _, force = read_csv(write(tmp_path, "time_s,force_n\n0,1\n1,\n2,nan\n3,4\n"))
    assert np.isnan(force).tolist() == [False, True, True, False]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("", None, "no rows"),
        ("# only a comment\n", None, "no rows"),
        ("time_s,force_n\n", None, "no rows of numbers"),
        ("a,b\n1,2\n", None, "no column of force"),
        ("force_n,b\n1,2\n", None, "no column of time"),
        ("time_s,force\n1,2\n", None, "--force-unit"),
        ("time_s,force_kg\n1,2\n", None, "--force-unit"),
        ("time,force_n\n1,2\n", None, "--time-unit"),
        ("time_s,force_n\n0,1\n1,x\n", 3, "'x' is not a number"),
        ("# c\ntime_s,force_n\n0,1\n\n1\n", 5, "column 2 is missing"),
        ("time_s,force_n\n0,1\n,2\n", 3, "is not a number"),
        ("time_s,force_n\n0,1\nnan,2\n", 3, "not a finite number"),
        ("# c\ntime_s,force_n\n0,1\n1,2\n1,3\n", 5, "does not come after"),
        ("time_s,force_n\n0,1\n1,inf\n2,3\n", 3, "inf is no time or force"),
        ("time_s,force_n\n0,1\n1,-1e300\n2,3\n", 3, "-1e300 is no time or force"),
        ("time_s,force_n\n0,1\n1,nan\n2,\n", None, "1 row(s) with a force"),
    ],
)
def test_what_is_wrong_names_file_and_line(
    tmp_path: Path, text: str, line: int | None, words: str
) -> None:
    path = write(tmp_path, text)
    with pytest.raises(TraceFileError) as caught:
        read_csv(path)
    assert caught.value.line == line
    assert words in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_an_unknown_column_lists_the_known(tmp_path: Path) -> None:
    path = write(tmp_path, "time_s,force_n\n0,1\n")
    with pytest.raises(TraceFileError, match="there are: time_s, force_n"):
        read_csv(path, Columns(force="load"))
    bare = write(tmp_path, "0,1\n")
    with pytest.raises(TraceFileError, match="numbers 1 to 2"):
        read_csv(bare, Columns(force="7"))


def test_not_text(tmp_path: Path) -> None:
    path = tmp_path / "record.csv"
    path.write_bytes(b"\xff\xfe\x00\x01")
    with pytest.raises(TraceFileError, match="UTF-8"):
        read_csv(path)
