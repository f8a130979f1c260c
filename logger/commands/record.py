"""``ropetally record``: cells into a logbook, until told to stop.

Comes in: which cells, which logbook, a job sheet. Goes out: the recording; a live view or
status lines; a summary. Must not: load scipy, pandas or matplotlib, or print on the
recorder's or the pipeline's thread.
"""

from __future__ import annotations

import contextlib
import re
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, Final

import click

from logger.commands.acknowledged import PrintedAcks, read_back
from logger.commands.output import json_option, logbook_argument, print_json, units_option
from logger.commands.status import CAUTION, cell_line, disk_state, losses
from logger.errors import InputError, LoggerError
from logger.units import counted

if TYPE_CHECKING:
    from logger.clock import Clock
    from logger.commands.calibrating import Calibrations
    from logger.commands.terminal import TerminalView
    from logger.live import Snapshot
    from logger.records import Sheet
    from logger.session import Session, SessionPlan
    from logger.transports import Transport
    from logger.units import ForceUnit

STATUS_S: Final = 5.0
LOOK_S: Final = 0.05
_NAMED: Final = re.compile(r"^([^=:/?]+)=(.+)$")


@click.command()
@logbook_argument
@click.option(
    "--cell",
    "cells",
    multiple=True,
    required=True,
    metavar="[NAME=]URL",
    help="A cell: serial:/dev/ttyUSB0?baud=921600, ble:NAME, or file:cap.raw. Repeat for more.",
)
@click.option(
    "--sheet",
    type=click.Path(path_type=Path),
    metavar="SHEET",
    help="Job sheet: stored, and every piece predicted, before recording.",
)
@click.option(
    "--calibration",
    metavar="COUNTS:FORCE,COUNTS:FORCE",
    help="Two known loads, as '0:0 N,2000000:20 kN'. Beats sheet and logbook.",
)
@click.option(
    "--for",
    "for_s",
    type=click.FloatRange(0.0, min_open=True),
    metavar="SECONDS",
    help="Stop by itself after this time.",
)
@click.option(
    "--lowerings", type=click.IntRange(1), metavar="N", help="Stop by itself after N lowerings."
)
@click.option(
    "--hold-s",
    type=click.FloatRange(0.0, min_open=True),
    default=5.0,
    show_default=True,
    help="Quiet time that ends a lowering, seconds.",
)
@click.option(
    "--open-n",
    type=click.FloatRange(0.0, min_open=True),
    default=150.0,
    show_default=True,
    help="Force above slack that begins a lowering, newtons.",
)
@units_option
@click.option(
    "--acks",
    is_flag=True,
    help="Print 'ack STREAM LAST_INDEX' for what each commit has put on disk.",
)
@click.option("--quiet", is_flag=True, help="No live view, no status lines.")
@json_option
def command(logbook: Path, **given: Any) -> None:
    """Record cells into LOGBOOK.

    The whole stream is kept. Lowerings are found by their load, with ten seconds of
    history: nobody presses a button at the moment of the cut. Ctrl-C stops and closes.

    In a terminal single keys put marks on record: n notch done, t tension on, m tip
    moved, b back cut, f free, d down.
    """  # fmt: skip
    from logger.commands.calibrating import Calibrations
    from logger.commands.keys import LEGEND, mark_keys
    from logger.live import Consumer
    from logger.session import Session

    named = name_cells(given["cells"])
    sheet = None if given["sheet"] is None else _store_sheet(logbook, given["sheet"])
    calibrations = Calibrations(given["calibration"], sheet.cell if sheet else (), logbook)
    plan = _plan(logbook, named, sheet, calibrations, given)
    started = time.monotonic()
    with contextlib.ExitStack() as stack:
        stopping = stack.enter_context(_signals())
        acks = stack.enter_context(PrintedAcks()) if given["acks"] else None
        terminal = stack.enter_context(_terminal(given)) if _wants_view(given) else None
        consumers = () if terminal is None else (Consumer("terminal", terminal.show),)
        say = _say if terminal is None else terminal.say
        session = Session(plan, consumers=consumers, on_ack=acks, opener=_opener())
        session.start()

        def mark(kind: str) -> None:
            try:
                session.mark(kind)
            except LoggerError as error:
                say(f"mark {kind.replace('_', ' ')} is not on record: {error}")
            else:
                say(f"mark: {kind.replace('_', ' ')}")

        if stack.enter_context(mark_keys(mark)):
            say(LEGEND)
        lines = None if terminal is not None or given["quiet"] else StatusLines(given["units"])
        until = Until(given["for_s"], given["lowerings"])
        failure = _run(session, stopping, until, lines, lambda: _say_all(calibrations, say))
    _say_all(calibrations, _say)
    if acks is not None and acks.unread:
        _say(f"nobody reads standard output: no summary there. See: ropetally check {logbook}")
    else:
        summarise(logbook, session.snapshot, time.monotonic() - started, as_json=given["as_json"])
    if failure is not None:
        _say_lines(read_back(logbook, session.acknowledged))
        raise failure


# --- before ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Links:
    """How links are opened: given as click's ``obj`` by whoever runs the command as a function."""

    opener: Callable[[str, Clock], Transport]


def _opener() -> Callable[[str, Clock], Transport]:
    """Give the way links are opened: by their URL, unless another was given."""
    from logger.transports import open_transport

    links = click.get_current_context().find_object(Links)
    return open_transport if links is None else links.opener


def name_cells(cells: Sequence[str]) -> list[tuple[str | None, str]]:
    """Take ``[NAME=]URL`` apart; no name is None.

    Raises
    ------
    InputError
        A bare path, a name twice, or the same link twice.

    Examples
    --------
    >>> name_cells(["lead=serial:/dev/ttyUSB0?baud=9600", "file:cap.raw"])
    [('lead', 'serial:/dev/ttyUSB0?baud=9600'), (None, 'file:cap.raw')]
    """
    named: list[tuple[str | None, str]] = []
    for text in cells:
        match = _NAMED.match(text)
        name, url = match.groups() if match else (None, text)
        if not re.match(r"^[a-z]+:.", url):
            raise InputError(
                f"--cell {text!r} has no kind of link before it; write --cell 'serial:{url}' for a "
                f"port, --cell 'file:{url}' for a recording of one"
            )
        if url in [other for _, other in named]:
            raise InputError(f"--cell {url!r} is named twice; each cell has its own link")
        if name is not None and name in [other for other, _ in named]:
            raise InputError(f"--cell: the name {name!r} is used twice; give each cell its own")
        named.append((name, url))
    return named


def _store_sheet(logbook: Path, path: Path) -> Sheet:
    """Store the sheet, predict its pieces, say what came of it."""
    from logger.commands.planning import store_sheet
    from logger.logbook.reader import LogbookReader
    from logger.records import Rig, Rope
    from logger.sheet import read_sheet

    rigs: Sequence[str] = ()
    ropes: Sequence[str] = ()
    if logbook.exists():
        with LogbookReader(logbook) as reader:
            rigs, ropes = tuple(reader.all_records(Rig)), tuple(reader.all_records(Rope))
    sheet = read_sheet(path, known_rigs=rigs, known_ropes=ropes)
    stored = store_sheet(logbook, sheet)
    _say(
        f"job {stored.job}: {len(stored.pieces)} pieces, {len(stored.predicted)} predicted now "
        f"(stored before the cut)"
    )
    for key, reason in stored.unpredicted:
        _say(f"{key}: not predicted: {reason}")
    return sheet


def _plan(
    logbook: Path,
    named: list[tuple[str | None, str]],
    sheet: Sheet | None,
    calibrations: Calibrations,
    given: dict[str, Any],
) -> SessionPlan:
    """Put together what the session needs."""
    from logger.cell_line import CellPlan
    from logger.session import SessionPlan
    from logger.trigger import TriggerSettings

    alone = sheet if sheet is not None and len(named) == 1 else None
    stations = {rig.station.name for rig in alone.rig} if alone else set()
    plans = []
    for number, (given_name, url) in enumerate(named, 1):
        name = given_name or ("cell" if len(named) == 1 else f"cell-{number}")
        if given_name is None and alone is not None and len(alone.cell) == 1:
            name = alone.cell[0].name
        plans.append(
            CellPlan(
                name=name,
                url=url,
                scaling_of=partial(calibrations.of, name),
                station=stations.pop() if len(stations) == 1 else None,
            )
        )
    open_n = given["open_n"]
    trigger = TriggerSettings(open_n=open_n, close_n=open_n / 2, hold_s=given["hold_s"])
    return SessionPlan(logbook, tuple(plans), trigger)


# --- while it records --------------------------------------------------------------------


class Until:
    """When a recording ends by itself: after a time, or after so many lowerings."""

    def __init__(self, seconds: float | None, lowerings: int | None) -> None:
        self._end = None if seconds is None else time.monotonic() + seconds
        self._lowerings = lowerings

    def reached(self, snapshot: Snapshot) -> bool:
        """Whether it is over."""
        if self._end is not None and time.monotonic() >= self._end:
            return True
        return self._lowerings is not None and snapshot.lowerings >= self._lowerings


def _run(
    session: Session,
    stopping: threading.Event,
    until: Until,
    lines: StatusLines | None,
    say: Callable[[], None],
) -> LoggerError | None:
    """Watch until something says stop; stop in order; give what failed."""
    try:
        while not stopping.is_set() and not session.wait(LOOK_S):
            say()
            if lines is not None:
                lines.show(session.snapshot)
            if until.reached(session.snapshot):
                break
    except BaseException:
        with contextlib.suppress(LoggerError):
            session.stop()
        raise
    try:
        session.stop()
    except LoggerError as error:
        return error
    return None


class StatusLines:
    """A plain line a cell on standard error, every few seconds."""

    def __init__(self, units: ForceUnit) -> None:
        self._units = units
        self._due = time.monotonic() + STATUS_S
        _say(f"Recording. {CAUTION} Ctrl-C stops.")

    def show(self, snapshot: Snapshot) -> None:
        """Print when due."""
        if time.monotonic() < self._due:
            return
        self._due += STATUS_S
        for view in snapshot.cells:
            _say(cell_line(snapshot, view, self._units))
        _say(disk_state(snapshot))


@contextlib.contextmanager
def _signals() -> Iterator[threading.Event]:
    """Turn Ctrl-C, SIGTERM and a closed terminal into a clean stop.

    SIGHUP that is ignored stays so: under ``nohup`` a recording outlives its terminal.
    """
    stopping = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    names = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    if "SIGHUP" in names and signal.getsignal(signal.SIGHUP) == signal.SIG_IGN:
        names.remove("SIGHUP")
    before = {name: signal.signal(getattr(signal, name), stop) for name in names}
    try:
        yield stopping
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)


def _wants_view(given: dict[str, Any]) -> bool:
    """Whether standard output is a terminal that nothing else is printed on."""
    return sys.stdout.isatty() and not (given["quiet"] or given["acks"] or given["as_json"])


def _terminal(given: dict[str, Any]) -> TerminalView:
    """Make the live view."""
    from logger.commands.terminal import TerminalView

    return TerminalView(given["units"])


def _say(text: str) -> None:
    """Write to standard error; a closed one ends nothing."""
    with contextlib.suppress(OSError):
        click.echo(text, err=True)


def _say_lines(lines: Iterable[str]) -> None:
    for line in lines:
        _say(line)


def _say_all(calibrations: Calibrations, say: Callable[[str], None]) -> None:
    """Pass on each message once."""
    while calibrations.messages:
        say(calibrations.messages.pop(0))


# --- after -------------------------------------------------------------------------------


def summarise(logbook: Path, snapshot: Snapshot, seconds: float, *, as_json: bool) -> None:
    """Print what was recorded."""
    cells = [
        {
            "cell": view.cell,
            "samples": view.n_samples,
            "gaps": view.n_gaps,
            "missing": view.n_missing,
            "faults": view.n_faults,
            "overruns": view.overruns,
            "clock_drift_ppm": view.drift_ppm,
            "time_error_s": view.time_error_s,
            "latency_bound_s": view.latency_s,
        }
        for view in snapshot.cells
    ]
    if as_json:
        print_json(
            {
                "logbook": str(logbook),
                "seconds_s": round(seconds, 3),
                "lowerings": snapshot.lowerings,
                "cells": cells,
            }
        )
        return
    for view in snapshot.cells:
        click.echo(
            f"{view.cell}: {losses(view.n_samples, view.n_missing, view.n_gaps, view.n_faults)}"
        )
    found = counted(snapshot.lowerings, "lowering")
    click.echo(f"{found} in {logbook}. Next: ropetally lowerings {logbook}")
