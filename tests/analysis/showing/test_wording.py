"""What people read: every number with its unit, its doubt and whose it is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from logbook_factory import START_WALL_NS, FakeClock, Made, drop_force, make_logbook, release_force
from reviews import prepared, review, tie

from analysis.learning.margins import margin_of
from analysis.learning.measured_at import CellLoad, Readings
from analysis.learning.review import Review
from analysis.showing.wording import (
    STANDING,
    groups_of,
    margin_words,
    overview_row,
    remarks_of,
    title_of,
)
from logger.logbook.writer import LogbookWriter
from logger.samples import FaultNoted


def said(found: Review, heading: str) -> dict[str, str]:
    """Rows under a heading; of rows with one name the last."""
    return dict(next(rows for name, rows in groups_of(found, "kN") if name.startswith(heading)))


def test_a_drop_in_words(tmp_path: Path) -> None:
    found = review(prepared(tmp_path))
    assert title_of(found) == "Lowering 1: orchard/P1, snubbed drop"
    assert said(found, "Lowering")["wood"] == "northern red oak, 1.20 m, green"
    assert said(found, "Lowering")["station"] == "rope end (end), cell red"
    measured = said(found, "Measured")
    assert measured["hang weight"] == "1.500 ± 0.016 kN"
    assert measured["release"].startswith("catch")
    assert measured["peak"].startswith("4.19 ± 0.04 kN in catch, at 3.1")
    assert "pretension" not in measured
    predicted = said(found, "Predicted, stored before the lowering")
    assert " kN, 5 to 95 %: " in predicted["peak"]
    assert said(found, "Measured beside")["peak"].endswith("× the predicted median")
    assert said(found, "Guesses")["Wren"] == (
        "weight 1.18 kN, measured 1.27 × that, drop 0.40 m, by gut"
    )


def test_a_review_says_how_well_its_times_are_known(tmp_path: Path) -> None:
    found = review(prepared(tmp_path))
    timing = found.source.trace.timing
    assert timing is not None
    assert said(found, "Lowering")["times"] == timing.words()
    assert timing.words().startswith("within ± ")
    assert found.as_json()["timing"] == timing.to_dict()
    bare = replace(found.source, trace=replace(found.source.trace, timing=None))
    assert "times" not in said(replace(found, source=bare), "Lowering")


def test_limits_in_words_have_type_name_who_and_when(tmp_path: Path) -> None:
    found = review(prepared(tmp_path))
    rows = next(rows for name, rows in groups_of(found, "kN") if name == "Limits")
    assert rows[0][0] == "blue 14"
    assert rows[0][1] == (
        "working limit 4.00 kN (Wren, 2026-05-03): peak 4.19 ± 0.04 kN, measured (cell red), is 0.19 kN "
        "ABOVE it (105 %); a static limit: shock is counted twice"
    )
    assert "hang 1.51 kN, inferred (" in rows[1][1]
    assert "counted twice" not in rows[1][1]
    assert rows[2][0] == "high block"
    assert "inferred (" in rows[2][1]
    assert rows[3][1].startswith("breaking strength 45.00 kN (Wren, 2026-05-03): not a limit")


def test_a_lower_bound_is_a_lower_bound_everywhere(tmp_path: Path) -> None:
    whole = review(prepared(tmp_path))
    features = replace(whole.features, peak_is_lower_bound=True, peak_n=3500.0)
    limit = whole.margins[0].limit
    red = CellLoad("red", frozenset({limit.on}), None, 3500.0, None, "peak", lower_bound=True)
    margin = margin_of(limit, Readings(main=red))
    assert margin is not None
    found = replace(whole, features=features, margins=(margin,))
    assert said(found, "Measured")["peak"].startswith("at least 3.5")
    assert said(found, "Measured")["dynamic factor"].startswith("at least ")
    rows = next(rows for name, rows in groups_of(found, "kN") if name == "Limits")
    assert (
        "peak at least 3.50 kN, measured (cell red), is at most 0.50 kN below it (at least 88 %)"
        in rows[0][1]
    )
    over = margin_of(limit, Readings(main=replace(red, force_n=4500.0)))
    assert over is not None
    told = margin_words(over, "kN")
    assert "at least 4.50 kN, measured (cell red), is at least 0.50 kN ABOVE it" in told
    assert "(at least 112 %)" in told


def test_a_release_in_words(tmp_path: Path) -> None:
    measured = said(review(prepared(tmp_path), 2), "Measured")
    assert measured["pretension"].startswith("settled 1.601 ± 0.016 kN, at most 1.6")
    assert measured["peak"].endswith("kN in hand-over, at 8.36 s")


def test_a_release_above_the_weight_in_words(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, [release_force(share=1.25)], pieces=["P2"]))
    measured = said(found, "Measured")
    assert measured["release"].startswith("drop")
    assert "in pretension" in measured["peak"]
    assert "release peak" in measured


def test_a_sling_reads_more_than_the_weight(tmp_path: Path) -> None:
    from sheets import SHEET

    sheet = SHEET.replace(
        'station = {name = "rope end", mount = "end", leg = "lead"}\nnodes',
        'station = {name = "block sling", mount = "sling", node = "high block"}\nnodes',
    )
    measured = said(review(prepared(tmp_path, sheet=sheet)), "Measured")
    assert measured["hang, at the cell"] == "1.500 ± 0.016 kN"
    assert measured["hang weight"].startswith("0.75 ± ")


def test_units_are_those_asked_for(tmp_path: Path) -> None:
    found = review(prepared(tmp_path))
    for unit in ("N", "kgf", "lbf"):
        words = " ".join(value for _, rows in groups_of(found, unit) for _, value in rows)
        assert f" {unit}" in words
        assert " kN" not in words


def test_a_late_prediction_and_guess_are_shouted(tmp_path: Path) -> None:
    late = FakeClock(START_WALL_NS + 3_600_000_000_000)
    found = review(prepared(tmp_path, clock=late))
    assert said(found, "Predicted, made AFTER the lowering")
    assert said(found, "Guesses")["Wren"].endswith("entered AFTER the lowering")
    assert overview_row(found, "kN")[4].endswith("AFTER")


def test_a_clipped_peak_is_at_least(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, [drop_force(peak_n=9000.0)], count_limits=(-32_768, 32_767)))
    assert said(found, "Measured")["peak"].startswith("at least 3.23")
    assert said(found, "Measured beside")["peak"].startswith("at least ")
    assert overview_row(found, "kN")[3].startswith("≥ 3.23")
    assert any("the true peak is at least this" in remark for remark in remarks_of(found))


def test_nothing_loaded_in_words(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, [np.zeros(9000)], pieces=["P1"]))
    measured = said(found, "Measured")
    assert (measured["hang weight"], measured["peak"]) == ("not found", "not found")
    assert overview_row(found, "kN")[2:7] == ("-", "-", "-", "-", "-")
    assert "Nothing was loaded in this record." in remarks_of(found)


def test_an_untied_lowering_in_words(tmp_path: Path) -> None:
    found = review(make_logbook(tmp_path / "job.logbook", [drop_force()]))
    assert title_of(found) == "Lowering 1: not tied to a piece"
    assert said(found, "Predicted") == {}
    assert overview_row(found, "kN")[1] == "not tied"


def test_remarks_tell_gaps_faults_and_what_was_noted(tmp_path: Path) -> None:
    made = prepared(tmp_path, gaps=[(9000, 200)])
    tie(made, 1, "P1", note="stem moved", discarded=True, touched=True)
    fault(made, review(made).source.start_wall_ns)
    found = review(made)
    remarks = remarks_of(found)
    assert "Samples are missing." not in remarks  # said once, with how many
    assert "The piece touched something." in remarks
    assert "Gaps in the window: 1 (200 samples missing)." in remarks
    assert "Faults noted meanwhile: bad crc 3." in remarks
    assert "Discarded: left out of comparisons by a person." in remarks
    assert said(found, "Lowering")["note"] == "stem moved"
    assert overview_row(found, "kN")[7] == "hang late, touched, gap, discarded"
    assert tuple(remarks[-2:]) == STANDING
    assert len(set(remarks)) == len(remarks)


def fault(made: Made, wall_ns: int) -> None:
    """Note a fault of the stream."""
    with LogbookWriter(made.path, clock=FakeClock()) as writer:
        at_ns = wall_ns - START_WALL_NS + 5_000_000_000_000
        writer.write([FaultNoted(1, "red", "bad_crc", at_ns, 3, "")])


@pytest.mark.parametrize("number", [1, 2])
def test_no_word_promises(tmp_path: Path, number: int) -> None:
    found = review(prepared(tmp_path), number)
    words = " ".join(
        [*remarks_of(found), *(f"{n} {v}" for _, rows in groups_of(found, "kN") for n, v in rows)]
    ).lower()
    for word in ("safe", "certified", "guaranteed", "ok", "danger"):
        assert f" {word} " not in f" {words} "
