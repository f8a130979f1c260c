"""From a logbook to a trace in newtons and the records tied to it.

Comes in: an open logbook and a lowering's number. Goes out: a frozen
:class:`LoweringSource`. Must not: compute features or predictions, or write. This is the
only module of ``analysis`` that knows a logbook.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from analysis.errors import PredictionError, SourceError
from analysis.predicting.rig import station_gain
from analysis.reading.place_of_rig import place_of_rig, station_at
from analysis.reading.trace import Chain, Gap, Trace, make_trace
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Lowering, Samples, Stream
from logger.records import Job, Limit, Piece, Rig, Rope, Tag, from_body, piece_key
from logger.samples import FaultNoted
from logger.scaling import range_of, to_newtons

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
        Those on the rope, a node, the cell or the station of this rig.
    guesses : tuple of WrittenGuess
        In the order written.
    prediction : StoredPrediction or None
        The last one made before the load came on; else the newest.
    faults : tuple of FaultNoted
        Faults noted while the window ran.
    cautions : tuple of str
        What a reader must know of how this was put together.
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
    window, stream, cells = _window(reader, number, rig)
    if stream.info.no_peaks:
        raise SourceError(
            f"{reader.path}: lowering {number}, cell {stream.cell}: {stream.info.no_peaks}"
        )
    first, last = _extent(window, reader)
    samples = reader.samples(stream.id, first, last)
    if len(samples.index) < 2:
        raise SourceError(
            f"{reader.path}: lowering {number} holds no samples from {first} to {last}; "
            f"correct its window: ropetally tag {reader.path} {number} --first-index …"
        )
    cautions: list[str] = []
    chain, origin = _chain(reader, stream, rig, cautions)
    trace, first_ns = _trace(reader, stream, samples, chain, tag, rig)
    trace = _placed(trace, stream, rig, piece)
    loaded_ns = first_ns + int((window.trigger_index - first) * trace.period_s * 1e9)
    to_wall_ns = stream.anchor_wall_ns - stream.anchor_boot_ns
    delay_ns = stream.info.filter_delay_us * 1000
    if not window.closed:
        cautions.append("the recording ended before the lowering did")
    if window.merged_into is not None:
        cautions.append(f"merged into lowering {window.merged_into}: its samples are part of that")
    return LoweringSource(
        number=number,
        stream=stream,
        cells=cells,
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
        limits=_limits(reader, rig, stream),
        guesses=_guesses(reader, key, loaded_ns + to_wall_ns) if piece is not None else (),
        prediction=_prediction(reader, key, loaded_ns + to_wall_ns) if key else None,
        faults=_faults(reader, stream, first_ns, first_ns + int(trace.duration_s * 1e9)),
        cautions=tuple(cautions),
    )


def lowering_numbers(reader: LogbookReader) -> tuple[int, ...]:
    """Numbers of the lowerings that a logbook holds, in order, without those merged into others."""
    windows = reader.lowerings()
    return tuple(sorted({window.number for window in windows if window.merged_into is None}))


def _window(
    reader: LogbookReader, number: int, rig: Rig | None
) -> tuple[Lowering, Stream, tuple[str, ...]]:
    """Find the window and stream to read: the one at the rig's station, else the first."""
    windows = [window for window in reader.lowerings() if window.number == number]
    if not windows:
        held = ", ".join(map(str, lowering_numbers(reader)))
        there_are = f"it holds {held}" if held else "it holds none yet"
        raise SourceError(f"{reader.path}: no lowering {number}; {there_are}")
    streams = [reader.stream(window.stream) for window in windows]
    wanted = rig.station.name if rig is not None else None
    chosen = next((i for i, stream in enumerate(streams) if stream.station == wanted), 0)
    return windows[chosen], streams[chosen], tuple(stream.cell for stream in streams)


def _extent(window: Lowering, reader: LogbookReader) -> tuple[int, int]:
    """First and last sample of a window that holds some."""
    first, last = window.first_index, window.last_index
    if last is None or last <= first:
        raise SourceError(
            f"{reader.path}: lowering {window.number} has no samples between {first} and {last}; "
            f"correct its window: ropetally tag {reader.path} {window.number} --first-index …"
        )
    return first, last


def _chain(
    reader: LogbookReader, stream: Stream, rig: Rig | None, cautions: list[str]
) -> tuple[Chain, str]:
    """Gather what is known of the measuring chain."""
    scaling = reader.scaling(stream.id)
    if scaling is None:
        raise SourceError(
            f"{reader.path}: cell {stream.cell} has no calibration, so there are counts but no "
            f"newtons; enter its two known loads: ropetally tag {reader.path} "
            f"--set cell {stream.cell} 'points=[{{force_n=0, counts=…}}, "
            "{force_n=…, counts=…}]' --by NAME"
        )
    low_n, high_n = range_of(stream.info, scaling)
    gain, gain_rel_u = 1.0, 0.0
    ends: tuple[float | None, float | None] = (None, None)
    if rig is None:
        cautions.append("no rig is known: the hang weight is the load at the cell")
    elif (at := station_at(rig, stream.station, stream.cell)) is None:
        known = ", ".join(station.name for station in rig.stations)
        word = "stations are" if len(rig.stations) > 1 else "station is"
        cautions.append(
            f"the rig's {word} {known}, the cell was at {stream.station}: "
            "the hang weight is the load at the cell"
        )
    else:
        try:
            station = station_gain(rig, None, at)
            gain, gain_rel_u = station.gain, station.rel_u
            ends = (station.low, station.high)
        except PredictionError as error:
            cautions.append(f"the hang weight is the load at the cell: {error}")
    chain = Chain(
        calibration_rel_u=scaling.rel_u,
        zero_u_n=scaling.offset_u_n,
        resolution_n=abs(scaling.n_per_count),
        filter_delay_s=stream.info.filter_delay_us / 1e6,
        clip_low_n=low_n,
        clip_high_n=high_n,
        overload_n=_overload_n(reader, stream),
        gain=gain,
        gain_rel_u=gain_rel_u,
        gain_low=ends[0],
        gain_high=ends[1],
    )
    return chain, scaling.origin


def _overload_n(reader: LogbookReader, stream: Stream) -> float | None:
    """Lowest limit entered for the cell itself."""
    entered = [
        limit.force_n
        for limit in reader.all_records(Limit).values()
        if limit.on == stream.cell and limit.kind != "breaking_strength"
    ]
    return min(
        [*entered, *([] if stream.overload_n is None else [stream.overload_n])], default=None
    )


def _trace(
    reader: LogbookReader,
    stream: Stream,
    samples: Samples,
    chain: Chain,
    tag: Tag,
    rig: Rig | None,
) -> tuple[Trace, int]:
    """Build the trace; also host time of its first sample in nanoseconds."""
    host_ns = reader.time_fit(stream.id).host_ns(samples.tick_us)
    time_s = (host_ns - host_ns[0]) / 1e9
    scaling = reader.scaling(stream.id)
    assert scaling is not None  # noqa: S101 - the chain was built from it
    jumps = np.flatnonzero(np.diff(samples.index) > 1)
    trace = make_trace(
        time_s,
        to_newtons(samples.counts, scaling),
        chain=chain,
        gaps=tuple(Gap(float(time_s[i]), float(time_s[i + 1])) for i in jumps),
        station=stream.station or (rig.station.name if rig is not None else ""),
        tag_line_tight=tag.tag_line_tight,
        touched=tag.touched,
    )
    return trace, int(host_ns[0])


def _placed(trace: Trace, stream: Stream, rig: Rig | None, piece: Piece | None) -> Trace:
    """Tell the trace what its station reads, where the cell was at one of the rig's stations."""
    station = None if rig is None else station_at(rig, stream.station, stream.cell)
    if station is None:
        return trace
    return replace(trace, place=place_of_rig(rig, piece, station))


def _limits(reader: LogbookReader, rig: Rig | None, stream: Stream) -> tuple[Limit, ...]:
    """Limits on anything that this lowering loaded."""
    names = {stream.cell, stream.station}
    if rig is not None:
        names |= {rig.rope, rig.station.name, *(node.name for node in rig.nodes)}
    return tuple(limit for limit in reader.all_records(Limit).values() if limit.on in names)


def _guesses(reader: LogbookReader, key: str, loaded_wall_ns: int) -> tuple[WrittenGuess, ...]:
    """Guesses of a piece, each with whether it was on record before the load came on."""
    versions = reader.versions("piece", key)
    before = [v for v in versions if v.written_wall_ns < loaded_wall_ns]
    early = from_body(before[-1].body, Piece).guesses if before else ()
    piece = reader.record(Piece, key)
    return tuple(
        WrittenGuess(guess.by, guess.how, guess.weight_n, guess.drop_m, guess in early)
        for guess in (piece.guesses if piece is not None else ())
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
