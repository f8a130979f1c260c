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
import math
import re
import tomllib
from collections.abc import Collection, Iterable, Iterator
from pathlib import Path
from typing import Any, Final, NoReturn

import msgspec
from msgspec import inspect

from logger.errors import InputError, SheetError
from logger.records import Guess, Limit, Piece, Record, Rig, Sheet, Station, convert, to_si
from logger.units import UNITS, dimension_of

KeyPath = tuple[str | int, ...]
Finding = tuple[KeyPath, str, str]
"""Where something is wrong, what was expected, what stands there."""

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
        return (*where, name.group(1)), "this key, which is required", "nothing"
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


# --- what one record says of another -----------------------------------------------------


def findings_of(sheet: Sheet, rigs: set[str], ropes: set[str]) -> Iterator[Finding]:
    """Everything that is wrong between the records of a sheet."""
    yield from _not_finite(msgspec.to_builtins(sheet), ())
    yield from _slashes(sheet)
    for kind in ("piece", "rig", "rope", "cell"):
        yield from _repeated((kind,), [record.name for record in getattr(sheet, kind)])
    by_name = {rig.name: rig for rig in sheet.rig}
    for i, piece in enumerate(sheet.piece):
        yield from _piece_findings(piece, ("piece", i), by_name, rigs)
    for i, rig in enumerate(sheet.rig):
        yield from _rig_findings(rig, ("rig", i), {r.name for r in sheet.rope} | ropes)
    for i, cell in enumerate(sheet.cell):
        low, high = cell.points
        if low.counts == high.counts or low.force_n == high.force_n:
            yield (
                ("cell", i, "points"),
                "two different loads with different counts",
                "the same twice",
            )
    for i, limit in enumerate(sheet.limit):
        yield from _limit_findings(limit, ("limit", i), sheet, rigs | ropes)


def _not_finite(value: Any, where: KeyPath) -> Iterator[Finding]:
    """Infinite or undefined numbers, which TOML can write."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _not_finite(item, (*where, key))
    elif isinstance(value, (list, tuple)):
        for i, item in enumerate(value):
            yield from _not_finite(item, (*where, i))
    elif isinstance(value, float) and not math.isfinite(value):
        yield where, "a finite number", str(value)


def _slashes(sheet: Sheet) -> Iterator[Finding]:
    """Names that would break the key ``job/piece``."""
    if "/" in sheet.job.name:
        yield ("job", "name"), "a name without '/'", sheet.job.name
    for i, piece in enumerate(sheet.piece):
        if "/" in piece.name:
            yield ("piece", i, "name"), "a name without '/'", piece.name


def _repeated(where: KeyPath, names: list[str]) -> Iterator[Finding]:
    """Names used twice."""
    for i, name in enumerate(names):
        if name in names[:i]:
            yield (*where, i, "name"), "a name not used before in this sheet", name


def _named(where: KeyPath, name: str, known: Iterable[str], what: str) -> Iterator[Finding]:
    """Find a reference to something that does not exist."""
    names = sorted(set(known))
    if name not in names:
        listed = ", ".join(names) if names else "there is none yet"
        yield where, f"the name of {what} ({listed})", name


def _piece_findings(
    piece: Piece, where: KeyPath, rigs: dict[str, Rig], known_rigs: set[str]
) -> Iterator[Finding]:
    """Check references, diameters, guesses and what the rig's method needs."""
    yield from _named((*where, "rig"), piece.rig, set(rigs) | known_rigs, "a rig")
    at_m = [diameter.at_m for diameter in piece.diameters]
    for i in range(len(at_m)):
        if at_m[i] > piece.length_m * (1 + 1e-9):
            expected = f"a place on the piece (0 to {piece.length_m:g} m)"
            yield (*where, "diameters", i, "at_m"), expected, f"{at_m[i]:g} m"
        elif i and at_m[i] <= at_m[i - 1]:
            expected = f"a place further out than {at_m[i - 1]:g} m"
            yield (*where, "diameters", i, "at_m"), expected, f"{at_m[i]:g} m"
    for i, guess in enumerate(piece.guesses):
        yield from _guess_findings(guess, (*where, "guesses", i))
    rig = rigs.get(piece.rig)
    if rig is not None:
        yield from _method_findings(piece, rig, where)


def _guess_findings(guess: Guess, where: KeyPath) -> Iterator[Finding]:
    """Find a guess of nothing."""
    if guess.weight_n is None and guess.drop_m is None:
        yield where, "weight_n or drop_m", "neither"


def _method_findings(piece: Piece, rig: Rig, where: KeyPath) -> Iterator[Finding]:
    """Check that a piece says what the method of its rig needs."""
    needed = {
        "span_rig": "release",
        "snubbed_drop": "drop",
        "let_run_drop": "drop",
        "swing": "swing",
    }.get(rig.method)
    if needed is not None and getattr(piece, needed) is None:
        yield (*where, needed), f"a table, because rig {rig.name} is a {rig.method}", "nothing"
    elif rig.method == "let_run_drop" and piece.drop is not None and piece.drop.run_m is None:
        yield (*where, "drop", "run_m"), "the braking distance of a let_run_drop", "nothing"


def _rig_findings(rig: Rig, where: KeyPath, ropes: set[str]) -> Iterator[Finding]:
    """Check references and what the method needs of the rig."""
    yield from _named((*where, "rope"), rig.rope, ropes, "a rope")
    names = [node.name for node in rig.nodes]
    yield from _repeated((*where, "nodes"), names)
    roles = [node.role for node in rig.nodes] or ["high_block"]
    places = names + [role for role in roles if roles.count(role) == 1]
    yield from _station_findings(rig.station, (*where, "station"), places)
    if rig.method == "span_rig":
        yield from _span_findings(rig, where)
    elif rig.method == "snubbed_drop" and rig.fall_length_m is None and len(rig.nodes) < 2:
        yield (
            (*where, "fall_length_m"),
            "the rope from high block to device, or both nodes",
            "nothing",
        )


def _station_findings(station: Station, where: KeyPath, nodes: list[str]) -> Iterator[Finding]:
    """Where a cell can sit."""
    if station.node:
        yield from _named((*where, "node"), station.node, nodes, "a node of this rig, or its role")
    if station.mount == "sling" and not station.node:
        yield (*where, "node"), "the node whose sling holds the cell", "nothing"
    if station.mount == "running_line" and station.leg is None:
        yield (*where, "leg"), "the leg that runs through the sensor", "nothing"
    if station.mount == "end" and not station.node and station.leg is None:
        yield (*where, "leg"), "a leg or a node for a cell at a rope's end", "neither"
    if station.mount == "end" and station.leg == "fall" and not station.node:
        expected = (
            "lead or standing: an inline cell in the fall cannot pass a block; put it at the "
            "lead's piece end, in the high block's or device's sling, or use a running_line sensor"
        )
        yield (*where, "leg"), expected, "fall"


def _span_findings(rig: Rig, where: KeyPath) -> Iterator[Finding]:
    """Check that a span rig has two ends, and rope enough to reach from one to the other."""
    by_role = {node.role: node for node in rig.nodes}
    for role in ("high_block", "piece_block", "anchor"):
        if role not in by_role:
            yield (
                (*where, "nodes"),
                f"a node with role {role}, because the method is span_rig",
                "none",
            )
    if rig.rope_length_m is None:
        yield (*where, "rope_length_m"), "the rope between high block and anchor", "nothing"
    elif {"high_block", "anchor"} <= set(by_role):
        a, b = by_role["high_block"], by_role["anchor"]
        apart_m = math.dist((a.x_m, a.y_m, a.z_m), (b.x_m, b.y_m, b.z_m))
        if rig.rope_length_m <= apart_m:
            expected = f"more than the {apart_m:.2f} m between high block and anchor"
            yield (*where, "rope_length_m"), expected, f"{rig.rope_length_m:g} m"


def _limit_findings(
    limit: Limit, where: KeyPath, sheet: Sheet, elsewhere: set[str]
) -> Iterator[Finding]:
    """Find a limit on something that nobody named."""
    names = {rope.name for rope in sheet.rope} | {cell.name for cell in sheet.cell} | elsewhere
    for rig in sheet.rig:
        names |= {rig.station.name, *(node.name for node in rig.nodes)}
    yield from _named((*where, "on"), limit.on, names, "a rope, node, cell or station")
