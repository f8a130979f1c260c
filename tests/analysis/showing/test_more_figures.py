"""Figures of a ring-down and of many comparisons; the words of what was identified."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from reviews import prepared, review
from synthetic_traces import Cell, Piece, make

from analysis.errors import TraceError
from analysis.learning.compare import compare_peak
from analysis.learning.pit import Compared, report_on
from analysis.reading.features import read_features
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.trace import Chain
from analysis.showing.compare_figure import draw_compared, season_of
from analysis.showing.figures import save_figure
from analysis.showing.files import write_compared, write_ring_figure
from analysis.showing.reading_wording import identified_rows, weight_words
from analysis.showing.ring_figure import draw_ringdown
from analysis.showing.why_wording import budget_groups, small_force

P = [0.01, 0.05, 0.5, 0.95, 0.99]


def compared(method: str, share: float, *, clipped: bool = False) -> Compared:
    stored = {"peak_quantiles": {"p": P, "force_n": [900.0, 1000.0, 2000.0, 4000.0, 4400.0]}}
    comparison = compare_peak(stored, 2000.0 * share, clipped=clipped)
    return Compared(method, comparison, 1000.0, 4000.0)


def test_measured_against_predicted(tmp_path: Path) -> None:
    report = report_on(
        [compared("span_rig", 1.1), compared("swing", 0.7), compared("swing", 1.2, clipped=True)]
    )
    figure = draw_compared(report, "an invented season", "kN")
    words = " ".join(text.get_text() for axes in figure.axes for text in axes.texts)
    assert "swing, 2: measured" in words
    assert "never permission" in words
    assert "clipped" in words
    save_figure(figure, tmp_path / "c.png")
    assert (tmp_path / "c.png").stat().st_size > 10_000
    assert season_of(report).overall is report.overall


def test_ring_down_of_a_review(tmp_path: Path) -> None:
    found = review(prepared(tmp_path), 2)
    assert found.features.ring is not None
    figure = draw_ringdown(found, "lbf")
    words = " ".join(text.get_text() for axes in figure.axes for text in axes.texts)
    assert "decaying sinusoid, fitted over" in words
    assert figure.axes[0].get_ylabel() == "force, lbf"
    assert write_ring_figure(found, tmp_path / "ring.svg", "kN").is_file()
    bare = replace(found, features=replace(found.features, ring=None))
    with pytest.raises(TraceError, match="no ring-down was fitted"):
        draw_ringdown(bare, "kN")


def test_nothing_compared_writes_nothing(tmp_path: Path) -> None:
    found = review(prepared(tmp_path), 1)
    assert [p.name for p in write_compared([found], tmp_path, "kN", "a job")] == [
        "measured-predicted.png",
        "percentiles.png",
    ]
    assert write_compared([replace(found, comparison=None)], tmp_path, "kN", "a job") == []


def rows(features: object) -> dict[str, str]:
    return dict(identified_rows(features, "kN"))  # type: ignore[arg-type]


def test_words_of_what_was_identified() -> None:
    place = Place("piece", "span_rig", RopeInPlay(lead_m=3.0, fall_m=9.0))
    trace = replace(make(Piece(), Cell()).trace, place=place)
    features = read_features(trace)
    told = rows(features)
    assert "agrees with the still part" in told["hang, by cycles"]
    assert told["ring-down"].startswith(("1.9", "2.0"))
    known = replace(
        features,
        rope_ea_n=118_790.0,
        rope_ea_low_n=112_590.0,
        rope_ea_high_n=124_990.0,
        sheave="stuck",
    )
    ea = "119 kN, 113 to 125 kN (sheave stuck, only the lead stretches)"
    assert rows(known)["rope EA, dynamic"] == ea
    assert "block efficiency" not in rows(known)
    moved = rows(
        replace(
            known,
            rope_ea_by="motion",
            sheave=None,
            block_efficiency=0.9123,
            block_efficiency_u=0.0082,
        )
    )
    ea = "119 kN, 113 to 125 kN (by how the piece swung and bounced)"
    assert moved["rope EA, dynamic"] == ea
    words = "0.912 ± 0.008, high block, by how the piece swung and bounced"
    assert moved["block efficiency"] == words
    assert "4 strokes, the last" in told["winch"]
    assert "SAE J211" in told["peak, CFC 60"]
    assert told["touchdown"] == "at once"
    worse = rows(replace(features, hang_ways_agree=False, saw_relief_n=-50.0))
    assert "DISAGREES" in worse["hang, by cycles"]
    assert worse["while sawing"].startswith("the settled level fell by 0.05 kN")


def test_a_catch_has_its_free_fall_in_words() -> None:
    told = rows(read_features(make(Piece(kind="snub", damping=0.12), Cell()).trace))
    assert "free fall that the catch had to stop" in told["equivalent fall"]
    assert told["peaks"].startswith("catch")


def test_on_the_fall_the_weight_is_a_band() -> None:
    chain = Chain(gain=1.005, gain_rel_u=0.06, gain_low=0.9, gain_high=1.11)
    trace = replace(make(Piece(), Cell(), chain=chain).trace, place=Place("fall", "span_rig"))
    features = read_features(trace)
    assert features.hang_weight_is_band
    assert features.rope_ea_low_n is None
    words = weight_words(features, "kN")
    assert words is not None
    assert words.startswith("between 1.")
    assert weight_words(replace(features, hang_weight_n=None), "kN") is None
    told = replace(
        features,
        hang_weight_n=1512.0,
        hang_weight_n_u=14.0,
        hang_weight_is_band=False,
        hang_weight_by="motion",
    )
    assert weight_words(told, "kN") == "1.512 ± 0.014 kN (told by how it swung and bounced)"


def test_budgets_say_what_is_not_in_them() -> None:
    features = read_features(make(Piece(), Cell()).trace)
    groups = dict(budget_groups(features, "kN"))
    assert list(groups) == ["Budget of the peak", "Budget of the hang weight"]
    peak = dict(groups["Budget of the peak"])
    assert "does not by itself cover shock" in peak["shock"]
    assert "temperature" in peak["not in it"]
    sent = make(Piece(), Cell(), chain=Chain(temperature_rel_u=0.002)).trace
    warm = read_features(sent)
    assert warm.budgets["peak_n"]["temperature"] == pytest.approx(0.002 * (warm.peak_n or 0.0))
    assert "not in it" not in dict(dict(budget_groups(warm, "kN"))["Budget of the peak"])
    assert small_force(np.float64(16.04), "kN") == "0.016 kN"
