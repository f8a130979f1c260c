"""The rope's path and stations: block multipliers, refusals, gains."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from analysis.errors import PredictionError
from analysis.predicting.path import fall_length_m, included_rad, loads_per_newton
from analysis.predicting.rig import (
    check_rig,
    reading_per_newton,
    readings,
    reads_directly,
    station_gain,
)
from logger.records import Node, Rig, Station

TIE = Station(name="tie", mount="end", leg="lead")


def one_rope(station: Station = TIE, *nodes: Node, method: str = "butt_tied", **more: Any) -> Rig:
    return Rig(name="R", method=method, rope="blue", station=station, nodes=nodes, **more)  # type: ignore[arg-type]


def top(angle_deg: float = 0.0, **more: Any) -> tuple[Node, Node]:
    """High block at 10 m and a device so that lead and fall include an angle."""
    angle = math.radians(angle_deg)
    return (
        Node(name="A", role="high_block", z_m=10.0, **more),
        Node(name="D", role="device", x_m=5 * math.sin(angle), z_m=10.0 - 5 * math.cos(angle)),
    )


def span(station: Station, **more: Any) -> Rig:
    nodes = (
        Node(name="A", role="high_block", z_m=10.0),
        Node(name="P", role="piece_block"),
        Node(name="B", role="anchor", x_m=3.6, y_m=4.8, z_m=9.0),
        Node(name="D", role="device", z_m=1.0),
    )
    given: dict[str, Any] = {"rope_length_m": 9.0, "nodes": nodes, **more}
    return Rig(name="S", method="span_rig", rope="blue", station=station, **given)


def sling(node: str) -> Station:
    return Station(name="s", mount="sling", node=node)


@pytest.mark.parametrize(
    ("angle", "expected"),
    [(0, 2.00), (30, 1.93), (45, 1.84), (60, 1.73), (90, 1.41), (120, 1.00), (135, 0.76), (150, 0.52)],
)  # fmt: skip
def test_block_multipliers(angle: float, expected: float) -> None:
    # Source: rigging handbooks' standard table, references §5 (± 0.012).
    rig = one_rope(sling("A"), *top(angle, efficiency=1.0))
    assert float(loads_per_newton(rig, 0.0).slings["A"]) == pytest.approx(expected, abs=0.012)


@pytest.mark.parametrize(("angle", "expected"), [(60, 1.155), (45, 1.414), (30, 2.000)])
def test_sling_factor(angle: float, expected: float) -> None:
    # Source: sling factor 1/sin(angle from horizontal), references §5: two legs of a rope
    # with a load in the middle carry half the load times this factor each.
    run = math.cos(math.radians(angle)) * 10.0
    nodes = (
        Node(name="A", role="high_block", z_m=10.0),
        Node(name="P", role="piece_block"),
        Node(name="B", role="anchor", x_m=run, z_m=10.0),
    )
    rig = span(sling("B"), rope_length_m=10.0, nodes=nodes)
    legs = loads_per_newton(rig, 0.0).legs
    assert 2 * float(legs["standing"]) == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize("motion", [-1.0, 1.0])
def test_parallel_legs_raise_and_lower(motion: float) -> None:
    loads = loads_per_newton(one_rope(sling("A"), *top()), motion)
    fall = 0.9**-motion
    assert float(loads.legs["fall"]) == pytest.approx(fall)
    assert float(loads.slings["A"]) == pytest.approx(1 + fall)
    assert float(loads.slings["D"]) == pytest.approx(fall)


def test_span_rig_in_space_takes_the_horizontal_distance() -> None:
    loads = loads_per_newton(span(sling("P")), 1.0)
    assert loads.span is not None
    flat = loads_per_newton(
        span(sling("P"), nodes=(
            Node(name="A", role="high_block", z_m=10.0),
            Node(name="P", role="piece_block"),
            Node(name="B", role="anchor", x_m=6.0, z_m=9.0),
            Node(name="D", role="device", z_m=1.0),
        )), 1.0,
    )  # fmt: skip
    for leg, share in loads.legs.items():
        assert float(share) == pytest.approx(float(flat.legs[leg]))
    assert float(loads.slings["A"]) == pytest.approx(float(flat.slings["A"]))
    assert float(loads.slings["B"]) == float(loads.legs["standing"])


def test_span_legs_that_go_straight_down() -> None:
    nodes = (
        Node(name="A", role="high_block", z_m=10.0),
        Node(name="P", role="piece_block"),
        Node(name="B", role="anchor", z_m=9.0),
    )
    loads = loads_per_newton(span(sling("P"), nodes=nodes), 0.0)
    assert float(loads.slings["A"]) == pytest.approx(1.0)


def test_every_redirect_takes_its_part() -> None:
    nodes = (
        Node(name="D", role="device", x_m=4.0, z_m=1.0),
        Node(name="base", role="redirect", z_m=1.0),
        Node(name="A", role="high_block", z_m=11.0),
    )
    loads = loads_per_newton(one_rope(sling("base"), *nodes), 1.0)
    fall = 1 / 0.9
    assert float(loads.legs["fall"]) == pytest.approx(fall)
    # Source of 0.928: physics notes §3, η at a wrap of 90°.
    assert float(loads.slings["D"]) == pytest.approx(fall / 0.928, rel=1e-3)
    assert float(loads.slings["base"]) == pytest.approx(math.hypot(fall, fall / 0.928), rel=1e-3)
    assert fall_length_m(one_rope(TIE, *nodes)) == pytest.approx(14.0)


def test_wrap_and_fixed_contacts() -> None:
    union = top(contact="wrap", friction_angle=0.7)
    assert float(loads_per_newton(one_rope(TIE, *union), 1.0).legs["fall"]) == pytest.approx(
        math.exp(0.7)
    )
    tied = loads_per_newton(one_rope(TIE, *top(contact="fixed")), 1.0)
    assert float(tied.legs["fall"]) == 0.0
    assert float(tied.slings["A"]) == 1.0


def test_a_held_band_takes_every_contact_stronger_wraps_too() -> None:
    """One standard uncertainty: 20 % of a wrap's angle, 0.03 of a sheave's efficiency."""
    union = top(contact="wrap", friction_angle=0.7)
    fall = next(r for r in readings(one_rope(sling("A"), *union), 1000.0))
    assert fall.high_n == pytest.approx(1000.0 * (1.0 + math.exp(1.2 * 0.7)))
    assert fall.low_n == pytest.approx(1000.0 * (1.0 + math.exp(-1.2 * 0.7)))
    sheave = next(r for r in readings(one_rope(sling("A"), *top(efficiency=0.9)), 1000.0))
    assert sheave.high_n == pytest.approx(1000.0 * (1.0 + 1.0 / 0.87))


def test_drops_use_their_own_efficiency() -> None:
    rig = one_rope(TIE, *top(efficiency=0.9, efficiency_drop=0.8))
    assert float(loads_per_newton(rig, -1.0).legs["fall"]) == pytest.approx(0.9)
    assert float(loads_per_newton(rig, -1.0, drop=True).legs["fall"]) == pytest.approx(0.8)


@pytest.mark.parametrize("degrees", [0, 30, 90])
def test_included_angle_at_the_block(degrees: float) -> None:
    assert included_rad(one_rope(TIE, *top(degrees))) == pytest.approx(math.radians(degrees))
    assert included_rad(one_rope()) == 0.0


def test_fall_length() -> None:
    assert fall_length_m(one_rope()) is None
    assert fall_length_m(one_rope(TIE, *top())) == pytest.approx(5.0)
    assert fall_length_m(one_rope(TIE, *top(), fall_length_m=7.0)) == 7.0


@pytest.mark.parametrize(
    ("rig", "reading"),
    [
        (one_rope(TIE), 1.0),
        (one_rope(sling("A"), *top()), 2.0),
        (one_rope(sling("high_block"), *top()), 2.0),
        (one_rope(sling("high_block")), 2.0),
        (one_rope(sling("D"), *top()), 1.0),
        (one_rope(Station(name="s", mount="running_line", leg="fall"), *top()), 1.0),
        (span(sling("P")), 1.0),
        (span(sling("B")), 0.5 / math.sqrt(1 - (6 / 9) ** 2)),
        (span(Station(name="s", mount="end", node="B")), 0.5 / math.sqrt(1 - (6 / 9) ** 2)),
        (span(Station(name="s", mount="end", leg="standing")), 0.5 / math.sqrt(1 - (6 / 9) ** 2)),
    ],
)
def test_readings_without_friction(rig: Rig, reading: float) -> None:
    check_rig(rig)
    assert float(reading_per_newton(rig, loads_per_newton(rig, 0.0))) == pytest.approx(reading)


@pytest.mark.parametrize(
    ("rig", "words"),
    [
        (one_rope(Station(name="c", mount="end", leg="fall"), *top()), "the fall runs"),
        (span(Station(name="c", mount="end", leg="lead")), "cannot pass the piece's block"),
        (span(Station(name="c", mount="running_line", leg="lead")), "nothing holds a sensor"),
        (one_rope(Station(name="c", mount="running_line", leg="lead")), "nothing holds a sensor"),
        (one_rope(Station(name="c", mount="running_line")), "needs leg = 'fall'"),
        (one_rope(Station(name="c", mount="end")), "needs to say which"),
        (one_rope(Station(name="c", mount="end", leg="standing")), "only a span rig"),
        (one_rope(Station(name="c", mount="end", node="A"), *top()), "no rope ends at 'A'"),
        (one_rope(Station(name="c", mount="sling")), "needs node"),
        (one_rope(sling("X"), *top()), r"node 'X' is not in the rig \(nodes: 'A', 'D'\)"),
        (one_rope(sling("X")), "none written"),
        (one_rope(sling("P"), Node(name="P", role="piece_block")), "does not pass 'P'"),
    ],
)
def test_cells_are_refused_where_they_cannot_be(rig: Rig, words: str) -> None:
    with pytest.raises(PredictionError, match=words) as caught:
        station_gain(rig)
    message = str(caught.value)
    assert message.startswith(f"rig {rig.name!r}: station {rig.station.name!r}")
    assert "; use mount 'end'" in message


@pytest.mark.parametrize(
    ("rig", "words"),
    [
        (one_rope(TIE, *top(), *top()), "share a name"),
        (one_rope(TIE, Node(name="a", role="device"), Node(name="b", role="device")), "more than"),
        (span(sling("P"), nodes=()), "a node with role 'high_block' is missing"),
        (span(sling("P"), rope_length_m=None), "rope_length_m is missing"),
        (span(sling("P"), rope_length_m=math.nan), "rig 'S': rope_length_m is nan"),
        (one_rope(TIE, wraps=-1.0), "wraps is -1"),
    ],
)
def test_rigs_that_cannot_be_are_told(rig: Rig, words: str) -> None:
    with pytest.raises(PredictionError, match=words):
        check_rig(rig)


def test_a_block_tied_to_the_rope_is_no_span_rig() -> None:
    nodes = (
        Node(name="A", role="high_block", z_m=10.0),
        Node(name="P", role="piece_block", contact="fixed"),
        Node(name="B", role="anchor", x_m=6.0, z_m=9.0),
    )
    with pytest.raises(PredictionError, match="is fixed to the rope"):
        loads_per_newton(span(sling("P"), nodes=nodes), 0.0)


def test_a_ring_on_the_piece_follows_its_wrap() -> None:
    nodes = (
        Node(name="A", role="high_block", z_m=10.0),
        Node(name="P", role="piece_block", contact="wrap", friction_angle=0.3),
        Node(name="B", role="anchor", x_m=6.0, z_m=9.0),
    )
    legs = loads_per_newton(span(sling("P"), nodes=nodes), 1.0).legs
    assert float(legs["standing"] / legs["lead"]) == pytest.approx(math.exp(-0.3))


def test_direct_stations_need_no_gain() -> None:
    for rig in (one_rope(), span(sling("P"))):
        gain = station_gain(rig)
        assert reads_directly(rig)
        assert (gain.gain, gain.rel_u, gain.low, gain.high) == (1.0, 0.0, 1.0, 1.0)


def test_gain_on_the_fall_is_the_friction_band() -> None:
    rig = one_rope(Station(name="f", mount="running_line", leg="fall"), *top(efficiency=0.93))
    gain = station_gain(rig)
    # Source: physics notes §4.1: W in [ηF, F/η]; η taken one standard uncertainty lower.
    assert (gain.low, gain.high) == pytest.approx((0.9, 1 / 0.9))
    assert gain.low < gain.gain < gain.high
    half_width = (1 / 0.9 - 0.9) / 2 / gain.gain
    assert gain.rel_u == pytest.approx(math.hypot(half_width / math.sqrt(3), 0.01))
    assert "fall" in gain.reads


@pytest.mark.parametrize("station", [sling("A"), sling("B"), sling("D"), sling("P")])
def test_gain_undoes_the_reading(station: Station) -> None:
    rig = span(station)
    gain = station_gain(rig)
    reading = reading_per_newton(rig, loads_per_newton(rig, np.linspace(-1.0, 1.0, 21)))
    assert np.all(reading * gain.low <= 1 + 1e-12)
    assert np.all(reading * gain.high >= 1 - 1e-12)


def test_a_sling_that_nothing_reaches() -> None:
    rig = one_rope(sling("D"), *top(contact="fixed"))
    with pytest.raises(PredictionError, match="no load reaches it"):
        station_gain(rig)
