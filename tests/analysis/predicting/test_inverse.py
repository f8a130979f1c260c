"""From a reading at one station to the weight and every other load."""

from __future__ import annotations

import json
import math
from typing import Any, get_args

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import PredictionError
from analysis.predicting.hanging import hanging, tag_pull_n
from analysis.predicting.inverse import Kind, loads_from_reading
from analysis.predicting.path import loads_per_newton
from analysis.predicting.rig import State, reading_per_newton, station_gain
from logger.records import Node, Rig, Rope, Station, TagLine

FALL = Station(name="fall", mount="running_line", leg="fall", cell="blue")
BLOCK = Station(name="block", mount="sling", node="P")
TOP = Station(name="top", mount="sling", node="A")
FAR = Station(name="far", mount="end", node="B")
TIE = Station(name="tie", mount="end", leg="lead")


def span(station: Station = FALL, *more: Station, **given: Any) -> Rig:
    nodes = (
        Node(name="D", role="device", x_m=-1.0, z_m=1.0),
        Node(name="A", role="high_block", z_m=10.0),
        Node(name="P", role="piece_block"),
        Node(name="B", role="anchor", x_m=4.0, y_m=3.0, z_m=9.0),
    )
    return Rig(
        name="S", method="span_rig", rope="r", station=station, more_stations=more, nodes=nodes,
        rope_length_m=9.0, **given,
    )  # fmt: skip


def single(station: Station, **given: Any) -> Rig:
    nodes = (Node(name="A", role="high_block", z_m=9.0), Node(name="D", role="device"))
    return Rig(name="R", method="butt_tied", rope="r", station=station, nodes=nodes, **given)


@pytest.mark.parametrize("station", [FALL, BLOCK, TOP, FAR])
def test_a_held_piece_is_weighed_as_by_the_station_s_gain(station: Station) -> None:
    rig = span(station)
    gain = station_gain(rig)
    found = loads_from_reading(rig, None, station, 2000.0, 0.0, "holding")
    assert found.weight.force_n == pytest.approx(2000.0 * gain.gain, rel=1e-12)
    assert found.weight.u_n == pytest.approx(2000.0 * gain.gain * gain.rel_u, rel=1e-9)
    assert (found.weight.low_n, found.weight.high_n) == pytest.approx(
        (2000.0 * gain.low, 2000.0 * gain.high)
    )


@settings(max_examples=20, deadline=None)
@given(
    st.sampled_from(get_args(State)),
    st.sampled_from([FALL, BLOCK, TOP, FAR]),
    st.floats(100.0, 20e3),
    st.floats(-1.0, 1.0),
)
def test_what_a_weight_makes_lies_in_the_band(
    state: State, station: Station, weight: float, friction: float
) -> None:
    rig = span(station, *(s for s in (FALL, BLOCK, TOP, FAR) if s is not station))
    motion = {"raising": 1.0, "holding": friction, "lowering": -1.0, "first_drop": -1.0}[state]
    shift = -1.0 if state == "holding" else friction
    true = loads_per_newton(rig, motion, shift=shift)
    reading = weight * float(reading_per_newton(rig, true))
    found = loads_from_reading(rig, None, station.name, reading, 1.0, state)
    roomy = 1.0 + 2e-3
    assert found.weight.low_n / roomy <= weight <= found.weight.high_n * roomy
    for load in found.places:
        if load.kind in {"leg", "sling"}:
            force = weight * float((true.legs if load.kind == "leg" else true.slings)[load.place])  # type: ignore[index]
            assert load.low_n / roomy <= force <= load.high_n * roomy


def test_the_fall_reading_is_worth_more_going_down() -> None:
    # Source: physics notes §4.1: with vertical legs the same fall reading is worth 37 % more
    # weight going down than up (span rig, η 0.9 at both blocks).
    nodes = (
        Node(name="D", role="device", z_m=1.0),
        Node(name="A", role="high_block", z_m=10.0),
        Node(name="P", role="piece_block"),
        Node(name="B", role="anchor", z_m=10.0),
    )
    rig = Rig(name="V", method="span_rig", rope="r", station=FALL, nodes=nodes, rope_length_m=9.0)
    up = loads_from_reading(rig, None, "fall", 1000.0, 5.0, "raising")
    down = loads_from_reading(rig, None, "fall", 1000.0, 5.0, "lowering")
    assert down.weight.force_n / up.weight.force_n == pytest.approx(1.37, abs=0.005)
    held = loads_from_reading(rig, None, "fall", 1000.0, 5.0, "holding")
    assert held.weight.low_n < up.weight.force_n < down.weight.force_n < held.weight.high_n
    assert held.weight.u_n > up.weight.u_n


@pytest.mark.parametrize(
    ("state", "fall", "lead", "standing"),
    [("raising", 2364, 2128, 1915), ("lowering", 1702, 1891, 2101)],
)
def test_the_span_table_back_from_each_reading(
    state: State, fall: float, lead: float, standing: float
) -> None:
    # Source: physics notes §4.1: D 6, H 1, L 9 m, W 3000 N, η 0.9 at both blocks without
    # angle correction; a wrap of μθ = −ln 0.9 has the same ratio at every angle.
    rough: dict[str, Any] = {"contact": "wrap", "friction_angle": -math.log(0.9)}
    nodes = (
        Node(name="D", role="device", z_m=1.0),
        Node(name="A", role="high_block", z_m=10.0, **rough),
        Node(name="P", role="piece_block", **rough),
        Node(name="B", role="anchor", x_m=6.0, z_m=9.0),
    )
    more = (FAR, BLOCK)
    rig = Rig(
        name="T", method="span_rig", rope="r", station=FALL, more_stations=more, nodes=nodes,
        rope_length_m=9.0,
    )  # fmt: skip
    for station, reading in (("fall", fall), ("far", standing), ("block", 3000.0)):
        found = loads_from_reading(rig, None, station, reading, 1.0, state)
        assert found.weight.force_n == pytest.approx(3000.0, rel=3e-4)
        for leg, value in (("fall", fall), ("lead", lead), ("standing", standing)):
            assert found.at("leg", leg).force_n == pytest.approx(value, rel=3e-4)


def test_the_station_itself_is_the_reading() -> None:
    found = loads_from_reading(span(FALL, TOP), None, FALL, 1500.0, 12.0, "lowering")
    own = found.at("station", "fall")
    assert own.measured
    assert (own.force_n, own.u_n, own.low_n, own.high_n) == (1500.0, 12.0, 1500.0, 1500.0)
    other = found.at("station", "top")
    assert other.u_n > 12.0
    assert other.force_n == found.at("sling", "A").force_n
    assert found.at("winch", "winch").force_n == pytest.approx(1500.0)
    with pytest.raises(KeyError, match="leg nowhere"):
        found.at("leg", "nowhere")


def test_a_direct_station_leaves_only_the_reading_s_own_uncertainty() -> None:
    found = loads_from_reading(single(TIE), None, "tie", 2000.0, 9.0, "holding")
    assert (found.weight.force_n, found.weight.u_n) == (2000.0, 9.0)


@pytest.mark.parametrize("state", get_args(State))
@pytest.mark.parametrize("station", [FALL, BLOCK, TOP, FAR])
def test_a_tag_line_is_taken_off(station: Station, state: State) -> None:
    rig = span(station)
    tag = tag_pull_n(250.0, math.radians(30.0), 2.0)
    motion = {"raising": 1.0, "holding": 0.0}.get(state, -1.0)
    reading = float(reading_per_newton(rig, hanging(rig, 1800.0, motion, tag_n=tag)))
    found = loads_from_reading(rig, None, station, reading, 0.0, state, tag_n=tag)
    if state == "holding":
        assert found.weight.low_n - 1.0 <= 1800.0 <= found.weight.high_n + 1.0
    else:
        assert found.weight.force_n == pytest.approx(1800.0, rel=1e-9)
    assert found.weight.u_n >= 0.19 * 250.0 * math.sin(math.radians(30.0)) * 0.9
    assert any("tag line pulling 250 N" in said for said in found.basis)


def test_a_written_tag_line_is_taken_off_by_itself() -> None:
    line = TagLine(force_n=300.0, down_rad=math.radians(45.0))
    found = loads_from_reading(
        single(TIE, tag_line_pull=line), None, TIE, 1.1502 * 1500.0, 0.0, "holding"
    )
    assert found.weight.force_n == pytest.approx(1500.0, rel=1e-3)


def test_the_rope_s_own_weight_is_told_where_it_counts() -> None:
    thick = Rope(name="r", stiffness_n=1e5, diameter_m=0.016)
    light = loads_from_reading(span(), thick, FALL, 300.0, 1.0, "holding")
    assert any("the rope in the rig weighs about" in said for said in light.warnings)
    assert loads_from_reading(span(), thick, FALL, 20e3, 1.0, "holding").warnings == ()
    thin = Rope(name="r", stiffness_n=1e5)
    assert loads_from_reading(span(), thin, FALL, 300.0, 1.0, "holding").warnings == ()


@pytest.mark.parametrize(
    ("station", "reading", "u", "words"),
    [
        ("nowhere", 100.0, 1.0, "no station 'nowhere'"),
        ("fall", 0.0, 1.0, "says nothing"),
        ("fall", math.nan, 1.0, "says nothing"),
        ("fall", 100.0, -1.0, "says nothing"),
    ],
)
def test_readings_that_say_nothing_are_told(
    station: str, reading: float, u: float, words: str
) -> None:
    with pytest.raises(PredictionError, match=words):
        loads_from_reading(span(), None, station, reading, u, "holding")


def test_a_tag_line_that_reads_more_than_the_cell_is_told() -> None:
    with pytest.raises(PredictionError, match="tag line alone gives more"):
        loads_from_reading(
            single(TIE), None, TIE, 100.0, 1.0, "holding", tag_n=np.array([300.0, 0.0, -300.0])
        )


def test_no_load_no_weight() -> None:
    nodes = (Node(name="A", role="high_block", z_m=9.0, contact="fixed"),)
    rig = Rig(name="R", method="butt_tied", rope="r", station=FALL, nodes=nodes)
    with pytest.raises(PredictionError, match="no load reaches it"):
        loads_from_reading(rig, None, FALL, 100.0, 1.0, "holding")


def test_plain_values_for_json() -> None:
    found = loads_from_reading(span(FALL, TOP), None, FALL, 1500.0, 12.0, "holding")
    body = json.loads(json.dumps(found.to_dict()))
    assert body["reading_expanded_u_n"] == 24.0
    assert body["weight"]["expanded_u_n"] == pytest.approx(2 * found.weight.u_n)
    assert {place["kind"] for place in body["places"]} <= set(get_args(Kind))
