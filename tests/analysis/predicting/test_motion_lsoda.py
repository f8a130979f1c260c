"""The stepped simulation against adaptive LSODA on equations written anew."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from reference_motion import World, run, snub_peak

from analysis.predicting.motion import shortest_period_s, simulate
from analysis.predicting.motion_cases import Tackle, let_run, release, snubbed, span_release
from analysis.predicting.motion_setup import Body, Line, Setup, Sheave

G = 9.80665
MASS = 204.0
SOFT = Tackle(Line(1e5, 0.008), 1.2, 10.0, Sheave(0.9))
SPAN: dict[str, Any] = {"span_m": 6.0, "height_m": 1.0, "block": Sheave(0.9)}


def peaks(setup: Setup, duration_s: float, per_period: int = 150) -> dict[str, float]:
    step = float(np.min(shortest_period_s(setup))) / per_period
    motion = simulate(setup, step, int(duration_s / step))
    return {point: float(motion.peak_n(point)[0]) for point in motion.force_n}


def world(setup: Setup) -> World:
    """Copy the numbers of a setup; the equations are the twin's own."""

    def one(value: Any) -> float:
        return float(np.asarray(value))

    body, line, span = setup.body, setup.line, setup.span
    found = World(
        one(body.mass_kg), one(line.ea_n), one(line.tau_s), one(setup.lead_m), one(setup.fall_m),
        10.0, one(setup.block.efficiency), one(setup.x_m), one(setup.z_m),
        one(setup.vx_m_per_s), one(setup.vz_m_per_s), (one(body.tie_x_m), one(body.tie_z_m)),
        0.0 if body.gyration_m is None else one(body.gyration_m),
    )  # fmt: skip
    if span is not None:
        found.far = (one(span.x_m), one(span.z_m))
        found.standing, found.eta_piece = one(span.standing_m), one(span.block.efficiency)
    if float(np.hypot(found.x, found.z)) <= found.lead:
        # At the very moment of a catch nothing is taut and no slip is defined: a hair later.
        found.lead, found.fall = found.lead * (1 - 1e-7), found.fall * (1 - 1e-7)
    cap = setup.device.slips_above_n
    if cap is not None:
        start, end = (one(t) for t in cap.time_s)
        found.brake = (start, end - start, one(cap.value[0]), one(cap.value[1]))
    return found


CASES = {
    "snubbed": (snubbed(SOFT, Body(MASS), 1.9), 0.4),
    "snubbed, tied off centre": (snubbed(SOFT, Body(MASS, 0.8, 0.4, 0.5), 1.2), 0.6),
    "let run": (
        let_run(SOFT, Body(MASS), 1.2, reaction_s=0.3, brake_n=6000.0, loose_n=50.0), 0.7,
    ),
    "release off centre": (release(SOFT, Body(MASS, 0.9, 0.6, 0.1), 0.5), 1.2),
    "shallow span": (span_release(SOFT, Body(MASS), 0.3, rope_m=6.4, **SPAN), 0.8),
    "span off centre": (
        span_release(SOFT, Body(MASS, 0.9, 0.6, 0.1), 0.8, rope_m=9.0, fall_over_lead=1.07, **SPAN),
        1.1,
    ),
}  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_peaks_are_those_of_lsoda(name: str) -> None:
    setup, duration_s = CASES[name]
    expected = run(world(setup), duration_s)
    found = peaks(setup, duration_s)
    for leg, peak in expected.items():
        assert found[leg] == pytest.approx(peak, rel=1e-3), leg


def test_a_batch_of_snubbed_drops_is_that_of_lsoda_one_by_one() -> None:
    rng = np.random.default_rng(3)
    n = 25
    mass = 200 * np.exp(0.1 * rng.standard_normal(n))
    ea = 1e5 * np.exp(0.2 * rng.standard_normal(n))
    eta = np.clip(0.9 + 0.03 * rng.standard_normal(n), 0.5, 1.0)
    fall = rng.uniform(1.2, 2.6, n)
    setup = snubbed(Tackle(Line(ea, 0.008), 1.2, 10.0, Sheave(eta)), Body(mass), fall)
    step = shortest_period_s(setup) / 60
    slow = 2 * np.pi / np.sqrt(ea / (1.2 + eta * 10) / mass)
    motion = simulate(setup, step, int(np.max(0.3 * slow / step)) + 1)
    expected = [snub_peak(mass[i], ea[i], 0.008, 1.2, 10.0, eta[i], fall[i]) for i in range(n)]
    np.testing.assert_allclose(motion.peak_n("lead"), expected, rtol=1e-3)
