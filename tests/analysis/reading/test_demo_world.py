"""The demo's hidden world, measured by a made cell and read without knowing the truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pytest

from analysis.reading.features import Features, read_features
from analysis.reading.trace import Chain, make_trace
from logger.simcell.scenario import StationName, load_scenario
from logger.simcell.world import LoweringTruth, World, make_world

pytestmark = pytest.mark.no_cover

HISTORY_S = 10.0
AFTER_S = 1.5


@dataclass(frozen=True)
class Case:
    truth: LoweringTruth
    start_s: float
    found: Features


def measured(world: World, start_s: float, end_s: float, rate_hz: float, seed: int) -> Features:
    """Average over the converter's interval, add zero and noise, round."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(start_s + rng.uniform(0.0, 1.0 / rate_hz), end_s, 1.0 / rate_hz)
    inside = (np.arange(8) - 3.5) / 8.0 / rate_hz
    force = world.force_n((time_s[:, None] + inside).ravel()).reshape(-1, 8).mean(axis=1)
    force = np.round((force + 15.0 + rng.normal(0.0, 2.5, force.size)) / 0.5) * 0.5
    chain = Chain(calibration_rel_u=0.002, filter_delay_s=0.5 / rate_hz)
    return read_features(make_trace(time_s - start_s, force, chain=chain))


@pytest.fixture(
    scope="module",
    params=[
        (1000.0, 1),
        pytest.param((1000.0, 2), marks=pytest.mark.slow),
        (320.0, 3),
        (4000.0, 4),
    ],
)
def cases(request: pytest.FixtureRequest) -> list[Case]:
    rate_hz, seed = request.param
    world = make_world(load_scenario("demo"))
    out, before = [], 0.0
    for truth in world.lowerings:
        start = max(before, truth.start_s - HISTORY_S)
        end = truth.end_s + AFTER_S
        out.append(Case(truth, start, measured(world, start, end, rate_hz, seed)))
        before = truth.end_s + 0.7
    return out


def test_hang_weight_within_one_percent(cases: list[Case]) -> None:
    for case in cases:
        assert case.found.hang_weight_n == pytest.approx(case.truth.weight_n, rel=0.01)


def test_peak_within_its_uncertainty_at_its_time(cases: list[Case]) -> None:
    for case in cases:
        found, truth = case.found, case.truth
        assert found.peak_n is not None
        assert found.peak_n_u is not None
        assert abs(found.peak_n - truth.peak_n) <= found.peak_n_u, truth.name
        assert found.peak_n_u < 0.02 * truth.peak_n
        assert not found.peak_is_lower_bound
        if truth.method != "let_run_drop":
            assert found.peak_time_s == pytest.approx(truth.peak_s - case.start_s, abs=0.03)


def test_release_is_read_rightly(cases: list[Case]) -> None:
    for case in cases:
        found, truth = case.found, case.truth
        assert found.release_kind == truth.release_kind, truth.name
        if truth.release_peak_n is not None:
            assert found.release_peak_n == pytest.approx(truth.release_peak_n, rel=0.01)
        if truth.first_extreme_n is not None:
            assert found.first_extreme_n == pytest.approx(truth.first_extreme_n, rel=0.01)


def test_share_above_one_jumps_and_has_no_rise(cases: list[Case]) -> None:
    jumps = [case for case in cases if case.truth.share_at_release > 1.05]
    assert jumps
    for case in jumps:
        assert case.found.release_kind == "drop"
        assert case.found.peak_phase == "pretension"
        assert case.found.release_peak_n is not None
        assert case.found.pretension_settled_n is not None
        assert case.found.release_peak_n < case.found.pretension_settled_n


def test_settled_pretension_within_one_percent(cases: list[Case]) -> None:
    for case in cases:
        found, truth = case.found, case.truth
        if truth.pretension_settled_n < 1.0:
            assert found.pretension_settled_n is None, truth.name
            continue
        assert found.pretension_settled_n == pytest.approx(truth.pretension_settled_n, rel=0.01)
        assert found.pretension_max_n == pytest.approx(truth.pretension_max_n, rel=0.01)


def test_phases_end_slack(cases: list[Case]) -> None:
    for case in cases:
        names = [phase.name for phase in case.found.phases]
        assert names[0] == "slack"
        assert names[-2:] == ["touchdown", "after"]
        assert "hang" in names
        hang = next(phase for phase in case.found.phases if phase.name == "hang")
        assert hang.start_s < case.truth.down_s - case.start_s


@pytest.mark.parametrize("station", ["lead", "fall", "high_block"])
def test_other_stations_hang_and_peak(station: StationName) -> None:
    """Behind a block that sticks nothing rings; the hang is still the hang, not the lowering."""
    scenario = load_scenario("demo")
    moved = replace(scenario, scenario=replace(scenario.scenario, station=station))
    world = make_world(moved)
    before = 0.0
    for truth in world.lowerings:
        start = max(before, truth.start_s - HISTORY_S)
        found = measured(world, start, truth.end_s + AFTER_S, 1000.0, 5)
        before = truth.end_s + 0.7
        assert found.hang_weight_n == pytest.approx(truth.hang_n, rel=0.01), truth.name
        assert found.peak_n == pytest.approx(truth.peak_n, rel=0.01), truth.name
        assert found.release_kind in {truth.release_kind, "gradual"}, truth.name
        if truth.pretension_settled_n > 1.0:
            assert found.pretension_settled_n == pytest.approx(truth.pretension_settled_n, rel=0.01)
        if truth.share_at_release > 1.05:
            assert found.release_kind == "drop"
