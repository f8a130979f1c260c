"""Several cells of one lowering: their readings beside each other, and the high block's friction.

Comes in: a lowering as loaded, its features. Goes out: what the other cells read, what two
cells say of the high block. Must not: infer a load, or set cells of a span rig against each
other (its lead has no cell of its own).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

from analysis.errors import PredictionError
from analysis.predicting.path import high_block, included_rad
from analysis.predicting.rig import check_rig, station_place
from analysis.reading.features import read_features
from analysis.reading.place import Reads
from analysis.reading.summary import Features
from analysis.reading.two_cells import CellReading, TwoCells, compare_cells
from analysis.source import LoweringSource
from logger.records import Rig, Station

Place = tuple[str, str]
"""A leg or sling of a rig: its kind and name."""


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """The cells of one lowering, and what pairs of them say of the high block.

    Parameters
    ----------
    readings : tuple of CellReading
        The main cell first.
    pairs : tuple of TwoCells
        Pairs that stand on either side of the block, or in its sling.
    """

    readings: tuple[CellReading, ...] = ()
    pairs: tuple[TwoCells, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "cells": [_plain(one) for one in self.readings],
            "pairs": [pair.to_dict() for pair in self.pairs],
        }


ONE_CELL: Final = Cells()


def cells_of(source: LoweringSource, features: Features) -> Cells:
    """Read the other cells of a lowering and set them beside each other.

    Parameters
    ----------
    source : LoweringSource
        With ``others``.
    features : Features
        Of the main cell.

    Returns
    -------
    Cells
        Empty where one cell was alone.
    """
    if not source.others:
        return ONE_CELL
    rig = source.rig
    main = CellReading(
        source.stream.cell, source.trace.station or source.stream.cell,
        _side(rig, source.station), source.trace, features,
    )  # fmt: skip
    more = [
        CellReading(
            one.stream.cell, one.trace.station or one.stream.cell, _side(rig, one.station),
            one.trace, read_features(one.trace), one.offset_s, one.alignment_u_s,
        )
        for one in source.others
    ]  # fmt: skip
    readings = (main, *more)
    angle = 0.0 if rig is None else included_rad(rig)
    found = [compare_cells(a, b, angle) for a, b in combinations(readings, 2)]
    return Cells(readings, tuple(pair for pair in found if pair is not None))


def _side(rig: Rig | None, station: Station | None) -> Reads:
    """Which tension at the high block a station reads; ``unknown`` where it is none."""
    found = place_of(rig, station)
    if rig is None or found is None or rig.method == "span_rig":
        return "unknown"
    kind, place = found
    if kind == "leg":
        return {"lead": "piece", "fall": "fall"}.get(place, "unknown")  # type: ignore[return-value]
    return "sling" if place == high_block(rig).name else "unknown"


def place_of(rig: Rig | None, station: Station | None) -> Place | None:
    """Give the leg or sling that a station reads.

    Parameters
    ----------
    rig : Rig or None
    station : Station or None
        One of the rig's.

    Returns
    -------
    (kind, name) or None
        None where there is no station, or nothing of the rig can be computed.
    """
    if rig is None or station is None:
        return None
    try:
        check_rig(rig)
    except PredictionError:
        return None
    return station_place(rig, station)


def _plain(one: CellReading) -> dict[str, Any]:
    f = one.features
    return {
        "cell": one.cell,
        "station": one.station,
        "reads": one.reads,
        "offset_s": one.offset_s,
        "alignment_u_s": one.alignment_u_s,
        "rate_hz": f.rate_hz,
        "peak_n": f.peak_n,
        "peak_n_u": f.peak_n_u,
        "peak_is_lower_bound": f.peak_is_lower_bound,
        "hang_reading_n": f.hang_reading_n,
        "hang_reading_n_u": f.hang_reading_n_u,
        "flags": list(f.flags),
    }
