"""Two cells at once at their own rates: everything stored once, in order, at the right time."""

from __future__ import annotations

from pathlib import Path

import pytest
from capture_rig import (
    LATENCY_NS,
    Cell,
    Recorder,
    assert_same,
    well,
    worst_time_error_ns,
)


@pytest.mark.parametrize(
    "seconds",
    [
        pytest.param(3),
        pytest.param(
            60, marks=[pytest.mark.slow, pytest.mark.whole_machine, pytest.mark.timeout(200)]
        ),
    ],
)
def test_1_and_4_khz_at_once(tmp_path: Path, seconds: int) -> None:
    logbook = tmp_path / "job.logbook"
    with (
        Cell(tmp_path, "--rate", "1000", "--fifo", "32768", name="slow") as slow,
        Cell(tmp_path, "--rate", "4000", "--per-frame", "32", "--fifo", "32768", name="fast") as fast,
        Recorder(
            logbook, "--cell", f"slow={slow.url}", "--cell", f"fast={fast.url}",
            "--for", str(seconds),
        ) as recorder,
    ):  # fmt: skip
        assert recorder.end() == 0, recorder.errors()
        sent = {"slow": slow.end(), "fast": fast.end()}
    report = well(logbook)
    assert sorted(stream.cell for stream in report.streams) == ["fast", "slow"]
    for stream in report.streams:
        rate_hz = 1000.0 if stream.cell == "slow" else 4000.0
        n = assert_same(logbook, stream.id, sent[stream.cell])
        assert n >= 0.8 * seconds * rate_hz
        assert (stream.gaps, stream.faults, stream.closed) == (0, 0, True)
        assert worst_time_error_ns(logbook, stream.id, sent[stream.cell], rate_hz) <= LATENCY_NS
    assert recorder.acks() == {s.id: s.samples - 1 for s in report.streams}
