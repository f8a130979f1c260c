"""Loads at every place, and margins against typed limits."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

from analysis.predicting.place_loads import PlaceLoad, margins, place_loads
from analysis.predicting.predict import predict
from logger.records import Limit, Node, Rig, Station
from logger.sheet import read_sheet

RIGS = Path(__file__).parents[3] / "sample_logs" / "rigs"
ONE = Rig(
    name="R",
    method="butt_tied",
    rope="blue",
    station=Station(name="tie", mount="end", leg="lead", cell="red"),
    nodes=(
        Node(name="D", role="device"),
        Node(name="A", role="high_block", z_m=10.0, efficiency=0.9),
    ),
)


def limit(on: str, kind: str, force_n: float) -> Limit:
    """Enter a limit."""
    return Limit(on=on, kind=kind, force_n=force_n, by="Wren", entered="2026-05-03")  # type: ignore[arg-type]


def by_name(loads: tuple[PlaceLoad, ...]) -> dict[str, PlaceLoad]:
    """Loads by place."""
    return {one.name: one for one in loads}


def test_one_rope_over_a_sheave_by_hand() -> None:
    found = by_name(place_loads(ONE, 1000.0, 200.0))
    assert found["lead"].low_n == found["lead"].high_n == pytest.approx(1000.0)
    assert found["fall"].low_n == pytest.approx(1000.0 * 0.87)  # one u of 0.03 more friction
    assert found["fall"].high_n == pytest.approx(1000.0 / 0.87)
    assert found["A"].high_n == pytest.approx(1000.0 * (1.0 + 1.0 / 0.87))
    assert found["fall"].heavy_n == pytest.approx((1000.0 + 164.5) / 0.87)
    assert found["tie"].heavy_n == pytest.approx(1164.5)


def test_peaks_are_those_of_the_prediction() -> None:
    sheet = read_sheet(RIGS / "drop.toml")
    told = predict(sheet.piece[0], sheet.rig[0], sheet.rope[0])
    found = place_loads(sheet.rig[0], 800.0, 100.0, told)
    by = {(one.kind, one.name): one for one in found}
    assert by["station", "block sling"].peak_p95_n == told["peak_n"]["p95"]
    assert by["leg", "fall"].peak_p50_n == told["points"]["leg fall"]["p50"]


def test_margins_by_type() -> None:
    loads = [
        PlaceLoad("station", "tie", 1.0, 1.0, 1.0, 1100.0, 1500.0, 2000.0),
        PlaceLoad("leg", "lead", 1.0, 1.0, 1.0, 1100.0, 1500.0, 2000.0),
        PlaceLoad("leg", "fall", 1.0, 1.0, 1.0, 1200.0, 1400.0, 1900.0),
    ]
    limits = [
        limit("blue", "working_limit", 4000.0),
        limit("red", "peak_allowance", 2500.0),
        limit("blue", "breaking_strength", 40_000.0),
        limit("other", "working_limit", 1.0),
    ]
    found = margins(ONE, loads, limits)
    assert [(one.limit.on, one.judged, one.load_n) for one in found] == [
        ("red", "peak", 2000.0),
        ("blue", "peak", 2000.0),
        ("blue", "hang", 1200.0),
    ]
    assert found[0].margin_n == pytest.approx(500.0)
    told = found[1].to_dict()
    assert told["kind"] == "working_limit"
    assert told["by"] == "Wren"
    assert told["share"] == pytest.approx(0.5)


def test_without_a_prediction_a_peak_allowance_is_set_against_the_hanging_load() -> None:
    found = margins(ONE, place_loads(ONE, 1000.0), [limit("A", "peak_allowance", 1000.0)])
    assert [(one.judged, one.margin_n < 0) for one in found] == [("hang", True)]


def test_a_tag_line_counts() -> None:
    sheet = read_sheet(RIGS / "in_space.toml")
    rig = sheet.rig[0]
    slack = msgspec.structs.replace(rig, tag_line_pull=None)
    with_it, without = (by_name(place_loads(one, 1000.0)) for one in (rig, slack))
    assert with_it["piece sling"].hang_n > without["piece sling"].hang_n * 1.05
