"""From a rig to the place of its cell and the rope in play, as the reading needs them.

Comes in: a rig, its piece. Goes out: a :class:`~analysis.reading.place.Place`. Must not:
refuse a rig: what is not known is left out, and less is read from the trace.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.errors import PredictionError
from analysis.predicting.path import (
    EFFICIENCY_U,
    contact_ratio,
    fall_length_m,
    high_block,
    included_rad,
    loads_per_newton,
)
from analysis.predicting.rig import reads_directly
from analysis.predicting.rope import block_term_m_per_n
from analysis.reading.place import NOWHERE, Place, Reads, RopeInPlay
from logger.records import Piece, Rig, Station

_LEAST_M: Final = 0.05
_TAPED_REL_U: Final = 0.02
_RUN_REL_U: Final = 0.2
"""Own assumption: how far a piece ran is planned, not measured."""


def station_at(rig: Rig, name: str | None, cell: str) -> Station | None:
    """Find the rig's station where a cell was.

    Parameters
    ----------
    rig : Rig
        With one or more stations.
    name : str or None
        What the stream says of its station; empty when nobody said.
    cell : str
        Name of the cell.

    Returns
    -------
    Station or None
        By the station's name, else by its cell; the main one when nothing was said.
    """
    for station in rig.stations:
        if name and station.name == name:
            return station
    if name:
        return None
    return next((station for station in rig.stations if station.cell == cell), rig.station)


def place_of_rig(rig: Rig | None, piece: Piece | None, station: Station | None = None) -> Place:
    """Say what the rig's station reads and which rope the piece hangs on.

    Parameters
    ----------
    rig : Rig or None
        As checked; None gives a place of which nothing is known.
    piece : Piece or None
        Its drop says how far the lead reaches when the rig does not.
    station : Station, optional
        One of the rig's; the main one by default.

    Returns
    -------
    Place
    """
    if rig is None:
        return NOWHERE
    try:
        rope = _span_rope(rig) if rig.method == "span_rig" else _lead_rope(rig, piece)
        return Place(_reads(rig, station or rig.station), rig.method, rope)
    except PredictionError:
        return NOWHERE


def _reads(rig: Rig, station: Station) -> Reads:
    if reads_directly(rig, station):
        return "piece"
    if station.mount == "running_line":
        return "fall"
    return "sling" if station.mount == "sling" else "standing"


def _efficiency(rig: Rig) -> float:
    wrap = np.array(math.pi - included_rad(rig))
    return float(contact_ratio(high_block(rig), wrap, drop=True, shift=np.zeros(())))


def _lead_rope(rig: Rig, piece: Piece | None) -> RopeInPlay | None:
    """Rope of a piece on one line; None without the length of its lead or fall."""
    lead, fall = rig.lead_length_m, fall_length_m(rig)
    drop = piece.drop if piece is not None else None
    if lead is None and drop is not None:
        lead = drop.tie_above_block_m + drop.slack_m
    run = drop.run_m if drop is not None and rig.method == "let_run_drop" else None
    if lead is not None and run is not None:
        lead += run
    if lead is None or fall is None or lead < _LEAST_M:
        return None
    block = high_block(rig)
    efficiency = _efficiency(rig)
    included = included_rad(rig)
    return RopeInPlay(
        lead_m=lead,
        fall_m=fall,
        efficiency=efficiency,
        efficiency_u=EFFICIENCY_U,
        block_m_per_n=float(block_term_m_per_n(block.stiffness_n_per_m, efficiency, included)),
        length_rel_u=_TAPED_REL_U if run is None else _RUN_REL_U,
    )


def _span_rope(rig: Rig) -> RopeInPlay | None:
    """Both legs of a span rig, their angle at rest without friction."""
    fall = fall_length_m(rig)
    state = loads_per_newton(rig, 0.0).span
    if state is None or rig.rope_length_m is None or fall is None:
        return None
    angle = 0.5 * float(state.lead_angle_rad + state.standing_angle_rad)
    return RopeInPlay(
        lead_m=rig.rope_length_m,
        fall_m=fall,
        efficiency=_efficiency(rig),
        efficiency_u=EFFICIENCY_U,
        leg_cos=math.cos(angle),
        legs=2,
        span_m=rig.rope_length_m * math.sin(angle),
    )
