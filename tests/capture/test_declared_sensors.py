"""Each example profile against a live peer, recorded by the real program, checked."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from capture_rig import Recorder, wait_until, well
from declared_peers import (
    FRAME,
    LINE,
    REGISTERS,
    ModbusPeer,
    Sender,
    frame_bytes,
    line_bytes,
)

from logger.logbook.reader import LogbookReader

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]


def test_a_checked_line_is_recorded_with_its_gaps(tmp_path: Path) -> None:
    logbook = tmp_path / "line.logbook"
    skipped, damaged = frozenset(range(120, 125)), frozenset({160})
    with (
        Sender(lambda i: line_bytes(i, i / 10), 80.0, start=b"GO\r\n", stop=b"HALT\r\n",
               skip=skipped, damage=damaged) as peer,
        Recorder(logbook, "--cell", f"serial:{peer.path}?profile={LINE}") as recorder,
    ):  # fmt: skip
        recorder.wait_for_samples(220)
        assert recorder.stop() == 0, recorder.errors()
        wait_until(lambda: peer.was_stopped)
        assert "calibration: as the sensor is described, 0.980665 N a count" in recorder.errors()
    (report,) = well(logbook).streams
    with LogbookReader(logbook) as reader:
        (stream,) = reader.streams()
        samples, gaps = reader.samples(stream.id), reader.gaps(stream.id)
        scaling = reader.scaling(stream.id)
    assert np.array_equal(samples.counts, samples.index)
    assert [(gap.first_index, gap.n_missing, gap.reason) for gap in gaps] == [
        (120, 5, "not_sent"),
        (160, 1, "damaged"),
    ]
    assert report.fault_kinds["bad_checksum"] == 1
    assert stream.info.device_id == "checked-line"
    assert stream.info.jitter_bound_us >= 1000
    assert stream.info.remark.startswith("timed on the host")
    assert scaling is not None
    assert scaling.n_per_count == pytest.approx(0.980665)


def test_a_binary_frame_is_recorded_with_its_gaps(tmp_path: Path) -> None:
    logbook = tmp_path / "frame.logbook"
    with (
        Sender(
            lambda i: frame_bytes(i, (4 * i, 4 * i + 1, 4 * i + 2, 4 * i + 3), 5_000),
            100.0, start=b"S\x01", stop=b"S\x00",
            skip=frozenset(range(90, 100)), damage=frozenset({150}),
        ) as peer,
        Recorder(logbook, "--cell", f"serial:{peer.path}?profile={FRAME}") as recorder,
    ):  # fmt: skip
        recorder.wait_for_samples(1200)
        assert recorder.stop() == 0, recorder.errors()
        wait_until(lambda: peer.was_stopped)
        assert "NO CALIBRATION" in recorder.errors()
    well(logbook)
    with LogbookReader(logbook) as reader:
        (stream,) = reader.streams()
        samples, gaps = reader.samples(stream.id), reader.gaps(stream.id)
    assert np.array_equal(samples.counts, samples.index)
    assert [(gap.first_index, gap.n_missing) for gap in gaps] == [(360, 40), (600, 4)]
    assert samples.tick_us[0] == 5_000_000
    assert np.array_equal(samples.tick_us, 5_000_000 + samples.index * 2500)
    assert stream.info.remark == ""


def test_modbus_registers_of_a_real_server_are_recorded(tmp_path: Path) -> None:
    logbook = tmp_path / "modbus.logbook"
    with (
        ModbusPeer() as peer,
        Recorder(logbook, "--cell", f"modbus:{peer.path}?profile={REGISTERS}") as recorder,
    ):
        recorder.wait_for_samples(40)
        peer.deaf = True
        reads = peer.reads
        wait_until(lambda: "no_reply" in _faults(logbook))
        peer.deaf = False
        wait_until(lambda: peer.reads > reads + 20)
        assert recorder.stop() == 0, recorder.errors()
        assert peer.written == [1, 0]
    (report,) = well(logbook).streams
    with LogbookReader(logbook) as reader:
        (stream,) = reader.streams()
        samples, scaling = reader.samples(stream.id), reader.scaling(stream.id)
    assert np.array_equal(samples.counts, samples.index - 40)
    assert report.fault_kinds["no_reply"] >= 1
    assert scaling is not None
    assert scaling.n_per_count == 0.5


def _faults(logbook: Path) -> set[str]:
    with LogbookReader(logbook) as reader:
        return {fault.kind for fault in reader.faults()}
