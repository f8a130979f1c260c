"""Before the cut: a sheet's records into the logbook, and a prediction for every piece.

Comes in: a sheet, or a piece that was corrected. Goes out: record versions and stored
predictions. Must not: predict again what has not changed, touch an older version, or load
more of the analysis than the predictor (numpy only: the recording process runs this).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from logger.clock import Clock
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Piece, Record, Rig, Rope, Sheet, piece_key


@dataclass(frozen=True, slots=True)
class StoredSheet:
    """What storing a sheet did.

    Parameters
    ----------
    job : str
        Name of the job.
    pieces : tuple of str
        Keys of its pieces, in the sheet's order.
    n_written : int
        New record versions; 0 when the logbook held all of it.
    predicted : tuple of str
        Keys of the pieces that were predicted now.
    unpredicted : tuple of (key, reason)
        Pieces that the predictor refused, and why.
    """

    job: str
    pieces: tuple[str, ...]
    n_written: int
    predicted: tuple[str, ...]
    unpredicted: tuple[tuple[str, str], ...]


def store_sheet(
    path: str | Path, sheet: Sheet, by: str = "", clock: Clock | None = None
) -> StoredSheet:
    """Store a sheet's records and, for each piece, a prediction made now.

    Parameters
    ----------
    path : path
        The logbook; made when it does not exist.
    sheet : Sheet
        As read by :func:`logger.sheet.read_sheet`.
    by : str
        Who enters it; the crew's pseudonym when not given.
    clock : Clock, optional
        Stamps what is written.

    Returns
    -------
    StoredSheet
        What is new. A sheet that has not changed adds no version and no prediction.
    """
    author = by or sheet.job.crew
    with (
        LogbookEntries(path, create=True, clock=clock) as entries,
        LogbookReader(path) as reader,
    ):
        changed = [
            (key, record)
            for key, record in entries_of(sheet)
            if reader.record(type(record), key) != record
        ]
        for key, record in changed:
            entries.put_record(key, record, author=author)
    keys = tuple(piece_key(sheet.job.name, piece.name) for piece in sheet.piece)
    predicted, unpredicted = predict_pieces(path, keys, clock)
    return StoredSheet(sheet.job.name, keys, len(changed), predicted, unpredicted)


def entries_of(sheet: Sheet) -> Iterator[tuple[str, Record]]:
    """Give each record of a sheet with the key under which it is stored.

    Yields
    ------
    key, record
        Ropes, rigs and cells by name, a piece by ``job/piece``, a limit by
        ``on/kind``, a note by ``job/position``.
    """
    job = sheet.job.name
    yield job, sheet.job
    yield from ((rope.name, rope) for rope in sheet.rope)
    yield from ((rig.name, rig) for rig in sheet.rig)
    yield from ((cell.name, cell) for cell in sheet.cell)
    for piece in sheet.piece:
        yield piece_key(job, piece.name), piece
    for limit in sheet.limit:
        yield f"{limit.on}/{limit.kind}", limit
    for position, note in enumerate(sheet.note, 1):
        yield f"{job}/{position}", note


def predict_pieces(
    path: str | Path, keys: tuple[str, ...], clock: Clock | None = None
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Predict the pieces whose inputs differ from those of their newest prediction.

    Parameters
    ----------
    path : path
        The logbook.
    keys : tuple of str
        Keys of pieces.
    clock : Clock, optional
        Stamps the predictions.

    Returns
    -------
    predicted : tuple of str
        Keys of those predicted now.
    unpredicted : tuple of (key, reason)
        Those that the predictor refused.
    """
    from analysis.errors import PredictionError
    from analysis.predicting.predict import predict

    predicted, unpredicted = [], []
    with LogbookReader(path) as reader, LogbookEntries(path, clock=clock) as entries:
        for key in keys:
            inputs = _inputs(reader, key)
            if isinstance(inputs, str):
                unpredicted.append((key, inputs))
                continue
            plain = msgspec.json.decode(msgspec.json.encode(inputs))
            made = reader.predictions(key)
            if made and made[-1].inputs == plain:
                continue
            try:
                result = predict(inputs["piece"], inputs["rig"], inputs["rope"])
            except PredictionError as error:
                unpredicted.append((key, str(error)))
                continue
            entries.put_prediction(key, plain, result)
            predicted.append(key)
    return tuple(predicted), tuple(unpredicted)


def _inputs(reader: LogbookReader, key: str) -> dict[str, Any] | str:
    """Gather the records that a prediction is made from, or say what is missing.

    A person's guess and a note do not change a prediction, so they are left out.
    """
    piece = reader.record(Piece, key)
    if piece is None:
        return "the piece is not in the logbook"
    rig = reader.record(Rig, piece.rig)
    if rig is None:
        return f"its rig {piece.rig!r} is not in the logbook"
    rope = reader.record(Rope, rig.rope)
    if rope is None:
        return f"the rope {rig.rope!r} of its rig is not in the logbook"
    return {
        "piece": msgspec.structs.replace(piece, guesses=(), note=""),
        "rig": msgspec.structs.replace(rig, note=""),
        "rope": msgspec.structs.replace(rope, note=""),
    }


def pieces_affected(reader: LogbookReader, kind: str, key: str) -> tuple[str, ...]:
    """Keys of the pieces whose prediction rests on a record."""
    if kind == "piece":
        return (key,)
    rigs = reader.all_records(Rig)
    names = {name for name, rig in rigs.items() if key == (name if kind == "rig" else rig.rope)}
    if kind not in {"rig", "rope"}:
        return ()
    return tuple(name for name, piece in reader.all_records(Piece).items() if piece.rig in names)
