"""``ropetally lowerings``: one line for each lowering of a logbook.

Comes in: a logbook, also one that is being recorded. Goes out: a table or JSON. Must not:
read features (``review`` does), or load more than numpy.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast

import click
import numpy as np

from logger.commands.output import (
    iso_time,
    json_option,
    local_time,
    logbook_argument,
    print_json,
    table,
    units_option,
)
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Lowering, Samples, Stream
from logger.records import Piece, Rig, Tag, piece_key
from logger.samples import Scaling
from logger.scaling import to_newtons
from logger.units import ForceUnit, format_force

Row = dict[str, Any]


@click.command()
@logbook_argument
@units_option
@json_option
def command(logbook: Path, units: str, as_json: bool) -> None:
    """List the lowerings of LOGBOOK: when, which piece, how large.

    The peak is the largest reading above the slack rope, without its uncertainty; review
    states that.
    """
    with LogbookReader(logbook) as reader:
        rows = [_row(reader, window) for window in reader.lowerings()]
    if as_json:
        print_json({"logbook": str(logbook), "lowerings": rows})
    elif rows:
        head = ("no", "start", "s", "piece", "method", "peak", "notes")
        unit = cast("ForceUnit", units)
        click.echo(table(head, [_cells(row, unit, several=_several(rows)) for row in rows]))
    else:
        click.echo(f"{logbook}: no lowerings yet; record some with: ropetally record {logbook}")


def _several(rows: list[Row]) -> bool:
    """Whether more than one cell was recorded."""
    return len({row["cell"] for row in rows}) > 1


def _row(reader: LogbookReader, window: Lowering) -> Row:
    """Gather what is listed of one window."""
    tag = reader.record(Tag, str(window.number)) or Tag()
    key = piece_key(tag.job, tag.piece) if tag.piece else None
    piece = reader.record(Piece, key) if key else None
    rig = reader.record(Rig, piece.rig) if piece is not None else None
    first = window.first_index if tag.first_index is None else tag.first_index
    last = window.last_index if tag.last_index is None else tag.last_index
    stream = reader.stream(window.stream)
    samples = reader.samples(stream.id, first, first if last is None else last)
    start_ns, duration_s = _times(reader, stream, samples)
    return {
        "lowering": window.number,
        "stream": stream.id,
        "cell": stream.cell,
        "station": stream.station,
        "start": None if start_ns is None else iso_time(start_ns),
        "start_wall_ns": start_ns,
        "duration_s": duration_s,
        "job": tag.job or None,
        "piece": key,
        "method": rig.method if rig is not None else None,
        "peak_n": _peak_n(samples, reader.scaling(stream.id), stream.info.sample_rate_hz),
        "samples": len(samples.index),
        "discarded": tag.discarded,
        "flags": _flags(window, samples, stream, tag),
        "note": tag.note,
    }


def _times(
    reader: LogbookReader, stream: Stream, samples: Samples
) -> tuple[int | None, float | None]:
    """Wall time of the first sample and seconds to the last."""
    if not len(samples.index):
        return None, None
    host_ns = reader.time_fit(stream.id).host_ns(samples.tick_us[[0, -1]])
    to_wall_ns = stream.anchor_wall_ns - stream.anchor_boot_ns
    return int(host_ns[0]) + to_wall_ns, round(float(host_ns[1] - host_ns[0]) / 1e9, 3)


def _peak_n(samples: Samples, scaling: Scaling | None, rate_hz: float) -> float | None:
    """Largest reading above the median of the window's first second."""
    if scaling is None or not len(samples.counts):
        return None
    force_n = to_newtons(samples.counts, scaling)
    slack_n = float(np.median(force_n[: max(1, int(rate_hz))]))
    return float(force_n.max()) - slack_n


def _flags(window: Lowering, samples: Samples, stream: Stream, tag: Tag) -> list[str]:
    """Name what a reader must know before trusting the peak."""
    index, counts, info = samples.index, samples.counts, stream.info
    found = {
        "empty": not len(index),
        "gap": len(index) > 0 and int(index[-1] - index[0]) + 1 > len(index),
        "clipped": len(counts) > 0
        and (int(counts.max()) >= info.count_max or int(counts.min()) <= info.count_min),
        "not_closed": not window.closed,
        "tag_line_tight": tag.tag_line_tight,
        "touched": tag.touched,
        "discarded": tag.discarded,
    }
    return [name for name, is_so in found.items() if is_so]


def _cells(row: Row, unit: ForceUnit, *, several: bool) -> tuple[str, ...]:
    """Lay a row out for people."""
    peak = "not calibrated" if row["peak_n"] is None else format_force(row["peak_n"], unit)
    if "clipped" in row["flags"]:
        peak = f"≥ {peak}"
    notes = [flag.replace("_", " ") for flag in row["flags"]]
    if several:
        notes.insert(0, f"cell {row['cell']}")
    if row["note"]:
        notes.append(row["note"])
    return (
        str(row["lowering"]),
        "" if row["start_wall_ns"] is None else local_time(row["start_wall_ns"])[5:],
        "" if row["duration_s"] is None else f"{row['duration_s']:.0f}",
        row["piece"] or "not tied",
        (row["method"] or "").replace("_", " "),
        peak,
        "; ".join(notes),
    )
