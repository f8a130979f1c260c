"""The drawing of one rig of a sheet, with its loads in a key.

Comes in: a rig, a sheet's limits, a piece or a weight. Goes out: a matplotlib figure and
the loads as plain values. Must not: read files.
"""

from __future__ import annotations

from typing import Any, Final

from matplotlib.figure import Figure

from analysis.predicting.piece import estimate
from analysis.predicting.place_loads import PlaceLoad, as_dicts, margins, place_loads
from analysis.showing.figure_key import Head, KeyRow
from analysis.showing.page_units import Units
from analysis.showing.rig_drawing import draw_rig, swatch
from analysis.showing.rig_picture import rig_picture
from analysis.showing.rig_wording import METHODS, STANDING, margin_words, place_words
from logger.records import Piece, Rig, Sheet
from logger.units import format_force

UNIT_WEIGHT_N: Final = 1000.0


def rig_figure(
    rig: Rig,
    sheet: Sheet,
    units: Units,
    *,
    piece: Piece | None = None,
    weight_n: float | None = None,
) -> tuple[Figure, list[dict[str, Any]]]:
    """Draw a rig with what a piece, or a weight, brings to it.

    Parameters
    ----------
    rig : Rig
        One of the sheet's.
    sheet : Sheet
        With the limits entered, and whether the job is invented.
    units : Units
        Of the reader.
    piece : Piece, optional
        What hangs.
    weight_n : float, optional
        Instead of a piece; 1 kN where neither is given.

    Returns
    -------
    figure : Figure
    loads : list of dict
        SI.

    Raises
    ------
    PredictionError
        Rig or piece cannot be computed.
    """
    weight, u_n = weight_n or UNIT_WEIGHT_N, 0.0
    about = f"a weight of {format_force(weight, units.force)}"
    if piece is not None:
        known = estimate(piece)
        weight, u_n = known.weight_n, known.weight_u_n
        about = f"{piece.name}, {format_force(weight, units.force, u_n=u_n)} (k = 2)"
    loads = place_loads(rig, weight, u_n)
    picture = rig_picture(rig, weight, u_n, piece, loads)
    made_up = " INVENTED." if sheet.job.invented else ""
    figure = draw_rig(
        picture,
        units,
        head=Head(
            f"{rig.name}: {METHODS[rig.method]}",
            f"{sheet.job.name}, {about}. It hangs free; from lowering to raising, friction "
            f"between. Estimates.{made_up}",
        ),
        key=[
            *(KeyRow(swatch(_kind(load)), place_words(load, units)) for load in loads),
            *(KeyRow(None, margin_words(one, units)) for one in margins(rig, loads, sheet.limit)),
            *(KeyRow(None, f"Note: {said}.") for said in picture.assumed),
            KeyRow(None, STANDING),
        ],
    )
    return figure, as_dicts(loads)


def _kind(load: PlaceLoad) -> str:
    """Which swatch a place has."""
    return load.name if load.kind == "leg" else load.kind
