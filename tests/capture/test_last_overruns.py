"""What a device drops after its last regular status is on record all the same."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from capture_rig import CALIBRATION, Cell, Recorder, assert_same, frames_of, samples_of, well

from logger.logbook.reader import LogbookReader
from logger.simcell.sent import Fate


def test_a_recorder_that_slept_until_the_end_knows_what_it_missed(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--rate", "8000") as cell,
        Recorder(logbook, "--cell", cell.url, *CALIBRATION) as recorder,
    ):
        recorder.wait_for_samples(1000)
        recorder.freeze(lambda: cell.lost(Fate.OVERRUN) > 2000)
        assert recorder.stop() == 0, recorder.errors()
        sent = cell.end()
    overrun = sent.lost(Fate.OVERRUN)
    assert overrun > 2000
    (stream,) = well(logbook).streams
    assert stream.missing == overrun
    assert stream.fault_kinds == {"device_overrun": overrun}
    assert_same(logbook, stream.id, sent)
    with LogbookReader(logbook) as reader:
        lost, _, _ = samples_of(sent, frames_of(sent, fate=Fate.OVERRUN))
        gaps = [
            np.arange(gap.first_index, gap.first_index + gap.n_missing)
            for gap in reader.gaps(stream.id)
        ]
        assert np.array_equal(np.concatenate(gaps), lost)
        exchanges = reader.exchanges(stream.id)
        assert exchanges
        assert all(e.received_ns >= e.sent_ns for e in exchanges)
