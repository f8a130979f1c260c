"""What a followed motion tells of the weight, and when the reading states it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from lowering_generator import make_lowering

from analysis.reading.features import read_features
from analysis.reading.phases import Story, tell
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.stretches import ToldWeight
from analysis.reading.swing_fit import Fit, best_scale, fit_swing
from analysis.reading.swing_guesses import Expected, expect
from analysis.reading.swing_weight import weight_rel_u
from analysis.reading.trace import FloatArray, Trace, make_trace

WEIGHT_N = 1500.0
NEVER = math.inf


def told_of(story: Story) -> ToldWeight:
    assert story.hang is not None
    assert story.hang.told is not None
    return story.hang.told


def with_told(story: Story, told: ToldWeight | None) -> Story:
    assert story.hang is not None
    return replace(story, hang=replace(story.hang, told=told))


@pytest.fixture(scope="module")
def planned_swing() -> tuple[Trace, Story, float]:
    """A planned swing, cell on the fall: the sheave sticks wherever the piece turns."""
    made = make_lowering(128)
    assert (made.truth.method, made.truth.station) == ("swing", "fall")
    return made.trace, tell(made.trace), made.truth.weight_n


def test_on_the_fall_a_swing_tells_the_weight_that_a_level_leaves_in_a_band(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    trace, story, true_n = planned_swing
    found = read_features(trace, story)
    level = read_features(trace, with_told(story, None))
    assert (found.hang_weight_by, level.hang_weight_by) == ("motion", "level")
    assert not found.hang_weight_is_band
    assert level.hang_weight_is_band
    assert found.hang_weight_n is not None
    assert found.hang_weight_n_u is not None
    assert level.hang_weight_n_u is not None
    assert abs(found.hang_weight_n - true_n) < min(found.hang_weight_n_u, 0.01 * true_n)
    assert found.hang_weight_n_u < 0.3 * level.hang_weight_n_u
    assert found.hang_weight_low_n == pytest.approx(found.hang_weight_n - found.hang_weight_n_u)
    assert found.hang_weight_high_n == pytest.approx(found.hang_weight_n + found.hang_weight_n_u)
    assert found.hang_reading_n == level.hang_reading_n
    assert found.as_json()["hang_weight_by"] == "motion"
    assert "station" not in found.budgets["hang_weight_n"]


def test_a_motion_that_contradicts_the_level_is_not_stated(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    trace, story, _ = planned_swing
    told = told_of(story)
    far = read_features(trace, with_told(story, ToldWeight(3.0 * told.value_n, told.rel_u)))
    vague = read_features(trace, with_told(story, ToldWeight(told.value_n, 0.5)))
    level = read_features(trace, with_told(story, None))
    assert far.hang_weight_by == vague.hang_weight_by == "level"
    assert far.hang_weight_n == vague.hang_weight_n == level.hang_weight_n


def test_a_doubted_hang_on_the_fall_keeps_its_band(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    """A hang of 0.8 s may be a part of the lowering, whatever its motion tells."""
    trace, story, _ = planned_swing
    assert story.hang is not None
    short = replace(story, hang=replace(story.hang, start_s=story.hang.end_s - 0.8))
    found = read_features(trace, short)
    assert found.hang_weight_by == "level"
    assert found.hang_weight_is_band


def test_no_motion_tells_a_weight_under_a_tight_tag_line() -> None:
    made = make_lowering(166)
    assert "tag_line" in made.truth.flags
    assert made.truth.method == "swing"
    story = tell(made.trace)
    assert story.hang is not None
    assert story.hang.told is None
    assert read_features(made.trace, story).hang_weight_by == "level"


def test_at_b_the_motion_tells_the_side_of_the_friction() -> None:
    """A level at B leaves 3 % open here; while rope is let out the standing leg is the tighter one."""
    made = make_lowering(320)
    found = read_features(made.trace)
    level = read_features(made.trace, with_told(tell(made.trace), None))
    assert found.hang_weight_by == "motion"
    assert found.hang_weight_n == pytest.approx(made.truth.weight_n, rel=0.012)
    assert level.hang_weight_n is not None
    assert abs(level.hang_weight_n / made.truth.weight_n - 1.0) > 0.025


# --- its uncertainty -----------------------------------------------------------------


def expected_swing() -> Expected:
    place = Place("piece", "swing", RopeInPlay(6.0, 12.0, 0.9, 0.015))
    time_s = np.arange(10) / 10.0
    return expect(make_trace(time_s, np.ones(10), place=place))


def row_of(expected: Expected) -> FloatArray:
    row = expected.prior.copy()
    row[3], row[4], row[5] = 0.6, 0.0, math.cos(0.6)
    row[7], row[10] = row[5] * 0.95, NEVER
    return row


def test_it_is_no_smaller_than_what_noise_makes_of_the_fit() -> None:
    """Monte Carlo as the oracle: own noise, fits anew, spread of the weights found."""
    expected = expected_swing()
    row, rng = row_of(expected), np.random.default_rng(3)
    clean = WEIGHT_N * expected.swing.reading(row[None], 100)[0]
    ones, share, found = np.ones(100), 0.01, []
    for _ in range(40):
        force = clean + rng.normal(0.0, share * WEIGHT_N, 100)
        fit = fit_swing(
            expected.swing, row, force, ones, prior=expected.prior, sd=expected.sd,
            usual_n=WEIGHT_N, every=4, most=20, noise=share,
        )  # fmt: skip
        found.append(best_scale(expected.swing.reading(fit.guess[None], 100), force, ones)[0])
    spread = float(np.std(found)) / WEIGHT_N
    stated = weight_rel_u(expected, Fit(row, 0.0), ones, share, 4)
    assert spread < stated < 30.0 * spread


def test_it_grows_with_what_is_left_and_with_a_shorter_stretch() -> None:
    expected = expected_swing()
    fit = Fit(row_of(expected), 0.0)
    whole = weight_rel_u(expected, fit, np.ones(120), 0.003, 4)
    rough = weight_rel_u(expected, fit, np.ones(120), 0.012, 4)
    brief = weight_rel_u(expected, fit, np.ones(30), 0.003, 4)
    assert whole < rough
    assert whole < brief


def test_a_motion_that_cannot_be_run_tells_nothing() -> None:
    expected = expected_swing()
    row = row_of(expected)
    row[0] = math.nan
    assert weight_rel_u(expected, Fit(row, 0.0), np.ones(50), 0.003, 4) == math.inf
