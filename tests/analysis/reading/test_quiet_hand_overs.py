"""Hand-overs that do not ring: read on the fall, let go slowly, or cracked in stages."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.reading.features import read_features
from analysis.reading.place import Place
from analysis.reading.trace import make_trace

RATE_HZ = 320.0
FALL = Place("fall", "butt_tied")


def stairs(levels: list[tuple[float, float]], seed: int = 1) -> tuple[np.ndarray, np.ndarray]:
    """Levels reached at given times, each over 0.3 s, then slack."""
    time = np.arange(0.0, levels[-1][0] + 3.0, 1 / RATE_HZ)
    force = np.zeros(time.size)
    last = 0.0
    for at, level in levels:
        force += (level - last) * np.clip((time - at) / 0.3, 0.0, 1.0)
        last = level
    return time, force + np.random.default_rng(seed).normal(0.0, 2.0, time.size)


@pytest.mark.parametrize(
    ("after", "kind"), [(1500.0, "rise"), (1000.0, "drop")], ids=["rise", "drop"]
)
def test_on_the_fall_the_step_after_the_long_wait_is_the_hand_over(after: float, kind: str) -> None:
    levels = [(3.0, 400.0), (5.0, 800.0), (7.0, 1250.0), (13.0, after), (19.0, 0.0)]
    time, force = stairs(levels)
    found = read_features(make_trace(time, force, place=FALL))
    assert found.release_kind == kind
    assert found.release_time_s == pytest.approx(13.0, abs=0.3)
    assert found.pretension_settled_n == pytest.approx(1250.0, rel=0.01)
    assert found.hang_reading_n == pytest.approx(after, rel=0.005)


def test_a_piece_that_jumps_off_its_hinge_is_a_drop_not_a_catch() -> None:
    time, force = stairs([(3.0, 900.0), (5.0, 1900.0), (16.0, 0.0)])
    ring = time - 10.0
    free = 1400.0 + 1500.0 * np.exp(-0.8 * ring) * -np.cos(2 * np.pi * 1.1 * ring) * (ring > 0)
    force = np.where((ring > 0) & (time < 16.0), np.maximum(free, 0.0), force)
    found = read_features(make_trace(time, force))
    assert found.release_kind == "drop"
    assert found.release_time_s == pytest.approx(10.0, abs=0.3)


def test_small_pulls_by_hand_on_a_slack_rope_are_no_load() -> None:
    time, force = stairs([(5.0, 300.0), (7.0, 700.0), (12.0, 1000.0), (18.0, 0.0)])
    force = force + 60.0 * np.exp(-(((time - 1.5) / 0.15) ** 2))
    found = read_features(make_trace(time, force))
    first = next(phase for phase in found.phases if phase.name == "pretension")
    assert first.start_s == pytest.approx(5.0, abs=0.3)


def test_a_drop_that_is_taken_softly_is_a_catch_where_the_rig_says_so() -> None:
    time = np.arange(0.0, 14.0, 1 / RATE_HZ)
    since = time - 3.0
    braked = 1900.0 * np.clip(since / 0.3, 0.0, 1.0)
    after = 1000.0 + 500.0 * np.exp(-1.2 * (since - 1.3)) * np.cos(2 * np.pi * 1.5 * (since - 1.3))
    force = np.where(since < 0, 0.0, np.where(since < 1.3, braked, after))
    force[time > 12.0] = 0.0
    trace = make_trace(time, force + np.random.default_rng(0).normal(0.0, 2.0, time.size))
    told = replace(trace, place=Place("piece", "let_run_drop"))
    assert read_features(told).release_kind == "catch"
