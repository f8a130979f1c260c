"""What a followed motion tells of weight and rope, and when the reading states it."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from lowering_generator import make_lowering

from analysis.reading.features import read_features
from analysis.reading.phases import Story, tell
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.stated_by_motion import RopeEA, surer_ea
from analysis.reading.stiffness import RopeStiffness
from analysis.reading.stretches import Tells, Told
from analysis.reading.swing_fit import Fit, best_scale, fit_swing
from analysis.reading.swing_guesses import Expected, expect
from analysis.reading.swing_tells import what_it_tells
from analysis.reading.trace import FloatArray, Trace, make_trace

WEIGHT_N = 1500.0
NEVER = math.inf


def told_of(story: Story) -> Tells:
    assert story.hang is not None
    assert story.hang.told is not None
    return story.hang.told


def with_told(story: Story, weight: Told | None, **more: Told) -> Story:
    """Put in another weight (None: nothing told at all), and more."""
    assert story.hang is not None
    told = None if weight is None else replace(told_of(story), weight=weight, **more)
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
    told = told_of(story).weight
    far = read_features(trace, with_told(story, Told(3.0 * told.value, told.rel_u)))
    vague = read_features(trace, with_told(story, Told(told.value, 0.5)))
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


# --- EA ------------------------------------------------------------------------------


def test_a_swing_read_on_the_fall_tells_the_rope(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    """No ring-down is there to tell it: the sheave hides the lead's, and a pendulum has none."""
    trace, story, _ = planned_swing
    true_n = make_lowering(128).truth.ea_n
    found = read_features(trace, story)
    assert found.rope_ea_by == "motion"
    assert found.sheave is None
    assert found.rope_ea_n == pytest.approx(true_n, rel=0.05)
    assert found.rope_ea_low_n is not None
    assert found.rope_ea_high_n is not None
    assert found.rope_ea_low_n < true_n < found.rope_ea_high_n
    assert found.rope_ea_high_n < 1.3 * found.rope_ea_low_n


def test_where_its_weight_or_its_hang_is_in_doubt_no_motion_tells_the_rope(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    trace, story, _ = planned_swing
    told = told_of(story).weight
    far = with_told(story, Told(3.0 * told.value, told.rel_u))
    assert story.hang is not None
    short = replace(story, hang=replace(story.hang, start_s=story.hang.end_s - 0.8))
    vague = with_told(story, told, ea=Told(100e3, 0.2))
    for other in (far, short, vague, with_told(story, None)):
        assert read_features(trace, other).rope_ea_by is None


def ring_ea(low_n: float, high_n: float, ea_n: float | None = None) -> RopeStiffness:
    return RopeStiffness(9e3, 1e2, low_n, high_n, ea_n, "between", 50.0)


def test_the_closer_of_ring_down_and_motion_is_told_unless_they_disagree(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    trace, story, _ = planned_swing
    tells = replace(told_of(story), ea=Told(100e3, 0.03))

    def by(ring: RopeStiffness | None, motion: Tells | None = tells) -> str | None:
        found = surer_ea(trace.place, story, ring, motion)
        return found.by if found is not None else None

    assert by(None) == by(ring_ea(60e3, 300e3)) == by(ring_ea(85e3, 130e3, 105e3)) == "motion"
    assert by(ring_ea(96e3, 104e3, 100e3)) == "ring_down"
    assert by(ring_ea(200e3, 300e3)) == "ring_down"
    assert by(ring_ea(60e3, 300e3), None) == "ring_down"
    assert by(ring_ea(0.0, 0.0), None) is None


def test_a_piece_let_go_by_its_hinge_rings_too_little_to_tell_the_rope(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    """A catch tells it, a hand-over does not, whatever the fit found."""
    trace, story, _ = planned_swing
    tells = replace(told_of(story), ea=Told(100e3, 0.03))
    place = replace(trace.place, method="snubbed_drop")
    assert story.release is not None
    caught = replace(story, release=replace(story.release, kind="catch"))
    let_go = replace(story, release=replace(story.release, kind="rise"))
    found = surer_ea(place, caught, None, tells)
    assert found is not None
    assert found.by == "motion"
    assert surer_ea(place, let_go, None, tells) is None


def test_an_anchor_that_gives_way_is_no_stretch_of_the_rope(
    planned_swing: tuple[Trace, Story, float],
) -> None:
    """The motion's EA is that of rope and anchor: 2 m and 10 m on 100 kN, 6 and 60 micrometres a newton."""
    _, story, _ = planned_swing
    tells = replace(told_of(story), ea=Told(100e3, 0.02))

    def ea_of(block_m_per_n: float) -> RopeEA | None:
        rope = RopeInPlay(2.0, 10.0, 0.9, 0.015, block_m_per_n)
        return surer_ea(Place("fall", "swing", rope), story, None, tells)

    stiff, gives, soft = ea_of(0.0), ea_of(6e-6), ea_of(60e-6)
    assert stiff is not None
    assert gives is not None
    assert stiff.ea_n == pytest.approx(100e3)
    assert gives.ea_n == pytest.approx(105e3)
    assert gives.low_n < 100e3
    assert gives.high_n - gives.low_n > stiff.high_n - stiff.low_n
    assert soft is None


def test_where_it_turns_a_swing_tells_the_efficiency_of_the_block() -> None:
    """For as long as the sheave sticks there: from one cell, though it was entered 0.034 off."""
    made = make_lowering(107)
    trace, true_eta = made.trace, made.truth.eta
    assert trace.place.rope is not None
    assert abs(trace.place.rope.efficiency - true_eta) > 0.03
    story = tell(trace)
    found = read_features(trace, story)
    assert found.block_efficiency_u is not None
    assert found.block_efficiency == pytest.approx(true_eta, abs=0.005)
    assert found.block_efficiency == pytest.approx(true_eta, abs=found.block_efficiency_u)
    assert found.block_efficiency_u < trace.place.rope.efficiency_u
    vague = with_told(story, told_of(story).weight, efficiency=Told(0.9, 0.02))
    assert read_features(trace, vague).block_efficiency is None
    assert read_features(trace, with_told(story, None)).block_efficiency is None


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


def u_of(expected: Expected, fit: Fit, weights: FloatArray, residual: float) -> float:
    return what_it_tells(expected, fit, weights, WEIGHT_N, residual, 4).weight.rel_u


def test_it_is_no_smaller_than_what_noise_makes_of_the_fit() -> None:
    """Monte Carlo as the oracle: own noise, fits anew, spread of the weights found."""
    expected = expected_swing()
    row, rng = row_of(expected), np.random.default_rng(3)
    clean = WEIGHT_N * expected.swing.reading(row[None], 100)[0]
    ones, share = np.ones(100), 0.01
    found: list[float] = []
    strains: list[float] = []
    for _ in range(40):
        force = clean + rng.normal(0.0, share * WEIGHT_N, 100)
        fit = fit_swing(
            expected.swing, row, force, ones, prior=expected.prior, sd=expected.sd,
            usual_n=WEIGHT_N, every=4, most=20, noise=share,
        )  # fmt: skip
        found.append(best_scale(expected.swing.reading(fit.guess[None], 100), force, ones)[0])
        strains.append(float(fit.guess[1]))
    spread = float(np.std(found)) / WEIGHT_N
    stated = u_of(expected, Fit(row, 0.0), ones, share)
    assert spread < stated < 30.0 * spread
    ea = what_it_tells(expected, Fit(row, 0.0), ones, WEIGHT_N, share, 4).ea
    assert ea.value == pytest.approx(WEIGHT_N / math.exp(row[1]) - 0.5 * WEIGHT_N)
    apart = float(np.std(np.log(found) - np.array(strains)))
    assert apart < ea.rel_u < 30.0 * apart


def test_it_grows_with_what_is_left_and_with_a_shorter_stretch() -> None:
    expected = expected_swing()
    fit = Fit(row_of(expected), 0.0)
    whole = u_of(expected, fit, np.ones(120), 0.003)
    rough = u_of(expected, fit, np.ones(120), 0.012)
    brief = u_of(expected, fit, np.ones(30), 0.003)
    assert whole < rough
    assert whole < brief


def test_a_motion_that_cannot_be_run_tells_nothing() -> None:
    expected = expected_swing()
    row = row_of(expected)
    row[0] = math.nan
    assert u_of(expected, Fit(row, 0.0), np.ones(50), 0.003) == math.inf
