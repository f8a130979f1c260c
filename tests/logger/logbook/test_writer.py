"""The writer: batches, acknowledgements, what is never rewritten, what follows a failure."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import numpy as np
import pytest
from logbook_items import (
    SCALING,
    START_NS,
    WALL_NS,
    StillClock,
    closed,
    counts_at,
    frame,
    gap,
    opened,
    small,
)

from logger.errors import LogbookWriteError, NotALogbookError
from logger.logbook import batch
from logger.logbook.reader import LogbookReader
from logger.logbook.schema import APPLICATION_ID, GROWING
from logger.logbook.writer import LogbookWriter
from logger.samples import (
    Ack,
    ExchangeNoted,
    FaultNoted,
    MarkMade,
    StatusFrame,
    StatusNoted,
    WindowClosed,
    WindowOpened,
    placed_frame,
)


def pragma(path: Path, name: str) -> object:
    connection = sqlite3.connect(path)
    try:
        return connection.execute(f"PRAGMA {name}").fetchone()[0]
    finally:
        connection.close()


def test_everything_given_comes_back(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    fault = FaultNoted(1, "cell-1", "bad_crc", START_NS, 3, "frame of 80 bytes")
    loose = FaultNoted(None, "cell-9", "no_reply", START_NS + 1, 1, "INFO")
    status = StatusNoted(1, StatusFrame(5000, 2, 1, 21.5, None, START_NS))
    mark = MarkMade("free", START_NS + 5, "by the climber")
    with LogbookWriter(path, clock=StillClock()) as writer:
        assert (writer.session, writer.next_stream_id, writer.next_lowering) == (1, 1, 1)
        writer.write([opened(1), opened(2, scaling=None), frame(1, 0), fault, loose, status, mark])
        writer.write([WindowOpened(1, 1, 8, 0), frame(1, 16), WindowClosed(1, 1, 20)])
        writer.write([gap(1, 32, 4), frame(1, 36), WindowOpened(2, 1, 40, 36), closed(1)])
    with LogbookReader(path) as reader:
        (session,) = reader.sessions()
        assert session.closed
        assert session.reason == "stopped"
        assert session.software.startswith("ropetally ")
        first, second = reader.streams()
        given = opened(1)
        assert (first.id, first.cell, first.url, first.station) == (
            1,
            "cell-1",
            given.url,
            "anchor",
        )
        assert first.info == given.info
        assert first.overload_n == 20_000.0
        assert (first.anchor_boot_ns, first.anchor_wall_ns) == (START_NS, WALL_NS)
        assert (first.closed, first.reason) == (True, "stopped")
        assert (first.first_index, first.last_index) == (0, 51)
        assert (second.closed, second.first_index, second.last_index) == (False, None, None)
        assert reader.stream(1) == first
        assert reader.scaling(1) == SCALING
        assert reader.scaling(2) is None
        assert reader.gaps(1) == (gap(1, 32, 4),)
        assert reader.faults() == (fault, loose)
        assert reader.faults(1) == (fault,)
        assert reader.statuses(1) == (status,)
        assert reader.marks() == (mark,)
        assert reader.marks(2) == ()
        one, two = reader.lowerings()
        assert (one.last_index, one.closed) == (20, True)
        assert (two.first_index, two.last_index, two.closed) == (36, 51, False)
        assert reader.lowering(1) == (one,)


def test_acks_name_the_last_index_of_each_stream_of_the_batch(tmp_path: Path) -> None:
    with LogbookWriter(tmp_path / "a.logbook") as writer:
        assert writer.write([opened(1), opened(2), opened(3)]) == ()
        acks = writer.write([frame(2, 0), frame(1, 0), frame(2, 16), gap(3, 0, 5), frame(1, 20, 7)])
        assert set(acks) == {Ack(2, 31), Ack(1, 26)}
        assert writer.write([]) == ()
        assert writer.write([frame(1, 27, 0)]) == ()


def test_many_streams_in_one_partly_filled_batch(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    n = 40
    with LogbookWriter(path) as writer:
        writer.write([opened(s) for s in range(1, n + 1)])
        items = [frame(s, 5 * i, 5) for i in range(3) for s in range(1, n + 1, 2)]
        acks = writer.write(items)
    assert sorted(ack.stream_id for ack in acks) == list(range(1, n + 1, 2))
    with LogbookReader(path) as reader:
        for stream in reader.streams():
            samples = reader.samples(stream.id)
            assert len(samples.index) == (15 if stream.id % 2 else 0)
            assert np.array_equal(samples.counts, counts_at(0, len(samples.index), stream.id))


def test_frames_that_follow_each_other_share_a_chunk_and_gaps_split_them(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with LogbookWriter(path) as writer:
        writer.write([opened(1), frame(1, 0), frame(1, 16), gap(1, 32, 1), frame(1, 33)])
        writer.write([frame(1, 49)])
    with LogbookReader(path) as reader:
        assert [(c.first_index, c.n, c.n_frames) for c in reader.chunks(1)] == [
            (0, 32, 2), (33, 16, 1), (49, 16, 1),
        ]  # fmt: skip


def test_a_chunk_has_an_upper_size(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(batch, "CHUNK_LIMIT", 40)
    with LogbookWriter(tmp_path / "a.logbook") as writer:
        writer.write([opened(1), *(frame(1, 16 * i) for i in range(5)), frame(1, 80, 60)])
    with LogbookReader(tmp_path / "a.logbook") as reader:
        assert [c.n for c in reader.chunks(1)] == [32, 32, 16, 60]
        assert np.array_equal(reader.samples(1).counts, counts_at(0, 140))


def test_numbers_go_on_where_an_earlier_recording_ended(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    with LogbookWriter(path) as writer:
        assert (writer.session, writer.next_stream_id, writer.next_lowering) == (2, 2, 1)
        writer.write([opened(7), frame(7, 0), WindowOpened(4, 7, 0, 0)])
    with LogbookWriter(path) as writer:
        assert (writer.next_stream_id, writer.next_lowering) == (8, 5)


def test_a_closed_logbook_is_one_file(tmp_path: Path) -> None:
    path = small(tmp_path / "a.logbook")
    assert [p.name for p in tmp_path.iterdir()] == ["a.logbook"]
    assert pragma(path, "journal_mode") == "delete"
    assert pragma(path, "application_id") == APPLICATION_ID
    assert pragma(path, "user_version") == 2


def test_a_reader_at_close_leaves_the_rest_to_the_next_command(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    writer = LogbookWriter(path)
    writer.write([opened(1), frame(1, 0)])
    with LogbookReader(path) as reader:
        assert reader.stream(1).last_index == 15
        writer.close()
        assert len(reader.samples(1).index) == 16
    assert pragma(path, "journal_mode") == "wal"
    LogbookReader(path).close()
    assert pragma(path, "journal_mode") == "delete"
    assert [p.name for p in tmp_path.iterdir()] == ["a.logbook"]


def test_while_recording_the_journal_is_folded_in_every_five_seconds(tmp_path: Path) -> None:
    path, clock = tmp_path / "a.logbook", StillClock()
    with LogbookWriter(path, clock=clock) as writer:
        assert pragma(path, "synchronous") == 2
        assert writer._connection.execute("PRAGMA synchronous").fetchone()[0] == 3
        assert path.stat().st_size > 20_000  # schema is in the file itself already
        writer.write([opened(1)])
        alone = tmp_path / "alone.sqlite"
        for seconds, n_streams in ((4.9, 0), (0.2, 1)):
            clock.sleep(seconds)
            writer.write([])
            alone.write_bytes(path.read_bytes())
            connection = sqlite3.connect(f"file:{alone}?immutable=1", uri=True)
            assert connection.execute("SELECT count(*) FROM stream").fetchone()[0] == n_streams
            connection.close()


@pytest.mark.parametrize("table", GROWING)
@pytest.mark.parametrize("event", ["UPDATE", "DELETE"])
def test_nothing_is_ever_rewritten(tmp_path: Path, table: str, event: str) -> None:
    path = tmp_path / "a.logbook"
    with LogbookWriter(path) as writer:
        writer.write(
            [
                opened(1), frame(1, 0), gap(1, 16, 1), MarkMade("free", 1, ""),
                FaultNoted(1, "c", "bad_crc", 1, 1, ""), WindowOpened(1, 1, 1, 1),
                WindowClosed(1, 1, 2), StatusNoted(1, StatusFrame(1, 1, 1, None, None, 1)),
                ExchangeNoted(1, 1, 1, 2), closed(1),
            ]
        )  # fmt: skip
    connection = sqlite3.connect(path)
    connection.execute("INSERT INTO record VALUES (1, 'job', 'x', 1, 1, '', '{}', 1)")
    connection.execute("INSERT INTO prediction VALUES (1, 'x', 1, '', '{}', '{}', 1)")
    column = connection.execute(f"SELECT name FROM pragma_table_info('{table}')").fetchone()[0]
    sql = {"UPDATE": f"UPDATE {table} SET {column} = {column}", "DELETE": f"DELETE FROM {table}"}
    with pytest.raises(sqlite3.IntegrityError, match=f"{table} is never rewritten"):
        connection.execute(sql[event])
    connection.close()


def test_every_table_is_guarded() -> None:
    from logger.logbook.migrations import MIGRATIONS

    steps = [sql for step in MIGRATIONS for sql in step.statements]
    made = {sql.split()[2] for sql in steps if sql.startswith("CREATE TABLE")}
    assert made == set(GROWING)
    assert all("STRICT" in sql for sql in steps if sql.startswith("CREATE TABLE"))


class Failing:
    """A connection whose statements of one kind fail, as on a bad disk."""

    def __init__(self, connection: sqlite3.Connection, word: str, message: str) -> None:
        self._connection, self._word, self._message = connection, word, message
        self.tried = 0

    def execute(self, sql: str, *values: object) -> object:
        if sql.startswith(self._word):
            self.tried += 1
            error = sqlite3.OperationalError(self._message)
            error.sqlite_errorcode = sqlite3.SQLITE_IOERR
            raise error
        return self._connection.execute(sql, *values)  # type: ignore[arg-type]

    def close(self) -> None:
        self._connection.close()

    @property
    def in_transaction(self) -> bool:
        return self._connection.in_transaction


@pytest.mark.parametrize(
    ("word", "message"),
    [
        ("COMMIT", "disk I/O error"),
        ("INSERT INTO chunk", "database or disk is full"),
        ("BEGIN", "attempt to write a readonly database"),
    ],
)
def test_after_a_failed_write_nothing_more_is_taken(
    tmp_path: Path, word: str, message: str
) -> None:
    path = tmp_path / "a.logbook"
    writer = LogbookWriter(path)
    assert writer.write([opened(1), frame(1, 0)]) == (Ack(1, 15),)
    failing = Failing(writer._connection, word, message)
    writer._connection = failing  # type: ignore[assignment]
    with pytest.raises(LogbookWriteError, match=f"{path.name}.*{message}.*ropetally check"):
        writer.write([frame(1, 16)])
    for _ in range(2):
        with pytest.raises(LogbookWriteError, match=message):
            writer.write([frame(1, 32)])
    assert failing.tried == 1
    with pytest.raises(LogbookWriteError, match=message):
        writer.close()
    writer.close()
    with LogbookReader(path) as reader:
        assert reader.samples(1).index.tolist() == list(range(16))
        assert not reader.sessions()[0].closed


def test_a_failed_rollback_is_told_with_the_first_failure(tmp_path: Path) -> None:
    writer = LogbookWriter(tmp_path / "a.logbook")

    class Broken(Failing):
        def execute(self, sql: str, *values: object) -> object:
            if sql == "ROLLBACK":
                raise sqlite3.OperationalError("also broken")
            return super().execute(sql, *values)

    broken = Broken(writer._connection, "COMMIT", "disk I/O error")
    writer._connection = broken  # type: ignore[assignment]
    with pytest.raises(LogbookWriteError) as caught:
        writer.write([opened(1)])
    assert caught.value.__notes__ == ["and rolling back failed: also broken"]
    with pytest.raises(LogbookWriteError):
        writer.close()


def test_a_failed_checkpoint_keeps_the_acks_and_stops_the_next_write(tmp_path: Path) -> None:
    clock = StillClock()
    writer = LogbookWriter(tmp_path / "a.logbook", clock=clock)
    real = writer._connection
    writer._connection = Failing(real, "PRAGMA wal", "disk I/O error")  # type: ignore[assignment]
    clock.sleep(6)
    assert writer.write([opened(1), frame(1, 0)]) == (Ack(1, 15),)
    with pytest.raises(LogbookWriteError, match="disk I/O error"):
        writer.write([frame(1, 16)])
    with pytest.raises(LogbookWriteError, match="disk I/O error"):
        writer.close()


def test_a_failure_at_the_end_is_told(tmp_path: Path) -> None:
    for word in ("INSERT INTO session_end", "PRAGMA journal_mode"):
        writer = LogbookWriter(tmp_path / "a.logbook")
        writer._connection = Failing(writer._connection, word, "disk I/O error")  # type: ignore[assignment]
        with pytest.raises(LogbookWriteError, match="disk I/O error"):
            writer.close()


def test_samples_of_a_stream_nobody_opened_stop_the_writer(tmp_path: Path) -> None:
    with (
        pytest.raises(LogbookWriteError, match="stream 5"),
        LogbookWriter(tmp_path / "a.logbook") as writer,
    ):
        writer.write([frame(5, 0)])


def test_a_programming_error_also_rolls_back(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    writer = LogbookWriter(path)
    with pytest.raises(KeyError):
        writer.write([opened(1), "no item"])  # type: ignore[list-item]
    with pytest.raises(LogbookWriteError):
        writer.close()
    with LogbookReader(path) as reader:
        assert reader.streams() == ()


def test_a_closed_writer_takes_nothing(tmp_path: Path) -> None:
    writer = LogbookWriter(tmp_path / "a.logbook")
    writer.close("unplugged")
    writer.close()
    with pytest.raises(LogbookWriteError, match="closed"):
        writer.write([])
    with LogbookReader(tmp_path / "a.logbook") as reader:
        assert reader.sessions()[0].reason == "unplugged"


def test_a_block_that_raises_ends_the_recording_as_failed(tmp_path: Path) -> None:
    with pytest.raises(ZeroDivisionError), LogbookWriter(tmp_path / "a.logbook"):
        _ = 1 / 0
    with LogbookReader(tmp_path / "a.logbook") as reader:
        assert reader.sessions()[0].reason == "failed"


def test_a_writer_that_cannot_begin_gives_the_lock_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.logbook"

    def begin(self: LogbookWriter) -> None:
        raise sqlite3.OperationalError("disk I/O error")

    with monkeypatch.context() as patch:
        patch.setattr(LogbookWriter, "_begin", begin)
        with pytest.raises(LogbookWriteError, match="disk I/O error"):
            LogbookWriter(path)
    LogbookWriter(path).close()
    foreign = tmp_path / "foreign.logbook"
    foreign.write_text("shopping list")
    for _ in range(2):  # the second time would be busy if the lock had stayed
        with pytest.raises(NotALogbookError):
            LogbookWriter(foreign)
    assert foreign.read_text() == "shopping list"


def test_counts_of_all_sizes_survive(tmp_path: Path) -> None:
    extreme = np.array([-(2**31), 2**31 - 1, 0, -1, 2**31 - 1, -(2**31)], dtype=np.int32)
    with LogbookWriter(tmp_path / "a.logbook") as writer:
        writer.write([opened(1), placed_frame(1, 2**40, 2**50, extreme, 2**61)])
    with LogbookReader(tmp_path / "a.logbook") as reader:
        samples = reader.samples(1)
        assert np.array_equal(samples.counts, extreme)
        assert samples.index[0] == 2**40
        assert samples.tick_us.tolist() == [2**50 + 1000 * i for i in range(6)]
