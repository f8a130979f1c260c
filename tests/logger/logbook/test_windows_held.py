"""People's windows in the place of the trigger's; the check sees what cannot be."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from logbook_factory import drop_force, make_logbook
from logbook_items import frame, opened

from logger.errors import LogbookWriteError
from logger.logbook.check import check
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.rows import Lowering
from logger.logbook.windows import held, parts_of
from logger.logbook.writer import LogbookWriter
from logger.records import Job, Tag, Window, WindowPart
from logger.samples import WindowClosed, WindowOpened

SEEN = Lowering(1, 1, 30, 10, 99, True)


def part(first: int, last: int, stream: int = 1) -> WindowPart:
    return WindowPart(stream=stream, first_index=first, last_index=last)


def test_without_records_the_trigger_holds() -> None:
    assert held([SEEN], {}) == (SEEN,)
    assert held([SEEN], {"1": Window()}) == (SEEN,)


def test_links_alone_leave_the_window() -> None:
    (window,) = held([SEEN], {"1": Window(merged_into=4)})
    assert (window.first_index, window.last_index, window.merged_into) == (10, 99, 4)
    assert not window.by_hand


@given(st.integers(0, 200), st.integers(0, 200))
def test_the_trigger_stays_inside_the_window(a: int, b: int) -> None:
    first, last = sorted((a, b))
    (window,) = held([SEEN], {"1": Window(parts=(part(first, last),))})
    assert first <= window.trigger_index <= last
    assert window.by_hand == ((first, last) != (10, 99))
    if first <= 30 <= last:
        assert window.trigger_index == 30


def test_an_open_end_stays_open_wherever_it_goes() -> None:
    seen = Lowering(1, 1, 30, 10, 99, False)
    first, rest = held(
        [seen],
        {"1": Window(parts=(part(10, 49),)), "2": Window(parts=(part(50, 99),), split_from=1)},
    )
    assert (first.closed, rest.closed) == (True, False)


def test_one_lowering_reads_as_it_does_among_all(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    with LogbookWriter(path) as writer:
        writer.write([opened(1), *(frame(1, 16 * i) for i in range(4))])
        writer.write([WindowOpened(1, 1, 5, 2), WindowClosed(1, 1, 20), WindowOpened(2, 1, 30, 25)])
    with LogbookEntries(path) as entries:
        entries.put_record("2", Window(parts=(part(25, 40),)))
        entries.put_record("3", Window(parts=(part(41, 63),), split_from=2))
    with LogbookReader(path) as reader:
        every = reader.lowerings()
        assert [(w.number, w.closed) for w in every] == [(1, True), (2, True), (3, False)]
        assert [reader.lowering(w.number) for w in every] == [(w,) for w in every]


def test_a_key_that_is_no_number_says_nothing() -> None:
    assert held([SEEN], {"first": Window(parts=(part(0, 5),))}) == (SEEN,)


def test_a_stream_without_samples_is_no_part() -> None:
    assert parts_of([SEEN, Lowering(1, 2, 3, 3, None, False)]) == (part(10, 99),)


@pytest.mark.parametrize(
    ("key", "window", "expected"),
    [
        ("first", Window(), "there is no lowering of that number"),
        ("7", Window(), "there is no lowering of that number"),
        ("7", Window(parts=(part(0, 50),)), "split from another, or found by the trigger"),
        ("1", Window(split_from=2), "split from another, or found by the trigger"),
        ("1", Window(merged_into=9), "it names lowering 9, which cannot be"),
        ("1", Window(joined=(1,)), "it names lowering 1, which cannot be"),
        ("1", Window(parts=(part(50, 10),)), "are not in order"),
        ("1", Window(parts=(part(0, 9_000_000),)), "reaches beyond the stream's 0 to"),
        ("1", Window(parts=(part(0, 50, stream=8),)), "a stream that holds no sample"),
    ],
)
def test_the_check_finds_windows_that_cannot_be(
    tmp_path: Path, key: str, window: Window, expected: str
) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force(), drop_force()])
    with LogbookEntries(made.path) as entries:
        entries.put_record(key, window)
    report = check(made.path)
    assert not report.ok
    assert any(expected in str(problem) for problem in report.problems), report.problems


def test_records_that_belong_together_are_written_together_or_not_at_all(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()])
    with LogbookEntries(made.path) as entries:
        assert entries.put_records([("1", Window()), ("1", Tag(note="x"))], author="Wren") == [1, 1]
        assert entries.put_records([("1", Window()), ("1", Tag(note="y"))], author="Wren") == [1, 2]
        entries._connection.execute(
            "CREATE TEMP TRIGGER full BEFORE INSERT ON record WHEN new.kind = 'job' "
            "BEGIN SELECT RAISE(ABORT, 'no room'); END"
        )
        with pytest.raises(LogbookWriteError, match="no room"):
            entries.put_records([("1", Tag(note="z")), ("orchard", Job(name="o", crew="K"))])
    with LogbookReader(made.path) as reader:
        assert len(reader.versions("tag", "1")) == 2
