"""Reviews made from a small logbook, for tests of words, figures and pages."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from logbook_factory import FakeClock, FloatArray, Made, drop_force, make_logbook, release_force
from sheets import SHEET, write_sheet

from analysis.learning.review import Review, review_lowering
from analysis.source import load_lowering
from logger.commands.planning import store_sheet
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Tag, Window, WindowPart
from logger.sheet import read_sheet


def prepared(
    folder: Path,
    lowerings: Sequence[FloatArray] | None = None,
    *,
    sheet: str = SHEET,
    pieces: Sequence[str] = ("P1", "P2"),
    clock: FakeClock | None = None,
    **more: Any,
) -> Made:
    """A logbook with the sheet stored before, and lowerings tied in order."""
    path = folder / "job.logbook"
    store_sheet(path, read_sheet(write_sheet(folder, sheet)), clock=clock or FakeClock())
    forces = [drop_force(), release_force()] if lowerings is None else lowerings
    made = make_logbook(path, forces, **{"station": None, **more})
    for number, piece in enumerate(pieces, 1):
        tie(made, number, piece)
    return made


def tie(made: Made, number: int, piece: str, **noted: Any) -> None:
    """Tag a lowering."""
    with LogbookEntries(made.path) as entries:
        entries.put_record(str(number), Tag(job="orchard", piece=piece, **noted))


def set_window(made: Made, number: int, first_index: int, last_index: int) -> None:
    """Give a lowering another window on the first stream, whatever the stream holds."""
    part = WindowPart(stream=1, first_index=first_index, last_index=last_index)
    with LogbookEntries(made.path) as entries:
        entries.put_record(str(number), Window(parts=(part,)))


def review(made: Made, number: int = 1) -> Review:
    """Review one lowering."""
    with LogbookReader(made.path) as reader:
        return review_lowering(load_lowering(reader, number))
