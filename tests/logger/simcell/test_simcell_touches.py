"""A tight tag line, a touch on the way down, brush first: what they do to the true force."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from logger.simcell.motion import STANDARD_GRAVITY_M_PER_S2, Trace, lower_piece
from logger.simcell.scenario import (
    DownTable,
    DragTable,
    Lowering,
    PretensionTable,
    ReleaseTable,
    RigTable,
    RopeTable,
    TouchTable,
    parse_scenario,
)

WEIGHT_N = 1500.0
STEP_S = 0.001
MASS_KG = WEIGHT_N / STANDARD_GRAVITY_M_PER_S2
PLAIN = Lowering(
    name="L",
    method="tip_tied",
    weight_n=WEIGHT_N,
    rope=RopeTable(80_000.0, 10.0, 0.06),
    rig=RigTable(lead_m=2.0, fall_m=8.0, efficiency=0.92, light_efficiency=0.85),
    pretension=PretensionTable(force_n=1100.0),
    release=ReleaseTable(hinge_s=0.1, initial_n=1100.0),
    drag=DragTable(tag_n_s_per_m=4.0 * MASS_KG, tag_after_s=0.3),
    down=DownTable(after_s=4.0, drop_m=2.0, ramp_s=1.0),
)


def part(trace: Trace, start_s: float, end_s: float) -> np.ndarray:
    return trace.force_n["lead"][round(start_s / STEP_S) : round(end_s / STEP_S)]


def test_a_tight_tag_line_adds_as_a_vector() -> None:
    pull_n, below_rad = 300.0, math.radians(45.0)
    drag = replace(PLAIN.drag, tag_pull_n=pull_n, tag_below_rad=below_rad)
    trace = lower_piece(replace(PLAIN, drag=drag), STEP_S)
    still = part(trace, trace.down_s - 0.3, trace.down_s)
    vector_n = math.hypot(pull_n * math.cos(below_rad), WEIGHT_N + pull_n * math.sin(below_rad))
    assert still.mean() == pytest.approx(vector_n, rel=0.002)
    # physics.md §4.1: 300 N at 45° down on 1.5 kN reads as +15 % "weight"
    assert still.mean() / WEIGHT_N == pytest.approx(1.15, abs=0.01)


def test_a_touch_is_a_dip_and_then_a_spike() -> None:
    touch = TouchTable(share=0.55, after_m=0.7, hold_s=0.35)
    plain, touched = (lower_piece(one, STEP_S) for one in (PLAIN, replace(PLAIN, touch=touch)))
    n = round(plain.down_s / STEP_S)
    np.testing.assert_array_equal(plain.force_n["lead"][:n], touched.force_n["lead"][:n])
    going = part(touched, touched.down_s + 0.3, touched.touch_s - 0.05)
    calm = part(plain, plain.down_s + 0.3, plain.touch_s - 0.05)
    assert going.min() < 0.5 * WEIGHT_N < calm.min()
    assert going.max() > 1.3 * WEIGHT_N > calm.max()
    assert int(np.argmin(going)) < int(np.argmax(going))


def test_brush_first_makes_a_ramp_of_the_touchdown() -> None:
    down = replace(PLAIN.down, brush_m=0.6, brush_share=0.75)
    plain, brushed = (lower_piece(one, STEP_S) for one in (PLAIN, replace(PLAIN, down=down)))
    assert part(plain, plain.touch_s - 0.2, plain.touch_s).mean() > 0.8 * WEIGHT_N
    assert part(brushed, brushed.touch_s - 0.2, brushed.touch_s).mean() < 0.6 * WEIGHT_N


def test_a_scenario_file_can_say_all_of_it() -> None:
    text = """
        [[lowering]]
        name = "L"
        method = "tip_tied"
        weight_n = 900
        drag = { tag_pull_n = 150 }
        down = { brush_m = 0.5, brush_share = 0.6 }
        touch = { share = 0.5, after_m = 0.4 }
    """
    (lowering,) = parse_scenario(text).lowering
    assert lowering.drag.tag_pull_n == 150.0
    assert lowering.down.brush_share == 0.6
    assert lowering.touch == TouchTable(share=0.5, after_m=0.4)
