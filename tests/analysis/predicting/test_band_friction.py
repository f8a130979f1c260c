"""The band's ends against a slow twin that draws every piece and every friction."""

from __future__ import annotations

import math

import numpy as np
import pytest
from msgspec.structs import replace
from numpy.typing import NDArray

from analysis.predicting.band import plan_pretension
from analysis.predicting.held import reading_of, tie_place
from analysis.predicting.statics import HeldPiece, force_at_piece
from logger.records import Diameter, Hinge, Limit, Node, Piece, Release, Rig, Rope, Station

FloatArray = NDArray[np.float64]

ROPE = Rope(name="blue", stiffness_n=50e3)
TOP, WINCH = Node(name="A", role="high_block", z_m=12.0), Node(name="W", role="device", x_m=0.5)
BASE = Node(name="base", role="redirect", x_m=-4.0, z_m=0.5, efficiency=0.92)
RING = Node(name="ring", role="redirect", x_m=-4.0, z_m=0.5, contact="wrap", friction_angle=0.3)
TIE = Station(name="tie", mount="end", leg="lead")
LINE = Station(name="line", mount="running_line", leg="fall")
FAR = Station(name="far", mount="end", leg="standing")
HIGH = Station(name="top", mount="sling", node="A")


def one_rope(station: Station, *redirects: Node) -> Rig:
    return Rig(
        name="one", method="tip_tied", rope="blue", lead_length_m=3.0, device="winch",
        station=station, nodes=(WINCH, *redirects, TOP),
    )  # fmt: skip


SPAN = Rig(
    name="span", method="span_rig", rope="blue", rope_length_m=9.0, device="winch", station=FAR,
    nodes=(
        WINCH, TOP, Node(name="P", role="piece_block", x_m=3.0, z_m=8.5, efficiency=0.88),
        Node(name="B", role="anchor", x_m=6.0, z_m=11.0),
    ),
)  # fmt: skip
RIGS = [
    one_rope(TIE), one_rope(HIGH, BASE), one_rope(LINE, BASE), one_rope(TIE, RING), SPAN,
    replace(SPAN, station=HIGH),
]  # fmt: skip


def limb(rig: Rig, rel_u: float = 0.05) -> Piece:
    ends = (Diameter(at_m=0.0, diameter_m=0.24), Diameter(at_m=4.0, diameter_m=0.20))
    return Piece(
        name="P1", rig=rig.name, length_m=4.0, diameters=ends, density_kg_per_m3=1000.0,
        density_rel_u=rel_u, release=Release(share_carried=0.6),
    )  # fmt: skip


def sampled(
    rig: Rig, middle_n: float, heavy_n: float, motion: float
) -> tuple[FloatArray, HeldPiece]:
    """Draw weights, and all that one newton at the winch does with every friction drawn."""
    rng = np.random.default_rng(4)
    spread = math.log(heavy_n / middle_n) / 1.6449
    weight = middle_n * np.exp(spread * rng.standard_normal(40_000))
    shift = rng.standard_normal(weight.size)
    piece = limb(rig)
    return weight, force_at_piece(rig, tie_place(piece, rig), 1.0, motion, shift=shift)


@pytest.mark.parametrize("motion", [1.0, -1.0])
@pytest.mark.parametrize("rig", RIGS)
def test_both_ends_are_the_quantiles_of_all_pieces_and_frictions(rig: Rig, motion: float) -> None:
    plan = plan_pretension(limb(rig), rig, ROPE)
    band, reading = (plan.band, plan.reading) if motion > 0 else (plan.easing, plan.easing_reading)
    weight, held = sampled(rig, plan.weight_n[1], plan.weight_n[2], motion)
    up = held.force_n[:, 2]
    at_station = np.broadcast_to(reading_of(rig.station, rig, held), up.shape)
    for found, gauge in ((band, np.ones(up.size)), (reading, at_station)):
        assert found is not None
        needed = gauge * weight / up
        assert found.low_n == pytest.approx(0.6 * np.quantile(needed, 0.95), rel=0.01)
        assert found.high_n == pytest.approx(np.quantile(needed, 0.05), rel=0.01)


def test_a_limit_is_kept_by_95_percent_of_frictions() -> None:
    rig = one_rope(TIE, BASE)
    kept = Limit(on="A", kind="working_limit", force_n=1500.0, by="Wren", entered="2026-05-03")
    plan = plan_pretension(limb(rig), rig, ROPE, [kept])
    _, held = sampled(rig, *plan.weight_n[1:], 1.0)
    pull = next(one.winch_n for one in plan.ceilings if one.kind)
    assert pull == pytest.approx(np.quantile(1500.0 / held.slings["A"], 0.05), rel=0.01)


def test_paying_out_the_winch_holds_with_less_than_it_winches_up_with() -> None:
    plan = plan_pretension(limb(SPAN), SPAN, ROPE)
    assert plan.band is not None
    assert plan.easing is not None
    assert plan.easing.low_n < 0.9 * plan.band.low_n
    assert plan.easing.high_n < 0.9 * plan.band.high_n


def test_friction_alone_can_leave_no_band_at_the_winch() -> None:
    """A known weight, six redirects: the cell at the piece has a band, the winch has none."""
    rig = one_rope(TIE, *(replace(BASE, name=f"base {i}", x_m=-4.0 - i % 2) for i in range(6)))
    piece = replace(limb(rig, 0.01), release=Release(share_carried=0.8))
    plan = plan_pretension(piece, rig, ROPE)
    assert plan.band is None
    assert plan.reading is not None
    assert "Read tie: the friction on the way to the winch leaves no band there." in plan.words
    far = replace(rig, station=replace(HIGH, node="base 0"))
    assert (
        plan_pretension(piece, far, ROPE)
        .words[0]
        .startswith("No band: the blocks' friction is not known well enough.")
    )


def test_a_hinge_asks_for_more_with_friction_than_without() -> None:
    hinge = Hinge(width_m=0.22, thickness_m=0.03, notch_depth_m=0.06)
    rig = one_rope(LINE)
    piece = replace(limb(rig, 0.02), hinge=hinge, release=None, species="northern red oak")
    plan, direct = (plan_pretension(piece, r, ROPE) for r in (rig, replace(rig, station=TIE)))
    assert plan.reading is not None
    assert direct.reading is not None
    assert plan.reading.low_n > direct.reading.low_n / 0.9
    assert "strong friction, weak wood" in plan.reading.low_by
