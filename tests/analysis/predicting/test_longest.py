"""Bigger or smaller: lengths, limits, refusals, cuts."""

from __future__ import annotations

import itertools
import json
import math
from typing import Any

import pytest

from analysis.errors import PredictionError
from analysis.predicting.longest import MOST_CUTS, longest
from analysis.predicting.longest_result import Longest, RangeSeen
from analysis.predicting.longest_section import Loader, diameter_at_m, section
from analysis.predicting.piece import estimate
from analysis.predicting.place_loads import PlaceLoad
from analysis.predicting.rig import places_of
from logger.records import (
    Diameter,
    Drop,
    Limit,
    LimitKind,
    Node,
    Piece,
    Release,
    Rig,
    Rope,
    Station,
)

ROPE = Rope(name="blue", stiffness_n=1e5)
SEEN = RangeSeen(100.0, 20e3, 30, "weight")
TIE = Station(name="tie", mount="end", leg="lead", cell="red")
RIG = Rig(
    name="R",
    method="butt_tied",
    rope="blue",
    station=TIE,
    nodes=(Node(name="A", role="high_block", z_m=9.0), Node(name="D", role="device")),
)


def limb(length_m: float = 8.0, **more: Any) -> Piece:
    diameters = (
        Diameter(at_m=0.0, diameter_m=0.36),
        Diameter(at_m=0.5 * length_m, diameter_m=0.22),
        Diameter(at_m=length_m, diameter_m=0.08),
    )
    given: dict[str, Any] = {"release": Release(share_carried=0.9), "density_kg_per_m3": 900.0}
    return Piece(name="limb", length_m=length_m, rig="R", diameters=diameters, **{**given, **more})


def limit(on: str, force_n: float, kind: LimitKind = "working_limit") -> Limit:
    return Limit(on=on, kind=kind, force_n=force_n, by="Wren", entered="2026-11-01")


def search(*limits: Limit, planned_m: float = 3.0, **more: Any) -> Longest:
    given: dict[str, Any] = {"range_seen": SEEN, "draws": 60, **more}
    wood = given.pop("limb", limb())
    rig = given.pop("rig", RIG)
    return longest(wood, rig, ROPE, limits, planned_m=planned_m, **given)


def loads_at(length_m: float, planned_m: float = 3.0, rig: Rig = RIG) -> Any:
    wood = limb()
    loader = Loader(wood, rig, ROPE, planned_m, 60, 1)
    return loader.of(wood.length_m - length_m, wood.length_m)


def largest(load: PlaceLoad) -> float:
    assert load.peak_p95_n is not None
    return max(load.heavy_n, load.peak_p95_n)


def test_the_length_found_is_where_the_load_meets_the_limit() -> None:
    found = search(limit("A", 4000.0), limit("blue", 50e3))
    assert found.reached is not None
    at = loads_at(found.reached.length_m)
    assert largest(at.places["sling", "A"]) == pytest.approx(4000.0, rel=0.01)
    assert largest(at.places["sling", "A"]) <= 4000.0
    assert found.reached.limit.on == "A"
    assert found.statement.startswith(
        "Length at which the first entered working limit is reached: "
    )
    assert "(governed by A: " in found.statement
    assert found.statement.endswith("Not a recommendation; the tree's strength is not in it.")


def test_the_weakest_component_decides() -> None:
    by_rope = search(limit("A", 9000.0), limit("blue", 2000.0)).reached
    by_block = search(limit("A", 2500.0), limit("blue", 9000.0)).reached
    by_cell = search(limit("A", 9000.0), limit("red", 1500.0)).reached
    assert by_rope is not None
    assert by_block is not None
    assert by_cell is not None
    assert (by_rope.limit.on, by_block.limit.on, by_cell.limit.on) == ("blue", "A", "red")


def test_it_opens_on_smaller() -> None:
    found = search(limit("A", 4000.0))
    body = json.loads(json.dumps(found.to_dict()))
    assert body["opens_on"] == "smaller"
    assert list(body).index("smaller") < list(body).index("bigger")
    assert body["smaller"][0].startswith("Planned: 3.00 m")
    assert [said.split(" m")[0] for said in body["smaller"][1:]] == [
        "Smaller: 2.25",
        "Smaller: 1.50",
    ]


def test_loads_grow_with_length_at_every_place() -> None:
    found = search(limit("A", 4000.0))
    kinds = {(curve.kind, curve.place) for curve in found.places}
    assert {("station", "tie"), ("leg", "lead"), ("leg", "fall"), ("sling", "A")} <= kinds
    for curve in found.places:
        assert len(curve.hang_n) == len(found.lengths_m)
        for values in (curve.hang_n, curve.hang_high_n, curve.peak_p95_n):
            assert all(a < b for a, b in itertools.pairwise(values))


def test_no_working_limit_no_answer() -> None:
    for limits in (
        (),
        (limit("A", 9e3, "breaking_strength"),),
        (limit("A", 9e3, "peak_allowance"),),
    ):
        with pytest.raises(PredictionError, match="no working limit is entered"):
            search(*limits)
    with pytest.raises(PredictionError, match="no working limit is entered"):
        search(limit("somewhere else", 4000.0))


@pytest.mark.parametrize("planned", [0.1, 9.0, math.nan, -2.0])
def test_a_planned_length_that_cannot_be_is_told(planned: float) -> None:
    with pytest.raises(PredictionError, match="cannot be cut from a limb of 8 m"):
        search(limit("A", 4000.0), planned_m=planned)


def test_without_rules_nothing_is_said_about_a_longer_piece() -> None:
    found = search(limit("A", 4000.0), range_seen=None)
    assert found.refused
    assert found.reached is None
    assert found.statement == ""
    assert "no rule of this crew" in found.bigger


def test_smaller_is_said_even_without_rules() -> None:
    found = search(limit("A", 700.0), range_seen=None)
    assert found.reached is not None
    assert found.reached.length_m < 3.0
    assert any("The limit is reached at" in said for said in found.smaller)


def test_outside_the_range_seen_no_length_is_given() -> None:
    found = search(limit("A", 6000.0), range_seen=RangeSeen(100.0, 1200.0, 12, "weight"))
    assert found.refused
    assert found.reached is None
    assert found.reached_hanging is None
    assert "Refused beyond 1.20 kN" in found.bigger
    assert "in 12 pieces" in found.bigger
    assert found.cuts is not None
    assert max(found.cuts.by_taper_weight_n) <= 1200.0 * (1 + 1e-6)


def test_pieces_lighter_than_any_seen_are_told() -> None:
    found = search(limit("A", 600.0), range_seen=RangeSeen(5000.0, 20e3))
    assert found.reached is not None
    assert any("so light are outside the range" in said for said in found.warnings)


def test_a_limit_never_reached_on_the_limb() -> None:
    found = search(limit("A", 90e3))
    assert not found.refused
    assert found.reached is None
    assert found.statement.startswith("No entered working limit is reached up to the whole limb")
    assert found.cuts is not None
    assert (found.cuts.equal, found.cuts.by_taper_m) == (1, (8.0,))
    assert found.cuts.said.startswith("Whole limb: in one piece of 8.00 m, not heavier than")


def test_a_limit_below_the_static_load_is_a_finding() -> None:
    found = search(limit("A", 700.0))
    assert any("Its hanging load alone" in said for said in found.smaller)
    assert found.refused
    assert "reached before" in found.bigger


def test_a_limit_that_the_shortest_piece_reaches() -> None:
    found = search(limit("A", 5.0))
    assert any("shortest piece looked at" in said for said in found.warnings)
    assert found.cuts is not None
    assert found.cuts.equal is None
    assert found.cuts.by_taper_m == ()
    assert f"more than {MOST_CUTS} pieces" in found.cuts.said


def test_cuts_keep_every_piece_below_the_limit() -> None:
    found = search(limit("A", 2500.0))
    cuts = found.cuts
    assert cuts is not None
    assert math.fsum(cuts.by_taper_m) == pytest.approx(8.0)
    assert cuts.equal is not None
    assert cuts.equal >= len(cuts.by_taper_m)
    loader = Loader(limb(), RIG, ROPE, 3.0, 60, 1)
    end = 8.0
    for length in cuts.by_taper_m:
        load = largest(loader.of(end - length, end).places["sling", "A"])
        assert load <= 2500.0
        end -= length
    step = 8.0 / cuts.equal
    assert largest(loader.of(0.0, step).places["sling", "A"]) < 2500.0
    wider = 8.0 / (cuts.equal - 1)
    assert largest(loader.of(0.0, wider).places["sling", "A"]) >= 2500.0


def test_a_peak_is_set_against_the_limit_and_said_so() -> None:
    block = Station(name="top", mount="sling", node="A")
    rig = Rig(name="T", method="snubbed_drop", rope="blue", station=block, nodes=RIG.nodes)
    top = limb(release=None, drop=Drop(tie_above_block_m=0.5, centre_above_tie_m=1.0))
    found = search(limit("A", 15e3), limit("A", 12e3, "peak_allowance"), limb=top, rig=rig)
    assert found.reached is not None
    assert found.reached.judged == "peak"
    assert any("shock counts twice" in said for said in found.basis)
    (allowance,) = found.allowances
    assert allowance.length_m < found.reached.length_m
    assert allowance.to_dict()["kind"] == "peak_allowance"
    assert found.reached_hanging is None or found.reached_hanging.length_m > found.reached.length_m


def test_limits_on_nothing_here_are_told() -> None:
    found = search(limit("A", 4000.0), limit("other rope", 100.0))
    assert any("limits on nothing in this rig: other rope" in said for said in found.warnings)
    assert places_of(RIG, "tie") == (("station", "tie"),)


def test_sections_make_up_the_limb() -> None:
    wood = limb(brush_share=0.2)
    cuts = [0.0, 1.3, 4.0, 6.2, 8.0]
    parts = [section(wood, a, b, 3.0) for a, b in itertools.pairwise(cuts)]
    volume = math.fsum(estimate(part).volume_m3 for part in parts)
    # By frustums: three diameters at ends and middle would take Newton's rule instead.
    frustums = estimate(
        Piece(name="f", length_m=8.0, rig="R", density_kg_per_m3=900.0, diameters=(
            *wood.diameters, Diameter(at_m=2.0, diameter_m=0.29)))
    )  # fmt: skip
    assert volume == pytest.approx(frustums.volume_m3, rel=1e-9)
    assert all(part.brush_share == 0.2 for part in parts)


def test_distances_along_the_piece_grow_with_it() -> None:
    wood = limb(
        release=Release(share_carried=0.9, offset_m=0.3),
        drop=Drop(tie_above_block_m=0.5, centre_above_tie_m=1.0),
        tie_from_butt_m=1.4,
    )
    part = section(wood, 2.0, 8.0, 3.0)
    assert part.release is not None
    assert part.drop is not None
    assert part.release.offset_m == pytest.approx(0.6)
    assert part.drop.centre_above_tie_m == pytest.approx(2.0)
    assert part.drop.tie_above_block_m == 0.5
    assert part.tie_from_butt_m == pytest.approx(2.8)


def test_taper_beyond_the_outermost_diameters() -> None:
    wood = limb()
    inner = Piece(
        name="i", length_m=8.0, rig="R",
        diameters=(Diameter(at_m=2.0, diameter_m=0.30), Diameter(at_m=6.0, diameter_m=0.20)),
    )  # fmt: skip
    assert diameter_at_m(inner, 0.0) == pytest.approx(0.35)
    assert diameter_at_m(inner, 8.0) == pytest.approx(0.15)
    assert diameter_at_m(wood, 2.0) == pytest.approx(0.29)
    one = Piece(name="o", length_m=8.0, rig="R", diameters=(Diameter(at_m=4.0, diameter_m=0.2),))
    with pytest.raises(PredictionError, match="taper is unknown"):
        diameter_at_m(one, 1.0)
