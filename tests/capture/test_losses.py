"""What can be lost on the way, and that each loss is on record exactly."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest
from capture_rig import (
    CALIBRATION,
    Cell,
    Recorder,
    assert_none_wrong,
    assert_same,
    frames_of,
    samples_of,
    wait_until,
    well,
)

from logger.logbook.reader import LogbookReader
from logger.simcell.sent import Fate


def test_a_reader_that_sleeps_finds_exactly_the_overrun_of_the_device(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--rate", "8000") as cell,
        Recorder(logbook, "--cell", cell.url, *CALIBRATION) as recorder,
    ):
        recorder.wait_for_samples(1000)
        recorder.freeze(lambda: cell.lost(Fate.OVERRUN) > 2000)
        recorder.wait_for_samples(max(recorder.acks().values()) + 12_000)
        assert recorder.stop() == 0, recorder.errors()
        sent = cell.end()
    overrun = sent.lost(Fate.OVERRUN)
    assert overrun > 2000
    (stream,) = well(logbook).streams
    assert stream.missing == overrun
    assert stream.fault_kinds == {"device_overrun": overrun}
    assert_same(logbook, stream.id, sent)
    with LogbookReader(logbook) as reader:
        assert {gap.reason for gap in reader.gaps(stream.id)} == {"not_sent"}
        lost, _, _ = samples_of(sent, frames_of(sent, fate=Fate.OVERRUN))
        gaps = [
            np.arange(gap.first_index, gap.first_index + gap.n_missing)
            for gap in reader.gaps(stream.id)
        ]
        assert np.array_equal(np.concatenate(gaps), lost)


def test_one_percent_of_damaged_bytes_brings_no_wrong_sample(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--rate", "4000", "--corrupt", "0.01", "--fifo", "32768") as cell,
        Recorder(logbook, "--cell", cell.url, "--for", "2.5") as recorder,
    ):
        assert recorder.end() == 0, recorder.errors()
        sent = cell.end()
    (stream,) = well(logbook).streams
    stored = assert_none_wrong(logbook, stream.id, sent)
    assert stored == stream.samples
    damaged = np.flatnonzero(sent.heads["damaged_bytes"] > 0)
    assert len(damaged) > 200
    assert sum(stream.fault_kinds.values()) >= 0.9 * len(damaged)
    with LogbookReader(logbook) as reader:
        index = set(reader.samples(stream.id).index.tolist())
        assert {gap.reason for gap in reader.gaps(stream.id)} == {"damaged"}
    kept = np.array([int(first) in index for first in sent.heads["first_index"]])
    assert not kept[damaged].any()
    whole = np.setdiff1d(np.arange(min(index) // 16, max(index) // 16), damaged)
    after_damage = np.isin(whole - 1, damaged)
    assert kept[whole[~after_damage]].all(), "in step again within two frames"


def test_a_device_that_boots_again_begins_a_new_stream(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--reset-at", "1") as cell,
        Recorder(logbook, "--cell", cell.url, *CALIBRATION) as recorder,
    ):
        recorder.wait_for_samples(300, streams=2)
        assert recorder.stop() == 0, recorder.errors()
        sent = cell.end()
    first, second = well(logbook).streams
    assert (first.reason, second.reason) == ("reset", "stopped")
    assert_same(logbook, first.id, sent, boot=0)
    assert_same(logbook, second.id, sent, boot=1)
    assert first.fault_kinds == {"reset": 1}
    assert (first.gaps, second.gaps, second.faults) == (0, 0, 0)


def test_a_port_that_is_pulled_and_put_back_leaves_a_gap_and_goes_on(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path) as cell,
        Recorder(logbook, "--cell", cell.url, *CALIBRATION) as recorder,
    ):
        recorder.wait_for_samples(300)
        cell.say("unplug")
        wait_until(lambda: not cell.link.exists())
        time.sleep(0.5)
        cell.say("replug")
        recorder.wait_for_samples(max(recorder.acks().values()) + 1500)
        assert recorder.stop() == 0, recorder.errors()
        sent = cell.end()
    (stream,) = well(logbook).streams
    assert_none_wrong(logbook, stream.id, sent)
    unplugged = sent.lost(Fate.UNPLUGGED)
    assert unplugged > 400
    in_the_port = 16 * (4096 + 1024) // 76  # what port and FIFO may hold when it is pulled
    assert unplugged <= stream.missing <= unplugged + in_the_port
    assert (stream.gaps, stream.reason) == (1, "stopped")
    assert stream.fault_kinds["disconnected"] == stream.fault_kinds["connected"] == 1
    with LogbookReader(logbook) as reader:
        assert reader.gaps(stream.id)[0].reason == "disconnected"


def test_frames_that_come_twice_are_kept_once(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--duplicate", "0.2", "--drop", "0.1", "--fifo", "32768") as cell,
        Recorder(logbook, "--cell", cell.url, "--for", "2") as recorder,
    ):
        assert recorder.end() == 0, recorder.errors()
        sent = cell.end()
    (stream,) = well(logbook).streams
    assert_none_wrong(logbook, stream.id, sent)
    twice = int(sent.heads["n"][sent.heads["times"] == 2].sum())
    assert stream.fault_kinds["duplicate"] == twice > 0
    assert stream.missing > 0


@pytest.mark.parametrize("kind", ["binary", "ascii"])
def test_both_ways_of_talking_give_the_same(tmp_path: Path, kind: str) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--format", kind) as cell,
        Recorder(
            logbook, "--cell", f"{cell.url}?decoder={kind}&baud=921600", "--for", "1"
        ) as recorder,
    ):
        assert recorder.end() == 0, recorder.errors()
        sent = cell.end()
    (stream,) = well(logbook).streams
    assert_same(logbook, stream.id, sent)
