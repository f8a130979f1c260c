"""A whole recording of one cell over the virtual radio."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from bumble_link import Air
from capture_rig import wait_until

from logger.cell_line import CellPlan
from logger.session import Session, SessionPlan
from logger.transports.base import parse_url
from logger.transports.ble import BleTransport


@contextmanager
def recording(air: Air, logbook: Path, url: str) -> Iterator[Session]:
    """Record for as long as the block runs."""
    plan = SessionPlan(logbook, (CellPlan("a", url, lambda info: (None, None)),))
    session = Session(
        plan, opener=lambda text, clock: BleTransport(parse_url(text), clock, air.radio)
    )
    session.start()
    try:
        yield session
    finally:
        session.stop()


def n_samples(session: Session) -> int:
    """How many samples came, of all cells."""
    return sum(cell.n_samples for cell in session.snapshot.cells)


def wait_for(session: Session, n: int) -> None:
    """Wait until so many samples came."""
    wait_until(lambda: n_samples(session) >= n)
