"""Times and forces from a CSV file of any maker.

Comes in: a path and what the user said of the columns. Goes out: seconds and newtons.
Must not: guess a unit that neither header nor user gives, or skip a bad row silently.

Recognised headers end in their unit, after ``_`` or in brackets: ``time_s,force_n``,
``t (ms)``, ``Load [kN]``.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from analysis.errors import TraceFileError
from analysis.reading.trace import FloatArray
from logger.units import UNITS

_HEAD: Final = re.compile(r"^\s*(?P<name>.*?)[\s_]*[_(\[\s](?P<unit>[A-Za-z]+)[)\]]?\s*$")
_TIMES: Final = ("time", "t", "elapsed", "seconds")
_FORCES: Final = ("force", "load", "f", "tension", "weight", "newtons")
_MEND: Final = "correct or remove the row; an empty cell is a missing force"
_LARGEST: Final = 1e15
"""No time or force is this large; beyond it the arithmetic of a reading loses its footing."""
_TIME_UNITS: Final = UNITS["time"]
_FORCE_UNITS: Final = {name.lower(): value for name, value in UNITS["force"].items()}


@dataclass(frozen=True, slots=True)
class Columns:
    """What the user said: names or numbers (from 1), units in SI, rate without times."""

    time: str | None = None
    force: str | None = None
    time_unit_s: float | None = None
    force_unit_n: float | None = None
    rate_hz: float | None = None


def read_csv(path: Path, columns: Columns | None = None) -> tuple[FloatArray, FloatArray]:
    """Read times and forces from a CSV file.

    Parameters
    ----------
    path : Path
        Comma, semicolon or tab between columns; between semicolons a comma may stand for
        the decimal point; lines starting with ``#`` and empty lines are skipped; one header line, or none when the columns are given by number.
    columns : Columns, optional
        Columns and units; else they are recognised from the header.

    Returns
    -------
    time_s, force_n : (n,) float64
        An empty force cell or ``nan`` is NaN: a missing sample; infinite ones are refused.

    Raises
    ------
    TraceFileError
        Names file and line: a row that is not numbers, times that do not increase,
        columns or units that are not known.
    """
    said = columns or Columns()
    numbered = _lines(path)
    if not numbered:
        raise TraceFileError(str(path), None, "no rows; expected times and forces")
    split = _separator(numbered[0][1])
    head = [cell.strip().strip('"') for cell in numbered[0][1].split(split)]
    headed = not all(_is_number(cell) for cell in head)
    names = head if headed else []
    rows = numbered[1:] if headed else numbered
    if not rows:
        raise TraceFileError(str(path), None, "a header but no rows of numbers")
    where = str(path)
    force_at = _column(said.force, names, len(head), _FORCES, "force", where)
    force_unit = said.force_unit_n or _unit(names, force_at, _FORCE_UNITS, "force", where)
    if said.rate_hz is not None:
        force = _numbers(where, rows, split, force_at, missing=True) * force_unit
        return np.arange(force.size) / said.rate_hz, _enough(force, where)
    time_at = _column(said.time, names, len(head), _TIMES, "time", where)
    time_unit = said.time_unit_s or _unit(names, time_at, _TIME_UNITS, "time", where)
    time = _numbers(where, rows, split, time_at, missing=False) * time_unit
    force = _numbers(where, rows, split, force_at, missing=True) * force_unit
    back = np.flatnonzero(np.diff(time) <= 0)
    if back.size:
        row = int(back[0]) + 1
        problem = f"time {time[row]:g} s does not come after {time[row - 1]:g} s"
        raise TraceFileError(where, rows[row][0], f"{problem}; sort the rows, remove repeats")
    return time, _enough(force, where)


def _enough(force: FloatArray, where: str) -> FloatArray:
    """Refuse a file in which fewer than two forces are there."""
    there = int(np.count_nonzero(~np.isnan(force)))
    if there < 2:
        problem = f"{there} row(s) with a force; at least 2 are needed: is it the right column?"
        raise TraceFileError(where, None, problem)
    return force


def _lines(path: Path) -> list[tuple[int, str]]:
    """Rows with their 1-based line numbers, without comments and empty lines."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise TraceFileError(str(path), None, "not a text file in UTF-8") from error
    return [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]


def _separator(line: str) -> str:
    return next((mark for mark in (";", "\t") if mark in line), ",")


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return cell == ""
    return True


def _column(
    wanted: str | None, names: list[str], count: int, known: tuple[str, ...], what: str, where: str
) -> int:
    """Index of a column: as the user said, else by its header, else by place."""
    if wanted is not None:
        if wanted in names:
            return names.index(wanted)
        if wanted.isdigit() and 1 <= int(wanted) <= count:
            return int(wanted) - 1
        have = ", ".join(names) if names else f"numbers 1 to {count}"
        raise TraceFileError(where, None, f"no column {wanted!r}; there are: {have}")
    for index, name in enumerate(names):
        if _plain_name(name) in known:
            return index
    raise TraceFileError(
        where,
        None,
        f"no column of {what} recognised; expected a header such as time_s,force_n, "
        f"or name it: --{what}-column",
    )


def _plain_name(name: str) -> str:
    match = _HEAD.match(name)
    return (match.group("name") if match else name).strip().lower()


def _unit(names: list[str], index: int, units: dict[str, float], what: str, where: str) -> float:
    match = _HEAD.match(names[index]) if names else None
    unit = match.group("unit").lower() if match else ""
    if unit not in units:
        raise TraceFileError(
            where, None, f"the unit of {what} is not known; give it: --{what}-unit"
        )
    return units[unit]


def _numbers(
    where: str, rows: list[tuple[int, str]], split: str, index: int, *, missing: bool
) -> FloatArray:
    """One column as numbers; the first row that is none is named."""
    point = (",", ".") if split == ";" else (".", ".")
    cells = [line.replace(*point).split(split) for _, line in rows]
    try:
        values = np.array([row[index] for row in cells], dtype=np.float64)
    except (IndexError, ValueError):
        values = np.array(
            [_number(where, rows[i][0], row, index, missing=missing) for i, row in enumerate(cells)]
        )
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size and not missing:
        raise TraceFileError(where, rows[int(bad[0])][0], "the time is not a finite number")
    large = np.flatnonzero(np.abs(values) > _LARGEST)
    if large.size:
        row = int(large[0])
        problem = f"{cells[row][index].strip()} is no time or force; {_MEND}"
        raise TraceFileError(where, rows[row][0], problem)
    return values


def _number(where: str, line: int, row: list[str], index: int, *, missing: bool) -> float:
    if index >= len(row):
        raise TraceFileError(where, line, f"{len(row)} column(s); column {index + 1} is missing")
    cell = row[index].strip().strip('"')
    if not cell and missing:
        return math.nan
    try:
        return float(cell)
    except ValueError as error:
        raise TraceFileError(where, line, f"{cell!r} is not a number; {_MEND}") from error
