"""Which calibration a cell is recorded with.

Comes in: what was entered now (option, job sheet) and what the logbook holds. Goes out:
for a device that has said who it is, its scaling and entered overload limit. Must not:
guess: without a calibration counts are recorded, and that is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from logger.errors import InputError
from logger.logbook.reader import LogbookReader
from logger.records import Cell, LoadPoint
from logger.samples import CellInfo, Scaling
from logger.scaling import own_scaling, scaling_of
from logger.units import parse

EXAMPLE: Final = "0:0 N,2000000:20 kN"


def parse_points(text: str) -> tuple[LoadPoint, LoadPoint]:
    """Read ``COUNTS:FORCE,COUNTS:FORCE``.

    Raises
    ------
    InputError
        It is not two pairs of counts and a force with its unit.

    Examples
    --------
    >>> parse_points("0:0 N,2000000:20 kN")[1]
    LoadPoint(force_n=20000.0, counts=2000000.0)
    """
    points = []
    for pair in text.split(","):
        counts, colon, force = pair.partition(":")
        try:
            if not colon:
                raise ValueError  # noqa: TRY301 - one message for all that can be wrong
            points.append(LoadPoint(force_n=parse(force, "force"), counts=float(counts)))
        except ValueError as error:
            raise InputError(
                f"--calibration {text!r}: {pair!r} is not COUNTS:FORCE; write for example "
                f"--calibration '{EXAMPLE}'"
            ) from error
    if len(points) != 2:
        raise InputError(f"--calibration {text!r}: two loads are needed, as in '{EXAMPLE}'")
    return points[0], points[1]


class Calibrations:
    """Finds a cell's calibration: the one entered now, the sheet's, then the logbook's.

    Parameters
    ----------
    entered : str or None
        ``--calibration``; for every cell recorded.
    cells : sequence of Cell
        Of the job sheet.
    logbook : path
        May not exist yet.
    """

    def __init__(self, entered: str | None, cells: Sequence[Cell], logbook: Path) -> None:
        self.messages: list[str] = []
        self._entered: Scaling | None = None
        if entered is not None:
            cell = Cell(name="entered", points=parse_points(entered), calibrated_by="--calibration")
            self._entered = scaling_of(cell)
        self._cells = tuple(cells)
        self._kept: tuple[Cell, ...] = ()
        self._used: dict[str, Scaling] = {}
        if logbook.exists():
            self._read(logbook)

    def of(self, name: str, info: CellInfo) -> tuple[Scaling | None, float | None]:
        """Scaling and overload limit of a device; says what it found in ``messages``."""
        cell = _matching(self._cells, name, info) or _matching(self._kept, name, info)
        overload_n = None if cell is None else cell.overload_n
        scaling = self._entered
        if scaling is None:
            scaling = scaling_of(cell) if cell is not None else self._used.get(info.device_id)
        scaling = scaling or own_scaling(info)
        if scaling is None:
            self.messages.append(
                f"{name} ({info.device_id}): NO CALIBRATION. Counts are recorded; no force is "
                "shown and lowerings are not found. Stop, then enter two known loads: [[cell]] in "
                f"the job sheet with --sheet, or --calibration '{EXAMPLE}'"
            )
        else:
            self.messages.append(f"{name} ({info.device_id}): calibration: {scaling.origin}")
        return scaling, overload_n

    def _read(self, logbook: Path) -> None:
        with LogbookReader(logbook) as reader:
            self._kept = tuple(reader.all_records(Cell).values())
            for stream in reader.streams():
                scaling = reader.scaling(stream.id)
                if scaling is not None:
                    self._used[stream.info.device_id] = scaling


def _matching(cells: Sequence[Cell], name: str, info: CellInfo) -> Cell | None:
    """Find the cell of this device id; else of this name, if it names no device."""
    for cell in cells:
        if cell.device_id and cell.device_id == info.device_id:
            return cell
    unnamed = [cell for cell in cells if not cell.device_id]
    for cell in unnamed:
        if cell.name == name:
            return cell
    return None
