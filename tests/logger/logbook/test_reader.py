"""The reader: windows of samples, times, records, damage."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logbook_items import SCALING, StillClock, counts_at, frame, gap, opened, small

from logger.errors import LogbookMissingError, NotALogbookError
from logger.logbook import reader as reader_module
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Job, Note
from logger.samples import MarkMade, WindowOpened


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """20 chunks of 48 samples; after every fifth chunk a gap of 7."""
    path = tmp_path_factory.mktemp("reader") / "a.logbook"
    at = 100
    with LogbookWriter(path, clock=StillClock()) as writer:
        writer.write([opened(1)])
        for i in range(20):
            writer.write([frame(1, at + 16 * j) for j in range(3)])
            at += 48
            if i % 5 == 4:
                writer.write([gap(1, at, 7)])
                at += 7
    return path


@settings(deadline=None)
@given(first=st.integers(-5, 1200), length=st.integers(-3, 1200))
def test_a_window_holds_just_its_samples(path: Path, first: int, length: int) -> None:
    last = first + length - 1
    with LogbookReader(path) as reader:
        everything = reader.samples(1)
        window = reader.samples(1, first, last)
    inside = (everything.index >= first) & (everything.index <= last)
    assert np.array_equal(window.index, everything.index[inside])
    assert np.array_equal(window.counts, everything.counts[inside])
    assert np.array_equal(window.tick_us, everything.tick_us[inside])


def test_all_samples_are_where_they_belong(path: Path) -> None:
    with LogbookReader(path) as reader:
        samples = reader.samples(1)
        assert len(samples.index) == 20 * 48
        expected = np.concatenate([counts_at(int(i), 1) for i in samples.index])
        assert np.array_equal(samples.counts, expected)
        assert np.array_equal(samples.tick_us, samples.index * 1000)
        assert set(np.diff(samples.index).tolist()) == {1, 8}
        for array in (samples.index, samples.tick_us, samples.counts):
            assert not array.flags.writeable
        empty = reader.samples(1, 5000, 6000)
        assert len(empty.index) == len(empty.tick_us) == len(empty.counts) == 0
        assert empty.counts.dtype == np.int32


def test_only_overlapping_chunks_are_unpacked(path: Path) -> None:
    with LogbookReader(path) as reader:
        assert [c.first_index for c in reader.chunks(1, 150, 250)] == [148, 196, 244]
        assert [c.first_index for c in reader.chunks(1, 343, 346)] == []  # in a gap
        assert [c.first_index for c in reader.chunks(1, None, 100)] == [100]


def test_pages_of_chunks_join(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with LogbookReader(path) as reader:
        whole = [c.first_index for c in reader.chunks(1)]
        monkeypatch.setattr(reader_module, "_PAGE", 3)
        assert [c.first_index for c in reader.chunks(1)] == whole
        assert len(whole) == 20


@pytest.mark.parametrize("rate_hz", [80.0, 320.0, 1000.0, 3000.0, 4000.0, 96_000.0])
def test_ticks_inside_a_frame_are_rounded_to_the_nearest(tmp_path: Path, rate_hz: float) -> None:
    with LogbookWriter(tmp_path / "a.logbook") as writer:
        writer.write([opened(1, rate_hz), frame(1, 0, 600, rate_hz=rate_hz)])
    with LogbookReader(tmp_path / "a.logbook") as reader:
        ticks = reader.samples(1).tick_us
    assert ticks.dtype == np.int64
    assert np.max(np.abs(ticks - np.arange(600) * 1e6 / rate_hz)) <= 0.5


def test_frames_and_delays_come_back(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    late_ns = (3_000_000, 1_500_000, 2_000_000)
    with LogbookWriter(path) as writer:
        writer.write([opened(1)])
        frames = [frame(1, 16 * i, late_ns=15_000_000 + late) for i, late in enumerate(late_ns)]
        writer.write(frames)
        writer.write([frame(1, 48, 4, late_ns=3_900_000)])
    with LogbookReader(path) as reader:
        table = reader.frames(1)
        assert table.n.tolist() == [16, 16, 16, 4]
        assert table.tick_us.tolist() == [0, 16_000, 32_000, 48_000]
        assert table.received_ns.tolist()[:3] == [f.received_ns for f in frames]
        delays = reader.least_delays(1)
        assert delays.tick_us.tolist() == [31_000, 51_000]
        offset_ns = delays.received_ns - delays.tick_us * 1000
        assert (offset_ns - 5_000_000_000).tolist() == [1_500_000, 900_000]
        fit = reader.time_fit(1)
        assert fit.host_ns([0]).tolist() == [5_000_900_000]  # nothing came sooner
        assert len(reader.frames(9).n) == 0


def test_a_fit_is_kept_until_somebody_writes(tmp_path: Path) -> None:
    path = tmp_path / "b.logbook"
    with LogbookWriter(path, clock=StillClock()) as writer:
        writer.write([opened(1), frame(1, 0, late_ns=5_000_000)])
        with LogbookReader(path) as reader:
            first = reader.time_fit(1)
            assert reader.time_fit(1) is first
            writer.write([frame(1, 16, late_ns=1_000_000)])
            again = reader.time_fit(1)
            assert again.host_ns([0])[0] == first.host_ns([0])[0] - 4_000_000


def test_what_is_not_there_is_named(path: Path, tmp_path: Path) -> None:
    with LogbookReader(path) as reader:
        for ask in (reader.stream, reader.samples, reader.time_fit):
            with pytest.raises(LogbookMissingError, match=r"no stream 4; there are: 1"):
                ask(4)
        with pytest.raises(LogbookMissingError, match="no lowering 1; it holds none yet"):
            reader.lowering(1)
        assert reader.record(Job, "x") is None
        assert reader.calibrations(1)[0].scaling == SCALING
    with LogbookWriter(tmp_path / "b.logbook") as writer:
        writer.write([opened(2), WindowOpened(3, 2, 5, 5), MarkMade("free", 1, "")])
    with LogbookReader(tmp_path / "b.logbook") as reader:
        with pytest.raises(LogbookMissingError, match="no lowering 4; it holds 1 to 3"):
            reader.lowering(4)
        with pytest.raises(LogbookMissingError, match="stream 2 holds no sample"):
            reader.time_fit(2)
        assert reader.lowering(3)[0].last_index is None
        assert reader.marks(1) == (MarkMade("free", 1, ""),)
    with pytest.raises(LogbookMissingError, match="no such logbook"):
        LogbookReader(tmp_path / "none.logbook")


def spoil(path: Path, trigger: str, sql: str) -> None:
    """Damage a row behind the triggers' back."""
    connection = sqlite3.connect(path)
    connection.execute(f"DROP TRIGGER {trigger}")
    connection.execute(sql)
    connection.commit()
    connection.close()


def test_damage_is_told_with_its_place(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    with LogbookEntries(path) as entries:
        entries.put_record("n1", Note(text="gusty", by="A"))
    spoil(path, "chunk_no_update", "UPDATE chunk SET crc = crc + 1 WHERE first_index = 72")
    spoil(path, "record_no_update", "UPDATE record SET body = '{\"nonsense\": 1}'")
    with LogbookReader(path) as reader:
        assert len(reader.samples(1, 0, 63).index) == 64
        with pytest.raises(NotALogbookError, match="stream 1, samples 72 to 103: checksum"):
            reader.samples(1, 0, 80)
        with pytest.raises(NotALogbookError, match=r"note 'n1', version 1.*ropetally check"):
            reader.record(Note, "n1")
        with pytest.raises(NotALogbookError, match="cannot be read"):
            reader.query("SELECT nothing FROM nowhere")
    with LogbookEntries(path) as entries:
        entries.put_prediction("x/P1", 1, 2)
    spoil(path, "prediction_no_update", "UPDATE prediction SET result = 'x'")
    with (
        LogbookReader(path) as reader,
        pytest.raises(NotALogbookError, match="a prediction cannot"),
    ):
        reader.predictions()
    spoil(path, "stream_no_update", "UPDATE stream SET info = '{}'")
    with LogbookReader(path) as reader, pytest.raises(NotALogbookError, match="stream 1: what the"):
        reader.streams()


def test_a_snapshot_stands_still_while_the_recording_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with LogbookWriter(path) as writer:
        writer.write([opened(1), frame(1, 0)])
        with LogbookReader(path) as reader:
            with reader.snapshot():
                assert reader.stream(1).last_index == 15
                writer.write([frame(1, 16)])
                assert reader.stream(1).last_index == 15
            assert reader.stream(1).last_index == 31


def test_reading_loads_no_analysis_library(path: Path) -> None:
    code = (
        "import sys; from logger.logbook.reader import LogbookReader as R; "
        "from logger.logbook.check import check; check(sys.argv[1]); R(sys.argv[1]).time_fit(1); "
        "print([m for m in ('scipy', 'pandas', 'matplotlib', 'analysis') if m in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
