"""What ends the last wait: the hand-over, or the lowering after a hand-over that nobody saw."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.reading.features import read_features
from analysis.reading.filters import block_means
from analysis.reading.levels import Plateau, find_zero
from analysis.reading.place import Place
from analysis.reading.steps import reached
from analysis.reading.summary import Features
from analysis.reading.swing_release import swing_release
from analysis.reading.trace import Chain, FloatArray, make_trace
from analysis.reading.waiting import find_wait

RATE_HZ = 320.0
ETA = 0.88
PIECE = Place("piece", "butt_tied")
FALL = Place("fall", "butt_tied")
BAND = Chain(gain_low=ETA, gain_high=1.0 / ETA)
STAIRS = [(2.0, 0.0), (2.3, 400.0), (4.0, 400.0), (4.3, 800.0), (6.0, 800.0)]


def read(
    points: list[tuple[float, float]], place: Place, *rings: tuple[float, float, float]
) -> Features:
    """Read lines through points, slack after; rings (start, size, Hz) that fade are added."""
    ends = [*points, (points[-1][0] + 0.4, 0.0)]
    time_s = np.arange(0.0, ends[-1][0] + 2.0, 1.0 / RATE_HZ)
    force = np.interp(time_s, *np.array(ends).T)
    for start, size, hertz in rings:
        since = np.clip(time_s - start, 0.0, None)
        force += size * np.sin(2.0 * np.pi * hertz * since) * np.exp(-1.5 * since)
    force = np.where(time_s < ends[-1][0], force, 0.0)
    noise = np.random.default_rng(4).normal(0.0, 1.0, time_s.size)
    chain = BAND if place.reads == "fall" else Chain()
    return read_features(make_trace(time_s, force + noise, chain=chain, place=place))


def start(found: Features, name: str) -> float:
    return next(phase.start_s for phase in found.phases if phase.name == name)


DOWN = 1300.0 * ETA**2
"""Friction has turned: the piece goes down."""
HALT = [(22.0, DOWN), (22.1, 1250.0), (22.3, DOWN)]


def test_friction_that_turns_after_the_wait_is_the_lowering() -> None:
    """A sheave that sticks hides the hand-over; a halt of the lowering is no hand-over either."""
    lowered = [(17.0, 1300.0), (17.3, DOWN), *HALT, (28.0, DOWN)]
    found = read([*STAIRS, (6.3, 1300.0), *lowered], FALL, (17.0, -80.0, 0.9), (22.1, 200.0, 0.9))
    assert start(found, "lowering") == pytest.approx(17.0, abs=0.4)
    assert found.hang_reading_n == pytest.approx(1300.0, rel=0.01)
    assert "hand_over_unseen" in found.flags


def test_a_drop_within_the_turn_of_friction_is_a_hand_over_if_a_hang_follows() -> None:
    hang = 1300.0 * 0.9
    lowered = [(12.0, 1300.0), (12.2, hang), (18.0, hang), (18.3, 0.8 * hang), (25.0, 0.8 * hang)]
    found = read([*STAIRS, (6.3, 1300.0), *lowered], FALL)
    assert found.release_kind == "drop"
    assert found.release_time_s == pytest.approx(12.0, abs=0.2)
    assert start(found, "lowering") == pytest.approx(18.0, abs=0.3)


def test_a_fall_beyond_the_turn_of_friction_is_a_hand_over() -> None:
    low = 0.7 * 1300.0
    halted = [(12.2, low), (18.0, low), (18.1, low + 500.0), (18.4, low), (24.0, low)]
    found = read([*STAIRS, (6.3, 1300.0), (12.0, 1300.0), *halted], FALL)
    assert found.release_kind == "drop"
    assert found.release_time_s == pytest.approx(12.0, abs=0.2)


def test_balanced_the_hang_is_what_stands_just_before_the_lowering() -> None:
    """The hand-over may lie anywhere in 11 s: only the last two of them hang for sure."""
    points = [*STAIRS, (6.3, 1000.0), (17.0, 1000.0), (28.0, 1000.0)]
    found = read(points, PIECE, (17.0, -120.0, 0.8), (21.0, 400.0, 0.8))
    assert found.hang_start_s is not None
    assert found.hang_end_s == pytest.approx(17.0, abs=0.4)
    assert found.hang_start_s > 14.0
    assert "hand_over_unseen" in found.flags


@pytest.mark.parametrize("starts_n", [-150.0, 150.0])
def test_a_slow_change_within_the_wait_is_the_hand_over(starts_n: float) -> None:
    """At the standing end a lowering may start upwards too."""
    points = [
        *STAIRS,
        (6.3, 1000.0),
        (11.0, 1000.0),
        (14.0, 1150.0),
        (20.0, 1150.0),
        (28.0, 1150.0),
    ]
    found = read(points, PIECE, (20.0, starts_n, 0.8), (24.0, 400.0, 0.8))
    assert found.release_kind == "gradual"
    assert found.release_time_s is not None
    assert 11.0 <= found.release_time_s <= 14.0
    assert found.hang_end_s == pytest.approx(20.0, abs=0.4)
    assert "hand_over_quiet" in found.flags


def test_a_rest_between_strokes_is_not_the_wait() -> None:
    points = [*STAIRS, (9.0, 800.0), (9.3, 1100.0), (11.0, 1100.0), (11.3, 1400.0), (18.0, 1400.0)]
    found = read([*points, (18.3, 2000.0), (26.0, 2000.0)], PIECE)
    assert found.release_time_s == pytest.approx(18.0, abs=0.2)
    assert found.pretension_settled_n == pytest.approx(1400.0, rel=0.01)


def test_a_pause_of_the_lowering_is_no_hand_over() -> None:
    """The hand-over steps up once; the knocks after a halt ring more strongly than it did."""
    points = [*STAIRS, (6.3, 900.0), (13.0, 900.0), (13.2, 1100.0), (20.0, 1100.0), (30.0, 1100.0)]
    found = read(points, PIECE, (13.1, 40.0, 2.0), (20.0, -90.0, 1.0), (24.0, 700.0, 1.5))
    assert found.release_kind == "rise"
    assert found.release_time_s == pytest.approx(13.0, abs=0.2)
    assert start(found, "lowering") == pytest.approx(20.0, abs=1.0)


def test_a_level_that_is_left_upwards_is_not_the_hang() -> None:
    """The saw's relief leads to a level; the hand-over leaves it upwards, a lowering never does."""
    points = [*STAIRS, (6.3, 800.0), (12.0, 800.0), (12.8, 950.0), (16.5, 950.0), (16.6, 1080.0)]
    found = read([*points, (22.0, 1080.0), (30.0, 1080.0)], PIECE, (22.0, -120.0, 0.8))
    assert found.release_time_s == pytest.approx(16.5, abs=0.3)
    assert start(found, "lowering") == pytest.approx(22.0, abs=0.4)


def test_after_a_slow_change_only_the_end_surely_hangs() -> None:
    points = [*STAIRS, (6.3, 800.0), (12.0, 800.0), (13.4, 1000.0), (23.0, 1000.0), (31.0, 1000.0)]
    found = read(points, PIECE, (23.0, -120.0, 0.8), (27.0, 300.0, 0.8))
    assert found.hang_start_s is not None
    assert found.hang_start_s > 20.0
    assert found.hang_end_s == pytest.approx(23.0, abs=0.4)
    assert found.hang_weight_n == pytest.approx(1000.0, rel=0.01)


def test_a_hinge_that_cracks_in_stages_goes_on_to_the_last_level() -> None:
    before = Plateau(0.0, 10.0, 500.0, 500.0, 500.0)
    stages = [Plateau(10.2 + i, 10.9 + i, n, n, n) for i, n in enumerate((650.0, 800.0))]
    hang = Plateau(13.0, 18.0, 1000.0, 1000.0, 1000.0)
    lowering = Plateau(20.0, 26.0, 900.0, 900.0, 900.0)
    assert reached(before, [*stages, hang, lowering]) is hang
    assert reached(before, [hang, lowering]) is hang
    assert reached(before, []) is None


def swing(sticks_to_n: float) -> tuple[FloatArray, FloatArray]:
    """Lead 600 N, let go at 10 s to swing up to 1800 N in 1 s; the fall of a sheave that sticks."""
    time_s = np.arange(0.0, 20.0, 0.005)
    lead = 1200.0 - 600.0 * np.cos(np.pi * np.clip(time_s - 10.0, 0.0, None))
    fall = np.where(time_s < 10.9, np.maximum(ETA * lead, sticks_to_n), ETA * lead)
    return time_s, fall


@pytest.mark.parametrize("winched", [True, False])
def test_on_the_fall_a_swing_begins_before_the_sheave_gives_way(winched: bool) -> None:
    time_s, fall = swing(600.0 / ETA if winched else 0.0)
    held = Plateau(4.0, 10.1, float(fall[0]), float(fall[0]), float(fall[0]))
    found = swing_release(
        time_s, fall, held, swing_s=2.0, scale_n=1100.0, until_s=20.0,
        sticks=1.0 - ETA**2 if winched else 0.0,
    )  # fmt: skip
    assert found.start_s == pytest.approx(10.0, abs=0.12)
    assert found.kind == "rise"


def test_a_swing_that_dips_first_and_then_carries_more_rises() -> None:
    time_s = np.arange(0.0, 20.0, 0.005)
    since = np.clip(time_s - 10.0, 0.0, None)
    force = 600.0 + 500.0 * (1.0 - np.cos(np.pi * since)) - 300.0 * np.sin(np.pi * since)
    held = Plateau(4.0, 10.0, 600.0, 600.0, 600.0)
    found = swing_release(time_s, force, held, swing_s=2.0, scale_n=1100.0, until_s=20.0)
    assert found.kind == "rise"
    assert found.start_s == pytest.approx(10.0, abs=0.1)
    assert found.first_s > 10.5


def test_a_pawl_that_falls_back_far_hides_no_swing() -> None:
    """From the last stroke the reading falls by a tenth of the load: that is no swing yet."""
    points = [(2.0, 0.0), (2.3, 500.0), (4.0, 500.0), (4.3, 1250.0), (4.6, 1080.0), (30.0, 1080.0)]
    time_s = np.arange(0.0, 30.0, 1.0 / RATE_HZ)
    since = np.clip(time_s - 13.0, 0.0, None)
    force = np.interp(time_s, *np.array(points).T)
    force += 350.0 * np.exp(-0.05 * since) * np.sin(2.0 * np.pi * since / 2.2)
    blocks = block_means(time_s, force, 0.05, 1.0)
    wait = find_wait(blocks, find_zero(blocks), turn=1.0, swings=True, end_s=30.0)
    assert wait is not None
    assert wait.hands_over
    assert wait.level.end_s == pytest.approx(13.0, abs=0.3)


def test_a_swing_let_go_far_above_its_weight_need_not_pass_that_again() -> None:
    time_s = np.arange(0.0, 30.0, 1.0 / RATE_HZ)
    since = np.clip(time_s - 13.0, 0.0, None)
    force = np.interp(time_s, [2.0, 2.3, 4.0, 4.3], [0.0, 1000.0, 1000.0, 2000.0])
    force -= (since > 0.0) * (800.0 * (1.0 - np.exp(-8.0 * since)) + 800.0 * np.sin(3.0 * since))
    blocks = block_means(time_s, force, 0.05, 1.0)
    wait = find_wait(blocks, find_zero(blocks), turn=3.0, swings=True, end_s=30.0)
    assert wait is not None
    assert wait.hands_over


def test_after_a_catch_nothing_waits() -> None:
    time_s = np.arange(0.0, 20.0, 1.0 / RATE_HZ)
    since = np.clip(time_s - 3.0, 0.0, None)
    force = (
        1000.0 * (1.0 + 3.0 * np.exp(-1.5 * since) * np.sin(2.0 * np.pi * since)) * (since > 0.0)
    )
    force = np.where(time_s > 14.0, 700.0, np.maximum(force, 0.0))
    blocks = block_means(time_s, force, 0.05, 1.0)
    assert find_wait(blocks, find_zero(blocks), turn=1.0, swings=False, end_s=20.0) is None


def test_a_catch_whose_top_is_lost_begins_at_the_first_bounce() -> None:
    """The largest force that is left belongs to the second bounce, after the rope was slack."""
    time_s = np.arange(0.0, 16.0, 1.0 / RATE_HZ)
    since = np.clip(time_s - 3.0, 0.0, None)
    swing = np.exp(-0.4 * since) * np.cos(2.0 * np.pi * 1.2 * (since - 0.2))
    force = np.where((since > 0.0) & (time_s < 13.0), np.maximum(600.0 + 1800.0 * swing, 0.0), 0.0)
    kept = (time_s < 3.03) | (time_s > 3.35)
    trace = make_trace(time_s[kept], force[kept], place=Place("fall", "snubbed_drop"))
    found = read_features(trace)
    assert found.release_kind == "catch"
    assert found.release_time_s == pytest.approx(3.0, abs=0.1)
    assert "gap_in_peak" in found.flags
