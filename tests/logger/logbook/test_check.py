"""The check: finds each kind of damage, and says nothing of what is well."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from logbook_items import closed, frame, gap, opened, small

from logger.commands.main import cli
from logger.errors import NotALogbookError
from logger.logbook.check import check
from logger.logbook.entries import LogbookEntries, record_crc
from logger.logbook.schema import GROWING
from logger.logbook.writer import LogbookWriter
from logger.records import Diameter, Job, Piece, Tag
from logger.samples import (
    FaultNoted,
    MarkMade,
    RecordItem,
    WindowClosed,
    WindowOpened,
    placed_frame,
)


def write(path: Path, *batches: Sequence[RecordItem]) -> Path:
    with LogbookWriter(path) as writer:
        for items in batches:
            writer.write(items)
    return path


def spoil(path: Path, *statements: str) -> None:
    """Change rows as only damage or a foreign hand could."""
    connection = sqlite3.connect(path, isolation_level=None)
    for table in GROWING:
        for event in ("update", "delete"):
            connection.execute(f"DROP TRIGGER IF EXISTS {table}_no_{event}")
    for statement in statements:
        connection.execute(statement)
    connection.close()


def full(path: Path) -> Path:
    """A logbook with something of everything, all of it right."""
    write(
        path,
        [opened(1), opened(2), frame(1, 0), frame(2, 500), MarkMade("free", 1, "")],
        [WindowOpened(1, 1, 20, 4), frame(1, 16), gap(1, 32, 8), frame(1, 40)],
        [
            FaultNoted(1, "cell-1", "bad_crc", 5, 2, ""),
            FaultNoted(1, "cell-1", "bad_crc", 6, 1, ""),
        ],
        [FaultNoted(None, "cell-1", "no_reply", 7, 1, ""), WindowClosed(1, 1, 50)],
        [closed(1), closed(2)],
    )
    with LogbookEntries(path) as entries:
        entries.put_record("orchard", Job(name="orchard", crew="K"))
        entries.put_record("orchard", Job(name="orchard", crew="K", note="windy"))
        piece = Piece(name="P1", length_m=3, diameters=(Diameter(at_m=0, diameter_m=0.3),), rig="r")
        entries.put_record("orchard/P1", piece)
        entries.put_record("1", Tag(job="orchard", piece="P1"))
        entries.put_prediction("orchard/P1", {"a": 1}, {"b": 2})
    return path


def test_what_is_well_is_counted(tmp_path: Path) -> None:
    report = check(full(tmp_path / "a.logbook"))
    assert report.ok
    assert (report.problems, report.notes) == ((), ())
    first, second = report.streams
    assert (first.samples, first.chunks, first.gaps, first.missing) == (48, 3, 1, 8)
    assert (first.first_index, first.last_index) == (0, 55)
    assert (first.faults, first.fault_kinds) == (2, {"bad_crc": 3})
    assert (second.samples, second.first_index, second.faults) == (16, 500, 0)
    assert (report.faults, report.marks, report.records, report.predictions) == (3, 1, 4, 1)
    assert len(report.lowerings) == 1


def test_an_empty_logbook_is_well(tmp_path: Path) -> None:
    report = check(write(tmp_path / "a.logbook"))
    assert report.ok
    assert report.streams == ()


@pytest.mark.parametrize(
    ("statement", "expected"),
    [
        ("UPDATE chunk SET counts = zeroblob(length(counts)) WHERE id = 1",
         "stream 1, samples 0 to 15: checksum differs"),
        ("UPDATE chunk SET crc = 7 WHERE id = 2", "stream 2, samples 500 to 515: checksum"),
        ("UPDATE chunk SET least_offset_ns = 7 WHERE id = 1", "checksum differs"),
        ("DELETE FROM chunk WHERE id = 3", "samples 16 to 31 are neither stored nor noted"),
        ("DELETE FROM gap", "samples 32 to 39 are neither stored nor noted as a gap"),
        ("UPDATE gap SET n_missing = 9", "the chunk at sample 40 overlaps what comes before"),
        ("UPDATE gap SET n_missing = 7", "samples 39 to 39 are neither"),
        ("UPDATE gap SET n_missing = 0", "the gap at sample 32 has length 0"),
        ("UPDATE gap SET first_index = 56, n_missing = 3", "samples 32 to 39 are neither"),
        ("UPDATE gap SET first_index = 60", "samples 56 to 59 are neither stored nor noted as a gap"),
        ("UPDATE gap SET stream = 77", "belongs to a stream that does not exist"),
        ("DELETE FROM session", "belongs to a session that does not exist"),
        ("DELETE FROM stream WHERE id = 2", "belongs to a stream that does not exist"),
        ("UPDATE stream SET info = 'x' WHERE id = 2", "streams: stream 2: what the cell said"),
        ("UPDATE lowering SET trigger_index = 3", "first 4, trigger 3 and last 50 are not in order"),
        ("UPDATE lowering_end SET last_index = 56", "the window 4 to 56 reaches beyond the stream's 0 to 55"),
        ("UPDATE lowering SET first_index = -1", "reaches beyond the stream's 0 to 55"),
        ("DELETE FROM chunk WHERE stream = 1", "neither stored nor noted|holds no sample|reaches beyond"),
        ("UPDATE calibration SET version = 2 WHERE stream = 2", "stream 2: calibration 1 is missing"),
        ("UPDATE record SET body = '{}' WHERE id = 1", "job 'orchard', version 1: checksum"),
        ("UPDATE record SET body = replace(body, 'windy', 'windx')", "version 2: checksum differs"),
        ("UPDATE record SET author = 'C' WHERE id = 1", "version 1: checksum differs"),
        ("UPDATE record SET version = 3 WHERE id = 2", "an earlier version is missing"),
        ("UPDATE record SET kind = 'jobb' WHERE id = 1", "jobb 'orchard', version 1: checksum"),
        ("UPDATE record SET key = '7' WHERE kind = 'tag'", "tag '7': there is no lowering"),
        ("UPDATE prediction SET result = '{\"b\":3}'", "prediction 1: checksum differs"),
        ("DROP TABLE mark", "marks: cannot be read"),
        ("DROP TABLE record", "records: cannot be read"),
        ("DROP TABLE chunk", "cannot be read"),
        ("UPDATE stream SET info = replace(info, '1000.0', '0.0')", "a sample rate of 0.0 Hz"),
        ("DROP TABLE prediction", "predictions: cannot be read"),
    ],
)  # fmt: skip
def test_each_kind_of_damage_is_found(tmp_path: Path, statement: str, expected: str) -> None:
    import re

    path = full(tmp_path / "a.logbook")
    spoil(path, statement)
    report = check(path)
    assert not report.ok
    text = "\n".join(map(str, report.problems))
    assert re.search(expected, text), text


@pytest.mark.parametrize(
    ("kind", "body", "expected"),
    [
        ("job", "{}", "job 'x', version 1: cannot be read"),
        ("jobb", "{}", "no kind of record is called 'jobb'"),
    ],
)
def test_a_body_that_is_no_record_is_found(
    tmp_path: Path, kind: str, body: str, expected: str
) -> None:
    path = full(tmp_path / "a.logbook")
    values = (kind, "x", 1, 5, "", body)
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute(
        "INSERT INTO record VALUES (NULL, ?, ?, ?, ?, ?, ?, ?)", (*values, record_crc(*values))
    )
    connection.close()
    assert expected in str(check(path).problems[0])


def test_a_broken_structure_is_found(tmp_path: Path) -> None:
    path = full(tmp_path / "a.logbook")
    spoil(
        path,
        "PRAGMA writable_schema = ON",
        "UPDATE sqlite_schema SET sql = replace(sql, 'station TEXT', 'station INTEGER')",
    )
    assert "SQLite finds its own structure broken: non-INTEGER" in str(check(path).problems[0])


def test_a_column_of_another_type_is_found(tmp_path: Path) -> None:
    path = full(tmp_path / "a.logbook")
    spoil(
        path,
        "DROP TABLE gap",
        "CREATE TABLE gap (id, stream, first_index, n_missing, noticed_ns, reason)",
        "INSERT INTO gap VALUES (1, 1, 32, NULL, 5, 'lost')",
    )
    found = "\n".join(map(str, check(path).problems))
    assert "stream 1: a GapNoted is not as it was written (Expected `int`, got `null`" in found


def test_chunks_that_cannot_be_read_are_found(tmp_path: Path) -> None:
    path = full(tmp_path / "a.logbook")
    spoil(path, "ALTER TABLE chunk RENAME COLUMN codec TO other")
    report = check(path)
    assert "no such column: codec" in str(report.problems[0])
    assert [stream.samples for stream in report.streams] == [0, 0]


def test_damage_in_one_stream_does_not_hide_another(tmp_path: Path) -> None:
    path = full(tmp_path / "a.logbook")
    spoil(path, "UPDATE chunk SET crc = 7 WHERE id = 1", "DROP TABLE gap")
    report = check(path)
    assert [stream.samples for stream in report.streams] == [32, 16]


def test_ticks_that_go_back_and_a_wrong_least_delay_are_found(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.logbook"
    early = frame(1, 16)
    early = placed_frame(1, 16, 0, early.counts, early.received_ns)
    write(path, [opened(1), frame(1, 0)], [early])
    assert "ticks do not go forward" in str(check(path).problems[0])
    with monkeypatch.context() as patch:
        patch.setattr("logger.logbook.codec.least_delay", lambda *_: (1, 1))
        write(tmp_path / "b.logbook", [opened(1), frame(1, 0)])
    assert "least delay" in str(check(tmp_path / "b.logbook").problems[0])


def test_a_window_on_a_stream_without_samples(tmp_path: Path) -> None:
    path = write(tmp_path / "a.logbook", [opened(1), WindowOpened(1, 1, 5, 5)])
    assert "holds no sample" in str(check(path).problems[0])


def test_a_gap_at_either_end_is_well(tmp_path: Path) -> None:
    path = write(tmp_path / "a.logbook", [opened(1), gap(1, 4, 12), frame(1, 16), gap(1, 32, 9)])
    report = check(path)
    assert report.ok
    assert report.streams[0].missing == 21


def test_a_tag_of_a_piece_nobody_wrote_down_is_a_note(tmp_path: Path) -> None:
    path = full(tmp_path / "a.logbook")
    with LogbookEntries(path) as entries:
        entries.put_record("1", Tag(job="orchard", piece="P9"))
    report = check(path)
    assert report.ok
    assert "no piece 'orchard/P9'" in str(report.notes[0])


def test_a_recording_cut_short_is_well_and_noted(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    writer = LogbookWriter(path)
    writer.write([opened(1), frame(1, 0), WindowOpened(1, 1, 5, 0)])
    report = check(path)  # as it is after a kill, but for the process
    assert report.ok
    assert not report.streams[0].closed
    assert not report.sessions[0].closed
    assert report.lowerings[0].last_index == 15
    assert [note.where for note in report.notes] == ["recording 1", "lowering 1, stream 1"]
    writer.close()
    assert check(path).sessions[0].closed


@pytest.mark.no_cover
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(data=st.data())
def test_no_flipped_bit_of_a_chunks_bytes_passes(tmp_path: Path, data: st.DataObject) -> None:
    path = tmp_path / "a.logbook"
    if not path.exists():
        small(path)
    content = path.read_bytes()
    connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
    blobs = [blob for row in connection.execute("SELECT counts, frames FROM chunk") for blob in row]
    connection.close()
    blob = data.draw(st.sampled_from(blobs))
    at = content.index(blob) + data.draw(st.integers(0, len(blob) - 1))
    damaged = bytearray(content)
    damaged[at] ^= 1 << data.draw(st.integers(0, 7))
    other = tmp_path / "b.logbook"
    other.write_bytes(damaged)
    assert not check(other).ok


@settings(
    max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    at=st.integers(0, 10**6), length=st.integers(1, 64), seed=st.binary(min_size=64, max_size=64)
)
def test_a_damaged_file_never_ends_in_a_foreign_error(
    tmp_path: Path, at: int, length: int, seed: bytes
) -> None:
    path = tmp_path / "a.logbook"
    if not path.exists():
        full(path)
    content = bytearray(path.read_bytes())
    at %= len(content) - length
    content[at : at + length] = seed[:length]
    other = tmp_path / "b.logbook"
    for left in tmp_path.glob("b.logbook*"):
        left.unlink()
    other.write_bytes(content)
    try:
        check(other)
    except NotALogbookError as error:
        assert str(other) in str(error)  # noqa: PT017 - either end will do


# --- the command ------------------------------------------------------------------------


def test_the_command_says_so_in_words_and_by_its_exit_code(tmp_path: Path) -> None:
    path = full(tmp_path / "a.logbook")
    done = CliRunner().invoke(cli, ["check", str(path)])
    assert done.exit_code == 0
    head, one, two, rest = done.output.splitlines()
    assert head == f"{path}: all is well"
    assert one.startswith("  stream 1, cell-1 at anchor: 48 samples (0.0 s), 1 gap (8 missing), ")
    assert one.endswith("2 faults (bad_crc 3), closed: stopped")
    assert two.endswith("cell-2 at anchor: 16 samples (0.0 s), 0 gaps, 0 faults, closed: stopped")
    assert rest == "  1 recording, 1 lowering, 4 records, 1 prediction, 1 mark"
    spoil(path, "UPDATE chunk SET crc = 7 WHERE id = 1")
    done = CliRunner().invoke(cli, ["check", str(path)])
    assert done.exit_code == 1
    assert f"{path}: 1 problem\n  problem: stream 1, samples 0 to 15: checksum" in done.output
    assert "Keep this file" in done.output


def test_the_command_gives_json(tmp_path: Path) -> None:
    path = full(tmp_path / "a.logbook")
    done = CliRunner().invoke(cli, ["check", str(path), "--json"])
    plain = json.loads(done.output)
    assert plain["ok"] is True
    stream = plain["streams"][0]
    assert (stream["id"], stream["cell"], stream["samples"]) == (1, "cell-1", 48)
    assert (stream["gaps"], stream["faults"], stream["closed"]) == (1, 2, True)
    spoil(path, "DELETE FROM gap")
    done = CliRunner().invoke(cli, ["check", str(path), "--json"])
    assert done.exit_code == 1
    assert json.loads(done.output)["problems"][0]["where"] == "stream 1"
