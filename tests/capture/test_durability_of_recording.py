"""A recorder that is killed, or whose disk gives out: what was acknowledged is there."""

from __future__ import annotations

import random
import time
from pathlib import Path

import numpy as np
import pytest
from capture_rig import CALIBRATION, Cell, Recorder, assert_none_wrong, well

from logger.logbook.reader import LogbookReader

NOISY = ("--rate", "4000", "--noise-n", "300", "--fifo", "32768")


@pytest.mark.parametrize(
    "kills", [pytest.param(2), pytest.param(20, marks=[pytest.mark.slow, pytest.mark.timeout(300)])]
)
def test_kill_9_loses_nothing_that_was_acknowledged(tmp_path: Path, kills: int) -> None:
    logbook = tmp_path / "job.logbook"
    moments = random.Random(4)
    acknowledged: dict[int, int] = {}
    with Cell(tmp_path, *NOISY) as cell:
        for _ in range(kills):
            with Recorder(logbook, "--cell", cell.url, *CALIBRATION) as recorder:
                recorder.wait_for_samples(1)
                time.sleep(moments.uniform(0.0, 1.0))
                recorder.kill()
                acknowledged |= recorder.acks()
        sent = cell.end()
    assert len(acknowledged) == kills
    with LogbookReader(logbook) as reader:
        ends = {stream.id: stream.last_index for stream in reader.streams()}
    for stream, last in acknowledged.items():
        end = ends[stream]
        assert end is not None
        assert end >= last
        assert_none_wrong(logbook, stream, sent)
    report = well(logbook)
    assert [stream.closed for stream in report.streams] == [False] * len(report.streams)


def test_a_file_that_may_not_grow_ends_the_recording_loudly(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, *NOISY) as cell,
        Recorder(logbook, "--cell", cell.url, *CALIBRATION, limit_bytes=260_000) as recorder,
    ):
        assert recorder.end() == 4
        sent = cell.end()
    message = recorder.errors().splitlines()[-1]
    assert message.startswith(f"ropetally: {logbook}: ")
    assert "recording stopped" in message
    assert "Traceback" not in recorder.errors()
    ((stream, last),) = recorder.acks().items()
    assert last > 4000
    with LogbookReader(logbook) as reader:
        index = reader.samples(stream).index
    assert np.array_equal(index[: last + 1], np.arange(last + 1))
    assert_none_wrong(logbook, stream, sent)
    well(logbook)
