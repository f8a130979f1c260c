"""From a window on one stream of a logbook to a trace in newtons at its station.

Comes in: an open logbook, streams and windows, the records tied to them. Goes out: traces
with their measuring chain and place, and those of the other cells of a lowering on the
main cell's time line. Must not: compute features, or write. With ``source.py``, whose part
it is, the only module of ``analysis`` that knows a logbook.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError, SourceError
from analysis.predicting.rig import station_gain
from analysis.reading.place_of_rig import place_of_rig, station_at
from analysis.reading.timing import Timing
from analysis.reading.trace import Chain, Gap, Trace, make_trace
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Lowering, Samples, Stream
from logger.records import Cell, Limit, Piece, Rig, Station, Tag
from logger.scaling import range_of, to_newtons
from logger.timebase import TimeFit

_TEMPERATURE_NEAR_S: Final = 600.0
"""Own choice: a temperature sent within ten minutes of a window stands for it."""
_UNKNOWN_LATENCY_S: Final = 0.01
"""Own assumption: bound of a link's least latency where no answer to TIME bounds it."""


@dataclass(frozen=True, slots=True, eq=False)
class StationTrace:
    """What another cell read of the same lowering.

    Parameters
    ----------
    stream : Stream
        The cell's stream.
    station : Station or None
        Which of the rig's stations it was at; None when none of them.
    trace : Trace
        Seconds from its own first sample.
    offset_s : float
        Its second 0 on the main cell's time line, filter delays taken off.
    alignment_u_s : float
        Standard uncertainty of that, from both cells' time fits.
    """

    stream: Stream
    station: Station | None
    trace: Trace
    offset_s: float
    alignment_u_s: float


@dataclass(frozen=True, slots=True)
class Window:
    """A lowering's window on one stream."""

    window: Lowering
    stream: Stream


def extent_of(window: Lowering, reader: LogbookReader) -> tuple[int, int]:
    """First and last sample of a window that holds some."""
    first, last = window.first_index, window.last_index
    if last is None or last <= first:
        raise SourceError(
            f"{reader.path}: lowering {window.number} has no samples between {first} and {last}; "
            f"correct its window: ropetally tag {reader.path} {window.number} --first-index …"
        )
    return first, last


def chain_of(
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


def trace_of(
    reader: LogbookReader,
    stream: Stream,
    samples: Samples,
    chain: Chain,
    tag: Tag,
    rig: Rig | None,
) -> tuple[Trace, int]:
    """Build the trace; also host time of its first sample in nanoseconds."""
    fit = reader.time_fit(stream.id)
    host_ns = fit.host_ns(samples.tick_us)
    time_s = (host_ns - host_ns[0]) / 1e9
    scaling = reader.scaling(stream.id)
    assert scaling is not None  # noqa: S101 - the chain was built from it
    chain = _warmed(reader, stream, chain, (int(host_ns[0]), int(host_ns[-1])))
    at = None if rig is None else station_at(rig, stream.station, stream.cell)
    jumps = np.flatnonzero(np.diff(samples.index) > 1)
    trace = make_trace(
        time_s,
        to_newtons(samples.counts, scaling),
        chain=chain,
        gaps=tuple(Gap(float(time_s[i]), float(time_s[i + 1])) for i in jumps),
        station=stream.station or (at.name if at is not None else ""),
        tag_line_tight=tag.tag_line_tight,
        touched=tag.touched,
    )
    return replace(trace, timing=timing_of(fit, samples.tick_us)), int(host_ns[0])


def _warmed(
    reader: LogbookReader, stream: Stream, chain: Chain, window_ns: tuple[int, int]
) -> Chain:
    """Put into the chain what temperature does to the cell, where it was sent and is written.

    Notes
    -----
    A bound of ±a counts as a/√3 (JCGM 100:2008, 4.3.7). The slope departs with the
    temperature's departure from that of the calibration. The zero is read anew while the
    rope is slack, so only what changes within the window moves it; without a slack rope the
    calibration's own zero stands, and departs like the slope.
    """
    cell = reader.record(Cell, stream.cell)
    effect = None if cell is None else cell.temperature
    found_c = [] if effect is None else _temperatures_c(reader, stream, window_ns)
    if effect is None or not found_c:
        return chain
    away_k = max(abs(one_c - effect.calibrated_c) for one_c in found_c) / math.sqrt(3.0)
    moved_k = (max(found_c) - min(found_c)) / math.sqrt(3.0)
    zero_u_n = chain.zero_u_n and math.hypot(chain.zero_u_n, effect.zero_n_per_k * away_k)
    return replace(
        chain,
        temperature_rel_u=effect.span_per_k * away_k,
        temperature_u_n=effect.zero_n_per_k * moved_k,
        zero_u_n=zero_u_n,
    )


def _temperatures_c(
    reader: LogbookReader, stream: Stream, window_ns: tuple[int, int]
) -> list[float]:
    """Temperatures sent within a window, and the nearest sent before and after it."""
    sent = [
        (noted.status.received_ns, noted.status.temperature_c)
        for noted in reader.statuses(stream.id)
        if noted.status.temperature_c is not None
    ]
    start_ns, end_ns = window_ns
    near_ns = round(_TEMPERATURE_NEAR_S * 1e9)
    before = [one_c for at_ns, one_c in sent if start_ns - near_ns <= at_ns < start_ns]
    inside = [one_c for at_ns, one_c in sent if start_ns <= at_ns <= end_ns]
    after = [one_c for at_ns, one_c in sent if end_ns < at_ns <= end_ns + near_ns]
    return [*before[-1:], *inside, *after[:1]]


def timing_of(fit: TimeFit, tick_us: NDArray[np.int64]) -> Timing:
    """Bound of the error of the times of ``(n,)`` ticks in order, as a reading carries it."""
    return Timing(
        error_s=fit.most_error_ns(tick_us) / 1e9,
        latency_s=None if fit.latency_ns is None else fit.latency_ns / 1e9,
        drift_ppm=fit.drift_ppm,
        wander_ppm=fit.wander_ppm,
    )


def placed(trace: Trace, stream: Stream, rig: Rig | None, piece: Piece | None) -> Trace:
    """Tell the trace what its station reads, where the cell was at one of the rig's stations."""
    station = None if rig is None else station_at(rig, stream.station, stream.cell)
    if station is None:
        return trace
    return replace(trace, place=place_of_rig(rig, piece, station))


def other_stations(
    reader: LogbookReader,
    more: tuple[Window, ...],
    main: tuple[Stream, Trace, int],
    tied: tuple[Tag, Rig | None, Piece | None],
    cautions: list[str],
) -> tuple[StationTrace, ...]:
    """Load the other cells of a lowering; one that cannot be read is told and left out.

    Parameters
    ----------
    reader : LogbookReader
        An open logbook.
    more : tuple of Window
        This lowering's windows on the other cells' streams.
    main : (Stream, Trace, int)
        The main cell's stream and trace, and the host time of its first sample in nanoseconds.
    tied : (Tag, Rig or None, Piece or None)
        What the lowering is tied to.
    cautions : list of str
        What a reader must know is added here.

    Returns
    -------
    tuple of StationTrace
    """
    found = []
    for one in more:
        try:
            found.append(_other(reader, one, main, tied, cautions))
        except SourceError as error:
            cautions.append(f"cell {one.stream.cell} is left out of this lowering: {error}")
    return tuple(found)


def _other(
    reader: LogbookReader,
    one: Window,
    main: tuple[Stream, Trace, int],
    tied: tuple[Tag, Rig | None, Piece | None],
    cautions: list[str],
) -> StationTrace:
    """Load one other cell of a lowering."""
    (main_stream, main_trace, main_ns), stream, (tag, rig, piece) = main, one.stream, tied
    if stream.info.no_peaks:
        raise SourceError(stream.info.no_peaks)
    samples = reader.samples(stream.id, *extent_of(one.window, reader))
    if len(samples.index) < 2:
        raise SourceError("it holds no samples of this lowering")
    station = None if rig is None else station_at(rig, stream.station, stream.cell)
    said: list[str] = []
    chain, _ = chain_of(reader, stream, rig, said)
    trace, first_ns = trace_of(reader, stream, samples, chain, tag, rig)
    if rig is not None and station in (None, rig.station):
        station, trace = None, replace(trace, station=stream.station or "")
        name = f'cell = "{stream.cell}"'
        said = [f"rig {rig.name} has no station of its own for it: write {name} where it sat"]
    elif rig is not None:
        trace = placed(replace(trace, station=station.name if station else ""), stream, rig, piece)
    cautions += [f"cell {stream.cell}: {text}" for text in said]
    delay_us = main_stream.info.filter_delay_us - stream.info.filter_delay_us
    return StationTrace(
        stream=stream,
        station=station,
        trace=trace,
        offset_s=(first_ns - main_ns) / 1e9 + delay_us / 1e6,
        alignment_u_s=math.hypot(_bound_s(main_trace), _bound_s(trace)) / math.sqrt(3.0),
    )


def _bound_s(trace: Trace) -> float:
    """Bound of the error of a trace's times, seconds, with a latency that nothing bounds."""
    timing = trace.timing
    assert timing is not None  # noqa: S101 - the trace is of a logbook
    return timing.error_s + (_UNKNOWN_LATENCY_S if timing.latency_s is None else 0.0)
