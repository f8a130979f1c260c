"""A hinge that gives in stages: nothing written is at once, and staged never reads a harder pull."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from msgspec.structs import replace

from analysis.errors import PredictionError
from analysis.predicting.motion_trace import predicted_trace
from analysis.predicting.plan import plan_piece
from analysis.predicting.predict import predict
from analysis.predicting.pretension import first_extreme_n
from analysis.showing.page_units import Units
from analysis.showing.plan_wording import groups_of
from logger.records import Diameter, HingeStage, Node, Piece, Release, Rig, Rope, Station

ROPE = Rope(name="blue", stiffness_n=60e3, damping_ratio=0.08)
RIG = Rig(
    name="one", method="tip_tied", rope="blue", lead_length_m=3.0, fall_length_m=9.0,
    station=Station(name="tie", mount="end", leg="lead"),
    nodes=(
        Node(name="A", role="high_block", z_m=10.0, efficiency=0.98),
        Node(name="W", role="device"),
    ),
)  # fmt: skip
HALF = ((0.0, 0.5), (0.3, 0.0))


def limb(*stages: tuple[float, float], share: float = 0.5) -> Piece:
    ends = (Diameter(at_m=0.0, diameter_m=0.24), Diameter(at_m=4.0, diameter_m=0.18))
    steps = tuple(HingeStage(after_s=after, left=left) for after, left in stages)
    return Piece(
        name="P1", rig="one", length_m=4.0, diameters=ends, density_kg_per_m3=900.0,
        release=Release(share_carried=share, stages=steps),
    )  # fmt: skip


def told(piece: Piece, rig: Rig = RIG) -> dict[str, Any]:
    return predict(piece, rig, ROPE, draws=400)


def test_no_entry_is_at_once_in_closed_form() -> None:
    plain = told(limb())
    assert not plain["simulated"]
    assert "hinge_at_once_n" not in plain


def test_one_stage_at_the_start_is_at_once() -> None:
    """Simulated against the closed form; the block's friction and the crack take a little."""
    once, plain = told(limb((0.0, 0.0)))["peak_n"], told(limb())["peak_n"]
    assert once["p50"] == pytest.approx(plain["p50"], rel=0.03)
    assert once["p50"] <= plain["p50"]


def test_more_stages_pull_less_and_never_less_than_the_weight() -> None:
    slow = ((0.0, 0.75), (0.3, 0.5), (0.6, 0.25), (0.9, 0.0))
    once, half, many = (told(limb(*stages)) for stages in (((0.0, 0.0),), HALF, slow))
    peaks = [one["dynamic_factor"]["p50"] for one in (once, half, many)]
    assert peaks[0] > 1.05 * peaks[1] > 1.05 * 1.02 * peaks[2]
    assert many["dynamic_factor"]["p05"] > 0.999
    assert half["hinge_at_once_n"]["p50"] == pytest.approx(told(limb())["peak_n"]["p50"])
    assert any("in 2 stage(s) as written" in said for said in half["basis"])
    assert any("gone at once it pulls harder" in said for said in half["warnings"])


def test_a_step_after_the_swing_has_died_lets_its_own_part_go() -> None:
    """Slow twin: each stage on its own is the closed form of the part that it lets go."""
    damped = replace(ROPE, damping_ratio=0.3)
    piece = limb((0.0, 0.5), (1.2, 0.0))
    trace = predicted_trace(piece, RIG, damped, look_s=1.8, per_period=30)
    weight = told(limb())["weight"]["weight_n"]
    force = trace.point_n["lead"]
    early, late = force[trace.time_s < 1.1], force[trace.time_s > 1.2]
    # From a share of 0.5 half of the missing half goes first: to 0.75, then from there to 1.
    assert np.max(early) == pytest.approx(
        0.75 * float(first_extreme_n(weight, 0.5 / 0.75, 0.3)), rel=0.02
    )
    assert np.max(late) == pytest.approx(float(first_extreme_n(weight, 0.75, 0.3)), rel=0.02)


def test_without_lengths_the_careful_way_stays() -> None:
    short = replace(RIG, lead_length_m=None, fall_length_m=None, nodes=())
    found, plain = told(limb(*HALF), short), told(limb(), short)
    assert found["peak_n"]["p95"] == pytest.approx(plain["peak_n"]["p95"], rel=1e-12)
    assert any("release.stages are not used" in said for said in found["warnings"])


@pytest.mark.parametrize(
    "stages",
    [((0.0, 0.5),), ((0.0, 0.2), (0.3, 0.5), (0.6, 0.0)), ((0.3, 0.5), (0.1, 0.0)), ((0.0, 0.5), (0.01, 0.0))],
)  # fmt: skip
def test_stages_that_cannot_be_are_one_line(stages: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(PredictionError, match=r"piece 'P1': release\.stages: ") as caught:
        told(limb(*stages))
    assert "\n" not in str(caught.value)


def test_the_plan_says_both() -> None:
    plan = plan_piece(limb(*HALF), RIG, ROPE)
    rows = dict(row for _, group in groups_of(plan, Units()) for row in group)
    assert rows["hinge"].startswith("gives in 2 stage(s) as written; gone at once: peak ")
    assert "hinge" not in dict(
        row for _, group in groups_of(plan_piece(limb(), RIG, ROPE), Units()) for row in group
    )
