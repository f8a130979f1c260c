"""A review sets the right numbers side by side and keeps the promised keys."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from logbook_factory import START_WALL_NS, FakeClock, drop_force, make_logbook, release_force
from reviews import prepared, review, tie
from sheets import SHEET

from analysis.learning.review import peak_to_compare
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader

TRACE_KEYS = {
    "hang_weight_n", "peak_n", "peak_time_s", "dynamic_factor", "pretension_settled_n",
    "release_kind", "release_peak_n", "flags",
}  # fmt: skip


def test_the_promised_keys_are_there_and_it_is_json(tmp_path: Path) -> None:
    plain = json.loads(json.dumps(review(prepared(tmp_path)).as_json(), allow_nan=False))
    assert set(plain["measured"]) >= TRACE_KEYS
    assert plain["predicted"]["station"] == "rope end"
    for key in ("peak_n", "hang_weight_n"):
        assert set(plain["predicted"][key]) == {"p05", "p50", "p95"}
    assert plain["predicted"]["made_before"] is True
    assert set(plain["comparison"]) >= {"log_ratio", "percentile"}
    assert (plain["piece"], plain["method"]) == ("orchard/P1", "snubbed_drop")
    assert plain["invented"] is True


def test_measured_predicted_and_their_ratio_agree(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    found = review(made)
    low, high = made.windows[0]
    assert found.features.peak_n == pytest.approx(made.force_n[low : high + 1].max(), abs=3.0)
    assert found.features.hang_weight_n == pytest.approx(1500.0, rel=0.005)
    assert found.source.prediction is not None
    assert found.comparison is not None
    assert found.features.peak_n is not None
    median = found.source.prediction.result["peak_n"]["p50"]
    assert found.comparison.log_ratio == pytest.approx(
        math.log(found.features.peak_n / median), abs=1e-3
    )


def test_guesses_are_scored(tmp_path: Path) -> None:
    (guess,) = review(prepared(tmp_path)).guesses
    assert (guess.by, guess.drop_m, guess.made_before) == ("Wren", 0.4, True)
    assert guess.weight_ratio == pytest.approx(1500.0 / (120 * 9.80665), rel=0.005)


def test_limits_are_set_against_their_own_place(tmp_path: Path) -> None:
    found = review(prepared(tmp_path))
    told = [(m.limit.on, m.limit.kind, m.load.state, m.load.inferred) for m in found.margins]
    assert told == [
        ("blue 14", "working_limit", "peak", False),
        ("blue 14", "working_limit", "hang", True),
        ("high block", "peak_allowance", "peak", True),
    ]
    assert [limit.kind for limit in found.unplaced] == ["breaking_strength"]
    plain = found.as_json()["limits"]
    assert [limit["against"] for limit in plain] == ["peak", "hang", "peak", None]
    assert [limit.get("static") for limit in plain] == [True, True, False, None]
    assert all(limit["by"] == "Wren" and limit["entered"] == "2026-05-03" for limit in plain)


def test_a_late_jerk_is_the_peak_but_not_what_was_predicted(tmp_path: Path) -> None:
    force = release_force()
    t = np.arange(force.size) / 1000.0
    force = force + 1200.0 * np.exp(-(((t - 16.0) / 0.05) ** 2))
    found = review(prepared(tmp_path, [force], pieces=["P2"]))
    assert found.features.peak_n == pytest.approx(3200.0, rel=0.01)
    assert found.compared is not None
    assert found.compared.force_n == pytest.approx(2325.0, rel=0.02)
    assert "the largest force came later" in found.compared.words


def test_pretension_above_the_weight_is_compared_as_the_peak(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, [release_force(share=1.25)], pieces=["P2"]))
    assert found.features.release_kind == "drop"
    assert found.compared is not None
    assert found.compared.words == "peak in pretension"
    assert found.margins[0].load.state == "pretension"


def test_a_clipped_peak_is_a_lower_bound(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, [drop_force(peak_n=9000.0)], count_limits=(-32_768, 32_767)))
    assert "clipped" in found.features.flags
    assert found.comparison is not None
    assert found.comparison.censored


def test_without_a_tie_the_next_step_is_told(tmp_path: Path) -> None:
    found = review(make_logbook(tmp_path / "job.logbook", [drop_force()]))
    assert found.piece is None
    assert found.station == "block sling"
    assert found.comparison is None
    assert any("ropetally tag LOGBOOK 1 --piece" in caution for caution in found.cautions)
    plain = found.as_json()
    assert (plain["predicted"], plain["comparison"], plain["method"]) == (None, None, None)


def test_a_prediction_made_late_is_labelled(tmp_path: Path) -> None:
    late = FakeClock(START_WALL_NS + 3_600_000_000_000)
    found = review(prepared(tmp_path, clock=late))
    assert found.as_json()["predicted"]["made_before"] is False
    assert any("made after the lowering" in caution for caution in found.cautions)


def test_a_prediction_for_another_station_is_not_compared(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, station="block sling"))
    assert found.comparison is None
    assert any("not compared" in caution for caution in found.cautions)
    assert [m.limit.on for m in found.margins] == []


def test_a_piece_without_prediction_says_so(tmp_path: Path) -> None:
    sheet = SHEET.replace(
        'station = {name = "rope end", mount = "end", leg = "lead"}\nnodes',
        'station = {name = "rope end", mount = "end", leg = "standing"}\nnodes',
    )
    found = review(prepared(tmp_path, sheet=sheet))
    assert any("no prediction is stored" in caution for caution in found.cautions)


def test_a_damaged_prediction_is_told(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    with LogbookReader(made.path) as reader:
        stored = reader.predictions("orchard/P1")[-1]
    with LogbookEntries(made.path, clock=FakeClock()) as entries:
        entries.put_prediction("orchard/P1", stored.inputs, {"station": "rope end"})
    found = review(made)
    assert found.comparison is None
    assert any("no peak quantiles" in caution for caution in found.cautions)


def test_nothing_loaded_is_no_peak(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, [np.zeros(9000)], pieces=["P1"]))
    assert found.features.flags == ("no_load",)
    assert (found.compared, found.comparison) == (None, None)
    assert peak_to_compare(found.features) is None
    assert found.guesses[0].weight_ratio is None


def test_a_note_and_a_discarded_lowering_are_kept(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    tie(made, 1, "P1", note="stem moved", discarded=True)
    plain = review(made).as_json()
    assert (plain["note"], plain["discarded"]) == ("stem moved", True)
