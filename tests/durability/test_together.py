"""Several processes on one logbook: recorders, readers, short writes, copies."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest
from recording_child import STREAMS, Recording, losses, wait_until

from logger.errors import LogbookBusyError
from logger.logbook.check import check
from logger.logbook.copy import copy
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Note


def test_the_second_recorder_is_refused_until_the_first_is_dead(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with Recording(path) as first:
        assert first.read_acks(3)
        with Recording(path) as second:
            assert second.end() == 4
        assert second.last_line.startswith(f"LogbookBusyError: {path}: another recorder (process")
        assert str(first.process.pid) in second.last_line
        with pytest.raises(LogbookBusyError, match="stop that one first"):
            LogbookWriter(path)
        assert first.read_acks(3)
        first.kill()
    LogbookWriter(path).close()
    assert losses(path, first.acks) == []


def test_short_writes_while_another_process_records(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with Recording(path) as recording:
        assert recording.read_acks(3)
        for i in range(20):
            with LogbookEntries(path) as entries:
                assert entries.put_record(str(i % 5), Note(text=f"note {i}", by="A")) == 1 + i // 5
        assert recording.read_acks(30)
        recording.kill()
    assert losses(path, recording.acks) == []
    with LogbookReader(path) as reader:
        assert len(reader.versions("note", "4")) == 4


def follow(recording: Recording) -> threading.Thread:
    """Read acknowledgements on the side, until the child ends."""
    thread = threading.Thread(target=recording.end)
    thread.start()
    return thread


def test_a_reader_that_holds_on_does_not_stall_the_recording(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with Recording(path) as recording:
        assert recording.read_acks(3)
        thread = follow(recording)
        with LogbookReader(path) as reader, reader.snapshot():
            held = reader.stream(1).last_index
            before = recording.n_acks
            assert wait_until(lambda: recording.n_acks > before + 60)
            assert reader.stream(1).last_index == held
        recording.process.kill()
        thread.join()
    assert losses(path, recording.acks) == []


@pytest.mark.slow
def test_without_the_write_ahead_log_that_reader_would_stall_it(tmp_path: Path) -> None:
    # The test above with its protection removed: a reader keeps COMMIT waiting.
    path = tmp_path / "a.logbook"
    with Recording(path, "--no-wal") as recording:
        assert recording.read_acks(3)
        thread = follow(recording)
        with LogbookReader(path) as reader, reader.snapshot():
            assert reader.stream(1).last_index
            before = recording.n_acks + STREAMS  # a batch may just have been under way
            assert not wait_until(lambda: recording.n_acks > before, 1.5)
        recording.process.kill()
        thread.join()


def test_check_and_copy_while_another_process_records(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with Recording(path) as recording:
        for i in range(5):
            assert recording.read_acks(10)
            known = dict(recording.acks)
            assert check(path).ok
            copied = tmp_path / f"copy-{i}.logbook"
            report = copy(path, copied)
            assert report.ok
            assert losses(copied, known) == []
        recording.kill()
    assert losses(path, recording.acks) == []


def test_a_reader_from_before_sees_a_recording_begin_and_end(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    LogbookWriter(path).close()
    with LogbookReader(path) as reader:
        assert reader.streams() == ()
        with Recording(path, "--batches", "20") as recording:
            assert recording.end() == 0
        assert {stream.id: stream.last_index for stream in reader.streams()} == recording.acks
    assert losses(path, recording.acks) == []
