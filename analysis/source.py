"""From a logbook to a trace in newtons and the records tied to it.

Comes in: an open logbook and a lowering's number. Goes out: a frozen
:class:`LoweringSource`. Must not: compute features or predictions, or write. This is the
only module of ``analysis`` that knows a logbook.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from analysis.errors import SourceError
from analysis.reading.place_of_rig import station_at
from analysis.reading.trace import Trace
from analysis.station_trace import (
    StationTrace,
    Window,
    chain_of,
    extent_of,
    other_stations,
    placed,
    trace_of,
)
from logger.errors import LogbookMissingError
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Stream
from logger.records import Job, Limit, Piece, Rig, Rope, Station, Tag, from_body, piece_key
from logger.samples import FaultNoted

_SHOWN_FAULTS: Final = frozenset({"connected", "device_information", "no_peaks"})
"""Faults on record that say that nothing was lost."""


@dataclass(frozen=True, slots=True)
class StoredPrediction:
    """A prediction as stored; ``made_before`` the load came on, or later."""

    made_wall_ns: int
    software: str
    inputs: dict[str, Any]
    result: dict[str, Any]
    made_before: bool


@dataclass(frozen=True, slots=True)
class WrittenGuess:
    """Somebody's guess and whether it was on record before the load came on."""

    by: str
    how: str
    weight_n: float | None
    drop_m: float | None
    made_before: bool


@dataclass(frozen=True, slots=True, eq=False)
class LoweringSource:
    """A lowering's window in newtons and what people wrote about it.

    Parameters
    ----------
    number : int
        Of the lowering.
    stream : Stream
        The cell's stream that it was read from.
    cells : tuple of str
        Every cell that has a window of this lowering.
    trace : Trace
        Seconds from the window's first sample.
    start_wall_ns : int
        Wall time of time 0, the converter's filter delay taken off.
    first_index, last_index : int
        Window in the stream, inclusive, as the trigger or a person set it.
    closed : bool
        False when the recording ended before the window did.
    origin : str
        Where the calibration comes from.
    tag : Tag
        What a person noted; empty when nobody did.
    job, piece, rig, rope : Record or None
        As they stand now.
    limits : tuple of Limit
        Those on the rope, a node, a station or its cell, of this rig, and on every cell here.
    guesses : tuple of WrittenGuess
        In the order written.
    prediction : StoredPrediction or None
        The last one made before the load came on; else the newest.
    faults : tuple of FaultNoted
        Faults noted while the window ran.
    cautions : tuple of str
        What a reader must know of how this was put together.
    others : tuple of StationTrace
        The other cells of this lowering, on the same time line.
    """

    number: int
    stream: Stream
    cells: tuple[str, ...]
    trace: Trace
    start_wall_ns: int
    first_index: int
    last_index: int
    closed: bool
    origin: str
    tag: Tag
    job: Job | None
    piece: Piece | None
    rig: Rig | None
    rope: Rope | None
    limits: tuple[Limit, ...]
    guesses: tuple[WrittenGuess, ...]
    prediction: StoredPrediction | None
    faults: tuple[FaultNoted, ...]
    cautions: tuple[str, ...]
    others: tuple[StationTrace, ...] = ()

    @property
    def station(self) -> Station | None:
        """Which of the rig's stations the cell was at; None when none of them."""
        if self.rig is None:
            return None
        return station_at(self.rig, self.stream.station, self.stream.cell)

    @property
    def at_main(self) -> bool:
        """Whether the cell was at the rig's main station, which a prediction is about."""
        return self.rig is not None and self.station == self.rig.station


def load_lowering(reader: LogbookReader, number: int) -> LoweringSource:
    """Load one lowering.

    Parameters
    ----------
    reader : LogbookReader
        An open logbook.
    number : int
        Of the lowering.

    Returns
    -------
    LoweringSource
        In newtons, at the station.

    Raises
    ------
    SourceError
        No such lowering, no samples in its window, or no calibration; the message says
        what to do.
    """
    tag = reader.record(Tag, str(number)) or Tag()
    key = piece_key(tag.job, tag.piece) if tag.piece else ""
    piece = reader.record(Piece, key) if key else None
    rig = reader.record(Rig, piece.rig) if piece is not None else None
    main, more = _windows(reader, number, rig)
    window, stream = main.window, main.stream
    if stream.info.no_peaks:
        raise SourceError(
            f"{reader.path}: lowering {number}, cell {stream.cell}: {stream.info.no_peaks}"
        )
    first, last = extent_of(window, reader)
    samples = reader.samples(stream.id, first, last)
    if len(samples.index) < 2:
        raise SourceError(
            f"{reader.path}: lowering {number} holds no samples from {first} to {last}; "
            f"correct its window: ropetally tag {reader.path} {number} --first-index …"
        )
    cautions: list[str] = []
    chain, origin = chain_of(reader, stream, rig, cautions)
    trace, first_ns = trace_of(reader, stream, samples, chain, tag, rig)
    trace = placed(trace, stream, rig, piece)
    loaded_ns = first_ns + int((window.trigger_index - first) * trace.period_s * 1e9)
    to_wall_ns = stream.anchor_wall_ns - stream.anchor_boot_ns
    delay_ns = stream.info.filter_delay_us * 1000
    if not window.closed:
        cautions.append("the recording ended before the lowering did")
    if window.merged_into is not None:
        cautions.append(f"merged into lowering {window.merged_into}: its samples are part of that")
    cautions += _taken_for_main(rig, stream)
    others = other_stations(reader, more, (stream, trace, first_ns), (tag, rig, piece), cautions)
    return LoweringSource(
        number=number,
        stream=stream,
        cells=tuple(one.stream.cell for one in (main, *more)),
        trace=trace,
        start_wall_ns=first_ns + to_wall_ns - delay_ns,
        first_index=first,
        last_index=last,
        closed=window.closed,
        origin=origin,
        tag=tag,
        job=reader.record(Job, tag.job) if tag.job else None,
        piece=piece,
        rig=rig,
        rope=reader.record(Rope, rig.rope) if rig is not None else None,
        limits=_limits(reader, rig, [one.stream for one in (main, *more)]),
        guesses=_guesses(reader, key, piece, loaded_ns + to_wall_ns) if piece is not None else (),
        prediction=_prediction(reader, key, loaded_ns + to_wall_ns) if key else None,
        faults=_faults(reader, stream, first_ns, first_ns + int(trace.duration_s * 1e9)),
        cautions=tuple(cautions),
        others=others,
    )


def lowering_numbers(reader: LogbookReader) -> tuple[int, ...]:
    """Numbers of the lowerings that a logbook holds, in order, without those merged into others."""
    windows = reader.lowerings()
    return tuple(sorted({window.number for window in windows if window.merged_into is None}))


def _windows(
    reader: LogbookReader, number: int, rig: Rig | None
) -> tuple[Window, tuple[Window, ...]]:
    """Find the window to read, the one at the rig's main station or else the first; and the rest."""
    try:
        windows = reader.lowering(number)
    except LogbookMissingError as error:
        held = ", ".join(map(str, lowering_numbers(reader)))
        there_are = f"it holds {held}" if held else "it holds none yet"
        raise SourceError(f"{reader.path}: no lowering {number}; {there_are}") from error
    found = [Window(window, reader.stream(window.stream)) for window in windows]
    chosen = next((one for one in found if _is_main(rig, one.stream)), found[0])
    return chosen, tuple(one for one in found if one is not chosen)


def _is_main(rig: Rig | None, stream: Stream) -> bool:
    """Whether a cell was at the rig's main station, by the station's name or the cell's."""
    if rig is None:
        return False
    if stream.station:
        return stream.station == rig.station.name
    return bool(rig.station.cell) and rig.station.cell == stream.cell


def _taken_for_main(rig: Rig | None, stream: Stream) -> list[str]:
    """Tell when the rig's main station is another cell's and no station is this one's."""
    if rig is None or stream.station or not rig.station.cell:
        return []
    if stream.cell in {one.cell for one in rig.stations}:
        return []
    where = f'write cell = "{stream.cell}" where it sat'
    said = f"rig {rig.name} has cell {rig.station.cell} at {rig.station.name}"
    return [f"{said}, this is cell {stream.cell}, taken for it: {where}"]


def _limits(reader: LogbookReader, rig: Rig | None, streams: Sequence[Stream]) -> tuple[Limit, ...]:
    """Limits on anything that this lowering loaded."""
    names = {name for stream in streams for name in (stream.cell, stream.station)}
    if rig is not None:
        names |= {rig.rope, *(node.name for node in rig.nodes)}
        names |= {name for station in rig.stations for name in (station.name, station.cell)}
    return tuple(limit for limit in reader.all_records(Limit).values() if limit.on in names)


def _guesses(
    reader: LogbookReader, key: str, piece: Piece, loaded_wall_ns: int
) -> tuple[WrittenGuess, ...]:
    """Guesses of a piece, each with whether it was on record before the load came on."""
    versions = reader.versions("piece", key)
    before = [v for v in versions if v.written_wall_ns < loaded_wall_ns]
    early = from_body(before[-1].body, Piece).guesses if before else ()
    return tuple(
        WrittenGuess(guess.by, guess.how, guess.weight_n, guess.drop_m, guess in early)
        for guess in piece.guesses
    )


def _prediction(reader: LogbookReader, key: str, loaded_wall_ns: int) -> StoredPrediction | None:
    """Take the last prediction made before the load came on, else the newest."""
    made = reader.predictions(key)
    before = [p for p in made if p.made_wall_ns < loaded_wall_ns]
    if not made:
        return None
    chosen = (before or made)[-1]
    return StoredPrediction(
        chosen.made_wall_ns, chosen.software, chosen.inputs, chosen.result, bool(before)
    )


def _faults(
    reader: LogbookReader, stream: Stream, start_ns: int, end_ns: int
) -> tuple[FaultNoted, ...]:
    """Faults of the stream noted while the window ran, with a second to spare."""
    spare_ns = 1_000_000_000
    return tuple(
        fault
        for fault in reader.faults(stream.id)
        if start_ns - spare_ns <= fault.noticed_ns <= end_ns + spare_ns
        and fault.kind not in _SHOWN_FAULTS
    )
