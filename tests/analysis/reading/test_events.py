"""Events: strokes and pawl drops, peaks by kind, touches against re-grips, touchdowns."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from synthetic_traces import Cell, Piece, make

from analysis.reading.events import find_peaks, find_touches, touchdown_kind
from analysis.reading.features import read_features
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.trace import FloatArray, make_trace

RATE_HZ = 500.0
W = 1000.0
QUIET = Cell(rate_hz=500.0, noise_n=1.0)


def times(length_s: float) -> FloatArray:
    return np.arange(0.0, length_s, 1 / RATE_HZ)


def bump(time_s: FloatArray, at_s: float, width_s: float, size: float) -> FloatArray:
    u = np.clip((time_s - at_s) / width_s, -0.5, 0.5)
    out: FloatArray = size * np.cos(np.pi * u) ** 2
    return out


def test_strokes_pawl_drops_and_creep() -> None:
    piece = Piece(strokes=4, fall_back=0.15, creep=0.02, settle_s=4.0, share=0.7)
    found = read_features(make(piece, QUIET).trace)
    assert len(found.strokes) == found.pretension_strokes == 4
    step = 0.7 * 2000.0 * 1.02 / 4
    for stroke in found.strokes:
        assert stroke.rise_n == pytest.approx(1.15 * step, rel=0.08)
        assert stroke.pawl_drop_n == pytest.approx(0.15 * step, rel=0.25)
    assert found.creep_n_per_min is not None
    assert 0.0 < found.creep_n_per_min < 60.0 * 0.02 * 1400.0
    assert found.since_stroke_s == pytest.approx(4.0 + 0.6 * 1.2, abs=0.35)
    assert found.saw_relief_n is None


def test_the_saw_lets_the_piece_lean_on_the_rope() -> None:
    made = make(Piece(strokes=3, settle_s=4.0), QUIET)
    at = made.truth.release_s
    lean = 120.0 * np.clip((made.trace.time_s - (at - 2.0)) / 1.2, 0.0, 1.0)
    lean[made.trace.time_s > at] = 0.0
    found = read_features(make_trace(made.trace.time_s, made.trace.force_n + lean))
    assert found.saw_relief_n is not None
    assert found.saw_relief_n == pytest.approx(110.0, abs=45.0)


def test_saw_vibration_is_flagged_and_a_quiet_record_not() -> None:
    made = make(Piece(settle_s=3.0), replace(QUIET, rate_hz=1000.0))
    time = made.trace.time_s
    sawing = (time > made.truth.release_s - 2.0) & (time < made.truth.release_s - 0.3)
    shake = np.where(sawing, 25.0 * np.sin(2 * np.pi * 130.0 * time), 0.0)
    assert "saw_vibration" in read_features(make_trace(time, made.trace.force_n + shake)).flags
    assert "saw_vibration" not in read_features(made.trace).flags


def test_wind_is_flagged() -> None:
    made = make(Piece(hang_s=12.0), QUIET)
    time = made.trace.time_s
    gust = 30.0 * np.sin(2 * np.pi * 0.33 * time) * (time > made.truth.release_s)
    found = read_features(make_trace(time, made.trace.force_n + gust))
    assert "wind" in found.flags
    assert "wind" not in read_features(made.trace).flags


def test_a_touch_takes_more_than_it_gives_back_a_regrip_does_not() -> None:
    time = times(6.0)
    touch = W - bump(time, 2.0, 0.5, 0.6 * W) + bump(time, 2.45, 0.3, 0.45 * W)
    grip = W - bump(time, 2.0, 0.4, 0.5 * W) + bump(time, 2.35, 0.3, 0.66 * W)
    (one,) = find_touches(time, touch, lowering_s=0.5, end_s=5.5, weight_n=W)
    assert (one.kind, round(one.time_s, 1), round(one.force_n, -1)) == ("touch", 2.0, 400.0)
    (two,) = find_touches(time, grip, lowering_s=0.5, end_s=5.5, weight_n=W)
    assert two.kind == "regrip"


def test_brush_that_carries_for_seconds_is_a_touch() -> None:
    """0.4 W off over 2.8 s: a piece that nothing carried would have got faster by 5 m/s."""
    time = times(6.0)
    brush = W - bump(time, 3.0, 2.8, 0.4 * W)
    (one,) = find_touches(time, brush, lowering_s=0.5, end_s=5.5, weight_n=W)
    assert (one.kind, round(one.time_s, 1)) == ("touch", 3.0)


def test_a_touch_is_told_from_what_the_station_reads_while_lowering() -> None:
    """On the fall friction takes a fifth off as soon as the rope runs; 0.4 of it is met later."""
    made = make(Piece(share=0.7, jerk=0.0, lower_s=5.0), QUIET)
    time, begins = made.trace.time_s, made.truth.hang_until_s
    friction = 1.0 - 0.2 * np.clip((time - begins) / 0.3, 0.0, 1.0)
    met = bump(time, begins + 2.5, 0.4, 650.0) - bump(time, begins + 2.85, 0.3, 350.0)
    place = Place("fall", "tip_tied", RopeInPlay(3.0, 12.0))
    for touch, stands in ((0.0, False), (1.0, True)):
        force = made.trace.force_n * friction - touch * met
        seen = read_features(make_trace(time, force, place=place)).touches
        there = [e for e in seen if e.kind == "touch" and abs(e.time_s - begins - 2.5) < 0.3]
        assert bool(there) is stands


def test_a_start_a_slow_dip_and_a_dip_without_a_spike_are_no_touches() -> None:
    time = times(6.0)
    start = W - bump(time, 0.65, 0.3, 0.4 * W) + bump(time, 1.0, 0.3, 0.2 * W)
    long = W - bump(time, 3.0, 1.6, 0.24 * W)
    lone = W - bump(time, 3.0, 0.3, 0.4 * W)
    for force in (start, long, lone, np.full(time.size, W)):
        assert find_touches(time, force, lowering_s=0.5, end_s=5.5, weight_n=W) == ()
    assert find_touches(time, start, lowering_s=5.9, end_s=5.9, weight_n=W) == ()


def test_peaks_by_kind() -> None:
    time = times(8.0)
    force = W + bump(time, 1.0, 0.3, 3 * W) - bump(time, 1.4, 0.4, W) + bump(time, 1.8, 0.3, W)
    force = force + bump(time, 3.0, 1.4, 0.4 * W) + bump(time, 6.0, 0.3, 0.3 * W)
    found = find_peaks(
        time, force, release_kind="catch", release_s=0.7, hang_end_s=5.0, end_s=7.5, hang_n=W,
        slack_n=0.05 * W,
    )  # fmt: skip
    assert [event.kind for event in found] == ["catch", "catch", "swing", "jerk"]
    assert [round(event.time_s) for event in found] == [1, 2, 3, 6]
    ring = W + 0.5 * W * np.exp(-time) * np.sin(2 * np.pi * 2.0 * time)
    one = find_peaks(
        time, ring, release_kind="rise", release_s=0.0, hang_end_s=7.0, end_s=7.5, hang_n=W,
        slack_n=0.05 * W,
    )  # fmt: skip
    assert [event.kind for event in one] == ["release"]


@pytest.mark.parametrize(
    ("kind", "ends"),
    [
        ("at_once", [(2.0, 1.0), (2.1, 0.0)]),
        ("ramp", [(2.0, 1.0), (3.6, 0.0)]),
        ("tip_first", [(2.0, 1.0), (2.1, 0.45), (3.3, 0.44), (3.5, 0.0)]),
        ("not_seen", [(6.0, 1.0)]),
    ],
)
def test_touchdowns(kind: str, ends: list[tuple[float, float]]) -> None:
    time = times(5.0)
    force = W * np.interp(time, [0.0, *(t for t, _ in ends)], [1.0, *(share for _, share in ends)])
    assert touchdown_kind(time, force, from_s=0.5, end_s=4.9, weight_n=W) == kind


def test_what_is_dragged_afterwards_is_left_out() -> None:
    made = make(Piece(after_s=6.0), QUIET)
    time = made.trace.time_s
    down = made.truth.slack_again_s
    drag = np.where((time > down + 2.5) & (time < down + 5.0), 1500.0, 0.0)
    found = read_features(make_trace(time, made.trace.force_n + drag))
    plain = read_features(made.trace)
    assert "dragged" in found.flags
    assert found.drag_n == pytest.approx(1500.0, rel=0.02)
    assert found.peak_n == pytest.approx(plain.peak_n)
    assert found.hang_weight_n == pytest.approx(plain.hang_weight_n)


def test_slow_records_say_what_cannot_be_known() -> None:
    found = read_features(make(Piece(), replace(QUIET, rate_hz=80.0)).trace)
    assert "slow_rate" in found.flags
    assert found.peak_cfc60_n is None
