"""Everything that is wrong in a sheet, not only the first thing.

Comes in: a file. Goes out: one :class:`~logger.errors.SheetError` for each problem, in the
file's order, and the sheet made of what could be read. Must not: store anything, or use
such a sheet for more than looking for further problems.

Notes
-----
After each finding the value at fault is left out and the rest read again; where it was a
key that is required, the record around it goes too. Positions in lists are then those of
the file, so that each line is the right one.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import msgspec

from logger.errors import InputError, SheetError
from logger.records import Sheet, convert, to_si
from logger.sheet import (
    Finding,
    KeyPath,
    dotted,
    explain,
    explain_unit,
    load_toml,
    plain_values,
    read_source,
)
from logger.sheet_findings import findings_of
from logger.toml_lines import lines_of, nearest_line

MOST: Final = 200


@dataclass(frozen=True, slots=True)
class CheckedSheet:
    """What a file says, and what is wrong with it.

    Parameters
    ----------
    path : Path
        The file.
    sheet : Sheet or None
        What could be read; None when not even the job could.
    problems : tuple of SheetError
        In the file's order.
    lines : dict
        Key path → line in the file.
    """

    path: Path
    sheet: Sheet | None
    problems: tuple[SheetError, ...]
    lines: dict[KeyPath, int]

    def problem(self, where: KeyPath, said: str) -> str:
        """Word something else that is wrong at a place of the file, in one line."""
        line = nearest_line(self.lines, where)
        return f"{self.path}{'' if line is None else f':{line}'}: {dotted(where)}: {said}"


def check_sheet(
    path: Path, *, known_rigs: Collection[str] = (), known_ropes: Collection[str] = ()
) -> CheckedSheet:
    """Read a sheet and find everything that is wrong in it.

    Parameters
    ----------
    path : Path
        TOML file.
    known_rigs, known_ropes : collection of str
        Names that a logbook already holds.

    Returns
    -------
    CheckedSheet

    Raises
    ------
    InputError
        The file cannot be read, or is no TOML.
    """
    source = read_source(path, "job sheet")
    written = plain_values(load_toml(path, source))
    lines = lines_of(source.removeprefix(b"\xef\xbb\xbf"))
    names = {kind: _names(written, kind) for kind in ("rig", "rope")}
    reading = _Reading(written)
    found = list(reading.findings())
    sheet = reading.sheet
    if sheet is not None:
        rigs, ropes = names["rig"] | set(known_rigs), names["rope"] | set(known_ropes)
        between = findings_of(sheet, rigs, ropes)
        found += [(reading.in_file(where), *rest) for where, *rest in between]  # type: ignore[misc]
    placed = sorted(((nearest_line(lines, one[0]) or 0, one) for one in found), key=lambda x: x[0])
    problems = [
        SheetError(str(path), line or None, dotted(where), expected, stands)
        for line, (where, expected, stands) in placed
    ]
    return CheckedSheet(path, sheet, tuple(problems), lines)


def _names(written: dict[str, Any], kind: str) -> set[str]:
    """Names of rigs or ropes as they stand in the file, right or wrong."""
    tables = written.get(kind)
    listed = tables if isinstance(tables, list) else []
    return {str(one["name"]) for one in listed if isinstance(one, dict) and "name" in one}


class _Reading:
    """A sheet read again and again, with less that is wrong in it each time."""

    def __init__(self, written: dict[str, Any]) -> None:
        self._written = written
        self._rest: Any = _copied(written)
        self._kept: dict[KeyPath, list[int]] = {}
        self._dropped: set[KeyPath] = set()
        self.sheet: Sheet | None = None

    def findings(self) -> Iterator[Finding]:
        """Find what does not fit its record, until the rest does."""
        for _ in range(MOST):
            try:
                self.sheet = convert(to_si(self._rest), Sheet)
            except msgspec.ValidationError as error:
                where, expected, found = explain(error, self._rest, Sheet)
            except InputError as error:
                where, expected, found = explain_unit(error, self._rest)
            else:
                return
            place = self.in_file(where)
            if place not in self._dropped:
                yield place, expected, found
            if not self._drop(where):
                return

    def in_file(self, where: KeyPath) -> KeyPath:
        """Give a path in the file for one in what is left of it."""
        path: KeyPath = ()
        for step in where:
            kept = self._kept.get(path)
            path = (*path, kept[step] if kept is not None and isinstance(step, int) else step)
        return path

    def _drop(self, where: KeyPath) -> bool:
        """Leave out the value at a path, or the record around it when it is not there."""
        parents = [self._rest]
        for step in where[:-1]:
            parents.append(parents[-1][step])
        for depth in range(len(where) - 1, -1, -1):
            parent, step = parents[depth], where[depth]
            if isinstance(parent, dict) and step in parent and where[:depth]:
                self._dropped.add(self.in_file(where[: depth + 1]))
                del parent[step]
                return True
            if isinstance(parent, dict) and step in parent and step != "job":
                del parent[step]
                return True
            if isinstance(parent, list) and isinstance(step, int):
                place = self.in_file(where[:depth])
                kept = self._kept.setdefault(place, list(range(len(parent))))
                del kept[step], parent[step]
                return True
        return False


def _copied(value: Any) -> Any:
    """Copy dicts and lists, so that what was written stays."""
    if isinstance(value, dict):
        return {key: _copied(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_copied(item) for item in value]
    return value
