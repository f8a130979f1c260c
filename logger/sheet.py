"""The job sheet: a TOML file that a person wrote, read into records.

Comes in: a file. Goes out: a :class:`~logger.records.Sheet` in SI, or one
:class:`~logger.errors.SheetError` that names file, line, key, what was expected and what
stands there. Must not: store anything, or compute physics.

A sheet may lean on what a logbook already holds (a rig or a rope of an earlier sheet);
the caller says which names those are.
"""

from __future__ import annotations

import datetime as dt
import difflib
import json
import re
import tomllib
from collections.abc import Collection
from pathlib import Path
from typing import Any, Final, NoReturn

import msgspec
from msgspec import inspect

from logger.errors import InputError, SheetError
from logger.records import Record, Sheet, convert, to_si
from logger.sheet_findings import Finding, KeyPath, findings_of
from logger.units import UNITS, dimension_of

__all__ = [
    "Finding",
    "KeyPath",
    "dotted",
    "explain",
    "explain_unit",
    "load_toml",
    "plain_values",
    "read_sheet",
    "read_source",
    "refuse",
    "steps",
    "type_at",
]

_PATH: Final = re.compile(r" - at `\$([^`]*)`$")
_STEP: Final = re.compile(r"\.([^.\[]+)|\[(\d+)\]")
_TOML_LINE: Final = re.compile(r"\(at line (\d+), column \d+\)")
_PLAIN_WORDS: Final = {
    "`float`": "a number",
    "`int`": "a whole number",
    "`str`": "text",
    "`bool`": "true or false",
    "`array`": "a list",
    "`object`": "a table",
}


def read_sheet(
    path: Path, *, known_rigs: Collection[str] = (), known_ropes: Collection[str] = ()
) -> Sheet:
    """Read and check a job sheet.

    Parameters
    ----------
    path : Path
        TOML file.
    known_rigs, known_ropes : collection of str
        Names that the logbook already holds, which the sheet may refer to.

    Returns
    -------
    Sheet
        Everything in SI; every name that it refers to exists.

    Raises
    ------
    SheetError
        The first thing wrong in the file, with its line.
    InputError
        The file cannot be read at all.
    """
    source = read_source(path, "job sheet")
    written = load_toml(path, source)
    try:
        sheet = convert(to_si(plain_values(written)), Sheet)
    except msgspec.ValidationError as error:
        refuse(path, source, explain(error, written, Sheet))
    except InputError as error:
        refuse(path, source, explain_unit(error, written))
    findings = list(findings_of(sheet, set(known_rigs), set(known_ropes)))
    if findings:
        refuse(path, source, *findings)
    return sheet


# --- the file ----------------------------------------------------------------------


def read_source(path: Path, what: str) -> bytes:
    """Bytes of the file, which is ``what``."""
    try:
        return path.read_bytes()
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such {what}; check the name") from error
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", error)
        raise InputError(f"{path}: cannot read the {what}: {why}") from error


def load_toml(path: Path, source: bytes) -> dict[str, Any]:
    """TOML as plain values."""
    try:
        return tomllib.loads(source.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        line = source.count(b"\n", 0, error.start) + 1
        found = f"byte 0x{source[error.start]:02x}"
        raise SheetError(str(path), line, "text", "UTF-8; save the file as UTF-8", found) from error
    except (ValueError, RecursionError) as error:  # 5000 digits, deep nesting
        message = str(error)
        match = _TOML_LINE.search(message)
        line = int(match.group(1)) if match else source.rstrip().count(b"\n") + 1
        said = message.split(" (at ", maxsplit=1)[0]
        found = source.splitlines()[line - 1].decode(errors="replace").strip() if source else ""
        raise SheetError(str(path), line, "TOML", f"valid TOML ({said})", found) from error


def plain_values(value: Any) -> Any:
    """Dates as their ISO text; everything else as it is."""
    if isinstance(value, dict):
        return {key: plain_values(item) for key, item in value.items()}
    if isinstance(value, list):
        return [plain_values(item) for item in value]
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    return value


# --- from a wrong value to one line ----------------------------------------------------


def refuse(path: Path, source: bytes, *findings: Finding) -> NoReturn:
    """Raise the finding that stands first in the file."""
    from logger.toml_lines import lines_of, nearest_line  # noqa: PLC0415 - only when wrong

    lines = lines_of(source.removeprefix(b"\xef\xbb\xbf"))
    placed = [(nearest_line(lines, finding[0]), finding) for finding in findings]
    line, (where, expected, found) = min(placed, key=lambda item: item[0] or 0)
    raise SheetError(str(path), line, dotted(where), expected, found)


def explain_unit(error: InputError, written: Any) -> Finding:
    """Say what :func:`~logger.records.to_si` found: text that is no quantity of its kind.

    Parameters
    ----------
    error : InputError
        With the dotted key as its second argument.
    written : Any
        What was to be converted.
    """
    where = steps(f".{error.args[1]}")
    dimension = dimension_of(str(next(step for step in reversed(where) if isinstance(step, str))))
    units = ", ".join(UNITS[dimension]) if dimension else ""
    return where, f"a number in SI or text with a unit ({units})", _shown(written, where)


def explain(error: msgspec.ValidationError, written: Any, record: type[Record]) -> Finding:
    """Say where a value does not fit its record, what was expected and what stands there.

    Parameters
    ----------
    error : msgspec.ValidationError
        What :func:`~logger.records.convert` raised.
    written : Any
        What was to be converted.
    record : type
        Type of the record.
    """
    message = str(error)
    match = _PATH.search(message)
    where = steps(match.group(1)) if match else ()
    said = message[: match.start()] if match else message
    name = re.search(r"`([^`]+)`$", said)
    if said.startswith("Object contains unknown field") and name:
        return ((*where, name.group(1)), *_explain_unknown(type_at(where, record), name.group(1)))
    if said.startswith("Object missing required field") and name:
        return (*where, name.group(1)), _required(type_at(where, record), name.group(1)), "nothing"
    if said.startswith("Invalid enum value"):
        return (
            where,
            f"one of {', '.join(map(str, type_at(where, record).values))}",
            _shown(written, where),
        )
    expected = said.removeprefix("Expected ").split(", got ")[0]
    for word, plain in _PLAIN_WORDS.items():
        expected = expected.replace(word, plain)
    dimension = dimension_of(str(where[-1])) if where else None
    if expected == "a list" and len(where) == 1:
        expected += f" of tables, each under [[{where[0]}]]"
    if dimension is not None:
        expected += f" or text with a unit of {dimension} ({', '.join(UNITS[dimension])})"
    return where, expected, _shown(written, where)


def _explain_unknown(kind: Any, name: str) -> tuple[str, str]:
    """Name expected and found for a key that the record does not have."""
    names = [field.name for field in getattr(kind, "fields", ())]
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if close:
        return f"a known key; did you mean {close[0]}?", name
    return f"a known key (one of {', '.join(names)})", name


def _required(kind: Any, name: str) -> str:
    """Say what a key that is missing would hold; a choice names its values."""
    field = next((one for one in kind.fields if one.name == name), None)
    values = getattr(getattr(field, "type", None), "values", ())
    choice = f": one of {', '.join(map(str, values))}" if values else ""
    return f"this key, which is required{choice}"


def type_at(where: KeyPath, record: type[Record]) -> Any:
    """Describe the type that belongs at a path of a record."""
    found: Any = inspect.type_info(record)
    for step in where:
        if isinstance(step, str):
            found = next(field.type for field in found.fields if field.name == step)
        else:
            found = found.item_type
        if isinstance(found, inspect.UnionType):
            found = next(kind for kind in found.types if not isinstance(kind, inspect.NoneType))
    return found


def steps(path: str) -> KeyPath:
    """Split ``.piece[1].length_m``."""
    return tuple(key or int(position) for key, position in _STEP.findall(path))


def dotted(path: KeyPath) -> str:
    """Join what :func:`steps` split."""
    joined = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return joined.removeprefix(".")


def _shown(written: Any, where: KeyPath) -> str:
    """Show what stands at a path of the file, short."""
    for step in where:
        written = written[step]
    shown = json.dumps(written, default=str, ensure_ascii=False)
    return shown if len(shown) <= 60 else f"{shown[:57]}…"
