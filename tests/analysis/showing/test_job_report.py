"""A job put together: who is compared, who is left out and why, what the gear took."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import matplotlib as mpl
import numpy as np
import pytest
from logbook_factory import drop_force, release_force
from matplotlib.text import Annotation
from reviews import prepared, review, tie
from sheets import SHEET

from analysis.learning.margins import load_at
from analysis.learning.measured_at import CellLoad, Readings
from analysis.learning.review import Review
from analysis.showing.job_figure import draw_comparison, ratios_of
from analysis.showing.job_gear import GearUse, gear_of
from analysis.showing.job_page import job_html
from analysis.showing.job_report import (
    Correction,
    JobRecords,
    JobReport,
    LeftOut,
    job_report,
    pieces_of,
)
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Job, Limit, Piece, Tag

CLIPS = (-32_768, 32_767)


def records(path: Path, **more: Any) -> JobRecords:
    with LogbookReader(path) as reader:
        job = reader.record(Job, "orchard")
        assert job is not None
        pieces = pieces_of(reader.all_records(Piece), "orchard")
        made = {key: reader.predictions(key)[-1].result for key in pieces}
    return JobRecords(job=job, pieces=pieces, predictions=made, **more)


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Review]]:
    """P1 dropped (clipped), P2 tip-tied, and one more of P1 that is discarded."""
    folder = tmp_path_factory.mktemp("three")
    made = prepared(
        folder,
        [drop_force(peak_n=4200.0), release_force(), drop_force(peak_n=2500.0)],
        count_limits=CLIPS,
    )
    tie(made, 3, "P1", discarded=True, discard_reason="tag line on the truck")
    return made.path, [review(made, number) for number in (1, 2, 3)]


@pytest.fixture(scope="module")
def report(three: tuple[Path, list[Review]]) -> JobReport:
    path, reviews = three
    change = Correction("piece", "orchard/P1", 2, 1_780_000_000_000_000_000, "Wren", "<b>x</b>")
    return job_report(
        records(
            path,
            corrections=[change],
            refused=[LeftOut(5, None, "cannot be read: counts but no newtons")],
            merged={4: 2},
        ),
        reviews,
    )


def use(report: JobReport, name: str) -> GearUse:
    (found,) = (each for each in report.gear if each.name == name)
    return found


def test_who_is_compared_and_who_is_left_out(report: JobReport) -> None:
    assert [r.source.number for r in report.compared] == [1, 2]
    assert [(entry.lowering, entry.reason) for entry in report.left_out] == [
        (3, "discarded by a person: tag line on the truck"),
        (4, "merged into lowering 2: its samples are part of that"),
        (5, "cannot be read: counts but no newtons"),
    ]
    assert sum(map(len, report.places().values())) == 2


def test_a_clipped_peak_is_never_inside_or_below(report: JobReport) -> None:
    assert report.flags()["clipped"] == (1,)
    assert 1 in report.places()["above"] + report.places()["cannot_tell"]


def test_pieces_have_the_weight_that_was_stored(report: JobReport) -> None:
    first, second = report.pieces
    assert (first.key, first.lowerings, second.lowerings) == ("orchard/P1", (1, 3), (2,))
    stored = report.reviews[0].source.prediction
    assert stored is not None
    assert first.weight_n == stored.result["weight"]["weight_n"]
    assert first.weight_u_n == stored.result["weight"]["weight_u_n"]
    assert first.guesses[0].by == "Wren"


def test_a_piece_without_a_lowering_has_its_newest_prediction(
    three: tuple[Path, list[Review]],
) -> None:
    path, _ = three
    bare = job_report(records(path), [])
    assert [line.lowerings for line in bare.pieces] == [(), ()]
    assert all(line.weight_n for line in bare.pieces)
    none = job_report(JobRecords(bare.job, bare.records.pieces, {}), [])
    assert [line.weight_n for line in none.pieces] == [None, None]


def test_the_gear_took_the_largest_peak_with_its_band(report: JobReport) -> None:
    station = use(report, "rope end, cell red")
    assert (station.kind, station.lowerings) == ("station", (1, 2, 3))
    assert station.largest is not None
    assert not station.largest.load.inferred
    assert station.largest.load.force_n == report.reviews[0].features.peak_n
    assert station.largest.load.lower_bound
    block = use(report, "high block")
    assert block.lowerings == (1, 3)
    assert block.largest is not None
    load = block.largest.load
    assert load.inferred
    assert load.low_n < load.force_n < load.high_n
    # both legs parallel, η 0.9 of the block: the sling bears (1 + η) of the lead (physics §4)
    assert load.force_n == pytest.approx(1.9 * station.largest.load.force_n, rel=0.01)


def test_limits_have_shares_and_overloads_but_no_verdict(report: JobReport) -> None:
    limits = {entry.limit.kind: entry for entry in use(report, "blue 14").limits}
    most = max(r.features.peak_n or 0.0 for r in report.reviews)
    assert limits["working_limit"].share == pytest.approx(most / 4000.0)
    over = tuple(r.source.number for r in report.reviews if (r.features.peak_n or 0.0) > 4000.0)
    assert limits["working_limit"].above == over
    assert limits["breaking_strength"].share is None
    assert limits["breaking_strength"].above == ()


def test_a_band_that_reaches_above_a_limit_is_told(tmp_path: Path) -> None:
    made = prepared(tmp_path, [drop_force()], pieces=("P1",))
    bare = gear_of([review(made)])
    (block,) = (each for each in bare if each.name == "high block")
    assert block.largest is not None
    between = (block.largest.load.force_n + block.largest.load.high_n) / 2
    limit = Limit(on="high block", kind="working_limit", force_n=between, by="W", entered="today")
    with LogbookEntries(made.path) as entries:
        entries.put_record("high block/working_limit", limit)
    (block,) = (each for each in gear_of([review(made)]) if each.name == "high block")
    (entry,) = (each for each in block.limits if each.limit.kind == "working_limit")
    assert (entry.above, entry.perhaps_above) == ((), (1,))
    html = job_html(job_report(records(made.path), [review(made)]), "kN", "job.logbook")
    assert "the band reaches above the working limit: 1" in html


def test_an_overloaded_cell_is_counted(tmp_path: Path) -> None:
    made = prepared(tmp_path, [drop_force()], pieces=("P1",), overload_n=3000.0)
    (station,) = (each for each in gear_of([review(made)]) if each.kind == "station")
    assert station.overloads == (1,)
    html = job_html(job_report(records(made.path), [review(made)]), "lbf", "job.logbook")
    assert "the cell&#x27;s overload limit passed: 1; re-zero and check" in html


def test_a_cell_elsewhere_tells_nothing_of_the_rest(tmp_path: Path) -> None:
    made = prepared(tmp_path, [drop_force()], pieces=("P1",), station="base sling")
    report = job_report(records(made.path), [review(made)])
    assert use(report, "blue 14").unknown == (1,)
    assert use(report, "blue 14").largest is None
    assert "the prediction is for rope end" in report.left_out[0].reason
    html = job_html(report, "kN", "job.logbook")
    assert "not known" in html
    assert "the load there is not known" in html
    assert "No lowering could be compared." in html


def test_untied_and_empty_lowerings_are_left_out_with_the_reason(tmp_path: Path) -> None:
    quiet = np.random.default_rng(1).normal(0.0, 4.0, 8000)
    made = prepared(tmp_path, [drop_force(), quiet], pieces=())
    with LogbookEntries(made.path) as entries:
        entries.put_record("1", Tag(job="orchard"))
    tie(made, 2, "P1")
    report = job_report(records(made.path), [review(made, 1), review(made, 2)])
    first, second = report.left_out
    assert first.reason.startswith("not tied to a piece")
    assert first.piece is None
    assert second.reason == "no peak was found"
    assert use(report, "rope end, cell red").unknown == (2,)


def test_nothing_is_inferred_from_no_load() -> None:
    red = CellLoad("red", frozenset({"red"}), None, 5.0, None, "peak")
    assert load_at("red", Readings()) is None
    assert load_at("blue", Readings(main=red)) is None


# --- figure ------------------------------------------------------------------------------


def test_the_figure_shows_ratios_and_open_arrows_for_clipped_peaks(report: JobReport) -> None:
    first, second = report.compared
    ratio, low, high, u = ratios_of(second)
    assert second.comparison is not None
    assert ratio == pytest.approx(np.exp(second.comparison.log_ratio))
    assert low < 1 < high
    assert u is not None
    figure = draw_comparison(report.compared)
    (axes,) = figure.axes
    assert axes.get_yscale() == "log"
    assert [text.get_text() for text in axes.get_xticklabels()] == ["1", "2"]
    (arrow,) = axes.texts
    assert isinstance(arrow, Annotation)
    assert arrow.arrow_patch is not None
    assert mpl.colors.to_hex(arrow.arrow_patch.get_facecolor()) == "#ffffff"
    assert arrow.xy[1] > ratios_of(first)[0]  # upwards
    bottom, top = axes.get_ylim()
    assert bottom < low
    assert high < top
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    assert names[1] == "at least this: clipped, or samples missing"
    hatches = [bar.get_hatch() for bar in axes.patches]
    assert set(hatches) == {"////"}  # readable without colour


def test_many_lowerings_thin_their_numbers(report: JobReport) -> None:
    figure = draw_comparison([report.compared[1]] * 40)
    assert len(figure.axes[0].get_xticks()) <= 16


def test_a_late_prediction_is_another_marker(tmp_path: Path) -> None:
    from logbook_factory import START_WALL_NS, FakeClock

    late = FakeClock(START_WALL_NS + 3_600_000_000_000)
    made = prepared(tmp_path, [drop_force()], pieces=("P1",), clock=late)
    report = job_report(records(made.path), [review(made)])
    figure = draw_comparison(report.compared)
    names = [text.get_text() for text in figure.legends[0].get_texts()]
    assert names[0] == "measured; the prediction was made AFTER"
    assert "the prediction was made AFTER" in job_html(report, "kN", "job.logbook")


# --- page, JSON ----------------------------------------------------------------------------


def test_the_page_says_all_of_it_and_escapes_it(report: JobReport) -> None:
    html = job_html(report, "kN", "<job>.logbook")
    for text in (
        "INVENTED", "Crew Heron.", "Pieces", "Measured beside predicted", "Gear touched", "Flags",
        "Discarded or not compared", "tag line on the truck", "Corrections", "Cautions",
        "What a competent inspector would ask for", "&lt;b&gt;x&lt;/b&gt;", "&lt;job&gt;.logbook",
        "never permission to stand closer", "not a limit to work to", "at least", "inferred (",
        "Wren, 2026-05-03",
    ):  # fmt: skip
        assert text in html, text
    assert "<b>" not in html
    assert "<script" not in html
    assert "http" not in html.replace("http-equiv", "")
    assert html.count("<img") == 4
    assert html.count('class="wide"') == 6


def test_a_job_of_which_little_is_known(three: tuple[Path, list[Review]]) -> None:
    job = Job(name="park", crew="Heron")
    html = job_html(job_report(JobRecords(job, {}, {}), []), "kN", "job.logbook")
    for text in ("No piece is written down.", "No lowering has a flag.", "Nothing was corrected."):
        assert text in html
    assert "INVENTED" not in html


def test_decayed_wood_and_bare_guesses_are_written_out(tmp_path: Path) -> None:
    sheet = SHEET.replace('name = "P2"', 'name = "P2"\ncondition = "decayed"').replace(
        'weight_n = "120 kgf", drop_m = 0.4, how = "gut"', "drop_m = 0.4"
    )
    made = prepared(tmp_path, [drop_force()], pieces=("P1",), sheet=sheet)
    html = job_html(job_report(records(made.path), [review(made)]), "kgf", "job.logbook")
    assert "northern red oak, decayed" in html
    assert "Wren drop 0.40 m" in html


def test_json_has_stable_keys_and_no_nan(report: JobReport) -> None:
    plain = json.loads(json.dumps(report.as_json(), allow_nan=False))
    assert set(plain) == {
        "job", "invented", "pieces", "lowerings", "compared", "places", "left_out", "gear",
        "flags", "corrections", "cautions",
    }  # fmt: skip
    (block,) = (use for use in plain["gear"] if use["name"] == "high block")
    assert block["largest"]["inferred"]
    assert block["limits"][0]["by"] == "Wren"
    assert plain["pieces"][0]["weight_u_n"] > 0
