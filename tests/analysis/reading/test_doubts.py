"""Doubts that a trace itself raises: jerks lost in a gap, late hangs, small hand-overs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from synthetic_traces import Cell, Piece, make

from analysis.reading.features import FLAG_WORDS, read_features
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.trace import FloatArray, make_trace

QUIET = Cell(noise_n=1.0, zero_n=8.0)


def jerked(size_n: float) -> tuple[FloatArray, FloatArray, float]:
    """A lowering with a hard jerk a second after its start, which then rings at 2 Hz."""
    made = make(Piece(share=0.7, jerk=0.0, lower_s=4.0), QUIET)
    time_s, force = made.trace.time_s, made.trace.force_n
    at = made.truth.hang_until_s + 1.0
    since = np.clip(time_s - at, 0.0, None)
    ring = size_n * np.exp(-1.2 * since) * np.sin(2.0 * math.pi * 2.0 * since)
    return time_s, force + ring, at


def test_a_jerk_lost_in_a_gap_makes_the_peak_a_lower_bound() -> None:
    time_s, force, at = jerked(1800.0)
    whole = read_features(make_trace(time_s, force))
    kept = (time_s < at) | (time_s > at + 0.375)
    holed = read_features(make_trace(time_s[kept], force[kept]))
    assert whole.peak_n is not None
    assert holed.peak_n is not None
    assert holed.peak_n < 0.95 * whole.peak_n
    assert "gap_in_peak" in holed.flags
    assert holed.peak_is_lower_bound


def test_a_gap_before_a_small_swing_hides_no_peak() -> None:
    time_s, force, at = jerked(150.0)
    kept = (time_s < at) | (time_s > at + 0.25)
    found = read_features(make_trace(time_s[kept], force[kept]))
    assert "gap" in found.flags
    assert "gap_in_peak" not in found.flags


def test_a_long_ring_before_the_hang_is_flagged() -> None:
    """At 0.5 Hz and 3 % damping a release rings for tens of seconds."""
    slow = Piece(share=0.3, frequency_hz=0.8, damping=0.03, hang_s=25.0, jerk=0.0)
    found = read_features(make(slow, QUIET).trace)
    assert found.hang_start_s is not None
    assert found.release_time_s is not None
    assert found.hang_start_s - found.release_time_s > 6.0
    assert "hang_late" in found.flags
    quick = read_features(make(Piece(share=0.3, jerk=0.0), QUIET).trace)
    assert "hang_late" not in quick.flags


@pytest.mark.parametrize(("share", "small"), [(0.95, True), (0.6, False)])
def test_a_hand_over_near_balance_is_flagged(share: float, small: bool) -> None:
    piece = replace(Piece(jerk=0.0), share=share)
    found = read_features(make(piece, QUIET).trace)
    assert ("hand_over_small" in found.flags) is small


def test_every_new_doubt_has_words() -> None:
    assert {"hand_over_small", "hang_late"} <= set(FLAG_WORDS)


def taken_in(share: float, after_s: float = 4.0) -> tuple[FloatArray, FloatArray, float]:
    """A hang in which rope is taken in (or, below 0, let out) for a moment, which then rings."""
    made = make(Piece(share=0.7, jerk=0.0, hang_s=9.0), QUIET)
    time_s, force = made.trace.time_s, made.trace.force_n
    since = np.clip(time_s - (made.truth.release_s + after_s), 0.0, None)
    wave = np.exp(-1.2 * since) * np.sin(2.0 * math.pi * since / 1.1)
    return time_s, force + share * 2000.0 * wave, made.truth.hang_until_s


def lowering_s(time_s: FloatArray, force_n: FloatArray) -> tuple[float, tuple[str, ...]]:
    found = read_features(make_trace(time_s, force_n))
    (start_s,) = [phase.start_s for phase in found.phases if phase.name == "lowering"]
    return start_s, found.flags


@pytest.mark.parametrize("share", [0.08, 0.2, 0.5])
def test_taking_rope_in_while_it_hangs_is_no_lowering(share: float) -> None:
    """It pulls the reading up first: letting out never does. The weight is that before it."""
    time_s, force, until_s = taken_in(share)
    start_s, flags = lowering_s(time_s, force)
    assert start_s == pytest.approx(until_s, abs=1.0)
    assert "taken_in" in flags
    found = read_features(make_trace(time_s, force))
    assert found.hang_end_s is not None
    assert found.hang_end_s < until_s - 4.0
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)


def test_in_a_span_rig_a_rise_may_be_the_lowering() -> None:
    """At B letting out pulls the reading up: nothing is told of rope taken in."""
    time_s, force, _ = taken_in(0.2)
    rope = RopeInPlay(9.0, 10.0, leg_cos=0.75, legs=2, span_m=6.0)
    spans = Place("sling", "span_rig", rope)
    assert "taken_in" in read_features(make_trace(time_s, force, place=Place("piece"))).flags
    assert "taken_in" not in read_features(make_trace(time_s, force, place=spans)).flags


def test_a_hang_too_short_before_rope_is_taken_in_leaves_the_weight_to_the_later_one() -> None:
    time_s, force, until_s = taken_in(0.2, after_s=3.4)
    found = read_features(make_trace(time_s, force))
    assert "taken_in" in found.flags
    assert "hang_short" not in found.flags
    assert found.hang_start_s is not None
    assert found.hang_start_s > until_s - 6.0
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)


@pytest.mark.parametrize("share", [-0.08, -0.2])
def test_what_pulls_the_reading_down_first_is_where_the_lowering_starts(share: float) -> None:
    time_s, force, until_s = taken_in(share)
    start_s, flags = lowering_s(time_s, force)
    assert start_s == pytest.approx(until_s - 5.0, abs=0.5)
    assert "taken_in" not in flags
