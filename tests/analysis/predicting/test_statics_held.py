"""A piece on its hinge, by winch pull, with a tag line, on wood with an axis; bad geometry."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.errors import PredictionError
from analysis.predicting.hanging import (
    geometry_warnings,
    hang_on_giving_anchors,
    hanging,
    load_vector_n,
    rope_for_winch_m,
    tag_force_n,
    tag_pull_n,
    winch_band_n,
)
from analysis.predicting.path import hang, loads_per_newton, setting
from analysis.predicting.predict import predict
from analysis.predicting.resultants import node_loads, wood_split
from analysis.predicting.rig import check_rig, find_station, readings, station_gain
from analysis.predicting.statics import force_at_piece
from logger.records import Diameter, Node, Piece, Release, Rig, Rope, Station, TagLine

BLOCK = Station(name="block", mount="sling", node="P", cell="red")
TIE = Station(name="tie", mount="end", leg="lead")


def span(*more: Node, rope_m: float = 9.0, efficiency: float = 0.9, **given: Any) -> Rig:
    nodes = (
        Node(name="D", role="device", z_m=1.0),
        Node(name="A", role="high_block", z_m=10.0, efficiency=efficiency),
        Node(name="P", role="piece_block", efficiency=efficiency),
        *more,
        Node(name="B", role="anchor", x_m=6.0, z_m=9.0),
    )
    return Rig(
        name="S", method="span_rig", rope="r", station=BLOCK, nodes=nodes, rope_length_m=rope_m, **given
    )  # fmt: skip


def single(**given: Any) -> Rig:
    nodes = (
        Node(name="A", role="high_block", z_m=10.0, wood_axis=(0.0, 0.0, 1.0)),
        Node(name="D", role="device", x_m=3.0, z_m=6.0),
    )
    return Rig(name="R", method="butt_tied", rope="r", station=TIE, nodes=nodes, **given)


@pytest.mark.parametrize("motion", [-1.0, 0.0, 0.4, 1.0])
def test_a_piece_held_where_it_would_hang_needs_just_its_weight(motion: float) -> None:
    rig = span()
    free = hang(rig, setting(motion, 0.0, 0.0, drop=False), load_vector_n(rig, 3000.0))
    assert free.span is not None
    tie = [float(free.span.from_high_block_m), 0.0, 10.0 - float(free.span.depth_m)]
    held = force_at_piece(rig, tie, free.winch, motion)
    np.testing.assert_allclose(held.force_n, [0.0, 0.0, 3000.0], atol=1e-6)
    assert float(held.rope_m) == pytest.approx(9.0)
    for name, size in held.slings.items():
        assert float(size) == pytest.approx(float(free.slings[name]), rel=1e-9)
    for leg, tension in held.legs.items():
        assert float(tension) == pytest.approx(float(free.legs[leg]), rel=1e-9)


def test_force_at_a_held_piece_by_hand() -> None:
    # Lead and fall both leave the block along (3, 0, −4)/5: parallel legs, so η counts whole.
    rig = single()
    held = force_at_piece(rig, (3.0, 0.0, 6.0 - 1e-12), 500.0, 1.0)
    assert float(held.legs["lead"]) == pytest.approx(450.0, rel=1e-6)
    np.testing.assert_allclose(held.force_n, [-270.0, 0.0, 360.0], rtol=1e-6, atol=1e-6)
    down = force_at_piece(rig, (3.0, 0.0, 6.0), 500.0, -1.0)
    assert float(down.legs["lead"]) == pytest.approx(500.0 / 0.9, rel=1e-6)


def test_held_pieces_come_as_arrays() -> None:
    ties = np.array([[2.0, 0.5, 5.0], [3.0, 0.0, 6.0], [4.0, -1.0, 7.0]])
    many = force_at_piece(span(), ties, [500.0, 800.0, 1000.0], [1.0, 0.0, -1.0], shift=0.3)
    assert many.force_n.shape == (3, 3)
    for i, (pull, motion) in enumerate([(500.0, 1.0), (800.0, 0.0), (1000.0, -1.0)]):
        one = force_at_piece(span(), ties[i], pull, motion, shift=0.3)
        np.testing.assert_allclose(many.force_n[i], one.force_n, rtol=1e-12)
        np.testing.assert_allclose(many.vectors["A"][i], one.vectors["A"], rtol=1e-12)


@pytest.mark.parametrize(
    ("tie", "pull", "words"),
    [
        ((0.0, 0.0, 10.0), 100.0, "tie lies at 'A'"),
        ((6.0, 0.0, 9.0), 100.0, "tie lies at 'B'"),
        ((1.0, 2.0), 100.0, "three numbers"),
        ((1.0, 2.0, math.nan), 100.0, "three numbers"),
        ((1.0, 2.0, 5.0), -1.0, "not negative"),
    ],
)
def test_a_tie_that_cannot_be_is_told(tie: tuple[float, ...], pull: float, words: str) -> None:
    with pytest.raises(PredictionError, match=words):
        force_at_piece(span(), tie, pull, 1.0)


def test_a_fixed_contact_lets_no_pull_through() -> None:
    tied = Node(name="T", role="redirect", contact="fixed", z_m=1.5)
    rig = Rig(name="R", method="butt_tied", rope="r", station=TIE, nodes=(*single().nodes, tied))
    with pytest.raises(PredictionError, match="no pull arrives"):
        force_at_piece(rig, (1.0, 0.0, 5.0), 100.0, 1.0)


def test_tag_line_reads_as_weight() -> None:
    # Source: physics notes §4.1: 300 N at 45° down on 1.5 kN reads as +15 %.
    tag = tag_pull_n(300.0, math.radians(45.0), 1.2)
    loads = hanging(single(), 1500.0, 0.0, tag_n=tag)
    assert float(loads.legs["lead"]) / 1500.0 == pytest.approx(1.15, abs=0.001)


def test_a_written_tag_line_counts_at_every_station() -> None:
    line = TagLine(force_n=300.0, down_rad=math.radians(45.0))
    found = readings(single(tag_line_pull=line), 1500.0)
    assert found[0].value_n == pytest.approx(1.15 * 1500.0, rel=1e-3)
    assert tag_force_n(single()) is None


def test_a_written_tag_line_counts_in_the_predicted_hang_reading() -> None:
    piece = Piece(
        name="P", length_m=3.0, rig="R", density_kg_per_m3=900.0,
        diameters=(Diameter(at_m=1.5, diameter_m=0.25),), release=Release(share_carried=0.9),
    )  # fmt: skip
    rope = Rope(name="r", stiffness_n=1e5)
    line = TagLine(force_n=300.0, down_rad=math.radians(45.0))
    slack = predict(piece, single(), rope, draws=200)
    tight = predict(piece, single(tag_line_pull=line), rope, draws=200)
    weight = slack["hang_weight_n"]["p50"]
    expected = math.hypot(weight + 300.0 * math.sqrt(0.5), 300.0 * math.sqrt(0.5))
    assert tight["hang_reading_n"]["p50"] == pytest.approx(expected, rel=1e-3)
    assert slack["hang_reading_n"]["p50"] == pytest.approx(weight)
    assert any("counts in the hang reading" in said for said in tight["warnings"])


def test_a_tag_line_that_lifts_the_piece_is_told() -> None:
    with pytest.raises(PredictionError, match="lifts the whole piece"):
        hanging(single(), 200.0, 0.0, tag_n=(0.0, 0.0, 250.0))
    with pytest.raises(PredictionError, match="above 0"):
        hanging(single(), 0.0, 0.0)


@settings(max_examples=25, deadline=None)
@given(st.floats(6.3, 20.0), st.floats(-1.0, 1.0), st.floats(200.0, 20e3))
def test_the_winch_s_pull_gives_back_the_rope(rope_m: float, motion: float, weight: float) -> None:
    rig = span(rope_m=rope_m)
    pull = hang(rig, setting(motion, 0.0, 0.0, drop=False), load_vector_n(rig, weight)).winch
    assert float(rope_for_winch_m(rig, weight, pull, motion)) == pytest.approx(rope_m, rel=1e-7)


def test_pulls_that_no_rope_length_gives_are_told() -> None:
    with pytest.raises(PredictionError, match="cannot carry the free piece"):
        rope_for_winch_m(span(), 3000.0, 1000.0, 1.0)
    with pytest.raises(PredictionError, match="draws the rope tight"):
        rope_for_winch_m(span(), 3000.0, 1e7, 1.0)
    with pytest.raises(PredictionError, match="only a span rig"):
        rope_for_winch_m(single(), 3000.0, 1e7, 1.0)
    with pytest.raises(PredictionError, match="above 0"):
        rope_for_winch_m(span(), 3000.0, 0.0, 1.0)


def test_winch_band_of_the_span_table() -> None:
    # Source: physics notes §4.1, η 0.9 at 180° both ways on one rope: W η and W / η.
    low, high = winch_band_n(
        Rig(name="R", method="butt_tied", rope="r", station=TIE), np.array([1000.0, 2000.0])
    )
    np.testing.assert_allclose(low, [900.0, 1800.0])
    np.testing.assert_allclose(high, [1000.0 / 0.9, 2000.0 / 0.9])


def test_wood_takes_compression_and_bending() -> None:
    loads = loads_per_newton(single(), 0.0)
    top, device = node_loads(single(), loads.vectors)
    assert device.wood is None
    assert top.wood is not None
    # Lead plumb, fall along (3, 0, −4)/5: 1.8 down the stem and 0.6 across it.
    assert float(top.wood.compression_n) == pytest.approx(1.8)
    assert float(top.wood.bending_n) == pytest.approx(0.6)
    assert float(np.hypot(1.8, 0.6)) == pytest.approx(float(top.size_n))
    leaning = wood_split([0.0, 0.0, -1.0], [1.0, 0.0, 1.0])
    assert float(leaning.compression_n) == pytest.approx(math.sqrt(0.5))


def test_nodes_that_the_rope_does_not_reach_are_left_out() -> None:
    spare = Node(name="spare", role="anchor", z_m=3.0)
    rig = Rig(name="R", method="butt_tied", rope="r", station=TIE, nodes=(*single().nodes, spare))
    found = node_loads(rig, loads_per_newton(rig, 0.0).vectors)
    assert [load.node for load in found] == ["A", "D"]


def test_wood_without_direction_is_told() -> None:
    nodes = (Node(name="A", role="high_block", z_m=9.0, wood_axis=(0.0, 0.0, 0.0)),)
    rig = Rig(name="R", method="butt_tied", rope="r", station=TIE, nodes=nodes)
    with pytest.raises(PredictionError, match="rig 'R': node 'A': axis of the wood"):
        node_loads(rig, loads_per_newton(rig, 0.0).vectors)


def test_anchors_that_give_way_less_the_stiffer_they_are() -> None:
    def moved(stiffness: float) -> float:
        top = Node(name="A", role="high_block", z_m=10.0, stiffness_n_per_m=stiffness)
        nodes = tuple(top if node.name == "A" else node for node in span().nodes)
        rig = Rig(**{**_fields(span()), "nodes": nodes})
        found = hang_on_giving_anchors(rig, 3000.0, 1.0)
        pull = found.loads.vectors["A"]
        np.testing.assert_allclose(found.moved_m["A"], pull / stiffness, atol=1e-11)
        return float(np.linalg.norm(found.moved_m["A"]))

    assert moved(2e4) > moved(2e5) > moved(2e6) > 0.0
    rigid = hang_on_giving_anchors(span(), 3000.0, 1.0)
    assert rigid.moved_m == {}


def test_unequal_stiffness_as_matrices() -> None:
    # A stem bends across its axis, not along it: no displacement upright.
    across = {"A": np.diag([1e-4, 1e-4, 0.0]), "B": np.diag([5e-5, 5e-5, 1e-5])}
    found = hang_on_giving_anchors(span(), np.array([1000.0, 3000.0]), 1.0, compliance=across)
    for name, matrix in across.items():
        np.testing.assert_allclose(
            found.moved_m[name], found.loads.vectors[name] @ matrix, atol=1e-11
        )
    assert np.all(found.moved_m["A"][:, 2] == 0.0)


def test_anchors_too_soft_to_hang_from_are_told() -> None:
    soft = {"A": np.eye(3) * 1.0, "B": np.eye(3) * 1.0}
    with pytest.raises(PredictionError, match=r"give way further|cannot reach"):
        hang_on_giving_anchors(span(rope_m=6.2), 9000.0, 1.0, compliance=soft)


def _fields(rig: Rig) -> dict[str, Any]:
    return {name: getattr(rig, name) for name in rig.__struct_fields__}


def test_a_contact_on_the_standing_side() -> None:
    post = Node(name="C", role="redirect", x_m=6.0, z_m=9.0)
    rig = span(post, rope_m=9.0 + 8.0)
    nodes = tuple(
        Node(name="B", role="anchor", x_m=6.0, z_m=1.0) if n.name == "B" else n for n in rig.nodes
    )
    rig = Rig(**{**_fields(rig), "nodes": nodes})
    check_rig(rig)
    plain, turned = loads_per_newton(span(), 0.0), loads_per_newton(rig, 0.0)
    assert float(turned.legs["lead"]) == pytest.approx(float(plain.legs["lead"]), rel=1e-12)
    assert float(turned.slings["B"]) == pytest.approx(float(plain.legs["standing"]), rel=1e-12)
    tight = loads_per_newton(rig, 0.0, rest=1.0)
    assert float(tight.slings["B"]) < float(tight.legs["standing"])
    end = Station(name="end", mount="end", node="B")
    assert station_gain(rig, station=end).rel_u > station_gain(span(), station=end).rel_u


def test_a_nearly_tight_rope_is_told() -> None:
    (said,) = geometry_warnings(span(rope_m=6.2))
    assert "nearly tight" in said
    loads = loads_per_newton(span(rope_m=6.2), 0.0)
    assert f"{float(loads.legs['lead']):.1f} times" in said
    assert geometry_warnings(span()) == ()
    assert geometry_warnings(single()) == ()


def test_every_station_is_read_with_its_band() -> None:
    more = (
        Station(name="top", mount="sling", node="A"),
        Station(name="fall", mount="running_line", leg="fall"),
        Station(name="far", mount="end", node="B"),
    )
    rig = span(more_stations=more)
    held = {found.station: found for found in readings(rig, 3000.0)}
    assert list(held) == ["block", "top", "fall", "far"]
    assert held["block"].low_n == held["block"].high_n == pytest.approx(3000.0)
    assert held["block"].cell == "red"
    for state in ("raising", "lowering", "first_drop"):
        for found in readings(rig, 3000.0, state):
            band = held[found.station]
            assert band.low_n - 1e-9 <= found.value_n <= band.high_n + 1e-9
            assert found.low_n <= found.value_n <= found.high_n
    raised = {found.station: found for found in readings(rig, 3000.0, "raising")}
    lowered = {found.station: found for found in readings(rig, 3000.0, "lowering")}
    assert raised["fall"].value_n > lowered["fall"].value_n
    assert raised["far"].value_n < lowered["far"].value_n
    assert raised["fall"].to_dict()["reads"] == "the tension of the fall"


def test_stations_are_checked_each() -> None:
    wrong = Station(name="c", mount="end", leg="lead")
    with pytest.raises(PredictionError, match="station 'c': the lead runs"):
        check_rig(span(more_stations=(wrong,)))
    with pytest.raises(PredictionError, match="two stations share a name"):
        check_rig(span(more_stations=(BLOCK,)))
    with pytest.raises(PredictionError, match="no station 'x'; its stations are 'block'"):
        find_station(span(), "x")
    assert find_station(span(), "block") is not None
