"""A whole session on a cell without a link: order of start and stop, and how it fails."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from fake_cell import FakeCell, calibrated
from logbook_items import StillClock

from logger import session as session_module
from logger.cell_line import CellLine, CellPlan
from logger.clock import Clock
from logger.errors import (
    LogbookBusyError,
    LogbookWriteError,
    NotALogbookError,
    RecordingError,
    TransportError,
)
from logger.live import Consumer, Snapshot
from logger.logbook.check import check
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.samples import Ack
from logger.session import Session, SessionPlan
from logger.transports import Transport

WAIT_S = 60.0


class Rig:
    """A session with fake cells; what it acknowledged."""

    def __init__(self, folder: Path, n_cells: int = 1, **more: Any) -> None:
        self.clock = StillClock()
        self.cells = [FakeCell(self.clock) for _ in range(n_cells)]
        self.acks: list[Ack] = []
        self.logbook = folder / "job.logbook"
        waiting = list(self.cells)

        def opener(_url: str, _clock: Clock) -> Transport:
            return waiting.pop(0)

        self.session = Session(
            SessionPlan(
                self.logbook,
                tuple(CellPlan(f"c{i}", f"fake:{i}", calibrated) for i in range(n_cells)),
                batch_s=0.005,
            ),
            clock=self.clock,
            opener=opener,
            on_ack=self.acks.extend,
            **more,
        )

    def start(self) -> None:
        """Start, and wait until every cell has been told to."""
        self.session.start()
        self.until(lambda: all(len(cell.requests) >= 2 for cell in self.cells))

    def until(self, passed: Callable[[], bool]) -> None:
        event = threading.Event()
        for _ in range(int(WAIT_S / 0.002)):
            if passed():
                return
            event.wait(0.002)
        pytest.fail("waited too long")

    def until_acknowledged(self, last_index: int) -> None:
        self.until(lambda: any(ack.last_index >= last_index for ack in self.acks))


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return Rig(tmp_path)


def test_a_recording_from_start_to_stop(rig: Rig) -> None:
    rig.start()
    (cell,) = rig.cells
    cell.samples(500)
    rig.until_acknowledged(499)
    cell.samples(300)
    last = rig.session.stop()
    assert [view.n_samples for view in last.cells] == [800]
    assert rig.acks[-1] == Ack(1, 799)
    assert cell.ended
    assert len(cell.requests) >= 3
    assert rig.session.stop() is last
    assert rig.session.snapshot is last
    report = check(rig.logbook)
    assert report.ok
    assert [(s.samples, s.closed, s.reason) for s in report.streams] == [(800, True, "stopped")]
    with LogbookReader(rig.logbook) as reader:
        (stream,) = reader.streams()
        (session,) = reader.sessions()
    assert (stream.cell, stream.url, stream.overload_n) == ("c0", "fake:0", 20_000.0)
    assert (
        stream.anchor_wall_ns - stream.anchor_boot_ns == rig.clock.wall_ns() - rig.clock.boot_ns()
    )
    assert (session.closed, session.reason) == (True, "stopped")


def test_devices_are_told_to_stop_before_their_links_are_closed(rig: Rig) -> None:
    rig.start()
    (cell,) = rig.cells
    cell.samples(50)
    order: list[str] = []
    write, stop = cell.write, cell.stop

    def told(data: bytes) -> None:
        write(data)
        order.append(f"request {cell.requests[-1].opcode}")

    def closed() -> None:
        order.append("closed")
        cell.samples(50)
        stop()

    cell.write, cell.stop = told, closed  # type: ignore[method-assign]
    last = rig.session.stop()
    assert order[-2:] == ["request 3", "closed"]
    assert last.cells[0].n_samples == 100


def test_numbers_go_on_in_the_next_recording(tmp_path: Path) -> None:
    for number in (1, 2):
        rig = Rig(tmp_path, n_cells=2)
        rig.start()
        for cell in rig.cells:
            cell.samples(100)
        rig.session.stop()
        with LogbookReader(rig.logbook) as reader:
            assert [stream.id for stream in reader.streams()] == list(range(1, 2 * number + 1))


def test_a_mark_is_on_record(rig: Rig) -> None:
    rig.session.mark("free")
    rig.start()
    rig.session.mark("back_cut", "hinge left thick")
    rig.session.stop()
    with LogbookReader(rig.logbook) as reader:
        (mark,) = reader.marks()
    assert (mark.kind, mark.note, mark.at_ns) == (
        "back_cut",
        "hinge left thick",
        rig.clock.boot_ns(),
    )


def test_consumers_get_snapshots_with_room_on_the_disk(tmp_path: Path) -> None:
    seen: list[Snapshot] = []
    rig = Rig(tmp_path, consumers=[Consumer("seen", seen.append)])
    rig.start()
    assert not rig.session.wait(0.0)
    rig.clock.sleep(1.0)
    rig.until(lambda: any(snapshot.free_bytes for snapshot in seen))
    rig.session.stop()
    assert seen[-1].at_ns == rig.clock.boot_ns()


def test_nothing_to_wait_for_before_and_after(rig: Rig) -> None:
    assert rig.session.wait(0.0)
    assert rig.session.snapshot.cells == ()
    rig.start()
    assert not rig.session.wait(0.0)
    rig.cells[0].ended = True
    assert rig.session.wait(0.0)
    rig.session.stop()
    assert rig.session.wait(0.0)


# --- what cannot begin -----------------------------------------------------------------


def test_a_link_that_cannot_be_opened_leaves_no_logbook(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig = Rig(tmp_path, n_cells=2)

    def refuse(*_: Any) -> None:
        raise TransportError("not_found", "not there")

    monkeypatch.setattr(rig.cells[1], "start", refuse)
    with pytest.raises(TransportError, match="not there"):
        rig.session.start()
    assert all(cell.ended for cell in rig.cells)
    assert not rig.logbook.exists()


def test_a_logbook_in_use_stops_the_links_again(rig: Rig) -> None:
    with LogbookWriter(rig.logbook), pytest.raises(LogbookBusyError):
        rig.session.start()
    assert rig.cells[0].ended


def test_a_foreign_file_is_left_alone(rig: Rig) -> None:
    rig.logbook.write_text("a letter to a friend\n" * 100)
    with pytest.raises(NotALogbookError):
        rig.session.start()
    assert rig.logbook.read_text().startswith("a letter")
    assert rig.cells[0].ended


# --- what goes wrong ---------------------------------------------------------------------


def test_a_disk_that_gives_out_ends_the_session_with_the_cause(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.start()
    rig.cells[0].samples(500)
    rig.until_acknowledged(499)

    def full(*_: Any) -> None:
        raise LogbookWriteError("the disk is full")

    monkeypatch.setattr(LogbookWriter, "write", full)
    rig.cells[0].samples(500)
    rig.until(lambda: rig.session.wait(0.0))
    rig.cells[0].samples(500)
    with pytest.raises(LogbookWriteError, match="the disk is full"):
        rig.session.stop()
    monkeypatch.undo()
    assert rig.cells[0].ended
    report = check(rig.logbook)
    assert report.ok
    assert [stream.samples for stream in report.streams] == [500]


def test_a_bug_in_the_pipeline_ends_the_session_loudly(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    rig.start()
    rig.cells[0].samples(500)
    rig.until_acknowledged(499)

    def bug(*_: Any) -> None:
        raise ZeroDivisionError("a bug")

    monkeypatch.setattr(CellLine, "feed", bug)
    rig.cells[0].samples(50)
    rig.until(lambda: rig.session.wait(0.0))
    with pytest.raises(RecordingError, match="ZeroDivisionError: a bug"):
        rig.session.stop()
    with LogbookReader(rig.logbook) as reader:
        (session,) = reader.sessions()
        (stream,) = reader.streams()
    assert session.reason == "failed"
    assert (stream.first_index, stream.last_index) == (0, 499)


def test_a_logbook_that_cannot_be_closed_is_said(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.start()
    close = LogbookWriter.close

    def refuse(self: LogbookWriter, reason: str) -> None:
        close(self, reason)
        raise LogbookWriteError("sync failed")

    monkeypatch.setattr(LogbookWriter, "close", refuse)
    with pytest.raises(LogbookWriteError, match="sync failed"):
        rig.session.stop()


def test_a_device_that_does_not_answer_stop_is_left(
    rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_module, "STOP_S", 0.02)
    rig.start()
    rig.cells[0].samples(50)
    rig.cells[0].silent = True
    assert rig.session.stop().cells[0].n_samples == 50


def test_room_on_a_disk_that_is_gone_is_not_known(tmp_path: Path) -> None:
    assert session_module._free_bytes(tmp_path / "gone" / "job.logbook") is None
