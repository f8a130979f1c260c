"""Three minutes of four cells at 4 kHz through four pseudo-terminals: no loss, flat memory."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path

import numpy as np
import psutil
import pytest
from capture_rig import CALIBRATION, Cell, Recorder, assert_same, well

SECONDS = 180
RATE_HZ = 4000
SETTLED_S = 45
"""Drift fits, page cache of SQLite and numpy's pools have reached their size by then."""
FLAT_BYTES_PER_S = 20_000
"""1.2 MB a minute. What is stored grows by 190 kB/s of raw counts and frames: kept in memory, it would show."""


@pytest.mark.slow
@pytest.mark.whole_machine
@pytest.mark.timeout(420)
def test_four_cells_at_4_khz_for_three_minutes(tmp_path: Path) -> None:
    logbook = tmp_path / "job.logbook"
    names = ("lead", "fall", "anchor", "device")
    with contextlib.ExitStack() as stack:
        cells = {
            name: stack.enter_context(
                Cell(tmp_path, "--rate", str(RATE_HZ), "--per-frame", "32", "--fifo", "65536", name=name)
            )
            for name in names
        }  # fmt: skip
        wanted = [part for name in names for part in ("--cell", f"{name}={cells[name].url}")]
        recorder = stack.enter_context(
            Recorder(logbook, *wanted, *CALIBRATION, "--for", str(SECONDS))
        )
        memory = memory_of(recorder)
        assert recorder.end() == 0, recorder.errors()
        sent = {name: cell.end() for name, cell in cells.items()}
    report = well(logbook)
    assert sorted(stream.cell for stream in report.streams) == sorted(names)
    for stream in report.streams:
        assert assert_same(logbook, stream.id, sent[stream.cell]) >= 0.95 * SECONDS * RATE_HZ
        assert (stream.gaps, stream.missing, stream.faults, stream.closed) == (0, 0, 0, True)
    assert recorder.acks() == {s.id: s.samples - 1 for s in report.streams}
    slope = slope_of(memory)
    print(f"RSS {memory[-1][1] / 1e6:.1f} MB, slope {slope / 1e3:+.2f} kB/s")
    assert abs(slope) < FLAT_BYTES_PER_S


def memory_of(recorder: Recorder) -> list[tuple[float, int]]:
    """Time and resident bytes of the recorder, once a second to its end."""
    process = psutil.Process(recorder.process.pid)
    seen: list[tuple[float, int]] = []
    while recorder.process.poll() is None:
        with contextlib.suppress(psutil.NoSuchProcess):
            seen.append((time.monotonic(), process.memory_info().rss))
        time.sleep(1.0)
    return [(at_s, rss) for at_s, rss in seen if rss]


def slope_of(memory: list[tuple[float, int]]) -> float:
    """Bytes per second after the start has settled, the end left out."""
    at_s, rss = np.array(memory[SETTLED_S:-3], dtype=float).T
    return float(np.polyfit(at_s - at_s[0], rss, 1)[0])
