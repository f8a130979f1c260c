"""EA from a ring-down, with the sheave stuck, slipping, or not known."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.predicting.rope import block_term_m_per_n, lead_stiffness_n_per_m
from analysis.reading.place import RopeInPlay
from analysis.reading.ringdown import RingDown
from analysis.reading.stiffness import (
    ring_stiffness_n_per_m,
    rope_stiffness,
    sheave_state,
    sticking_amplitude_n,
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


def test_stuck_only_the_lead_stretches() -> None:
    found = rope_stiffness(
        ring_of(90e3 / 2.0, 150.0), weight_n=WEIGHT_N, weight_rel_u=0.005, to_piece=1.0, rope=ROPE
    )
    assert found is not None
    assert found.sheave == "stuck"
    assert found.ea_n == pytest.approx(90e3)
    assert found.ea_low_n < 90e3 < found.ea_high_n
    assert found.stiffness_n_per_m_u == pytest.approx(0.01 * 45e3)


@pytest.mark.parametrize("anchor", [None, 4e5])
def test_slipping_is_the_inverse_of_the_predictor(anchor: float | None) -> None:
    block = float(block_term_m_per_n(anchor, 0.9))
    k = float(lead_stiffness_n_per_m(90e3, 2.0, 14.0, 0.9, anchor))
    rope = RopeInPlay(lead_m=2.0, fall_m=14.0, block_m_per_n=block)
    found = rope_stiffness(
        ring_of(k, 1900.0, 0.05), weight_n=WEIGHT_N, weight_rel_u=0.0, to_piece=1.0, rope=rope
    )
    assert found is not None
    assert found.sheave == "slipping"
    assert found.ea_n == pytest.approx(90e3)


def test_in_between_it_is_a_range_of_both() -> None:
    """physics.md §8.6: the wrong choice was nine times off in one example."""
    k = float(lead_stiffness_n_per_m(90e3, 2.0, 14.0, 0.9))
    found = rope_stiffness(
        ring_of(k, 500.0), weight_n=WEIGHT_N, weight_rel_u=0.0, to_piece=1.0, rope=ROPE
    )
    assert found is not None
    assert found.ea_n is None
    assert found.ea_low_n < 90e3 / 5.0
    assert found.ea_high_n > 90e3
    assert sheave_state(500.0, 200.0, WEIGHT_N, 0.9) == "between"


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
    found = rope_stiffness(
        ring_of(k, 100.0), weight_n=WEIGHT_N, weight_rel_u=0.0, to_piece=1.0, rope=rope
    )
    assert found is not None
    assert found.ea_n == pytest.approx(ea, rel=0.03)


def test_without_lengths_only_k_is_told() -> None:
    found = rope_stiffness(
        ring_of(50e3, 100.0), weight_n=WEIGHT_N, weight_rel_u=0.01, to_piece=1.0, rope=None
    )
    assert found is not None
    assert (found.ea_n, found.ea_low_n, found.ea_high_n) == (None, 0.0, 0.0)
    assert (
        rope_stiffness(
            ring_of(50e3, 100.0), weight_n=0.0, weight_rel_u=0.01, to_piece=1.0, rope=None
        )
        is None
    )
