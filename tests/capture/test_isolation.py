"""Who looks on costs nothing; a raw recording of a link gives the same logbook again."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from capture_rig import CALIBRATION, PROGRAM, Cell, assert_same, wait_until, well

from logger.cell_line import CellPlan
from logger.clock import Clock
from logger.live import Consumer, Snapshot
from logger.logbook.reader import LogbookReader
from logger.samples import CellInfo, Scaling
from logger.session import Session, SessionPlan
from logger.transports import Deliver, Notice, Transport, open_transport
from logger.transports.replay import write_raw

HEAVY = ("scipy", "pandas", "matplotlib")


def scaling(_info: CellInfo) -> tuple[Scaling, None]:
    return Scaling(0.0, 0.01, 0.005, 0.0, "invented"), None


def plan(logbook: Path, url: str) -> SessionPlan:
    return SessionPlan(logbook, (CellPlan("cell", url, scaling),))


def test_consumers_that_raise_or_stall_cost_no_sample(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    release = threading.Event()
    seen: list[Snapshot] = []

    def bad(_snapshot: Snapshot) -> None:
        raise ValueError("a bug in a view")

    def stuck(_snapshot: Snapshot) -> None:
        release.wait()

    consumers = [Consumer("bad", bad), Consumer("stuck", stuck), Consumer("good", seen.append)]
    with Cell(tmp_path, "--rate", "4000", "--fifo", "32768") as cell:
        session = Session(plan(logbook, cell.url), consumers=consumers)
        session.start()
        try:
            wait_until(lambda: any(view.n_samples > 4000 for view in session.snapshot.cells))
        finally:
            last = session.stop()
            release.set()
        sent = cell.end()
    (stream,) = well(logbook).streams
    assert assert_same(logbook, stream.id, sent) == last.cells[0].n_samples
    assert stream.gaps == 0
    with LogbookReader(logbook) as reader:
        failed = [fault for fault in reader.faults() if fault.kind == "consumer_failed"]
    assert sum(fault.n for fault in failed) >= 5
    assert failed[0].detail == "bad: ValueError: a bug in a view"
    assert {fault.detail.split(":")[0] for fault in failed} == {"bad"}
    assert max(late_ns(seen)) < 1_000_000_000


def late_ns(seen: list[Snapshot]) -> list[int]:
    """Time between snapshots that the good consumer got, after the first."""
    times = [snapshot.at_ns for snapshot in seen]
    return np.diff(times).tolist()


class Tap:
    """A transport that also keeps what it delivers."""

    def __init__(self, inner: Transport) -> None:
        self.inner = inner
        self.records: list[tuple[int, bytes]] = []
        self.url, self.decoder, self.answers = inner.url, inner.decoder, inner.answers
        self.write, self.stop = inner.write, inner.stop

    @property
    def ended(self) -> bool:
        return self.inner.ended

    def start(self, deliver: Deliver, notice: Notice) -> None:
        def both(data: bytes, received_ns: int) -> None:
            self.records.append((received_ns, data))
            deliver(data, received_ns)

        self.inner.start(both, notice)


@pytest.mark.parametrize("pace", ["full", "real"])
def test_a_raw_recording_replayed_gives_the_same_counts(tmp_path: Path, pace: str) -> None:
    live, again = tmp_path / "live.logbook", tmp_path / "again.logbook"
    raw = tmp_path / "cap.raw"
    taps: list[Tap] = []

    def opener(url: str, clock: Clock) -> Transport:
        taps.append(Tap(open_transport(url, clock)))
        return taps[0]

    with Cell(tmp_path, "--corrupt", "0.001", "--fifo", "32768") as cell:
        session = Session(plan(live, cell.url), opener=opener)
        session.start()
        try:
            wait_until(lambda: any(view.n_samples > 1500 for view in session.snapshot.cells))
        finally:
            session.stop()
    write_raw(raw, taps[0].records)
    done = subprocess.run(
        [
            PROGRAM,
            "record",
            str(again),
            "--cell",
            f"file:{raw}?pace={pace}",
            "--json",
            *CALIBRATION,
        ],
        check=True,
        capture_output=True,
        text=True,
    )
    (before,), (after,) = well(live).streams, well(again).streams
    assert (before.samples, before.missing) == (after.samples, after.missing)
    assert before.fault_kinds == after.fault_kinds
    assert json.loads(done.stdout)["cells"][0]["samples"] == after.samples
    with LogbookReader(live) as one, LogbookReader(again) as two:
        a, b = one.samples(before.id), two.samples(after.id)
    assert np.array_equal(a.index, b.index)
    assert np.array_equal(a.counts, b.counts)
    assert np.array_equal(a.tick_us, b.tick_us)


@pytest.mark.parametrize("with_sheet", [False, True])
def test_the_recording_process_loads_nothing_heavy(tmp_path: Path, with_sheet: bool) -> None:
    code = (
        "import json, sys\n"
        "from logger.commands.main import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "print(json.dumps(sorted({m.split('.')[0] for m in sys.modules})))\n"
    )
    options = ["--cell", f"serial:{tmp_path / 'cell'}", "--for", "0.5"]
    if with_sheet:
        sheet = resources.files("logger.commands") / "demo_sheet.toml"
        options += ["--sheet", str(sheet)]
    with Cell(tmp_path):
        done = subprocess.run(
            [sys.executable, "-c", code, "record", str(tmp_path / "job.logbook"), *options],
            check=True,
            capture_output=True,
            text=True,
        )
    loaded = set(json.loads(done.stdout.splitlines()[-1]))
    assert {"serial", "numpy", "sqlite3"} <= loaded
    assert loaded.isdisjoint(HEAVY)
    assert ("predicted now" in done.stderr) == with_sheet


def test_free_room_is_shown(tmp_path: Path) -> None:
    with Cell(tmp_path) as cell:
        session = Session(plan(tmp_path / "job.logbook", cell.url))
        session.start()
        try:
            deadline = time.monotonic() + 20
            while not session.snapshot.free_bytes:
                assert not session.wait(0.02)
                assert time.monotonic() < deadline
        finally:
            session.stop()
