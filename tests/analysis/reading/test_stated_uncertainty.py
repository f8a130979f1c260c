"""What a reading states about itself holds where the cause of doubt is known."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest
from synthetic_traces import Cell, Piece, make

from analysis.reading.features import read_features
from analysis.reading.free_fall import equivalent_free_fall, free_fall_on_the_fall
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.ringdown import RingDown
from analysis.reading.stiffness import rope_stiffness, slipping_ea_n, stuck_ea_n
from analysis.reading.trace import Trace, make_trace

QUIET = Cell(noise_n=1.0, zero_n=8.0, rate_hz=250.0)
RNG = np.random.default_rng(5)


def sampled(corners: Sequence[tuple[float, float]], rate_hz: float, phase: float) -> Trace:
    """Straight lines between corners (seconds, newtons), point-sampled."""
    times, forces = np.array(corners).T
    at = np.arange(phase / rate_hz, times[-1], 1.0 / rate_hz)
    return make_trace(at, np.interp(at, times, forces) + RNG.normal(0.0, 0.5, at.size))


def test_a_corner_between_two_samples_is_within_the_peaks_uncertainty() -> None:
    """A stroke of 2 kN/s that stops and sinks: 100 N a sample at 20/s, no half-sine there."""
    corners = [(0, 0), (4, 0), (5, 2000), (5.01, 1960), (9, 1900), (9.5, 0), (12, 0)]
    read = [read_features(sampled(corners, 20.0, phase)) for phase in np.linspace(0, 0.95, 20)]
    assert max(2000.0 - (one.peak_n or 0.0) for one in read) > 30.0
    assert all(abs((one.peak_n or 0.0) - 2000.0) <= (one.peak_n_u or 0.0) for one in read)


def test_a_smooth_top_gets_no_doubt_for_a_corner() -> None:
    found = read_features(make(Piece(jerk=0.0), QUIET).trace)
    assert found.peak_loss_share is not None
    assert found.peak_loss_share < 0.002


def test_a_zero_that_moved_counts_more_the_later_the_value_lies() -> None:
    """Nobody saw when it moved: before an early hang hardly, before a late peak nearly surely."""
    made = make(Piece(share=0.3, jerk=0.0), replace(QUIET, drift_n_per_s=2.0))
    found = read_features(made.trace)
    assert found.zero_drift_n is not None
    assert found.hang_start_s is not None
    assert found.peak_time_s is not None
    assert found.peak_time_s < found.hang_start_s
    assert found.budgets["peak_n"]["zero"] < found.budgets["hang_weight_n"]["zero"]
    assert found.budgets["hang_weight_n"]["zero"] < abs(found.zero_drift_n)


def test_an_offset_that_could_be_a_load_is_in_the_uncertainty() -> None:
    """A quarter of the load before anything stirs: zero, or a rope that is not slack."""
    made = make(Piece(share=0.5, jerk=0.0), replace(QUIET, zero_n=500.0))
    time_s, force_n = made.trace.time_s, made.trace.force_n
    kept = time_s < made.truth.hang_until_s + 0.5
    found = read_features(make_trace(time_s[kept], force_n[kept]))
    assert {"no_zero", "no_touchdown"} <= set(found.flags)
    assert found.hang_weight_n is not None
    assert found.hang_weight_n_u is not None
    assert abs(found.hang_weight_n - 2000.0) <= found.hang_weight_n_u


def test_an_offset_to_which_the_record_comes_back_is_the_zero() -> None:
    """A small piece under a cell that nobody zeroed: a quarter of its load, before and after."""
    for zero_n in (500.0, -500.0):
        trace = make(Piece(share=0.5, jerk=0.0), replace(QUIET, zero_n=zero_n)).trace
        found = read_features(trace)
        assert "zero_offset" in found.flags
        assert not {"no_zero", "no_touchdown"} & set(found.flags)
        assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)
        assert found.zero_n == pytest.approx(zero_n, abs=2.0)


def test_a_peak_with_both_flanks_is_whole_beside_a_gap() -> None:
    piece = Piece(share=0.3, jerk=0.0)
    peak_s = make(piece, QUIET).truth.peak_s
    holed = make(piece, replace(QUIET, gaps_s=((peak_s + 0.12, peak_s + 0.25),)))
    found = read_features(holed.trace)
    assert "gap" in found.flags
    assert not found.peak_is_lower_bound


def test_a_hang_shorter_than_a_gust_states_more_than_it_has_seen() -> None:
    """Gusts of 8 s and 2 % over a hang of 4 s: half a gust at most is on record."""
    kept = []
    for phase in np.linspace(0.0, 2.0 * math.pi, 8, endpoint=False):
        made = make(Piece(share=0.3, jerk=0.0, hang_s=4.0), QUIET)
        time_s = made.trace.time_s
        on = np.clip((time_s - made.truth.release_s) / 0.5, 0.0, 1.0)
        on *= time_s < made.truth.slack_again_s - 0.3
        gust = 40.0 * on * np.sin(2.0 * math.pi * time_s / 8.0 + phase)
        found = read_features(make_trace(time_s, made.trace.force_n + gust))
        if found.hang_weight_n is not None:
            kept.append(abs(found.hang_weight_n - 2000.0) <= (found.hang_weight_n_u or 0.0))
    assert len(kept) > 5
    assert all(kept)


def test_strokes_at_twenty_samples_a_second_are_no_saw() -> None:
    slow = read_features(
        make(Piece(share=0.9, strokes=16, stroke_s=0.3), replace(QUIET, rate_hz=20.0)).trace
    )
    assert "slow_rate" in slow.flags
    assert "saw_vibration" not in slow.flags


def ring(cycles: float) -> RingDown:
    return RingDown(2.0, 0.0, 0.05, 0.0, 2000.0, 0.0, 60.0, 0.0, 0.0, cycles / 2.0, 0.0, cycles)


def test_ea_of_a_rope_that_may_be_let_out_holds_both_states_of_the_sheave() -> None:
    """Small swings stick the sheave only while the rope is held."""
    rope = RopeInPlay(lead_m=3.0, fall_m=12.0)
    held, lowered = (
        rope_stiffness(
            ring(6.0),
            weight_n=2000.0,
            weight_rel_u=0.0,
            to_piece=1.0,
            to_lead=1.0,
            rope=rope,
            held=sure,
        )
        for sure in (True, False)
    )
    assert held is not None
    assert lowered is not None
    assert held.sheave == "stuck"
    assert lowered.ea_n is None
    k = held.stiffness_n_per_m
    assert lowered.ea_low_n < stuck_ea_n(k, rope, 2000.0)
    assert lowered.ea_high_n > slipping_ea_n(k, rope, 2000.0, 5.0)


def test_a_ring_of_a_cycle_and_a_half_tells_no_stiffness() -> None:
    """At half of critical damping little more than one swing is left: as many things look so."""
    piece, place = Piece(share=0.3, jerk=0.0), Place("piece", "tip_tied", RopeInPlay(3.0, 12.0))
    told = {}
    for damping in (0.05, 0.5):
        trace = make(replace(piece, damping=damping), QUIET).trace
        told[damping] = read_features(replace(trace, place=place))
    assert told[0.05].stiffness_n_per_m is not None
    assert "no_stiffness" not in told[0.05].flags
    assert told[0.5].ring is not None
    assert told[0.5].stiffness_n_per_m is None
    assert told[0.5].rope_ea_low_n is None
    assert "no_stiffness" in told[0.5].flags


def test_legs_of_a_span_may_have_got_steeper_where_the_hang_may_be_the_lowering() -> None:
    """Near balance a hand-over looks like a start of the lowering; legs at 60 degrees, up to plumb."""
    rope = RopeInPlay(10.0, 10.0, leg_cos=0.5, legs=2, span_m=8.0)
    ends = {}
    for share in (0.5, 0.96):
        trace = replace(
            make(Piece(share=share, jerk=0.0), QUIET).trace,
            place=Place("standing", "span_rig", rope),
        )
        found = read_features(trace)
        assert found.hang_weight_n is not None
        assert found.hang_weight_high_n is not None
        ends[share] = found.hang_weight_high_n / found.hang_weight_n
    assert ends[0.5] < 1.1
    assert ends[0.96] > 1.9


@pytest.mark.parametrize("rate_hz", [25.0, 400.0])
def test_a_free_fall_needs_samples_on_the_way_down(rate_hz: float) -> None:
    time_s = np.arange(0.0, 1.2, 1.0 / rate_hz)
    force_n = np.clip(5000.0 * np.sin(2.0 * math.pi * time_s / 1.1), 0.0, None)
    known = {"weight_n": 1000.0, "weight_rel_u": 0.01, "loss_s": 0.0, "loss_u_s": 0.01}
    found = equivalent_free_fall(time_s, force_n, **known)
    assert (found is None) is (rate_hz < 30.0)


def test_a_fall_whose_standstill_one_end_of_the_weight_hides_has_no_band() -> None:
    """A run of 1.3 s: with the heavy end of the weight it takes longer than a catch may."""
    time_s = np.arange(0.0, 1.5, 0.0025)
    force_n = np.where(time_s < 1.05, 1150.0 * np.clip(time_s / 0.1, 0.0, 1.0), 880.0)
    known = {"efficiency": 0.85, "loss_s": 0.0, "rel_u": 0.01}
    assert free_fall_on_the_fall(time_s, force_n, hang_reading_n=1000.0, **known) is None


@pytest.mark.parametrize(("legs", "late"), [(1, False), (2, True)])
def test_a_ring_of_five_seconds_is_long_on_two_legs_only(legs: int, late: bool) -> None:
    rope = RopeInPlay(10.0, 10.0, leg_cos=0.7, legs=legs, span_m=8.0)
    slow = Piece(share=0.3, frequency_hz=1.5, damping=0.08, hang_s=12.0, jerk=0.0)
    found = read_features(replace(make(slow, QUIET).trace, place=Place("sling", "", rope)))
    assert found.hang_start_s is not None
    assert found.release_time_s is not None
    assert 3.5 < found.hang_start_s - found.release_time_s < 6.0
    assert ("hang_late" in found.flags) is late
