"""What would have changed a peak, in rows: the model says, other things equal.

Comes in: a review, a unit. Goes out: rows of text, and the table itself for JSON. Must not:
recommend, or show a ratio without its range.
"""

from __future__ import annotations

from typing import Final

import msgspec

from analysis.errors import PredictionError
from analysis.learning.review import Review
from analysis.predicting.what_if import LABEL, Row, WhatIf, what_if
from analysis.showing.wording import three
from logger.records import Piece, Rig, Rope
from logger.units import ForceUnit, format_force, format_length

Rows = list[tuple[str, str]]

HEADING: Final = f"What would have changed it: {LABEL}"
_KINDS: Final = {
    "run": "run",
    "pretension": "pretension",
    "drop": "drop",
    "rope": "rope",
    "piece_size": "piece size",
}


def what_if_of(review: Review) -> WhatIf:
    """Predict again, from the inputs stored before, with one thing different at a time.

    Parameters
    ----------
    review : Review
        Of a lowering with a stored prediction.

    Returns
    -------
    WhatIf

    Raises
    ------
    PredictionError
        Nothing is stored for this lowering, or it cannot be predicted from.
    """
    stored = review.source.prediction
    if stored is None:
        raise PredictionError(
            f"lowering {review.source.number}: no prediction is stored, so there is no plan to "
            "change; tie it to a piece of a sheet: ropetally tag LOGBOOK N --piece JOB/PIECE"
        )
    try:
        piece = msgspec.convert(stored.inputs["piece"], Piece)
        rig = msgspec.convert(stored.inputs["rig"], Rig)
        rope = msgspec.convert(stored.inputs["rope"], Rope)
    except (KeyError, msgspec.ValidationError) as error:
        raise PredictionError(
            f"lowering {review.source.number}: the inputs of its prediction cannot be read; "
            "predict the piece again with this version"
        ) from error
    return what_if(piece, rig, rope)


def what_if_rows(table: WhatIf, station: str, unit: ForceUnit) -> Rows:
    """Give a row for each change: peak at the station and its ratio to the plan's.

    Parameters
    ----------
    table : WhatIf
    station : str
        Name of the station whose peaks are shown.
    unit : str
        Unit of force.

    Returns
    -------
    list of (name, words)
    """
    rows: Rows = []
    if station in table.base.peak_n:
        rows.append(("as planned", three(table.base.peak_n[station], unit)))
    return rows + [
        (_KINDS.get(row.kind, row.kind), _words(row, station, unit)) for row in table.rows
    ]


def _words(row: Row, station: str, unit: ForceUnit) -> str:
    name = row.key.rsplit(".", 1)[-1]
    plain = name.rsplit("_", 1)[0] if name.endswith(("_m", "_n", "_s")) else name
    was, now = _value(row.key, row.was, unit), _value(row.key, row.now, unit)
    head = f"{plain.replace('_', ' ')} {was} to {now}"
    if row.refused:
        return f"{head}: cannot be predicted: {row.refused}"
    if station not in row.ratio:
        return f"{head}: not known at {station}"
    ratio = row.ratio[station]
    return (
        f"{head}: {ratio['p50']:.2f} × ({ratio['p05']:.2f} to {ratio['p95']:.2f}), peak "
        f"{three(row.peak_n[station], unit)}"
    )


def _value(key: str, value: float | str | None, unit: ForceUnit) -> str:
    """Show a value in the unit that its key names."""
    if value is None:
        return "not written"
    if isinstance(value, str):
        return value
    if key.endswith("_m"):
        return format_length(value)
    if key.endswith("_n"):
        return format_force(value, unit)
    return f"{value:.2f}"
