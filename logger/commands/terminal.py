"""The live view in a terminal: one big number a cell, and what it rests on.

Comes in: snapshots. Goes out: text on a terminal. Must not: say that a load is
acceptable, or use colour as a verdict.
"""

from __future__ import annotations

from collections import deque
from types import TracebackType
from typing import Final, Self

from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from logger.commands.status import CAUTION, cell_state, disk_state
from logger.live import CellView, Snapshot
from logger.units import ForceUnit, format_force

REDRAW_NS: Final = 100_000_000
ROWS: Final = 5
NOTES: Final = 4

_DIGITS: Final[dict[str, tuple[str, str, str, str, str]]] = {
    "0": (" ### ", "#   #", "#   #", "#   #", " ### "),
    "1": ("  #  ", " ##  ", "  #  ", "  #  ", " ### "),
    "2": (" ### ", "#   #", "  ## ", " #   ", "#####"),
    "3": ("#### ", "    #", " ### ", "    #", "#### "),
    "4": ("#   #", "#   #", "#####", "    #", "    #"),
    "5": ("#####", "#    ", "#### ", "    #", "#### "),
    "6": (" ### ", "#    ", "#### ", "#   #", " ### "),
    "7": ("#####", "   # ", "  #  ", " #   ", " #   "),
    "8": (" ### ", "#   #", " ### ", "#   #", " ### "),
    "9": (" ### ", "#   #", " ####", "    #", " ### "),
    ".": ("  ", "  ", "  ", "  ", " #"),
    "-": ("    ", "    ", " ## ", "    ", "    "),
}


def big(text: str) -> list[str]:
    """Digits five rows high, from plain characters.

    Examples
    --------
    >>> big("1")
    ['  #  ', ' ##  ', '  #  ', '  #  ', ' ### ']
    """
    return ["  ".join(_DIGITS[char][row] for char in text) for row in range(ROWS)]


class TerminalView:
    """Draws snapshots in place while it is open; a context manager."""

    def __init__(self, units: ForceUnit, console: Console | None = None) -> None:
        self._units = units
        self._live = Live(console=console, auto_refresh=False, transient=True)
        self._drawn_ns = 0
        self._notes: deque[str] = deque(maxlen=NOTES)

    def __enter__(self) -> Self:
        self._live.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._live.stop()

    def say(self, text: str) -> None:
        """Keep a message in the picture."""
        self._notes.append(text)

    def show(self, snapshot: Snapshot) -> None:
        """Draw, ten times a second at most."""
        if snapshot.at_ns - self._drawn_ns < REDRAW_NS:
            return
        self._drawn_ns = snapshot.at_ns
        self._live.update(self.picture(snapshot), refresh=True)

    def picture(self, snapshot: Snapshot) -> Group:
        """Text of a snapshot."""
        parts: list[Text] = []
        for view in snapshot.cells:
            parts += [Text(), *self._number(snapshot, view)]
            parts.append(Text(cell_state(view, self._units)))
        parts += [Text(), Text(disk_state(snapshot)), *map(Text, tuple(self._notes))]
        parts += [Text(), Text(f"{CAUTION} Ctrl-C stops.")]
        return Group(*parts)

    def _number(self, snapshot: Snapshot, view: CellView) -> list[Text]:
        """Give the force as one big number, or say in plain words why there is none."""
        if snapshot.stale(view):
            rows = [f"{view.cell}: NO NEW SAMPLES"]
        elif view.force_n is None:
            counts = "" if view.counts is None else f", {view.counts:.0f} counts"
            rows = [f"{view.cell}: no calibration{counts}"]
        else:
            number, unit = format_force(view.force_n, self._units).split()
            rows = big(number)
            rows[-1] += f"  {unit}  {view.cell}"
        rows += [""] * (ROWS - len(rows))
        return [Text(row, style="bold", no_wrap=True) for row in rows]
