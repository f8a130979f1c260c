"""EA from a ring-down, with the sheave stuck, slipping, or not known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from lowering_generator_motion import RopePath, Schedule, run

from analysis.predicting.rope import block_term_m_per_n, lead_stiffness_n_per_m
from analysis.reading.place import RopeInPlay
from analysis.reading.ringdown import RingDown
from analysis.reading.stiffness import (
    RopeStiffness,
    ring_stiffness_n_per_m,
    rope_stiffness,
    sheave_state,
    sticking_amplitude_n,
    surely_sticking_n,
    swinging_length_m,
)
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

WEIGHT_N = 2000.0
ROPE = RopeInPlay(lead_m=2.0, fall_m=14.0)


def ring_of(stiffness: float, amplitude_n: float, damping: float = 0.06) -> RingDown:
    natural = math.sqrt(stiffness * G / WEIGHT_N)
    frequency = natural * math.sqrt(1.0 - damping**2) / (2.0 * math.pi)
    return RingDown(
        frequency,
        0.0,
        damping,
        0.0,
        WEIGHT_N,
        0.0,
        amplitude_n,
        0.0,
        0.0,
        1.5 / frequency,
        0.0,
        1.5,
    )


def test_sticking_amplitude() -> None:
    """physics.md §8.6: 10.5 % of the weight at η 0.9."""
    assert sticking_amplitude_n(1.0, 0.9) == pytest.approx(0.105, abs=5e-4)


def test_stiffness_comes_back() -> None:
    ring = ring_of(50e3, 100.0)
    found = ring_stiffness_n_per_m(WEIGHT_N, ring.frequency_hz, ring.damping_ratio)
    assert found == pytest.approx(50e3, rel=1e-12)


def found_of(ring: RingDown, rope: RopeInPlay | None = ROPE, **known: float) -> RopeStiffness:
    given: dict[str, Any] = {"weight_n": WEIGHT_N, "weight_rel_u": 0.0, "to_piece": 1.0} | known
    given.setdefault("to_lead", 1.0)
    found = rope_stiffness(ring, rope=rope, **given)
    assert found is not None
    return found


def test_stuck_only_the_lead_stretches() -> None:
    """Whether the 2 m were taped slack or under the piece, EA lies between k L and k L - W."""
    found = found_of(ring_of(90e3 / 2.0, 120.0), weight_rel_u=0.005)
    assert found.sheave == "stuck"
    assert found.ea_n == pytest.approx(90e3 - 0.5 * WEIGHT_N)
    assert found.ea_low_n < 90e3 - WEIGHT_N
    assert found.ea_high_n > 90e3
    assert found.stiffness_n_per_m_u == pytest.approx(0.01 * 45e3)


def test_a_rope_that_stretches_much_has_a_wider_range() -> None:
    """k L is the same for both; the one of the softer rope says less of EA."""
    wide = []
    for soft in (90e3, 20e3):
        found = found_of(ring_of(soft / 2.0, 60.0))
        wide.append((found.ea_high_n - found.ea_low_n) / soft)
    assert wide[1] > 1.2 * wide[0]


def swung(swing: float, rope: RopeInPlay, ea: float) -> tuple[float, float]:
    """Simulate two half swings about the weight; give their time and where they begin.

    The independent stepping of the generator: stick and slip found anew in every step.
    """
    path = RopePath(WEIGHT_N, ea, 0.0, rope.lead_m, rope.fall_m, rope.efficiency)
    sinks = (1.0 + swing) * WEIGHT_N / ea * (rope.lead_m + rope.efficiency * rope.fall_m)
    t = np.arange(0.0, 4.0, 1.0 / 2000.0)
    no, fast = np.zeros_like(t), np.full_like(t, 1e12)
    held = t < 0.5
    plan = Schedule(
        t, held, no + rope.lead_m + sinks * np.clip(t / 0.4, 0.0, 1.0), no, no, no, no, fast, no, no
    )
    force = run(path, plan, (1e-9, rope.lead_m)).lead_n
    free = np.flatnonzero(~held)
    turns = np.flatnonzero(np.diff(np.sign(np.diff(force[free]))) != 0)
    turns = turns[np.abs(force[free][turns + 1] / WEIGHT_N - 1.0) > 0.02]
    begins = np.abs(force[free][np.array([0, turns[0] + 1])] / WEIGHT_N - 1.0)
    return float(turns[1]) / 2000.0, float(begins.mean())


@pytest.mark.parametrize("efficiency", [0.9, 0.95])
@pytest.mark.parametrize("swing", [0.9, 0.5])
def test_the_length_that_swings_as_fast(efficiency: float, swing: float) -> None:
    """Two half swings from W(1 + a), against a simulation that knows nothing of arcs."""
    ea, rope = 1e6, RopeInPlay(lead_m=2.0, fall_m=14.0, efficiency=efficiency)
    found, begins = swung(swing, rope, ea)
    length = swinging_length_m(rope, begins)
    period = 2.0 * math.pi * math.sqrt(WEIGHT_N / G * length / ea)
    assert found == pytest.approx(period, rel=0.02)


def test_where_the_sheave_sticks_and_far_beyond() -> None:
    rope = RopeInPlay(lead_m=2.0, fall_m=14.0, efficiency=0.9)
    sticks = sticking_amplitude_n(1.0, 0.9)
    assert swinging_length_m(rope, 0.9 * sticks) == pytest.approx(2.0)
    far = swinging_length_m(rope, 1e3)
    slips = ((math.sqrt(2.0 + 0.9 * 14.0) + math.sqrt(2.0 + 14.0 / 0.9)) / 2.0) ** 2
    assert far < slips


def test_a_block_that_turns_easier_than_written_is_not_called_stuck() -> None:
    written = sticking_amplitude_n(WEIGHT_N, ROPE.efficiency)
    surely = surely_sticking_n(WEIGHT_N, ROPE)
    assert surely < written
    assert found_of(ring_of(45e3, 0.5 * (written + surely))).sheave == "between"
    assert found_of(ring_of(45e3, 0.9 * surely)).sheave == "stuck"


def test_a_sling_swings_as_far_as_the_stuck_lead_but_reads_twice_its_weight() -> None:
    surely = surely_sticking_n(WEIGHT_N, ROPE)
    ring = ring_of(45e3, 1.5 * surely)
    assert found_of(ring, to_piece=0.5, to_lead=1.0).sheave == "between"
    assert found_of(ring, to_piece=0.5, to_lead=0.5).sheave == "stuck"


def test_a_tight_tag_line_leaves_a_range_and_no_point() -> None:
    ring = ring_of(45e3, 100.0)
    free, tagged = found_of(ring), found_of(ring, weight_least=0.8)
    assert tagged.ea_n is None
    assert tagged.ea_low_n == pytest.approx(0.8 * free.ea_low_n)
    assert tagged.ea_high_n == free.ea_high_n


@pytest.mark.parametrize("anchor", [None, 4e5])
def test_slipping_agrees_with_the_predictor_within_its_range(anchor: float | None) -> None:
    """The predictor's k is that of the way down only; half of the swings are the way up."""
    block = float(block_term_m_per_n(anchor, 0.9))
    k = float(lead_stiffness_n_per_m(90e3, 2.0, 14.0, 0.9, anchor))
    rope = RopeInPlay(lead_m=2.0, fall_m=14.0, block_m_per_n=block)
    found = found_of(ring_of(k, 1900.0, 0.05), rope)
    assert found.sheave == "slipping"
    assert found.ea_n == pytest.approx(90e3, rel=0.1)
    assert found.ea_low_n < 90e3 < found.ea_high_n


def test_in_between_it_is_a_range_of_both() -> None:
    """physics.md §8.6: the wrong choice was nine times off in one example."""
    k = float(lead_stiffness_n_per_m(90e3, 2.0, 14.0, 0.9))
    found = found_of(ring_of(k, 500.0))
    assert found.ea_n is None
    assert found.ea_low_n < 90e3 / 5.0
    assert found.ea_high_n > 90e3 / 1.5
    assert sheave_state(500.0, 200.0, sticking_amplitude_n(WEIGHT_N, 0.9)) == "between"


def test_two_legs_of_a_span() -> None:
    """Against differences of the exact statics of a weight on two elastic legs."""
    span, length, ea = 4.0, 7.0, 90e3

    def load(total_m: float) -> float:
        tension = ea * (total_m - length) / length
        return 2.0 * tension * math.sqrt(1.0 - (span / total_m) ** 2)

    def sink(total_m: float) -> float:
        return math.sqrt(total_m**2 - span**2) / 2.0

    lengths = np.linspace(7.0, 7.4, 4001)
    total = float(np.interp(WEIGHT_N, [load(x) for x in lengths], lengths))
    step = 1e-5
    k = (load(total + step) - load(total - step)) / (sink(total + step) - sink(total - step))
    rope = RopeInPlay(
        lead_m=total, fall_m=10.0, leg_cos=math.sqrt(1.0 - (span / total) ** 2), legs=2, span_m=span
    )
    found = found_of(ring_of(k, 100.0), rope)
    assert found.ea_n == pytest.approx(ea, rel=0.03)


def test_without_lengths_only_k_is_told() -> None:
    found = found_of(ring_of(50e3, 100.0), None)
    assert (found.ea_n, found.ea_low_n, found.ea_high_n) == (None, 0.0, 0.0)
    ring = ring_of(50e3, 100.0)
    assert rope_stiffness(
        ring, weight_n=0.0, weight_rel_u=0.01, to_piece=1.0, to_lead=1.0, rope=None
    ) is None  # fmt: skip
