"""The motion of a piece block between two anchors, against statics and against its own parts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.reading.place import Place, RopeInPlay, can_follow
from analysis.reading.swing_guesses import expect, guesses
from analysis.reading.swing_motion import Swing
from analysis.reading.swinging import follow_swing
from analysis.reading.trace import FloatArray, make_trace

WEIGHT_N, SPAN_M, ETA = 3000.0, 6.0, 0.9
STRAIN = 0.002


def row(around_m: float, b_depth_m: float, *, start_s: float = math.inf) -> FloatArray:
    """Hung still near the middle; rope let out slowly from a time on."""
    free = [math.log(around_m), math.log(STRAIN), math.log(0.3), 0.58, 0.0, 0.62, 0.0, 0.58, 2.0]
    return np.array(
        [[*free, 0.66, b_depth_m, ETA, ETA, start_s, math.log(0.05), math.log(1.0), 0.0]]
    )


def readings(guess: FloatArray, n: int) -> dict[str, FloatArray]:
    """Newtons at three stations."""
    return {
        reads: WEIGHT_N * Swing(reads, 8.0, 0.0, SPAN_M).reading(guess, n)[0]
        for reads in ("piece", "fall", "standing")
    }


def test_lowering_pulls_as_the_statics_of_a_span_rig_say() -> None:
    """D 6, H 1 (B lower), L 9 m, W 3000 N, eta 0.9 at both blocks, lowering: fall 1702,
    standing leg 2101 N (worked example, ``physics.md`` 4.1; solved there from T1 sin a1 =
    T2 sin a2, T2 = T1 / eta, l1 + l2 = L)."""
    slow, lead_in = 0.05, 0.5
    around = 9.0 - slow * (20.0 - lead_in)
    found = readings(row(around, 1.0, start_s=0.0), round(20.0 / 0.04))
    assert found["fall"][-25:].mean() == pytest.approx(1702.0, rel=0.01)
    assert found["standing"][-25:].mean() == pytest.approx(2101.0, rel=0.01)
    assert found["piece"][-25:].mean() == pytest.approx(WEIGHT_N, rel=0.005)


def test_a_held_piece_stays_between_the_bounds_of_both_sheaves() -> None:
    guess = row(9.0, 0.0)
    guess[0, 4], guess[0, 6] = 0.6, 0.3
    found = readings(guess, 200)
    assert found["piece"].std() > 0.005 * WEIGHT_N
    least, most = ETA**2, 1.0 / ETA**2
    ratio = found["standing"] / found["fall"]
    assert ratio.min() > least * (1 - 1e-3)  # the slips of a step are settled closely
    assert ratio.max() < most * (1 + 1e-3)
    assert found["piece"][-40:].mean() == pytest.approx(WEIGHT_N, rel=0.01)


def test_a_rope_too_short_for_the_span_cannot_be_run() -> None:
    assert not np.isfinite(readings(row(5.5, 0.0), 10)["piece"]).all()


@pytest.mark.parametrize("reads", ["piece", "standing"])
def test_the_start_of_a_lowering_is_told_in_a_span(reads: str) -> None:
    guess = row(9.0, 0.2, start_s=6.0)
    guess[0, 1:3] = math.log(0.006), math.log(0.05)
    guess[0, 4], guess[0, 6], guess[0, 14] = 0.3, 0.25, math.log(0.5)
    n = round(9.0 / 0.01)
    swing = Swing(reads, 8.0, 0.0, SPAN_M)  # type: ignore[arg-type]
    noise = np.random.default_rng(6).normal(0.0, 1.0, n)
    force = WEIGHT_N * swing.reading(guess, n, 1)[0] + noise
    rope = RopeInPlay(9.05, 8.0, 0.905, 0.015, legs=2, leg_cos=0.75, span_m=SPAN_M)
    time_s = (np.arange(n) * 0.01).astype(np.float64)
    trace = make_trace(time_s, force, place=Place(reads, "span_rig", rope))  # type: ignore[arg-type]
    found = follow_swing(trace, force, from_s=0.3, until_s=9.0, ceiling_n=math.inf)
    assert found is not None
    assert found.known
    assert found.end_s is not None
    assert abs(found.end_s - 6.0) < 0.5


def test_guesses_of_a_span_hold_the_weight() -> None:
    """At rest both legs together carry W: T1 + T2 = W / cos(lean) for even legs."""
    rope = RopeInPlay(9.0, 8.0, ETA, 0.015, legs=2, leg_cos=0.75, span_m=SPAN_M)
    trace = make_trace(
        np.arange(100) * 0.01, np.full(100, 1000.0), place=Place("standing", "span_rig", rope)
    )
    rows = guesses(expect(trace), np.full(100, 1000.0), 0.04)
    upright = math.sqrt(1.0 - (SPAN_M / 9.0) ** 2)
    assert np.allclose((rows[:, 5] + rows[:, 9]) * upright, 1.0)
    assert np.isinf(rows[:, 13]).all()


def test_a_span_is_followed_where_its_width_is_known() -> None:
    good = RopeInPlay(9.0, 8.0, legs=2, span_m=SPAN_M)
    assert can_follow(Place("standing", "span_rig", good))
    assert not can_follow(Place("sling", "span_rig", good))
    assert not can_follow(Place("standing", "span_rig", RopeInPlay(9.0, 8.0, legs=2)))
    assert not can_follow(Place("standing", "butt_tied", RopeInPlay(9.0, 8.0)))
