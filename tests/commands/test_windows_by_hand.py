"""Split, join, discard and undo: each is a new version; the trigger's rows never change."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from logbook_factory import FakeClock, Made, drop_force, make_logbook, release_force
from logbook_items import closed, frame, opened
from sheets import write_sheet

from analysis.source import load_lowering, lowering_numbers
from logger.commands.main import exit_code_of
from logger.commands.tag import command
from logger.errors import InputError, LogbookBusyError, LogbookError, LogbookMissingError
from logger.logbook.check import check
from logger.logbook.lock import RecorderLock
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Tag, Window
from logger.samples import WindowClosed, WindowOpened

Extents = dict[int, tuple[int, int | None]]


@pytest.fixture
def made(tmp_path: Path) -> Made:
    """Three lowerings on one stream, the first two tied to P1 and P2."""
    made = make_logbook(tmp_path / "job.logbook", [drop_force(), release_force(), drop_force()])
    said(made.path, "--sheet", str(write_sheet(tmp_path)))
    return made


def run(path: Path, *arguments: str) -> Result:
    return CliRunner().invoke(command, [str(path), *arguments])


def said(path: Path, *arguments: str) -> str:
    result = run(path, *arguments)
    assert result.exception is None, result.exception
    return result.output


def as_json(path: Path, *arguments: str) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(said(path, *arguments, "--json"))
    return plain


def refused(path: Path, *arguments: str) -> str:
    result = run(path, *arguments)
    assert isinstance(result.exception, (InputError, LogbookError)), result.output
    assert exit_code_of(result.exception) in {2, 4}
    assert "\n" not in str(result.exception)
    return str(result.exception)


def extents(path: Path) -> Extents:
    """Number → first and last sample, of those that are lowerings of their own."""
    with LogbookReader(path) as reader:
        return {
            w.number: (w.first_index, w.last_index)
            for w in reader.lowerings()
            if w.merged_into is None
        }


def well(made: Made) -> None:
    """The check finds nothing, and the trigger's rows are as they were written."""
    report = check(made.path)
    assert report.ok, report.problems
    with LogbookReader(made.path) as reader:
        assert [(w.first_index, w.last_index) for w in reader.triggered()] == made.windows


# --- split -------------------------------------------------------------------------------


def test_a_split_gives_the_rest_the_next_number(made: Made) -> None:
    first, last = made.windows[1]
    plain = as_json(made.path, "2", "--split-at", "12.5s", "--by", "Wren")
    assert (plain["lowering"], plain["new_lowering"]) == (2, 4)
    assert extents(made.path)[2] == (first, first + 12_499)
    assert extents(made.path)[4] == (first + 12_500, last)
    well(made)
    with LogbookReader(made.path) as reader:
        (rest,) = reader.lowering(4)
        assert (rest.split_from, rest.by_hand, rest.trigger_index) == (2, True, rest.first_index)
        assert reader.record(Tag, "4") == Tag(job="orchard")
        assert reader.record(Tag, "2") == Tag(job="orchard", piece="P2")
        (version,) = reader.versions("window", "4")
        assert version.author == "Wren"
        source = load_lowering(reader, 4)
    assert source.trace.n == last - first - 12_499
    assert abs(source.start_wall_ns - (made.start_wall_ns(2) + 12_500_000_000)) < 5_000_000


def test_a_split_may_name_the_sample(made: Made) -> None:
    first, last = made.windows[0]
    text = said(made.path, "1", "--split-at", str(first + 9000), "--by", "Wren")
    assert f"the rest is lowering 4: stream 1, samples {first + 9000} to {last}" in text
    assert "ropetally tag" in text
    assert extents(made.path)[1] == (first, first + 8999)


def test_the_rest_can_be_tied_split_again_and_is_found_by_the_sheet(made: Made) -> None:
    said(made.path, "1", "--split-at", "8s", "--by", "Wren")
    said(made.path, "4", "--split-at", "4s", "--by", "Wren")
    assert sorted(extents(made.path)) == [1, 2, 3, 4, 5]
    assert "lowering 5: orchard/P2" in said(made.path, "5", "--piece", "P2")
    well(made)


def test_the_recorder_counts_on_from_a_split(made: Made) -> None:
    said(made.path, "1", "--split-at", "8s", "--by", "Wren")
    with LogbookWriter(made.path, clock=FakeClock()) as writer:
        assert writer.next_lowering == 5


def test_no_split_while_it_is_recorded_into(made: Made) -> None:
    lock = RecorderLock(made.path)
    try:
        result = run(made.path, "1", "--split-at", "8s", "--by", "Wren")
    finally:
        lock.release()
    assert isinstance(result.exception, LogbookBusyError)
    assert "split the lowering when that has ended" in str(result.exception)
    assert sorted(extents(made.path)) == [1, 2, 3]
    said(made.path, "1", "--split-at", "8s", "--by", "Wren")


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("1", "--split-at", "16s", "--by", "W"), "which runs from 0 to 15.999 s (samples 3000 to"),
        (("1", "--split-at", "0s", "--by", "W"), "is not inside its window"),
        (("1", "--split-at", "2999", "--by", "W"), "is not inside its window"),
        (("1", "--split-at", "18999", "--by", "W"), "is not inside its window"),
        (("1", "--split-at", "half", "--by", "W"), "give seconds from the window's start"),
        (("1", "--split-at", "3 m", "--by", "W"), "give seconds from the window's start"),
        (("1", "--split-at", "8s"), "a split needs its author: add --by NAME"),
        (("9", "--split-at", "8s", "--by", "W"), "no lowering 9; it holds 1, 2, 3"),
        (("--split-at", "8s", "--by", "W"), "say which lowering"),
        (("1", "--split-at", "8s", "--join", "2", "--by", "W"), "one thing at a time"),
    ],
)
def test_a_split_that_cannot_be(made: Made, arguments: tuple[str, ...], expected: str) -> None:
    assert expected in refused(made.path, *arguments)
    assert list(extents(made.path).values()) == made.windows


def test_a_logbook_that_is_not_there_is_not_made(tmp_path: Path) -> None:
    result = run(tmp_path / "no.logbook", "1", "--split-at", "8s", "--by", "W")
    assert isinstance(result.exception, LogbookMissingError)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_window_has_nothing_to_split(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()[:3]])
    assert "too few samples to split" in refused(made.path, "1", "--split-at", "1ms", "--by", "W")


# --- join --------------------------------------------------------------------------------


def test_a_join_keeps_the_earlier_number_and_both_records(made: Made) -> None:
    plain = as_json(made.path, "2", "--join", "1", "--by", "Wren")
    assert (plain["lowering"], plain["merged"]) == (1, 2)
    assert extents(made.path) == {1: (made.windows[0][0], made.windows[1][1]), 3: made.windows[2]}
    well(made)
    with LogbookReader(made.path) as reader:
        (merged,) = reader.lowering(2)
        assert (merged.merged_into, merged.first_index) == (1, made.windows[1][0])
        assert reader.lowering(1)[0].joined == (2,)
        assert reader.record(Tag, "2") == Tag(job="orchard", piece="P2")
        assert lowering_numbers(reader) == (1, 3)
        assert any("merged into lowering 1" in text for text in load_lowering(reader, 2).cautions)


def test_a_merged_lowering_is_left_alone(made: Made, tmp_path: Path) -> None:
    said(made.path, "2", "--join", "3", "--by", "Wren")
    assert "lowering 3 is merged into 2" in refused(made.path, "3", "--split-at", "8s", "--by", "W")
    assert "merged into 2; tie that one" in refused(made.path, "3", "--piece", "P1")
    assert "lowering 3 is merged into 2" in refused(made.path, "1", "--join", "3", "--by", "W")
    assert "nothing new to tie" in said(made.path, "--sheet", str(write_sheet(tmp_path)))
    assert "lowering 2:" in said(made.path, "last", "--note", "joined")


def test_joins_are_taken_apart_in_reverse(made: Made) -> None:
    said(made.path, "1", "--join", "2", "--by", "Wren")
    said(made.path, "1", "--join", "3", "--by", "Wren")
    assert list(extents(made.path)) == [1]
    assert "was joined with 3 after 2" in refused(made.path, "2", "--undo", "--by", "W")
    assert "lowering 3 is a lowering of its own" in said(made.path, "3", "--undo", "--by", "Robin")
    assert extents(made.path)[1] == (made.windows[0][0], made.windows[1][1])
    said(made.path, "1", "--undo", "--by", "Robin")
    assert list(extents(made.path).values()) == made.windows
    well(made)
    with LogbookReader(made.path) as reader:
        versions = reader.versions("window", "1")
        assert [v.author for v in versions] == ["Wren", "Wren", "Robin", "Robin"]
        assert not any(w.by_hand for w in reader.lowerings())


def test_a_join_inside_a_join_is_undone_from_outside(made: Made) -> None:
    said(made.path, "2", "--join", "3", "--by", "Wren")
    said(made.path, "1", "--join", "2", "--by", "Wren")
    assert extents(made.path) == {1: (made.windows[0][0], made.windows[2][1])}
    assert "lowering 2 is itself merged into 1" in refused(made.path, "3", "--undo", "--by", "W")
    said(made.path, "2", "--undo", "--by", "Wren")
    said(made.path, "2", "--undo", "--by", "Wren")
    assert list(extents(made.path).values()) == made.windows


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("1", "--join", "3", "--by", "W"), "no neighbours: 2 lies between"),
        (("1", "--join", "1", "--by", "W"), "cannot be joined to itself"),
        (("1", "--join", "7", "--by", "W"), "no lowering 7; it holds 1, 2, 3"),
        (("1", "--join", "2"), "a join needs its author"),
        (("--join", "2", "--by", "W"), "say which lowering"),
    ],
)
def test_a_join_that_cannot_be(made: Made, arguments: tuple[str, ...], expected: str) -> None:
    assert expected in refused(made.path, *arguments)
    assert list(extents(made.path).values()) == made.windows


def test_no_join_across_streams(made: Made) -> None:
    make_logbook(made.path, [drop_force()])
    text = refused(made.path, "3", "--join", "4", "--by", "W")
    assert "lowering 3 is on stream 1, lowering 4 on stream 2: only windows of the same" in text


# --- undo --------------------------------------------------------------------------------


@pytest.mark.parametrize("number", ["1", "4"])
def test_a_split_is_undone_by_joining_its_parts(made: Made, number: str) -> None:
    said(made.path, "1", "--split-at", "8s", "--by", "Wren")
    text = said(made.path, number, "--undo", "--by", "Robin")
    assert "lowering 4 is part of lowering 1 again" in text
    assert list(extents(made.path).values()) == made.windows
    well(made)
    said(made.path, "1", "--undo", "--by", "Robin")
    assert 4 in extents(made.path)


def test_a_corrected_window_is_undone(made: Made) -> None:
    said(made.path, "1", "--first-index", "4000", "--last-index", "9000", "--by", "Wren")
    assert extents(made.path)[1] == (4000, 9000)
    assert "as the trigger saw it" in said(made.path, "1", "--undo", "--by", "Wren")
    assert extents(made.path)[1] == made.windows[0]
    well(made)


def test_nothing_to_undo_and_no_author(made: Made) -> None:
    assert "nothing to undo" in refused(made.path, "1", "--undo", "--by", "W")
    assert "an undo needs its author" in refused(made.path, "1", "--undo")


# --- correct, discard ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("--first-index", "900000"), "is not inside stream 1, which holds samples 0 to"),
        (("--last-index", "900000"), "is not inside stream 1"),
        (("--first-index", "9000", "--last-index", "9000"), "a window from 9000 to 9000"),
        (("--first-index", "4000", "--stream", "7"), "has no window on stream 7: 1"),
    ],
)
def test_a_window_that_cannot_be(made: Made, arguments: tuple[str, ...], expected: str) -> None:
    assert expected in refused(made.path, "1", *arguments)
    assert list(extents(made.path).values()) == made.windows


def test_a_discarded_lowering_keeps_its_reason_and_comes_back(made: Made) -> None:
    text = said(made.path, "1", "--discard", "--reason", "tag line on the truck")
    assert "discarded, because: tag line on the truck" in text
    text = said(made.path, "1", "--keep", "--by", "Robin")
    assert "discarded" not in text
    with LogbookReader(made.path) as reader:
        versions = reader.versions("tag", "1")
        assert [v.author for v in versions[1:]] == ["Heron", "Robin"]  # the crew, then a person
        assert reader.record(Tag, "1") == Tag(job="orchard", piece="P1")
    history = " ".join(said(made.path, "--history", "tag", "1").split())
    assert "discarded True; discard_reason tag line on the truck" in history
    assert "add --discard" in refused(made.path, "2", "--reason", "why")
    well(made)


def test_the_history_of_a_window_can_be_read(made: Made) -> None:
    said(made.path, "1", "--join", "2", "--by", "Wren")
    text = said(made.path, "--history", "window", "2")
    assert "merged_into 1" in text
    assert "Wren" in text


# --- several cells -------------------------------------------------------------------------


def two_cells(path: Path) -> Path:
    """Two streams that take part in lowerings 1 and 2; the second one started 40 samples later."""
    with LogbookWriter(path, clock=FakeClock()) as writer:
        writer.write([opened(1), opened(2)])
        for start in range(0, 640, 16):
            writer.write([frame(1, start), frame(2, start)])
        for number, first in ((1, 100), (2, 400)):
            for stream in (1, 2):
                writer.write(
                    [
                        WindowOpened(number, stream, first + 20, first),
                        WindowClosed(number, stream, first + 199),
                    ]
                )
        writer.write([closed(1), closed(2)])
    return path


def all_extents(path: Path) -> dict[tuple[int, int], tuple[int, int | None]]:
    with LogbookReader(path) as reader:
        return {
            (w.number, w.stream): (w.first_index, w.last_index)
            for w in reader.lowerings()
            if w.merged_into is None
        }


def test_every_cell_is_split_at_the_same_moment_and_joined_again(tmp_path: Path) -> None:
    path = two_cells(tmp_path / "job.logbook")
    before = all_extents(path)
    said(path, "1", "--split-at", "100ms", "--by", "Wren")
    assert {key: span for key, span in all_extents(path).items() if key[0] in {1, 3}} == {
        (1, 1): (100, 199), (1, 2): (100, 199), (3, 1): (200, 299), (3, 2): (200, 299),
    }  # fmt: skip
    said(path, "3", "--join", "2", "--by", "Wren")
    assert all_extents(path)[3, 2] == (200, 599)
    said(path, "3", "--undo", "--by", "Wren")
    said(path, "3", "--undo", "--by", "Wren")
    assert all_extents(path) == before
    assert check(path).ok


def test_a_correction_says_which_cell(tmp_path: Path) -> None:
    path = two_cells(tmp_path / "job.logbook")
    assert "say which: --stream N" in refused(path, "1", "--first-index", "120")
    text = said(path, "1", "--first-index", "120", "--stream", "2", "--note", "late", "--by", "W")
    assert "window corrected" in text
    assert all_extents(path)[1, 1] == (100, 299)
    assert all_extents(path)[1, 2] == (120, 299)
    with LogbookReader(path) as reader:
        window = reader.record(Window, "1")
        assert window is not None
        assert [part.stream for part in window.parts] == [1, 2]
        assert load_lowering(reader, 1).first_index == 100
