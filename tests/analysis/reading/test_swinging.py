"""A free swing is foretold by a fitted motion; where it fails, the lowering starts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from swing_twin import TwinRig, twin_swing

from analysis.reading.following import FreeSwing
from analysis.reading.letting_out import STEP_S
from analysis.reading.levels import Plateau
from analysis.reading.place import Place, RopeInPlay, can_follow, swing_s
from analysis.reading.release import Release, past_ramp
from analysis.reading.stretches import Hang, Tells, Told, hang_marks
from analysis.reading.swing_fit import _solve, best_scale, fit_swing
from analysis.reading.swing_motion import Swing
from analysis.reading.swinging import _chosen, follow_swing
from analysis.reading.trace import FloatArray, make_trace
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

LEAD_M, WEIGHT_N, ANGLE, ETA = 6.0, 1500.0, 0.7, 0.9


def guess(angle: float, strain: float = 0.01, drag_per_s: float = 0.0) -> FloatArray:
    """Let go at rest, the tension already that of a pendulum; no rope is let out."""
    start = math.cos(angle)
    free = [math.log(LEAD_M), math.log(strain), math.log(0.08), angle, 0, start, 0, start]
    return np.array([[*free, drag_per_s, ETA, math.inf, math.log(0.4), math.log(0.7), 0.0]])


def test_a_stiff_swing_pulls_as_a_pendulum_does() -> None:
    """T = W(3 cos t - 2 cos t0): from W cos t0 to W(3 - 2 cos t0); Hibbeler, Dynamics, 13.5."""
    swing = Swing("piece", 2.0 * LEAD_M)
    force = swing.reading(guess(ANGLE, strain=0.0005), 600, 1)[0]
    settled = force[50:]
    assert settled.min() == pytest.approx(math.cos(ANGLE), rel=0.03)
    assert settled.max() == pytest.approx(3.0 - 2.0 * math.cos(ANGLE), rel=0.03)
    tops = np.flatnonzero(
        (force[1:-1] > force[:-2]) & (force[1:-1] >= force[2:]) & (force[1:-1] > 1.3)
    )
    small = math.pi * math.sqrt(LEAD_M / G)
    wide = small * (1.0 + ANGLE**2 / 16.0)  # first term of the pendulum's series
    spread = np.diff(tops[[0, -1]])[0] * STEP_S / round(np.diff(tops[[0, -1]])[0] * STEP_S / wide)
    assert spread == pytest.approx(wide, rel=0.02)


def test_a_sheave_that_sticks_holds_the_fall_between_its_bounds() -> None:
    lead, fall = (
        Swing(r, 2.0 * LEAD_M).reading(guess(ANGLE), 400, 1)[0] for r in ("piece", "fall")
    )
    ratio = fall[5:] / lead[5:]
    assert ratio.min() > 0.9 - 1e-6
    assert ratio.max() < 1.0 / 0.9 + 1e-6
    flat = np.abs(np.diff(fall[100:])) < 1e-3
    assert flat.mean() > 0.3


@pytest.mark.parametrize("start_s", [math.inf, 2.5])
def test_the_compiled_motion_is_that_of_a_slow_twin(start_s: float) -> None:
    """The twin steps ten times finer and finds slips by bisection, in newtons and metres."""
    row = guess(ANGLE)
    row[0, 10:13] = start_s, math.log(0.5), math.log(0.8)
    ea = WEIGHT_N / math.exp(row[0, 1])
    omega = math.sqrt(ea / LEAD_M / (WEIGHT_N / G))
    rig = TwinRig(WEIGHT_N, ea, 2.0 * 0.08 / omega, LEAD_M, 2.0 * LEAD_M, 0.9)
    twin = np.array(
        twin_swing(
            rig, angle_rad=ANGLE, seconds=5.0, start_s=start_s, speed_m_per_s=0.5, ramp_s=0.8
        )
    )
    means = twin.reshape(125, 40, 3).mean(axis=1)
    lead, fall = (Swing(r, 2.0 * LEAD_M).reading(row, 125)[0] for r in ("piece", "fall"))
    assert np.abs(lead - means[:, 0] / WEIGHT_N).max() < 0.02
    assert np.abs(fall - means[:, 1] / WEIGHT_N).max() < 0.02
    sling = Swing("sling", 2.0 * LEAD_M, 0.3).reading(row, 125)[0]
    between = np.cos(twin[:, 2] + 0.3)
    both = np.sqrt(twin[:, 0] ** 2 + twin[:, 1] ** 2 + 2.0 * twin[:, 0] * twin[:, 1] * between)
    assert np.abs(sling - both.reshape(125, 40).mean(axis=1) / WEIGHT_N).max() < 0.04


def test_a_lead_that_goes_slack_gives_its_fall_back_its_rope() -> None:
    """Caught with three times its weight, the piece is thrown up: nothing pulls until it falls back."""
    angle = 0.1
    row = guess(angle, strain=0.02)
    row[0, 5] = row[0, 7] = 3.0
    ea = WEIGHT_N / 0.02
    omega = math.sqrt(ea / LEAD_M / (WEIGHT_N / G))
    rig = TwinRig(WEIGHT_N, ea, 2.0 * 0.08 / omega, LEAD_M, 2.0 * LEAD_M, 0.9)
    twin = np.array(twin_swing(rig, angle_rad=angle, seconds=4.0, tension_w=3.0))
    means = twin.reshape(100, 40, 3).mean(axis=1) / WEIGHT_N
    lead, fall = (Swing(r, 2.0 * LEAD_M).reading(row, 100)[0] for r in ("piece", "fall"))
    slack = means[:, 0] == 0.0
    assert slack.sum() > 5
    assert lead[slack].max() == 0.0
    assert np.abs(lead - means[:, 0]).max() < 0.06
    assert np.abs(fall - means[:, 1]).max() < 0.06


def swung(
    reads: str, *, lowers_s: float | None, seconds: float = 9.0, angle: float = ANGLE
) -> tuple[FloatArray, FloatArray]:
    """Force of a free swing with noise; from ``lowers_s`` on rope is let out."""
    swing = Swing(reads, 2.0 * LEAD_M)  # type: ignore[arg-type]
    n = round(seconds / STEP_S)
    row = guess(angle, drag_per_s=0.1)
    if lowers_s is not None:
        row[0, 10:] = lowers_s, math.log(0.5), math.log(0.9), 0.3
    noise = np.random.default_rng(5).normal(0.0, 1.0, n)
    time_s = (np.arange(n) * STEP_S).astype(np.float64)
    return time_s, WEIGHT_N * swing.reading(row, n, 1)[0] + noise


@pytest.mark.parametrize("reads", ["piece", "fall"])
def test_the_start_of_a_lowering_is_told_through_the_swing(reads: str) -> None:
    place = Place(reads, "swing", RopeInPlay(LEAD_M * 1.01, 2 * LEAD_M, 0.905, 0.015))  # type: ignore[arg-type]
    time_s, force = swung(reads, lowers_s=6.5)
    trace = make_trace(time_s, force, place=place)
    found = follow_swing(trace, force, from_s=0.5, until_s=9.0, ceiling_n=math.inf)
    assert found is not None
    assert found.known
    assert found.agreed
    assert found.end_s is not None
    assert abs(found.end_s - 6.5) < 0.25
    assert found.tells.weight.value == pytest.approx(WEIGHT_N, rel=0.02)


def test_a_swing_that_stays_free_has_no_end() -> None:
    place = Place("piece", "swing", RopeInPlay(LEAD_M, 2 * LEAD_M, 0.9, 0.015))
    time_s, force = swung("piece", lowers_s=None)
    trace = make_trace(time_s, force, place=place)
    found = follow_swing(trace, force, from_s=0.5, until_s=9.0, ceiling_n=math.inf)
    assert found is not None
    assert found.end_s is None
    assert found.known


def test_a_hold_too_short_to_foretell_from_is_told_by_the_letting_out() -> None:
    """Rope is let out before one swing is over: no free motion was seen alone."""
    place = Place("piece", "swing", RopeInPlay(LEAD_M * 0.99, 2 * LEAD_M, 0.9, 0.015))
    time_s, force = swung("piece", lowers_s=2.0, seconds=8.0)
    trace = make_trace(time_s, force, place=place)
    found = follow_swing(trace, force, from_s=0.3, until_s=8.0, ceiling_n=math.inf)
    assert found is not None
    assert found.known
    assert found.end_s is not None
    assert abs(found.end_s - 2.0) < 0.4


@pytest.mark.parametrize("gust", [0.04, 0.08])
def test_a_gust_is_no_start_of_a_lowering(gust: float) -> None:
    """After it the piece swings on as before: nothing that follows speaks for rope let out."""
    place = Place("piece", "swing", RopeInPlay(LEAD_M, 2 * LEAD_M, 0.9, 0.015))
    time_s, force = swung("piece", lowers_s=9.5, seconds=13.0)
    blows = (time_s > 5.0) & (time_s < 5.8)
    force = force + gust * WEIGHT_N * np.sin(np.pi * (time_s - 5.0) / 0.8) * blows
    trace = make_trace(time_s, force, place=place)
    found = follow_swing(trace, force, from_s=0.5, until_s=13.0, ceiling_n=math.inf)
    assert found is not None
    assert found.end_s is not None
    assert abs(found.end_s - 9.5) < 0.4
    assert found.support > 3.0


def end(at_s: float | None, residual: float, support: float, *, known: bool = True) -> FreeSwing:
    tells = Tells(Told(WEIGHT_N, 0.01), Told(60.0 * WEIGHT_N, 0.05))
    return FreeSwing(at_s, known, tells, residual, support=support)


def test_of_several_ends_the_one_that_most_speaks_for_is_taken() -> None:
    gust, start = end(20.4, 0.009, 1.0), end(24.9, 0.011, 5.0)
    assert _chosen([gust, start], 0.012) == start
    alike = [end(24.9, 0.011, 1.5), end(25.0, 0.006, 1.5), end(24.8, 0.012, 1.5)]
    chosen = _chosen([*alike, end(32.0, 0.02, 3.0)], 0.012)
    assert chosen is not None
    assert (chosen.end_s, chosen.agreed) == (25.0, True)
    rough, unknown = end(12.0, 0.024, 3.0), end(11.0, 0.004, 8.0, known=False)
    assert _chosen([rough, unknown, end(14.0, 0.012, 2.0)], 0.012) == end(14.0, 0.012, 2.0)
    assert _chosen([unknown], 0.012) == unknown
    assert _chosen([], 0.012) is None


def test_a_fit_finds_the_motion_it_was_made_of() -> None:
    row = guess(ANGLE, drag_per_s=0.1)[0]
    row[10:] = 2.0, math.log(0.5), math.log(0.9), 0.3
    swing = Swing("piece", 2.0 * LEAD_M)
    force = WEIGHT_N * swing.reading(row[None], 120)[0]
    begin = row + np.array([0.02, 0.3, 0.2, 0.05, 0.03, 0.02, 0, 0.02, 0.02, 0, 0.3, 0.2, 0.1, 0.1])
    sd = np.array([0.03, 1, 0.5, 9, 9, 0.7, 3, 0.3, 0.05, 0.015, 99, 0.6, 0.5, 0.4])
    begin[9] = 0.88
    ones = np.ones(force.size)
    found = fit_swing(
        swing, begin, force, ones, prior=row, sd=sd, usual_n=WEIGHT_N, every=4, most=30
    )
    assert found.cost < 0.1
    assert found.guess[10] == pytest.approx(2.0, abs=0.05)
    assert found.guess[0] == pytest.approx(math.log(LEAD_M), abs=0.003)
    weight = best_scale(swing.reading(found.guess[None], 120), force, ones)
    assert weight[0] == pytest.approx(WEIGHT_N, rel=2e-3)


def test_the_motion_tells_a_sheave_that_was_entered_wrongly() -> None:
    """Where a swing turns, friction does: the times at which the fall sticks tell the efficiency."""
    row = guess(ANGLE, drag_per_s=0.1)[0]
    row[9] = 0.86
    swing = Swing("piece", 2.0 * LEAD_M)
    force = WEIGHT_N * swing.reading(row[None], 120)[0]
    prior = row.copy()
    prior[9] = 0.90
    sd = np.array([0.03, 1, 0.5, 9, 9, 0.7, 3, 0.3, 0.05, 0.03, 99, 0.6, 0.5, 0.4])
    found = fit_swing(
        swing, prior, force, np.ones(force.size), prior=prior, sd=sd, usual_n=WEIGHT_N, every=4, most=30
    )  # fmt: skip
    assert found.guess[9] == pytest.approx(0.86, abs=0.006)


@pytest.mark.parametrize("measured_hung", [False, True])
def test_a_lead_measured_before_or_after_it_stretched_is_taken_alike(measured_hung: bool) -> None:
    """5 % strain over lead and fall: the piece hangs 15 % below where the rope was measured."""
    row = guess(ANGLE, strain=0.05, drag_per_s=0.1)[0]
    swing = Swing("piece", 2.0 * LEAD_M)
    force = WEIGHT_N * swing.reading(row[None], 120)[0]
    prior = row.copy()
    prior[0] = math.log(LEAD_M * (1.15 if measured_hung else 1.0))
    sd = np.array([0.01, 1, 0.5, 9, 9, 0.7, 3, 0.3, 0.05, 0.015, 99, 0.6, 0.5, 0.4])
    found = fit_swing(
        swing, prior, force, np.ones(force.size), prior=prior, sd=sd, usual_n=WEIGHT_N, every=4, most=30
    )  # fmt: skip
    assert found.guess[0] == pytest.approx(math.log(LEAD_M), abs=0.02)
    assert found.cost < 1.0


def test_a_damped_step_solves_the_normal_equations() -> None:
    """Against LAPACK, the diagonal stretched by the damping."""
    draw = np.random.default_rng(8)
    slopes, side = draw.normal(size=(9, 40)), draw.normal(size=9)
    square, found = slopes @ slopes.T, np.empty(9)
    _solve(square, side, 1.7, found)
    expected = np.linalg.solve(square + 0.7 * np.diag(np.diag(square)), side)
    assert found == pytest.approx(expected, rel=1e-10)


def test_a_guess_that_cannot_be_run_costs_without_bound() -> None:
    row = guess(ANGLE)[0]
    row[3] = math.nan
    swing = Swing("piece", 2.0 * LEAD_M)
    ones = np.ones(50)
    found = fit_swing(
        swing, row, ones, ones, prior=row, sd=np.ones(14), usual_n=1.0, every=4, most=3
    )
    assert found.cost == math.inf


def test_less_than_two_swings_tell_nothing() -> None:
    place = Place("piece", "swing", RopeInPlay(LEAD_M, 2 * LEAD_M))
    time_s, force = swung("piece", lowers_s=None, seconds=3.0)
    trace = make_trace(time_s, force, place=place)
    assert follow_swing(trace, force, from_s=0.5, until_s=3.0, ceiling_n=math.inf) is None


def test_only_one_plumb_lead_can_be_followed() -> None:
    assert can_follow(Place("piece", "swing", RopeInPlay(LEAD_M, 12.0)))
    assert not can_follow(Place("piece", "swing", None))
    assert not can_follow(Place("standing", "span_rig", RopeInPlay(LEAD_M, 12.0, legs=2)))
    assert swing_s(Place()) == 0.0


def test_the_ramp_of_a_saw_is_no_hand_over() -> None:
    time_s = np.arange(0.0, 6.0, 0.005)
    force = np.interp(time_s, [1.0, 3.0, 3.3], [500.0, 560.0, 900.0])
    level = Plateau(0.0, 1.2, 500.0, 500.0, 505.0)
    early = Release("rise", 1.3, 3.3, 3.35, 5.0, None, level)
    assert past_ramp(time_s, force, early).start_s == pytest.approx(3.0, abs=0.2)
    quick = Release("rise", 2.98, 3.3, 3.35, 5.0, None, level)
    assert past_ramp(time_s, force, quick) == quick


def test_friction_that_turns_is_no_touchdown() -> None:
    """On the fall the hang reads up to W/eta, the lowering eta W."""
    time_s = np.arange(0.0, 20.0, 0.01)
    force = np.interp(time_s, [5.0, 5.2, 15.0, 15.4], [1150.0, 800.0, 780.0, 0.0])
    hang = Hang(1.0, 5.0, still=True, period_s=0.5)
    marks = dict(hang_marks(time_s, force, None, hang, 15.4, down=True))
    assert marks["touchdown"] == pytest.approx(15.1, abs=0.1)
