"""Several cells of one lowering in a logbook: which is which, what is told, what is left out."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from logbook_factory import FakeClock, FloatArray, drop_force, make_logbook, release_force
from lowering_generator_motion import run
from lowering_generator_plan import contacts, draw, schedule
from sheets import SHEET, write_sheet

from analysis.elsewhere import loads_elsewhere
from analysis.learning.margins import Margin
from analysis.learning.review import Review, review_lowering
from analysis.reading.features import read_features
from analysis.reading.place import Place
from analysis.reading.trace import make_trace
from analysis.reading.two_cells import CellReading, TwoCells, compare_cells
from analysis.several_cells import ONE_CELL, Cells
from analysis.showing.elsewhere import elsewhere_rows, heading_of
from analysis.showing.job_gear import gear_of
from analysis.showing.two_cells import cell_rows
from analysis.showing.wording import groups_of
from analysis.source import LoweringSource, load_lowering
from logger.commands.planning import store_sheet
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Tag
from logger.samples import WindowClosed, WindowOpened
from logger.sheet import read_sheet

ALONE = 'station = {name = "rope end", mount = "end", leg = "lead"}\nnodes'
BOTH = """station = {name = "rope end", mount = "end", leg = "lead", cell = "red"}
more_stations = [{name = "fall", mount = "running_line", leg = "fall", cell = "grey"}]
nodes"""
LIMITS = """
[[cell]]
name = "grey"
points = [{force_n = 0, counts = 500}, {force_n = 1000, counts = 10500}]

[[limit]]
on = "grey"
kind = "peak_allowance"
force_n = "5 kN"
by = "Heron"
entered = "2026-05-03"

[[limit]]
on = "fall"
kind = "working_limit"
force_n = "3.5 kN"
by = "Heron"
entered = "2026-05-03"
"""


@pytest.fixture(scope="module")
def pair() -> tuple[TwoCells, tuple[CellReading, CellReading]]:
    rng = np.random.default_rng(8)
    d = draw(rng, "tip_tied", frozenset())
    r = run(d.path, schedule(rng, d), d.start_m, contacts(rng, d), 3.0)
    t = np.arange(0.0, r.time_s[-1], 1.0 / 320.0)
    cells = []
    for cell, reads, force in (("red", "piece", r.lead_n), ("grey", "fall", r.fall_n)):
        trace = make_trace(t, np.interp(t, r.time_s, force), place=Place(reads))  # type: ignore[arg-type]
        cells.append(CellReading(cell, f"at {reads}", reads, trace, read_features(trace)))  # type: ignore[arg-type]
    told = compare_cells(cells[0], cells[1])
    assert told is not None
    return told, (cells[0], cells[1])


def test_a_cell_alone_has_nothing_beside_it() -> None:
    assert cell_rows(ONE_CELL, "kN") == []
    assert ONE_CELL.to_dict() == {"cells": [], "pairs": []}


def test_rows_tell_each_cell_and_the_block(
    pair: tuple[TwoCells, tuple[CellReading, CellReading]],
) -> None:
    told, readings = pair
    rows = dict(cell_rows(Cells(readings, (told,)), "kN"))
    assert rows["at piece"].startswith("cell red: peak ")
    assert "±" in rows["high block"]
    assert "measured from raising and lowering" in rows["high block"]
    assert "winch raising" in rows["lead / fall"]
    plain = Cells(readings, (told,)).to_dict()
    assert [one["cell"] for one in plain["cells"]] == ["red", "grey"]
    assert plain["pairs"][0]["efficiency"] == told.efficiency


def test_cells_that_disagree_give_no_efficiency(
    pair: tuple[TwoCells, tuple[CellReading, CellReading]],
) -> None:
    told, readings = pair
    rows = dict(cell_rows(Cells(readings, (replace(told, disagree=True),)), "kN"))
    assert "look at which cell sat where" in rows["high block"]
    assert "in the drop" not in rows


def test_two_pairs_are_named(pair: tuple[TwoCells, tuple[CellReading, CellReading]]) -> None:
    told, readings = pair
    names = [name for name, _ in cell_rows(Cells(readings, (told, told)), "kN")]
    assert "high block (at piece and at fall)" in names


def two_streams(
    folder: Path,
    text: str = SHEET,
    *,
    scaling: bool = True,
    last: int | None = None,
    share: float = 0.9,
    force: FloatArray | None = None,
) -> LoweringSource:
    """One lowering on two cells' streams: red carries the piece, grey a share of it."""
    path = folder / "job.logbook"
    store_sheet(path, read_sheet(write_sheet(folder, text)), clock=FakeClock())
    force = drop_force() if force is None else force
    made = make_logbook(path, [force], station=None)
    grey = make_logbook(path, [share * force], station=None, cell="grey", scaling=scaling)
    first, end = grey.windows[0]
    with LogbookWriter(path, clock=FakeClock()) as writer:
        writer.write([WindowOpened(1, 2, first + 2000, first), WindowClosed(1, 2, last or end)])
    with LogbookEntries(path) as entries:
        entries.put_record("1", Tag(job="orchard", piece="P1"))
    with LogbookReader(made.path) as reader:
        return load_lowering(reader, 1)


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Review:
    """Review red on the lead and grey on the fall, which agree with what is written."""
    folder = tmp_path_factory.mktemp("both")
    return review_lowering(two_streams(folder, SHEET.replace(ALONE, BOTH)))


def test_cells_are_tied_to_the_rigs_stations_by_name(both: Review) -> None:
    source = both.source
    assert source.cells == ("red", "grey")
    (other,) = source.others
    assert other.station is not None
    assert (other.station.name, other.trace.station) == ("fall", "fall")
    assert other.trace.place.reads == "fall"
    assert other.trace.chain.gain_low is not None
    assert other.offset_s == pytest.approx(0.0, abs=1e-4)
    timings = [trace.timing for trace in (source.trace, other.trace)]
    bounds_s = [one.error_s + 0.01 for one in timings if one is not None and one.latency_s is None]
    assert len(bounds_s) == 2  # nobody asked these for their time, so 10 ms stand for the links'
    assert other.alignment_u_s == pytest.approx(math.hypot(*bounds_s) / math.sqrt(3.0))
    review = both
    assert [one.reads for one in review.cells.readings] == ["piece", "fall"]
    (told,) = review.cells.pairs
    for ratio in told.ratios:
        assert ratio.lead_over_fall == pytest.approx(1.0 / 0.9, rel=0.01)
    assert review.as_json()["cells"]["cells"][1]["station"] == "fall"


def test_what_a_cell_measured_stands_beside_what_is_inferred_there(both: Review) -> None:
    review = both
    for one, of_lead in zip(review.elsewhere, ("hang_reading_n", "peak_n"), strict=True):
        (beside,) = one.beside
        assert (beside.kind, beside.place, beside.cell) == ("leg", "fall", "grey")
        lead_n = getattr(review.features, of_lead)
        assert beside.measured_n == pytest.approx(0.9 * lead_n, rel=0.005)
        inferred = one.loads.at("leg", "fall")
        assert beside.difference_n == pytest.approx(beside.measured_n - inferred.force_n)
        u_n = math.hypot(beside.measured_u_n, 2.0 * inferred.u_n)
        assert beside.normalised == pytest.approx(beside.difference_n / u_n)
        assert abs(beside.normalised or 9.0) <= 1.0
    words = dict(elsewhere_rows(review.elsewhere, "kN"))["leg fall"]
    assert words.count("(cell grey), inferred ") == 2
    assert words.count("within their U") == 2
    assert "not measured" not in heading_of(review.elsewhere)
    assert review.as_json()["elsewhere"][1]["measured_beside"][0]["cell"] == "grey"


def test_cells_that_do_not_fit_the_friction_written_are_told(tmp_path: Path) -> None:
    sheet = SHEET.replace(ALONE, BOTH) + LIMITS
    review = review_lowering(two_streams(tmp_path, sheet, share=0.6))
    assert all((one.beside[0].normalised or 0.0) < -1.0 for one in review.elsewhere)
    assert "MORE than their U" in dict(elsewhere_rows(review.elsewhere, "kN"))["leg fall"]
    rows = dict(dict(groups_of(review, "kN"))["Limits"])
    assert "LESS than inferred there by more than both U" in rows["grey"]


def test_a_lower_bound_is_no_test_of_what_is_inferred(both: Review) -> None:
    source, review = both.source, both
    clipped = replace(review.features, peak_is_lower_bound=True)
    found = loads_elsewhere(source, clipped, review.cells)
    assert [one.beside[0].normalised is None for one in found] == [False, True]
    assert "that is no test" in dict(elsewhere_rows(found, "kN"))["leg fall"]


def test_another_peak_is_read_at_the_moment_of_the_main_one(both: Review) -> None:
    """The other cell's largest force came a second later: what it read at the peak counts."""
    source, review = both.source, both
    lead, fall = review.cells.readings
    at_s = fall.features.peak_time_s
    assert at_s is not None
    later = replace(fall, features=replace(fall.features, peak_n=9e3, peak_time_s=at_s + 1.0))
    _, peak = loads_elsewhere(
        source, review.features, replace(review.cells, readings=(lead, later))
    )
    (beside,) = peak.beside
    assert beside.measured_n == pytest.approx(0.9 * (review.features.peak_n or 0.0), rel=0.01)
    assert 0.0 < beside.measured_u_n < 0.05 * beside.measured_n
    away = replace(later, offset_s=later.offset_s + 1e4)
    _, peak = loads_elsewhere(source, review.features, replace(review.cells, readings=(lead, away)))
    assert peak.beside == ()


def test_a_limit_where_another_cell_sat_is_set_against_what_it_measured(tmp_path: Path) -> None:
    source = two_streams(tmp_path, SHEET.replace(ALONE, BOTH) + LIMITS, share=0.85)
    review = review_lowering(source)
    fall = review.cells.readings[1].features
    at: dict[tuple[str, str], Margin] = {
        (one.limit.on, one.load.state): one for one in review.margins
    }
    for key, measured_n, u_n in (
        (("grey", "peak"), fall.peak_n, fall.peak_n_u),
        (("fall", "peak"), fall.peak_n, fall.peak_n_u),
        (("fall", "hang"), fall.hang_reading_n, fall.hang_reading_n_u),
    ):
        load = at[key].load
        assert (load.force_n, load.u_n, load.inferred) == (measured_n, u_n, False)
        assert load.cell == "grey"
    lead_n = review.features.peak_n or 0.0
    # By the lead and the friction as written the fall would bear 0.9 of it: that is not what
    # stands here, but the line in the main cell's picture goes by it.
    assert at["fall", "peak"].load.force_n == pytest.approx(0.85 * lead_n, rel=1e-3)
    assert at["fall", "peak"].load.from_main_n == pytest.approx(0.9 * lead_n, rel=1e-3)
    assert at["fall", "peak"].reading_at_limit_n == pytest.approx(3500.0 / 0.9, rel=1e-3)
    assert at["high block", "peak"].load.inferred

    rows = [words for on, words in dict(groups_of(review, "kN"))["Limits"] if on == "fall"]
    assert all("± " in words and "measured (cell grey), is" in words for words in rows)
    told = next(x for x in review.as_json()["limits"] if x["on"] == "fall")
    assert (told["inferred"], told["measured_by"], told["load_u_n"]) == (
        False,
        "grey",
        fall.peak_n_u,
    )
    assert told["load_n"] == told["load_low_n"] == told["load_high_n"] == fall.peak_n
    gear = {use.name: use for use in gear_of([review])}
    assert gear["fall, cell grey"].largest is not None
    assert gear["fall, cell grey"].largest.load.force_n == fall.peak_n
    assert {one.limit.on for one in gear["fall, cell grey"].limits} == {"grey", "fall"}


def test_a_cell_that_died_before_the_peak_does_not_stand_for_it(tmp_path: Path) -> None:
    force = release_force()
    rising = int(np.argmax(force)) - 200
    sheet = SHEET.replace(ALONE, BOTH) + LIMITS
    source = two_streams(tmp_path, sheet, last=rising, force=force)
    review = review_lowering(source)
    seen_n = review.cells.readings[1].features.peak_n
    assert seen_n is not None
    assert seen_n < 0.8 * (review.features.peak_n or 0.0)
    load = next(one.load for one in review.margins if one.limit.on == "grey")
    assert load.inferred
    assert load.force_n == pytest.approx(0.9 * (review.features.peak_n or 0.0), rel=1e-3)


def test_the_other_cell_alone_is_where_the_rig_names_it(tmp_path: Path) -> None:
    """The cell of the main station was never on: what is left is not taken for it."""
    swapped = BOTH.replace("red", "x").replace("grey", "red").replace('"x"', '"blue"')
    path = tmp_path / "job.logbook"
    text = SHEET.replace(ALONE, swapped) + LIMITS.replace('on = "grey"', 'on = "rope end"')
    store_sheet(path, read_sheet(write_sheet(tmp_path, text)), clock=FakeClock())
    make_logbook(path, [0.9 * drop_force()], station=None)
    with LogbookEntries(path) as entries:
        entries.put_record("1", Tag(job="orchard", piece="P1"))
    with LogbookReader(path) as reader:
        review = review_lowering(load_lowering(reader, 1))
    assert (review.station, review.source.at_main) == ("fall", False)
    assert review.comparison is None
    assert any("the prediction is for rope end, the cell was at fall" in x for x in review.cautions)
    at = {(one.limit.on, one.load.state): one.load for one in review.margins}
    fall_n = review.features.peak_n or 0.0
    assert (at["fall", "peak"].cell, at["fall", "peak"].force_n) == ("red", fall_n)
    assert at["rope end", "peak"].inferred
    assert at["rope end", "peak"].force_n == pytest.approx(fall_n / 0.9)


def test_a_cell_alone_that_the_rig_does_not_name_is_taken_for_the_main_one_and_told(
    tmp_path: Path,
) -> None:
    named = ALONE.replace('leg = "lead"', 'leg = "lead", cell = "grey"')
    path = tmp_path / "job.logbook"
    store_sheet(path, read_sheet(write_sheet(tmp_path, SHEET.replace(ALONE, named))))
    make_logbook(path, [drop_force()], station=None)
    with LogbookEntries(path) as entries:
        entries.put_record("1", Tag(job="orchard", piece="P1"))
    with LogbookReader(path) as reader:
        source = load_lowering(reader, 1)
    assert source.at_main
    assert any("has cell grey at rope end, this is cell red" in text for text in source.cautions)


def test_two_cells_on_a_rig_that_cannot_be_computed_are_still_reviewed(tmp_path: Path) -> None:
    bad = BOTH.replace('leg = "lead"', 'leg = "standing"')
    review = review_lowering(two_streams(tmp_path, SHEET.replace(ALONE, bad) + LIMITS))
    assert [one.reads for one in review.cells.readings] == ["unknown", "unknown"]
    assert {one.limit.on for one in review.margins} >= {"grey", "fall"}
    assert all(not one.load.inferred for one in review.margins)


def test_the_main_station_is_read_whichever_cell_came_first(tmp_path: Path) -> None:
    swapped = BOTH.replace("red", "x").replace("grey", "red").replace('"x"', '"grey"')
    source = two_streams(tmp_path, SHEET.replace(ALONE, swapped))
    assert source.stream.cell == "grey"
    assert [one.stream.cell for one in source.others] == ["red"]


def test_a_cell_that_the_rig_does_not_name_is_told(tmp_path: Path) -> None:
    source = two_streams(tmp_path)
    assert source.others[0].station is None
    assert any('write cell = "grey" where it sat' in text for text in source.cautions)
    assert review_lowering(source).cells.pairs == ()


def test_a_cell_without_calibration_is_left_out_and_told(tmp_path: Path) -> None:
    source = two_streams(tmp_path, SHEET.replace(ALONE, BOTH), scaling=False)
    assert source.others == ()
    assert any("cell grey is left out of this lowering" in text for text in source.cautions)
    assert review_lowering(source).cells is ONE_CELL


def test_a_cell_that_died_early_is_set_beside_what_it_saw(tmp_path: Path) -> None:
    source = two_streams(tmp_path, SHEET.replace(ALONE, BOTH), last=3000 + 9000)
    (other,) = source.others
    assert other.trace.duration_s == pytest.approx(9.0, abs=0.01)
    (told,) = review_lowering(source).cells.pairs
    assert {ratio.motion for ratio in told.ratios} <= {"first_drop", "hang", "lowering"}
