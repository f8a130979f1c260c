"""Single cases: shares from 0 to 1.25, clipping, gaps, drift, and records that say little."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from synthetic_traces import Cell, Piece, make

from analysis.errors import TraceError
from analysis.reading.features import FLAG_WORDS, read_features
from analysis.reading.phases import tell
from analysis.reading.release import is_fall
from analysis.reading.trace import Chain, make_trace

QUIET = Cell(noise_n=1.0, zero_n=8.0)


@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 0.75, 0.9, 1.1, 1.25])
def test_release_peak_follows_the_damped_closed_form(share: float) -> None:
    """physics.md §5: W + (1−κ) W exp[−ζ(π − 2 asin ζ)/√(1−ζ²)] for a sudden release."""
    piece = Piece(share=share, weight_n=3000.0, hinge_s=0.002, damping=0.1, jerk=0.0)
    made = make(piece, QUIET)
    found = read_features(made.trace)
    z = piece.damping
    decay = math.exp(-z * (math.pi - 2 * math.asin(z)) / math.sqrt(1 - z * z))
    first = 3000.0 * (1 + (1 - share) * decay)
    assert found.first_extreme_n == pytest.approx(first, rel=0.01)
    assert found.dynamic_factor is not None
    assert found.release_peak_n is not None
    if share < 1:
        assert found.release_kind == "rise"
        assert found.release_peak_n == pytest.approx(first, rel=0.005)
        assert found.dynamic_factor == pytest.approx(1 + (1 - share) * decay, rel=0.01)
    else:
        assert found.release_kind == "drop"
        before = made.truth.peak_s < made.truth.release_s
        assert found.peak_phase == ("pretension" if before else "lowering")
        assert before == (share == 1.25)
        assert found.first_extreme_n is not None
        assert found.first_extreme_n < 3000.0
        assert 3000.0 < found.release_peak_n < found.pretension_settled_n  # type: ignore[operator]
        assert 1.0 < found.dynamic_factor < share


def test_at_share_one_nothing_is_invented() -> None:
    found = read_features(make(Piece(share=1.0), QUIET).trace)
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)
    assert found.release_kind in {"gradual", "drop", "rise"}
    assert found.release_peak_n is None or found.release_peak_n < 2060.0


def test_a_clipped_peak_is_a_lower_bound() -> None:
    piece = Piece(kind="snub", damping=0.15)
    whole = make(piece, QUIET)
    limit = 0.8 * whole.truth.peak_n
    for chain in (Chain(clip_high_n=limit), Chain()):
        found = read_features(make(piece, replace(QUIET, clip_n=limit), chain=chain).trace)
        assert found.peak_is_lower_bound
        assert "clipped" in found.flags
        assert found.peak_n == pytest.approx(limit - 8.0, abs=2.0)
        assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)
    assert not read_features(whole.trace).peak_is_lower_bound


@pytest.mark.parametrize("share_of_peak", [0.75, 0.6, 0.45, 0.35])
def test_a_flat_top_at_the_converters_limit_is_no_pretension(share_of_peak: float) -> None:
    piece = Piece(kind="snub", damping=0.15)
    limit = share_of_peak * make(piece, QUIET).truth.peak_n
    for chain in (Chain(clip_high_n=limit), Chain()):
        found = read_features(make(piece, replace(QUIET, clip_n=limit), chain=chain).trace)
        assert found.peak_is_lower_bound
        assert found.release_kind == "catch"
        assert found.peak_phase == "catch"
        assert found.pretension_settled_n is None
        assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)


def test_a_flat_top_of_rounding_is_not_clipping() -> None:
    coarse = make(Piece(), replace(QUIET, step_n=20.0, noise_n=0.5, rate_hz=4000.0))
    assert "clipped" not in read_features(coarse.trace).flags


def test_clipping_at_the_lower_limit_is_flagged_too() -> None:
    found = read_features(make(Piece(), QUIET, chain=Chain(clip_low_n=6.0, clip_high_n=1e6)).trace)
    assert "clipped" in found.flags


def test_a_gap_in_the_peak_is_flagged_and_not_bridged() -> None:
    piece = Piece(kind="snub", damping=0.15)
    whole = make(piece, QUIET)
    peak = whole.truth.peak_s
    holed = make(piece, replace(QUIET, gaps_s=((peak - 0.03, peak + 0.03),)))
    found = read_features(holed.trace)
    assert "gap_in_peak" in found.flags
    assert found.peak_is_lower_bound
    assert found.peak_n is not None
    assert found.peak_n < whole.truth.peak_n - 50.0
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)


def test_a_gap_elsewhere_is_only_a_gap() -> None:
    piece = Piece()
    until = make(piece, QUIET).truth.hang_until_s
    found = read_features(make(piece, replace(QUIET, gaps_s=((until - 1.5, until - 1.2),))).trace)
    assert "gap" in found.flags
    assert found.n_gaps == 1
    assert "gap_in_peak" not in found.flags
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)


def test_drift_and_offset_are_flagged_and_counted() -> None:
    drifting = read_features(make(Piece(), replace(QUIET, drift_n_per_s=4.0)).trace)
    assert "zero_drift" in drifting.flags
    assert drifting.zero_drift_n == pytest.approx(4.0 * 15, rel=0.5)
    assert abs(drifting.hang_weight_n - 2000.0) <= drifting.hang_weight_n_u  # type: ignore[operator]
    offset = read_features(make(Piece(), replace(QUIET, zero_n=200.0)).trace)
    assert "zero_offset" in offset.flags
    assert offset.hang_weight_n == pytest.approx(2000.0, rel=0.005)


def test_low_rates_say_that_a_peak_may_be_missed() -> None:
    piece = Piece(kind="snub", frequency_hz=8.0, damping=0.15)
    slow = read_features(make(piece, replace(QUIET, rate_hz=80.0)).trace)
    fast = read_features(make(piece, replace(QUIET, rate_hz=2000.0)).trace)
    assert "rate_too_low" in slow.flags
    assert "rate_too_low" not in fast.flags
    assert slow.peak_n_u > 4 * fast.peak_n_u  # type: ignore[operator]
    truth = make(piece, QUIET).truth.peak_n
    assert abs(slow.peak_n - truth) <= slow.peak_n_u  # type: ignore[operator]


def test_gain_brings_the_hang_to_the_piece_and_leaves_the_peak_at_the_station() -> None:
    made = make(Piece(), QUIET)
    bare = read_features(made.trace)
    chain = Chain(gain=1.8, gain_rel_u=0.05, calibration_rel_u=0.01)
    found = read_features(made.trace.with_chain(chain))
    assert found.hang_weight_n == pytest.approx(1.8 * bare.hang_weight_n)  # type: ignore[operator]
    assert found.hang_reading_n == bare.hang_reading_n
    assert found.peak_n == bare.peak_n
    assert found.dynamic_factor == bare.dynamic_factor
    assert found.hang_weight_n_u == pytest.approx(2 * 3600.0 * math.hypot(0.05, 0.01), rel=0.02)
    assert set(found.budgets["hang_weight_n"]) == {
        "calibration", "zero", "resolution", "noise", "motion", "station",
    }  # fmt: skip


def test_notes_and_overload_become_flags() -> None:
    made = make(Piece(), QUIET)
    trace = make_trace(
        made.trace.time_s,
        made.trace.force_n,
        chain=Chain(overload_n=2200.0),
        tag_line_tight=True,
        touched=True,
    )
    assert {"overload", "tag_line_tight", "touched"} <= set(read_features(trace).flags)


def test_a_record_that_stops_while_swinging_is_not_still() -> None:
    made = make(Piece(kind="swing", swing_loss_per_s=0.01, pendulum_m=2.0), QUIET)
    found = read_features(made.trace)
    assert "hang_not_still" in found.flags
    assert found.hang_weight_n_u is not None
    assert abs(found.hang_weight_n - 2000.0) <= found.hang_weight_n_u  # type: ignore[operator]


def test_a_window_that_ends_in_the_hang() -> None:
    made = make(Piece(), QUIET)
    keep = made.trace.time_s < made.truth.hang_until_s - 0.5
    found = read_features(make_trace(made.trace.time_s[keep], made.trace.force_n[keep]))
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)
    assert found.phases[-1].name == "hang"
    assert found.zero_drift_n is None


def test_a_window_that_begins_with_the_pretension_on() -> None:
    made = make(Piece(share=0.7), QUIET)
    keep = made.trace.time_s > made.truth.release_s - 1.0
    found = read_features(make_trace(made.trace.time_s[keep], made.trace.force_n[keep]))
    assert "no_zero" in found.flags
    assert found.pretension_settled_n == pytest.approx(1400.0 + 8.0, rel=0.01)
    assert found.release_kind == "rise"


def test_a_window_cut_before_anything_settled() -> None:
    made = make(Piece(kind="snub"), QUIET)
    keep = made.trace.time_s < made.truth.release_s + 0.12
    found = read_features(make_trace(made.trace.time_s[keep], made.trace.force_n[keep]))
    assert found.peak_n is not None
    assert found.peak_n > 2000.0
    assert "no_hang" in found.flags
    assert found.hang_weight_n is None


@pytest.mark.parametrize("level", [0.0, 5.0, -3000.0, 1e6])
def test_constant_records_hold_no_load(level: float) -> None:
    found = read_features(make_trace(np.arange(2000) / 1000.0, np.full(2000, level)))
    assert found.flags == ("no_load",)
    assert found.peak_n is None
    assert found.hang_weight_n is None
    assert found.release_kind == "none"
    assert found.phases == ()
    assert found.as_json()["phases"] == []


@pytest.mark.parametrize("n", [2, 3, 5, 20])
def test_tiny_records_are_flagged_not_crashed(n: int) -> None:
    found = read_features(make_trace(np.arange(n) / 1000.0, np.linspace(0.0, 900.0, n)))
    assert found.flags
    assert found.hang_weight_n is None or math.isfinite(found.hang_weight_n)


def test_empty_records_are_a_typed_error() -> None:
    with pytest.raises(TraceError):
        make_trace([], [])


@pytest.mark.parametrize("seed", range(30))
def test_any_finite_record_gives_finite_numbers_and_known_flags(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(2, 4000))
    steps = rng.exponential(0.001, n) + 1e-6
    if seed % 3:
        steps = np.full(n, 0.001)
    shapes = [
        rng.normal(0.0, 100.0, n),
        np.cumsum(rng.normal(0.0, 10.0, n)),
        np.where(rng.random(n) < 0.01, 5000.0, 0.0),
        np.linspace(0.0, -4000.0, n),
        1000.0 * np.sign(np.sin(np.arange(n) / 50.0)),
        np.where(np.arange(n) > n // 2, 1e9, 1e-9),
    ]
    found = read_features(make_trace(np.cumsum(steps), shapes[seed % 6]))
    assert set(found.flags) <= set(FLAG_WORDS)
    for value in found.as_json().values():
        assert not isinstance(value, float) or math.isfinite(value)


def test_moments_of_a_slow_swing_are_no_fall() -> None:
    grid = np.arange(0.0, 1.0, 0.001)
    assert not is_fall(grid, 1700.0 * np.sin(np.pi * grid), 1000.0)
    assert is_fall(grid, 2500.0 * np.sin(np.pi * grid), 1000.0)
    assert is_fall(grid, np.where(grid < 0.6, 1800.0, 1000.0), 1000.0)
    assert not is_fall(grid[:1], grid[:1], 1000.0)


def test_numbers_that_are_not_finite_are_null_in_json() -> None:
    found = read_features(make(Piece(), QUIET).trace)
    odd = replace(found, peak_loss_share=math.inf).as_json()
    assert odd["peak_loss_share"] is None
    assert odd["peak_n"] == found.peak_n


def test_a_load_in_the_first_blocks_leaves_no_slack_to_read() -> None:
    grid = np.arange(3000) / 1000.0
    found = read_features(make_trace(grid, np.where(grid < 0.16, 0.0, 900.0)))
    assert "no_zero" in found.flags
    assert found.hang_weight_n == pytest.approx(900.0)


def test_coarse_records_have_few_samples_a_stroke() -> None:
    found = read_features(make(Piece(stroke_s=0.3, strokes=2), replace(QUIET, rate_hz=10.0)).trace)
    assert found.pretension_strokes <= 3
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.02)


def test_phase_at_a_time() -> None:
    story = tell(make(Piece(), QUIET).trace)
    assert story.phase_at(0.1) == "slack"
    assert story.phase_at(1e9) == "after"
    flat = tell(make_trace([0.0, 1.0, 2.0], [1.0, 1.0, 1.0]))
    assert flat.phase_at(0.5) is None
