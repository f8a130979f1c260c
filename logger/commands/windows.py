"""Windows set by people: corrected, split in two, joined, and all of that undone.

Comes in: a logbook, a lowering's number, what a person said to ``ropetally tag``. Goes out:
new versions of window records (``logger/logbook/windows.py`` says how they are stored), and
what was done. Must not: touch samples or the trigger's rows, or number a lowering while a
recording runs.

An undo is a new version too. A split is undone by joining its parts again.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from logger.clock import Clock
from logger.commands.correcting import Done
from logger.commands.output import listed
from logger.commands.selecting import lowering_number
from logger.errors import InputError, LogbookBusyError
from logger.logbook.entries import LogbookEntries
from logger.logbook.lock import RecorderLock
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Lowering
from logger.logbook.windows import parts_of
from logger.records import Piece, Record, Rig, Tag, Window, WindowPart, piece_key
from logger.units import parse

_LEAST_SAMPLES = 2


def split(
    logbook: Path,
    said: dict[str, Any],
    number: str | None,
    _a: list[str],
    clock: Clock | None = None,
) -> Done:
    """Split a lowering in two; the first part keeps its number."""
    author = _author(said, "a split")
    lock = _locked(logbook)
    try:
        with LogbookReader(logbook) as reader:
            chosen = lowering_number(reader, number or "last")
            before = _own(reader, chosen)
            first, rest = _cut(reader, before, said["split_at"])
            new = max(window.number for window in reader.lowerings()) + 1
            tag = reader.record(Tag, str(chosen)) or Tag()
            held_now = reader.record(Window, str(chosen)) or Window()
        entries: list[tuple[str, Record]] = [
            (str(chosen), msgspec.structs.replace(held_now, parts=first)),
            (str(new), Window(parts=rest, split_from=chosen)),
        ]
        if tag.job:
            entries.append((str(new), Tag(job=tag.job)))
        with LogbookEntries(logbook, clock=clock) as written:
            written.put_records(entries, author=author)
    finally:
        lock.release()
    return {
        "lowering": chosen,
        "new_lowering": new,
        "parts": msgspec.to_builtins(first),
        "new_parts": msgspec.to_builtins(rest),
        "lines": [
            f"lowering {chosen}: {_span(first)}; the rest is lowering {new}: {_span(rest)}",
            f"tie it with: ropetally tag {logbook} {new} --piece JOB/PIECE",
        ],
    }


def join(
    logbook: Path,
    said: dict[str, Any],
    number: str | None,
    _a: list[str],
    clock: Clock | None = None,
) -> Done:
    """Join two neighbouring lowerings; the earlier one keeps its number and tag."""
    author = _author(said, "a join")
    with LogbookReader(logbook) as reader:
        one = lowering_number(reader, number or "last")
        other = lowering_number(reader, said["join"])
        early, late = _neighbours(reader, one, other)
        entries = _joined(reader, early, late)
    with LogbookEntries(logbook, clock=clock) as written:
        written.put_records(entries, author=author)
    return _done_join(early, late, entries[0][1])


def undo(
    logbook: Path,
    said: dict[str, Any],
    number: str | None,
    _a: list[str],
    clock: Clock | None = None,
) -> Done:
    """Undo the last join, split or correction that a lowering took part in."""
    author = _author(said, "an undo")
    with LogbookReader(logbook) as reader:
        chosen = lowering_number(reader, number or "last")
        entries, line = _undone(reader, chosen)
    with LogbookEntries(logbook, clock=clock) as written:
        written.put_records(entries, author=author)
    return {
        "lowering": chosen,
        "windows": {key: msgspec.to_builtins(record) for key, record in entries},
        "lines": [line],
    }


def corrected_window(
    reader: LogbookReader, number: int, first: int | None, last: int | None, stream: int | None
) -> Window:
    """Give the window record that moves one end or both of a lowering's window.

    Raises
    ------
    InputError
        Not inside what the stream holds, ends not in order, or several cells and none named.
    """
    windows = _own(reader, number)
    streams = [window.stream for window in windows]
    if stream is None and len(streams) > 1:
        raise InputError(
            f"lowering {number} has windows on streams {listed(streams)}; say which: --stream N"
        )
    wanted = streams[0] if stream is None else stream
    if wanted not in streams:
        raise InputError(f"lowering {number} has no window on stream {wanted}: {listed(streams)}")
    parts = {part.stream: part for part in parts_of(windows)}
    old = parts.get(wanted)
    low = first if first is not None or old is None else old.first_index
    high = last if last is not None or old is None else old.last_index
    extent = reader.stream(wanted)
    ends = (extent.first_index, extent.last_index)
    if low is None or high is None or ends[0] is None or ends[1] is None:
        raise InputError(f"lowering {number}: stream {wanted} holds no samples")
    if not ends[0] <= low < high <= ends[1]:
        raise InputError(
            f"lowering {number}: a window from {low} to {high} is not inside stream {wanted}, "
            f"which holds samples {ends[0]} to {ends[1]}"
        )
    parts[wanted] = WindowPart(stream=wanted, first_index=low, last_index=high)
    before = reader.record(Window, str(number)) or Window()
    return msgspec.structs.replace(before, parts=tuple(parts[s] for s in sorted(parts)))


# --- what holds now --------------------------------------------------------------------


def _author(said: dict[str, Any], what: str) -> str:
    if not said["by"]:
        raise InputError(f"{what} needs its author: add --by NAME")
    return str(said["by"])


def _locked(logbook: Path) -> RecorderLock:
    """Keep recorders away while a number is given."""
    with LogbookReader(logbook):  # a logbook that is not there is told as such
        pass
    try:
        return RecorderLock(logbook)
    except LogbookBusyError as error:
        raise LogbookBusyError(
            f"{logbook}: it is being recorded into; split the lowering when that has ended"
        ) from error


def _own(reader: LogbookReader, number: int) -> tuple[Lowering, ...]:
    """Windows of a lowering that is one of its own."""
    windows = reader.lowering(number)
    into = windows[0].merged_into
    if into is not None:
        raise InputError(
            f"lowering {number} is merged into {into}; undo that first: "
            f"ropetally tag {reader.path} {number} --undo --by NAME"
        )
    return windows


def _span(parts: tuple[WindowPart, ...]) -> str:
    """Show windows in words."""
    return listed(f"stream {p.stream}, samples {p.first_index} to {p.last_index}" for p in parts)


# --- split -------------------------------------------------------------------------------


def _cut(
    reader: LogbookReader, windows: tuple[Lowering, ...], at: str
) -> tuple[tuple[WindowPart, ...], tuple[WindowPart, ...]]:
    """Cut every window of a lowering at one moment."""
    main = _main(reader, windows)
    index, host_ns = _timed(reader, main)
    if len(index) < 2 * _LEAST_SAMPLES:
        raise InputError(f"lowering {main.number}: its window holds too few samples to split")
    place = _place(at, index, host_ns)
    if not _LEAST_SAMPLES <= place <= len(index) - _LEAST_SAMPLES:
        length_s = (host_ns[-1] - host_ns[0]) / 1e9
        raise InputError(
            f"lowering {main.number}: --split-at {at} is not inside its window, "
            f"which runs from 0 to {length_s:.3f} s (samples {index[0]} to {index[-1]})"
        )
    first: list[WindowPart] = []
    rest: list[WindowPart] = []
    for window in windows:
        own, times_ns = (index, host_ns) if window is main else _timed(reader, window)
        cut = int(np.searchsorted(times_ns, host_ns[place]))
        for side, part in ((first, own[:cut]), (rest, own[cut:])):
            if len(part) >= _LEAST_SAMPLES:
                low, high = int(part[0]), int(part[-1])
                side.append(WindowPart(stream=window.stream, first_index=low, last_index=high))
    return tuple(first), tuple(rest)


def _main(reader: LogbookReader, windows: tuple[Lowering, ...]) -> Lowering:
    """Choose the window whose clock a person reads: at the rig's station, else the first."""
    tag = reader.record(Tag, str(windows[0].number)) or Tag()
    piece = reader.record(Piece, piece_key(tag.job, tag.piece)) if tag.piece else None
    rig = reader.record(Rig, piece.rig) if piece is not None else None
    wanted = rig.station.name if rig is not None else None
    return next((w for w in windows if reader.stream(w.stream).station == wanted), windows[0])


def _timed(reader: LogbookReader, window: Lowering) -> tuple[Any, Any]:
    """Index and host time of a window's samples."""
    samples = reader.samples(window.stream, window.first_index, window.last_index)
    if not len(samples.index):
        return samples.index, samples.tick_us
    return samples.index, reader.time_fit(window.stream).host_ns(samples.tick_us)


def _place(at: str, index: Any, host_ns: Any) -> int:
    """Position of the first sample of the second part."""
    text = at.strip()
    if text.isdigit():
        return int(np.searchsorted(index, int(text)))
    try:
        seconds = parse(text, "time")
    except InputError as error:
        raise InputError(
            f"--split-at {at!r}: give seconds from the window's start, for example 12.5s, "
            "or a sample's index, for example 48210"
        ) from error
    return int(np.searchsorted(host_ns - host_ns[0], seconds * 1e9))


# --- join --------------------------------------------------------------------------------


def _neighbours(reader: LogbookReader, one: int, other: int) -> tuple[int, int]:
    """Put two lowerings in order; refuse those that are no neighbours on a stream."""
    if one == other:
        raise InputError(f"lowering {one} cannot be joined to itself")
    starts = {
        number: {window.stream: window.first_index for window in _own(reader, number)}
        for number in (one, other)
    }
    common = sorted(set(starts[one]) & set(starts[other]))
    if not common:
        raise InputError(
            f"lowering {one} is on stream {listed(starts[one])}, lowering {other} on stream "
            f"{listed(starts[other])}: only windows of the same stream can be joined"
        )
    early, late = sorted((one, other), key=lambda number: starts[number][common[0]])
    between = sorted(
        {
            w.number
            for w in reader.lowerings()
            if w.stream in common
            and w.merged_into is None
            and w.number not in {one, other}
            and starts[early][w.stream] < w.first_index < starts[late][w.stream]
        }
    )
    if between:
        raise InputError(
            f"lowerings {early} and {late} are no neighbours: {listed(between)} lies between; "
            f"join that one first, or {early} with {between[0]}"
        )
    return early, late


def _joined(reader: LogbookReader, early: int, late: int) -> list[tuple[str, Record]]:
    """Give the records that make one lowering of two."""
    ends: dict[int, WindowPart] = {}
    for part in parts_of((*reader.lowering(early), *reader.lowering(late))):
        own = ends.get(part.stream, part)
        ends[part.stream] = WindowPart(
            stream=part.stream,
            first_index=min(own.first_index, part.first_index),
            last_index=max(own.last_index, part.last_index),
        )
    keeps = reader.record(Window, str(early)) or Window()
    goes = reader.record(Window, str(late)) or Window()
    parts = tuple(ends[stream] for stream in sorted(ends))
    return [
        (
            str(early),
            msgspec.structs.replace(keeps, parts=parts, joined=(*keeps.joined, late)),
        ),
        (str(late), msgspec.structs.replace(goes, merged_into=early)),
    ]


def _done_join(early: int, late: int, record: Record) -> Done:
    assert isinstance(record, Window)  # noqa: S101 - made by _joined
    return {
        "lowering": early,
        "merged": late,
        "parts": msgspec.to_builtins(record.parts),
        "lines": [f"lowering {late} is now part of lowering {early}: {_span(record.parts)}"],
    }


# --- undo --------------------------------------------------------------------------------


def _undone(reader: LogbookReader, number: int) -> tuple[list[tuple[str, Record]], str]:
    """Choose what to undo for a lowering: the join it is in, a split, a correction."""
    windows = reader.all_records(Window)
    own = windows.get(str(number), Window())
    if own.merged_into is not None:
        return _parted(reader, own.merged_into, number)
    if own.joined:
        return _parted(reader, number, own.joined[-1])
    children = [
        int(key)
        for key, window in windows.items()
        if window.split_from == number and window.merged_into is None
    ]
    pair = (
        (own.split_from, number)
        if own.split_from is not None
        else (number, children[-1])
        if children
        else None
    )
    if pair is not None:
        early, late = _neighbours(reader, *pair)
        return _joined(reader, early, late), f"lowering {late} is part of lowering {early} again"
    if own.parts:
        return [(str(number), Window())], f"lowering {number}: as the trigger saw it"
    raise InputError(f"lowering {number}: nothing to undo; its window is as the trigger saw it")


def _parted(reader: LogbookReader, early: int, late: int) -> tuple[list[tuple[str, Record]], str]:
    """Give the records that take a join apart; both windows as they were before it."""
    keeps = reader.record(Window, str(early)) or Window()
    if keeps.merged_into is not None:
        raise InputError(f"lowering {early} is itself merged into {keeps.merged_into}: undo that")
    if keeps.joined[-1:] != (late,):
        last = keeps.joined[-1] if keeps.joined else "nothing"
        raise InputError(
            f"lowering {early} was joined with {last} after {late}; undo that first: "
            f"ropetally tag {reader.path} {early} --undo --by NAME"
        )
    before = Window()
    for version in reader.versions("window", str(early)):
        record = msgspec.json.decode(version.body, type=Window)
        if record.joined == keeps.joined[:-1]:
            before = record
    goes = reader.record(Window, str(late)) or Window()
    entries: list[tuple[str, Record]] = [
        (str(early), before),
        (str(late), msgspec.structs.replace(goes, merged_into=None)),
    ]
    return entries, f"lowering {late} is a lowering of its own again"
