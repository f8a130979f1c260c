"""The simulation in time against every closed form, in the limit in which that holds.

Small strain (a stiff rope) makes the geometry linear; the closed forms have no other.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from analysis.errors import PredictionError
from analysis.predicting.drop import (
    climbing_rope_stiffness_n,
    damped_peak_n,
    let_run_n,
    let_run_on_rope_n,
    moving_peak_n,
    snubbed_peak_n,
    swing_n,
    unbraked_run_m,
)
from analysis.predicting.motion import Motion, peak_of, shortest_period_s, simulate
from analysis.predicting.motion_cases import (
    Tackle,
    brake_jerks,
    damping_time_s,
    let_run,
    lowered,
    release,
    snubbed,
    span_release,
    staged_hinge,
    swing,
)
from analysis.predicting.motion_rope import RopeCurve
from analysis.predicting.motion_setup import (
    Anchor,
    Body,
    Device,
    Line,
    Profile,
    Setup,
    Sheave,
    TagLine,
)
from analysis.predicting.pretension import first_extreme_n, offset_peaks_n
from analysis.predicting.rope import lead_stiffness_n_per_m
from analysis.predicting.span import solve_span

G = 9.80665
WEIGHT = 2000.0
MASS = WEIGHT / G
CLOSE = 1e-3


def run(setup: Setup, duration_s: float, per_period: int = 100, *, ledger: bool = False) -> Motion:
    step = float(np.min(shortest_period_s(setup))) / per_period
    return simulate(setup, step, int(duration_s / step), ledger=ledger)


def tackle(ea_n: float, tau_s: float = 0.0, eta: float = 0.9) -> Tackle:
    return Tackle(Line(ea_n, tau_s), 1.2, 10.0, Sheave(eta, by_angle=False))


@pytest.mark.parametrize("over_sag", [0.0, 2.5, 10.0, 60.0])
def test_snubbed_drop_meets_the_impact_factor(over_sag: float) -> None:
    # Source: impact factor 1 + √(1 + 2h/δ_st), Gere, Mechanics of Materials 7e §9.10:
    # h/δ_st 0 → 2, 2.5 → 3.45, 10 → 5.58.
    ea = 1e8
    stiffness = float(lead_stiffness_n_per_m(ea, 1.2, 10.0, 0.9))
    fall_m = over_sag * WEIGHT / stiffness
    motion = run(snubbed(tackle(ea), Body(MASS), fall_m), 3.2 * np.sqrt(MASS / stiffness))
    expected = float(snubbed_peak_n(WEIGHT, stiffness, fall_m))
    assert motion.peak_n("lead")[0] == pytest.approx(expected, rel=CLOSE)
    published = {0.0: 2.0, 2.5: 3.45, 10.0: 5.58}
    if over_sag in published:
        assert motion.peak_n("lead")[0] / WEIGHT == pytest.approx(published[over_sag], abs=0.006)
    taut = motion.force_n["lead"][:, 0] > 1.0
    ratio = motion.force_n["fall"][taut, 0] / motion.force_n["lead"][taut, 0]
    assert np.median(ratio[: ratio.size // 2]) == pytest.approx(0.9, rel=CLOSE)


def test_climbing_rope_equation_and_its_inverse() -> None:
    # Source: 80 kg, fall factor 1.77, peak 9 kN ↔ EA 24 081 N (references §3, recomputed).
    # The equation takes strain as small; a long rope with the same force does that here by
    # scaling EA and the fall factor's energy together.
    ea = 24081.0 * 1e4
    factor = 1.77 / 1e4
    setup = snubbed(Tackle(Line(ea), 5.0, 1e-3, Sheave(1.0)), Body(80.0), 5.0 * factor)
    motion = run(setup, 2.2 / np.sqrt(ea / 5.0 / 80.0))
    peak = float(motion.peak_n("lead")[0])
    assert peak == pytest.approx(9000.0, rel=CLOSE)
    assert float(climbing_rope_stiffness_n(80.0, factor, peak)) == pytest.approx(ea, rel=3e-3)


def test_an_anchor_that_gives_softens_the_catch_as_its_spring_says() -> None:
    ea, k_anchor = 1e8, 4e6
    stiffness = float(lead_stiffness_n_per_m(ea, 10.0, 1.0, 0.9, k_anchor))
    fall_m = 5.0 * WEIGHT / stiffness
    given = Tackle(Line(ea), 10.0, 1.0, Sheave(0.9, by_angle=False), Anchor(k_anchor, 0.1, 0.02))
    motion = run(snubbed(given, Body(MASS), fall_m), 2.2 / np.sqrt(stiffness / MASS), 16)
    expected = float(snubbed_peak_n(WEIGHT, stiffness, fall_m))
    assert motion.peak_n("lead")[0] == pytest.approx(expected, rel=CLOSE)


@pytest.mark.parametrize("zeta", [0.05, 0.1, 0.3])
@pytest.mark.parametrize("over_sag", [0.0, 5.0])
def test_a_damped_catch_meets_its_closed_form(zeta: float, over_sag: float) -> None:
    ea = 1e8
    stiffness = float(lead_stiffness_n_per_m(ea, 1.2, 10.0, 0.9))
    fall_m = over_sag * WEIGHT / stiffness
    tau = float(damping_time_s(zeta, stiffness, MASS))
    motion = run(snubbed(tackle(ea, tau), Body(MASS), fall_m), 3.2 * np.sqrt(MASS / stiffness))
    speed = np.sqrt(2 * G * fall_m)
    expected = float(damped_peak_n(WEIGHT, stiffness, 0.0, speed, zeta))
    assert motion.peak_n("lead")[0] == pytest.approx(expected, rel=CLOSE)


@pytest.mark.parametrize(("share", "zeta"), [(0.2, 0.0), (0.7, 0.1), (1.25, 0.05)])
def test_release_meets_the_force_overshoot(share: float, zeta: float) -> None:
    ea = 1e8
    stiffness = ea / 11.2
    tau = float(damping_time_s(zeta, stiffness, MASS))
    setup = release(tackle(ea, tau, 1.0), Body(MASS), share)
    motion = run(setup, 3.8 * np.sqrt(MASS / stiffness))
    force = motion.force_n["lead"]
    found = peak_of(force) if share < 1 else -peak_of(-force)
    expected = float(first_extreme_n(WEIGHT, share, zeta))
    assert found[0] == pytest.approx(expected, rel=CLOSE)


def test_snubbed_while_carrying_a_share_and_moving() -> None:
    ea, share, speed = 1e8, 0.4, 0.05
    setup = release(tackle(ea, 0.0, 1.0), Body(MASS), share)
    motion = run(replace(setup, vz_m_per_s=-speed), 3.2 * np.sqrt(MASS / (ea / 11.2)))
    expected = float(moving_peak_n(WEIGHT, ea / 11.2, share, speed))
    assert motion.peak_n("lead")[0] == pytest.approx(expected, rel=CLOSE)


def test_lowering_stopped_short_meets_braking_while_lowering() -> None:
    ea, speed = 1e8, 0.05
    stiffness = float(lead_stiffness_n_per_m(ea, 1.2, 10.0, 0.9))
    rate = brake_jerks(speed, (0.004,), 1e-6, 10.0)
    setup = lowered(tackle(ea), Body(MASS), 0.9, rate)
    motion = run(setup, 0.004 + 2.2 * np.sqrt(MASS / stiffness), 200)
    expected = WEIGHT + speed * np.sqrt(stiffness * MASS)
    assert motion.force_n["lead"][1, 0] == pytest.approx(WEIGHT, rel=CLOSE)
    assert motion.peak_n("lead")[0] == pytest.approx(expected, rel=CLOSE)


def test_let_run_meets_the_braking_distance() -> None:
    # Physics notes §6: h 1.2 m, d 2 m, reaction 0.25 s: about 2.4 W.
    ea, fall_m, braking_m, reaction_s = 3e8, 1.2, 2.0, 0.25
    hold = float(let_run_n(WEIGHT, fall_m, reaction_s, braking_m))
    assert hold / WEIGHT == pytest.approx(2.4, abs=0.05)
    setup = let_run(
        tackle(ea, 2e-4), Body(MASS), fall_m,
        reaction_s=reaction_s, brake_n=0.9 * hold, grip_s=1e-5,
    )  # fmt: skip
    motion = run(setup, 0.85, 10)
    still = np.argmin(motion.z_m[:, 0])
    at_force = motion.force_n["lead"][: still - 20, 0]
    assert np.median(at_force[at_force > 0.5 * hold]) == pytest.approx(hold, rel=CLOSE)
    way = -1.2 - motion.z_m[still, 0]
    expected = braking_m + float(unbraked_run_m(fall_m, reaction_s))
    assert way == pytest.approx(expected, rel=CLOSE)


def test_let_run_on_a_rope_that_stretches() -> None:
    ea, fall_m, braking_m, reaction_s = 3e8, 0.06, 0.005, 0.011
    given = tackle(ea)
    stiffness = float(lead_stiffness_n_per_m(ea, 1.2, 10.0, 0.9))
    hold = float(let_run_on_rope_n(WEIGHT, fall_m, reaction_s, braking_m, stiffness))
    rigid = float(let_run_n(WEIGHT, fall_m, reaction_s, braking_m))
    assert hold < 0.95 * rigid
    setup = let_run(
        given, Body(MASS), fall_m, reaction_s=reaction_s, brake_n=0.9 * hold, grip_s=1e-6
    )
    motion = run(setup, 0.036, 50)
    still = np.argmin(motion.z_m[:, 0])
    way = -1.2 - motion.z_m[still, 0]
    expected = braking_m + float(unbraked_run_m(fall_m, reaction_s)) + hold / stiffness
    assert way == pytest.approx(expected, rel=CLOSE)


def test_swing_of_a_point_is_the_pendulum_with_and_without_a_tag_line() -> None:
    # Source: T = mg(3 cos θ − 2 cos θ0): from 60° 2 mg at the bottom (textbook pendulum).
    angle, lead = np.pi / 3, 4.0
    stiff = Tackle(Line(5e7, 1e-3), lead, 1e-3, Sheave(1.0))
    motion = run(swing(stiff, Body(MASS), angle), 1.25, 12)
    assert motion.peak_n("lead")[0] == pytest.approx(2 * WEIGHT, rel=CLOSE)
    theta = np.arctan2(motion.x_m[-1, 0], -motion.z_m[-1, 0])
    expected = float(swing_n(WEIGHT, angle, theta))
    assert motion.force_n["lead"][-1, 0] == pytest.approx(expected, rel=2 * CLOSE)
    # A pull of 0.2 W from straight below is more weight and no less angle.
    tag = TagLine(Profile.level(0.2 * WEIGHT), 0.0, -1e6)
    pulled = run(swing(stiff, Body(MASS), angle, tag=tag), 1.15, 12, ledger=True)
    assert pulled.peak_n("lead")[0] == pytest.approx(2.4 * WEIGHT, rel=2 * CLOSE)
    assert pulled.ledger is not None
    assert pulled.ledger.open_share < CLOSE


@pytest.mark.slow
def test_lift_off_centre_lies_between_tie_held_and_tie_free() -> None:
    # Tie free: a long plumb lead cannot hold the tie sideways. Tie held: two ropes pull it
    # from both sides, straight across.
    arm, gyration = 0.5, 0.6
    body = Body(MASS, gyration, arm, 0.0)
    held, free = (float(v) for v in offset_peaks_n(WEIGHT, arm, gyration))
    balanced = 1.0 / (1.0 + arm**2 / gyration**2)
    plumb = Tackle(Line(2.5e10, 1e-4), 500.0, 1e-3, Sheave(1.0))
    loose = run(release(plumb, body, balanced), 1.1, 8)
    assert loose.peak_n("piece")[0] == pytest.approx(free, rel=CLOSE)
    tight = span_release(
        Tackle(Line(3e8, 1e-4), 1.0, 1e-3, Sheave(1.0)), body, balanced,
        span_m=4.0, height_m=0.0, rope_m=5.0, block=Sheave(0.31, by_angle=False),
    )  # fmt: skip
    stuck = run(tight, 0.85, 8)
    assert stuck.peak_n("piece")[0] == pytest.approx(held, rel=CLOSE)


def test_a_piece_in_the_belly_of_the_rope_comes_to_rest_where_statics_says() -> None:
    # Physics notes §4.1: D 6, H 1, L 9 m; the first drop ends on the lowering side.
    setup = span_release(
        Tackle(Line(1e7, 0.004), 1.0, 1e-3, Sheave(1.0)), Body(3000.0 / G), 0.4,
        span_m=6.0, height_m=1.0, rope_m=9.0, block=Sheave(0.9, by_angle=False),
    )  # fmt: skip
    motion = run(setup, 6.0, 8)
    raising = solve_span(6.0, 1.0, 9.0, efficiency=0.9, motion=1.0, by_angle=False)
    lowering = solve_span(6.0, 1.0, 9.0, efficiency=0.9, motion=-1.0, by_angle=False)
    last = {name: float(force[-1, 0]) for name, force in motion.force_n.items()}
    ratio = last["standing"] / last["lead"]
    assert 0.9 - 1e-6 <= ratio <= 1 / 0.9 + 1e-6
    low, high = (float(s.from_high_block_m) for s in (raising, lowering))
    assert low - 0.01 < float(motion.x_m[-1, 0]) < high + 0.01
    assert last["piece"] == pytest.approx(3000.0, rel=5e-3)


CURVE = RopeCurve.through([0.02, 0.05, 0.1], [1e3, 5e3, 16e3], 1e5)
SOFT = Tackle(Line(1e5, 0.008), 1.2, 10.0, Sheave(0.9))
SPAN: dict[str, Any] = {"span_m": 6.0, "height_m": 1.0, "rope_m": 9.0, "block": Sheave(0.9)}
TILTED = Body(MASS, 0.9, 0.6, 0.1)
CASES = {
    "snubbed": snubbed(SOFT, Body(MASS), 1.9),
    "snubbed on a curved rope": snubbed(
        replace(SOFT, line=Line(1e5, 0.008, CURVE)), Body(MASS), 1.9
    ),
    "snubbed on an anchor that gives": snubbed(
        replace(SOFT, anchor=Anchor(5e4, 50.0)), Body(MASS), 1.9
    ),
    "let run": let_run(SOFT, Body(MASS), 1.2, reaction_s=0.3, brake_n=4500.0, loose_n=50.0),
    "lowered in jerks": lowered(SOFT, Body(MASS), 0.9, brake_jerks(1.0, (0.3, 1.2), 0.05, 0.4)),
    "swing": swing(SOFT, Body(MASS), 1.0),
    "swing, tied at the tip": swing(SOFT, Body(MASS, 1.0, -1.0, 0.8), 1.0),
    "swing on a tag line": swing(
        SOFT, Body(MASS, 1.0, 0.0, 0.3), 1.0,
        tag=TagLine(Profile((0.4, 0.6), (500.0, 0.0)), -6.0, -5.0, 0.2, 0.1),
    ),
    "release": span_release(SOFT, Body(MASS), 0.8, fall_over_lead=1 / 0.93, **SPAN),
    "release of too much": span_release(SOFT, Body(MASS), 1.25, fall_over_lead=1.08, **SPAN),
    "release off centre": span_release(
        SOFT, TILTED, 0.8, fall_over_lead=1.08, anchor=Anchor(2e5, 80.0), **SPAN
    ),
    "release in stages": span_release(
        SOFT, TILTED, 0.5, hinge=staged_hinge((0.1, 0.4, 0.8), (0.6, 0.25, 0.0), 0.02), **SPAN
    ),
    "winched up on its hinge": replace(
        span_release(SOFT, Body(MASS), 0.5, hinge=Profile.level(1.0), **SPAN),
        device=Device(Profile((0.0, 0.2), (0.0, -0.4))),
    ),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_the_energy_ledger_closes(name: str) -> None:
    # A slack rope that catches again does so within one step: finer where that happens.
    motion = run(CASES[name], 1.6, 300 if name.startswith("snub") else 60, ledger=True)
    ledger = motion.ledger
    assert ledger is not None
    assert ledger.open_share < CLOSE
    for lost in (ledger.rope_damping_j, ledger.anchor_damping_j, ledger.sheaves_j, ledger.device_j):
        largest = float(np.abs(ledger.potential_j).max() + np.abs(ledger.elastic_j).max())
        assert np.diff(lost, axis=0).min() > -5e-4 * largest
    assert all(np.all(force >= 0.0) for force in motion.force_n.values())


def test_a_ledger_with_an_entry_missing_does_not_close() -> None:
    motion = run(CASES["snubbed"], 0.4, 60, ledger=True)
    assert motion.ledger is not None
    assert replace(motion.ledger, sheaves_j=0.0 * motion.ledger.sheaves_j).open_share > 5 * CLOSE


@pytest.mark.slow
@pytest.mark.parametrize("name", ["snubbed", "release off centre", "swing, tied at the tip"])
def test_half_the_step_leaves_a_smaller_error(name: str) -> None:
    setup = CASES[name]
    period = float(np.min(shortest_period_s(setup)))

    def peaks(per_period: int) -> np.ndarray:
        step = period / per_period
        motion = simulate(setup, step, int(1.0 / step))
        return np.array([motion.peak_n(point)[0] for point in motion.force_n])

    limit = peaks(400)
    errors = [float(np.abs(peaks(n) / limit - 1).max()) for n in (20, 50, 100)]
    assert errors[2] < errors[0]
    assert errors[1] < 2e-3
    assert errors[2] < 5e-4


def test_simulations_side_by_side_are_those_one_by_one() -> None:
    masses = np.array([150.0, 204.0, 300.0])
    falls = np.array([0.6, 1.9, 1.2])
    together = simulate(snubbed(SOFT, Body(masses), falls), np.array([2e-3, 1e-3, 3e-3]), 200)
    for i, (mass, fall_m, step) in enumerate(zip(masses, falls, (2e-3, 1e-3, 3e-3), strict=True)):
        alone = simulate(snubbed(SOFT, Body(mass), fall_m), step, 200)
        for point, force in alone.force_n.items():
            np.testing.assert_allclose(together.force_n[point][:, i], force[:, 0], rtol=1e-9)


def test_a_stiffening_rope_catches_harder_and_its_table_is_checked() -> None:
    linear = run(CASES["snubbed"], 0.5).peak_n("lead")[0]
    curved = run(CASES["snubbed on a curved rope"], 0.5).peak_n("lead")[0]
    assert curved > 1.2 * linear
    through_origin = RopeCurve.through([0.0, 0.02, 0.05, 0.1], [0.0, 1e3, 5e3, 16e3], 1e5)
    assert through_origin.stored(np.array([0.08])) == pytest.approx(CURVE.stored(np.array([0.08])))
    for strain, force in (
        ([0.02, 0.01], [1.0, 2.0]),
        ([0.01, 0.02], [2.0, 1.0]),
        ([0.01], [1.0, 2.0]),
    ):
        with pytest.raises(PredictionError, match="must both rise"):
            RopeCurve.through(strain, force, 1e5)
