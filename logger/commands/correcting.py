"""Corrections of what was written: records, guesses, limits, and their history.

Comes in: what a person said to ``ropetally tag``. Goes out: new record versions, and what
was done. Must not: change or remove an older version, or touch samples.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import msgspec

from logger.clock import SystemClock
from logger.commands import planning
from logger.commands.output import listed, local_time, table
from logger.corrections import as_record, built, corrected
from logger.errors import InputError, LogbookMissingError
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Version
from logger.records import KINDS, Cell, Guess, Limit, Piece, Record, Rig
from logger.samples import Scaling
from logger.scaling import scaling_of
from logger.units import parse

Done = dict[str, Any]
"""What a step did, as printed with ``--json``; ``lines`` is what a person reads."""


def calibrate(logbook: Path, cells: Iterable[Cell], *, replace: bool = False) -> list[int]:
    """Give streams the calibration of their cell, as a new version; counts stay as they are.

    Parameters
    ----------
    logbook : Path
        The logbook.
    cells : iterable of Cell
        With their load points.
    replace : bool
        Also where a stream already has another calibration.

    Returns
    -------
    list of int
        Streams that were calibrated.
    """
    by_name = {name: cell for cell in cells for name in (cell.name, cell.device_id) if name}
    wanted: dict[int, Scaling] = {}
    with LogbookReader(logbook) as reader:
        for stream in reader.streams():
            cell = by_name.get(stream.info.device_id) or by_name.get(stream.cell)
            held = reader.scaling(stream.id)
            if cell is not None and (held is None or (replace and held != scaling_of(cell))):
                wanted[stream.id] = scaling_of(cell)
    with LogbookEntries(logbook) as entries:
        for number, scaling in wanted.items():
            entries.put_calibration(number, scaling)
    return list(wanted)


def known_piece(reader: LogbookReader, key: str) -> str:
    """Check that a piece exists; a bare name will do when only one job has it.

    Raises
    ------
    LogbookMissingError
        There is none, or more than one.
    """
    keys = reader.keys("piece")
    found = [known for known in keys if key in {known, known.partition("/")[2]}]
    if len(found) == 1:
        return found[0]
    there_are = listed(found or keys) or "none yet; store a sheet with --sheet"
    what = "more than one piece" if found else "no piece"
    raise LogbookMissingError(f"{reader.path}: {what} {key!r}; there are: {there_are}")


def _kind(name: str) -> type[Record]:
    """Type of a kind of record.

    Raises
    ------
    InputError
        No such kind.
    """
    if name not in KINDS:
        raise InputError(f"{name!r} is no kind of record; use one of {listed(KINDS)}")
    return KINDS[name]


def correct(logbook: Path, said: dict[str, Any], _number: str | None, words: list[str]) -> Done:
    """Store a corrected version of a record, or a first version of a new one."""
    name, key = said["set"]
    kind, where = _kind(name), f"{name} {key}"
    if not said["by"]:
        raise InputError("a correction needs its author: add --by NAME")
    if not words:
        raise InputError(f"{where}: say what to correct: FIELD=VALUE, for example note='windy'")
    with LogbookReader(logbook) as reader:
        before = reader.record(kind, key)
        if before is None:
            named = {"name": key.rpartition("/")[2]} if name not in {"tag", "limit", "note"} else {}
            record = as_record(built(words, kind, where, dict(named)), kind, where)
        else:
            record = corrected(before, words, where)
    return _store(logbook, name, key, record, said["by"])


def _store(logbook: Path, name: str, key: str, record: Record, author: str) -> Done:
    """Store a version; predict again what rests on it; a cell calibrates its streams."""
    with LogbookEntries(logbook) as entries:
        version = entries.put_record(key, record, author=author)
    with LogbookReader(logbook) as reader:
        affected = planning.pieces_affected(reader, name, key)
    predicted, unpredicted = planning.predict_pieces(logbook, affected)
    calibrated = calibrate(logbook, [record], replace=True) if isinstance(record, Cell) else []
    lines = [f"{name} {key}: version {version}, by {author}"]
    lines += [f"predicted again: {key}" for key in predicted]
    lines += [f"caution: {key} could not be predicted: {why}" for key, why in unpredicted]
    if calibrated:
        lines.append(f"calibrated streams {listed(calibrated)}")
    return {
        "kind": name,
        "key": key,
        "version": version,
        "record": msgspec.to_builtins(record),
        "predicted": list(predicted),
        "calibrated_streams": calibrated,
        "lines": lines,
    }


def guess(logbook: Path, said: dict[str, Any], _number: str | None, _a: list[str]) -> Done:
    """Add somebody's guess to a piece."""
    if not said["guess_by"] or not said["piece"]:
        raise InputError("a guess needs --guess-by NAME and --piece JOB/PIECE")
    made = as_record(
        {
            "by": said["guess_by"],
            "how": said["guess_how"],
            **({"weight_n": said["guess_weight"]} if said["guess_weight"] else {}),
            **({"drop_m": said["guess_drop"]} if said["guess_drop"] else {}),
        },
        Guess,
        "guess",
    )
    with LogbookReader(logbook) as reader:
        key = known_piece(reader, said["piece"])
        piece = reader.record(Piece, key)
    assert piece is not None  # noqa: S101 - its key was just read
    record = msgspec.structs.replace(piece, guesses=(*piece.guesses, made))
    return _store(logbook, "piece", key, record, said["by"] or said["guess_by"])


def limit(logbook: Path, said: dict[str, Any], _number: str | None, _a: list[str]) -> Done:
    """Enter a typed limit, with who and when."""
    for name in ("limit_kind", "limit_force", "limit_by"):
        if not said[name]:
            raise InputError(f"a limit needs --{name.replace('_', '-')}")
    force_n = parse(said["limit_force"], "force")
    body = {
        "on": said["limit"],
        "kind": said["limit_kind"],
        "force_n": force_n,
        "by": said["limit_by"],
        "entered": local_time(SystemClock().wall_ns(), seconds=False),
        "note": said["limit_note"],
    }
    record = as_record(body, Limit, "limit")
    with LogbookReader(logbook) as reader:
        known = _gear(reader)
    done = _store(logbook, "limit", f"{record.on}/{record.kind}", record, said["limit_by"])
    if record.on not in known:
        done["lines"].append(
            f"caution: nothing here is called {record.on!r} yet; "
            f"there are: {listed(sorted(known)) or 'no ropes, nodes, cells or stations'}"
        )
    return done


def _gear(reader: LogbookReader) -> set[str]:
    """Names that a limit can be on: ropes, nodes, cells, stations."""
    rigs = reader.all_records(Rig).values()
    streams = reader.streams()
    return {
        *reader.keys("rope"),
        *reader.keys("cell"),
        *(stream.cell for stream in streams),
        *(stream.station for stream in streams if stream.station),
        *(rig.station.name for rig in rigs),
        *(node.name for rig in rigs for node in rig.nodes),
    }


def history(logbook: Path, said: dict[str, Any], _number: str | None, _a: list[str]) -> Done:
    """List every version of a record with time and author."""
    name, key = said["history"]
    _kind(name)
    with LogbookReader(logbook) as reader:
        versions = reader.versions(name, key)
        if not versions:
            known = listed(reader.keys(name)) or "none yet"
            raise LogbookMissingError(f"{logbook}: no {name} {key!r}; there are: {known}")
    rows = [
        (
            str(version.version),
            local_time(version.written_wall_ns),
            version.author or "not said",
            change,
        )
        for version, change in zip(versions, changes(versions), strict=True)
    ]
    return {
        "kind": name,
        "key": key,
        "versions": [
            {
                "version": v.version,
                "written_wall_ns": v.written_wall_ns,
                "author": v.author,
                "record": msgspec.json.decode(v.body),
            }
            for v in versions
        ],
        "lines": [table(("version", "written", "by", "what it says, or changes"), rows)],
    }


def changes(versions: Sequence[Version]) -> list[str]:
    """Say what each version of a record changes; the first one, what it says."""
    bodies = [_flat(msgspec.json.decode(version.body)) for version in versions]
    return [_change(before, now) for before, now in zip([{}, *bodies], bodies, strict=False)]


def _flat(value: Any, key: str = "") -> dict[str, Any]:
    """Lay a record out as dotted fields.

    Examples
    --------
    >>> _flat({"name": "P1", "drop": {"slack_m": 0.1}, "guesses": [{"by": "Wren"}]})
    {'name': 'P1', 'drop.slack_m': 0.1, 'guesses[0].by': 'Wren'}
    """
    if isinstance(value, dict):
        parts = [_flat(inner, f"{key}.{name}" if key else name) for name, inner in value.items()]
    elif isinstance(value, list):
        parts = [_flat(inner, f"{key}[{i}]") for i, inner in enumerate(value)]
    else:
        return {key: value}
    return {name: inner for part in parts for name, inner in part.items()}


def _change(before: dict[str, Any], now: dict[str, Any]) -> str:
    """Say which fields a version sets, changes or takes away."""
    words = []
    for field in [*before, *(field for field in now if field not in before)]:
        if field not in now:
            words.append(f"{field} taken away (was {before[field]})")
        elif field not in before:
            words.append(f"{field} {now[field]}")
        elif before[field] != now[field]:
            words.append(f"{field} {before[field]} → {now[field]}")
    return "; ".join(words) or "nothing changed"
