"""A load set against a limit at its own place, with the friction's band."""

from __future__ import annotations

import pytest

from analysis.learning.margins import Margin, State, margin_of
from logger.records import Limit, LimitKind, Node, Rig, Station

NODES = (
    Node(name="device", role="device", contact="wrap", z_m=1.0),
    Node(name="high block", role="high_block", z_m=10.0, efficiency=0.9),
)
LEAD = Rig(
    name="stem",
    method="snubbed_drop",
    rope="blue",
    station=Station(name="rope end", mount="end", leg="lead"),
    nodes=NODES,
)


def limit(on: str, kind: LimitKind = "peak_allowance") -> Limit:
    return Limit(on=on, kind=kind, force_n=10_000.0, by="Wren", entered="2026-05-03")


def margin(on: str, state: State = "peak", rig: Rig | None = LEAD) -> Margin | None:
    return margin_of(limit(on), 4000.0, state, rig, {"red", "rope end"})


@pytest.mark.parametrize("on", ["red", "rope end"])
def test_a_limit_at_the_cell_takes_the_reading(on: str) -> None:
    found = margin(on)
    assert found is not None
    assert (found.load_n, found.margin_n, found.share) == (4000.0, 6000.0, 0.4)
    assert found.reading_at_limit_n == 10_000.0
    assert not found.inferred


def test_the_ropes_load_in_a_catch_is_the_leads() -> None:
    found = margin("blue")
    assert found is not None
    assert (found.load_n, found.low_n, found.high_n) == pytest.approx((4000.0, 4000.0, 4000.0))
    assert not found.inferred


def test_the_blocks_load_in_a_catch_is_the_sum_of_two_plumb_legs() -> None:
    found = margin("high block")
    assert found is not None
    assert found.load_n == pytest.approx(4000.0 * 1.9, rel=1e-6)
    assert found.low_n < found.load_n < found.high_n
    assert found.inferred
    assert found.reading_at_limit_n == pytest.approx(10_000.0 / 1.9, rel=1e-6)


def test_while_winching_up_the_fall_carries_more_than_the_lead() -> None:
    found = margin("blue", "pretension")
    assert found is not None
    assert found.load_n == pytest.approx(4000.0 / 0.9, rel=1e-6)


def test_at_rest_friction_may_stand_on_either_side() -> None:
    found = margin("high block", "hang")
    assert found is not None
    assert found.low_n < 4000.0 * 1.9 < 4000.0 * (1 + 1 / 0.9) < found.high_n


def test_no_margin_for_a_breaking_strength_an_unknown_place_or_no_rig() -> None:
    assert margin_of(limit("red", "breaking_strength"), 4000.0, "peak", LEAD, {"red"}) is None
    assert margin("somewhere") is None
    assert margin("blue", rig=None) is None
    assert margin_of(limit("red"), -5.0, "peak", LEAD, {"red"}) is None


def test_no_margin_where_the_rig_cannot_be_computed() -> None:
    bad = Rig(
        name="stem",
        method="snubbed_drop",
        rope="blue",
        station=Station(name="x", mount="end", leg="standing"),
        nodes=NODES,
    )
    assert margin("high block", rig=bad) is None
