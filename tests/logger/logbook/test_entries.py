"""Short writes beside a recording: records in versions, predictions, calibrations."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from logbook_items import SCALING, StillClock, frame, opened, small

from logger.errors import LogbookMissingError, LogbookWriteError
from logger.logbook import connect
from logger.logbook.check import check
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Job, Tag
from logger.samples import Scaling


def test_a_correction_is_a_new_version_and_the_old_one_stays(tmp_path: Path) -> None:
    path, clock = tmp_path / "a.logbook", StillClock()
    first, second = Job(name="orchard", crew="K"), Job(name="orchard", crew="K", note="windy")
    with LogbookEntries(path, create=True, clock=clock) as entries:
        assert entries.put_record("orchard", first) == 1
        assert entries.put_record("orchard", first, author="B") == 1  # nothing has changed
        clock.sleep(60)
        assert entries.put_record("orchard", second, author="B") == 2
        assert entries.put_record("mill", Job(name="mill", crew="K")) == 1
    with LogbookReader(path) as reader:
        assert reader.record(Job, "orchard") == second
        assert next(iter(reader.all_records(Job).items())) == ("orchard", second)
        assert reader.keys("job") == ("orchard", "mill")
        old, new = reader.versions("job", "orchard")
        assert (old.version, old.author, new.version, new.author) == (1, "", 2, "B")
        assert new.written_wall_ns - old.written_wall_ns == 60 * 10**9
        assert reader.versions("job", "none") == ()
    assert check(path).ok


def test_a_prediction_is_kept_with_its_inputs_and_the_version(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with LogbookEntries(path, create=True, clock=StillClock()) as entries:
        assert entries.put_prediction("orchard/P1", {"mass_kg": 310.5}, {"peak_n": [1, 2]}) == 1
        assert entries.put_prediction("orchard/P1", {"mass_kg": 300}, {"peak_n": [1]}) == 2
        assert entries.put_prediction("orchard/P2", None, []) == 3
    with LogbookReader(path) as reader:
        assert [p.id for p in reader.predictions()] == [1, 2, 3]
        first, second = reader.predictions("orchard/P1")
        assert first.inputs == {"mass_kg": 310.5}
        assert second.result == {"peak_n": [1]}
        assert first.software.startswith("ropetally ")
        assert first.made_wall_ns == StillClock().wall_ns()


def test_a_calibration_can_be_redone(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    better = Scaling(1010.0, 0.0501, 0.002, 2.0, "five loads")
    with LogbookEntries(path) as entries:
        assert entries.put_calibration(1, better) == 2
        with pytest.raises(LogbookMissingError, match="no stream 8"):
            entries.put_calibration(8, better)
        assert entries.put_calibration(1, SCALING) == 3  # and it can still write
    with LogbookReader(path) as reader:
        assert [c.scaling for c in reader.calibrations(1)] == [SCALING, better, SCALING]
        assert reader.scaling(1) == SCALING
        assert [c.version for c in reader.calibrations(1)] == [1, 2, 3]


def test_tags_are_written_while_a_recording_runs(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with LogbookWriter(path) as writer:
        writer.write([opened(1), frame(1, 0)])
        with LogbookEntries(path) as entries, LogbookReader(path) as reader:
            entries.put_record("1", Tag(note="first"))
            writer.write([frame(1, 16)])
            assert reader.record(Tag, "1") == Tag(note="first")
            assert reader.stream(1).last_index == 31


def test_a_logbook_that_stays_locked_is_told_and_nothing_is_half_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = small(tmp_path / "a.logbook")
    monkeypatch.setattr(connect, "BUSY_S", 0.05)
    other = sqlite3.connect(path, isolation_level=None)
    with LogbookEntries(path) as entries:
        entries._connection.execute("PRAGMA busy_timeout = 50")
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(LogbookWriteError, match=r"cannot be written to.*locked"):
            entries.put_record("x", Job(name="x", crew="c"))
        other.execute("ROLLBACK")
        assert entries.put_record("x", Job(name="x", crew="c")) == 1
    other.close()
