"""The hidden world against closed forms of physics.md, and the shipped scenario."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from logger.simcell.motion import STANDARD_GRAVITY_M_PER_S2, Motion, lower_piece, smooth_step
from logger.simcell.ropepath import Leg, RopeCurve, Sheave, pay_out, run_over
from logger.simcell.scenario import (
    Body,
    DownTable,
    DragTable,
    Lowering,
    PretensionTable,
    ReleaseTable,
    RigTable,
    RopeTable,
    RunTable,
    Scenario,
    ScenarioError,
    Signal,
    Timing,
    load_scenario,
    parse_scenario,
)
from logger.simcell.world import World, make_world, truth_dict

WEIGHT_N = 2000.0
LINEAR = RopeTable(stiffness_n=60_000.0)
STEP_S = 0.0005


def run(lowering: Lowering, seconds: float, step_s: float = STEP_S) -> np.ndarray:
    """Readings at the stations of a held piece, without hand or ground."""
    motion = Motion(lowering, step_s)
    rows = []
    for k in range(round(seconds / step_s)):
        motion.advance(k * step_s)
        rows.append(motion.reading())
    return np.asarray(rows)


def snub(**rope: float) -> Lowering:
    return Lowering(
        name="s",
        method="snubbed_drop",
        weight_n=WEIGHT_N,
        rope=replace(LINEAR, **rope),
        rig=RigTable(lead_m=1.0, fall_m=8.0),
        release=ReleaseTable(fall_m=1.2),
    )


def upright_span(share: float, rope: RopeTable = LINEAR) -> Lowering:
    """Both legs as good as vertical: the straight legs of physics.md §5."""
    return Lowering(
        name="u",
        method="span_rig",
        weight_n=WEIGHT_N,
        rope=rope,
        rig=RigTable(span_m=0.02, piece_x_m=0.01, piece_below_m=4.0, fall_m=6.0),
        pretension=PretensionTable(force_n=share * WEIGHT_N),
    )


def test_snubbed_drop_on_a_linear_rope() -> None:
    """F = W(1 + √(1 + 2hk/W)), impact factor of Gere 7e §9.10 (references.md §3)."""
    stiffness = 60_000.0 / 9.0
    expected = WEIGHT_N * (1.0 + math.sqrt(1.0 + 2.0 * 1.2 * stiffness / WEIGHT_N))
    assert run(snub(), 1.2)[:, 0].max() == pytest.approx(expected, rel=1e-3)


def test_free_fall_lasts_as_long_as_it_must() -> None:
    loaded = np.flatnonzero(run(snub(), 1.2)[:, 0] > 1.0)[0] * STEP_S
    assert loaded == pytest.approx(math.sqrt(2 * 1.2 / STANDARD_GRAVITY_M_PER_S2), abs=2 * STEP_S)


def test_half_the_step_gives_the_same_peak() -> None:
    rough = snub(stiffening=12.0, viscosity_s=0.05)
    rough = replace(
        rough, rig=replace(rough.rig, efficiency=0.9, light_efficiency=0.82, scale_n=2500.0)
    )
    peaks = [run(rough, 1.2, step)[:, 0].max() for step in (0.0005, 0.00025)]
    assert peaks[0] == pytest.approx(peaks[1], rel=2e-3)


def test_a_stiffening_rope_hits_harder_and_a_viscous_one_rings_less() -> None:
    plain, stiff, lossy = (
        run(snub(**rope), 3.0)[:, 0] for rope in ({}, {"stiffening": 12.0}, {"viscosity_s": 0.05})
    )
    assert stiff.max() > 1.1 * plain.max()
    assert lossy[3000:].max() < 0.8 * plain[3000:].max()


@pytest.mark.parametrize("share", [0.0, 0.4, 0.7])
def test_central_release_of_straight_legs(share: float) -> None:
    """Undamped first peak W(2 − κ) (physics.md §5); 2W at share 0."""
    assert run(upright_span(share), 1.0)[:, 0].max() == pytest.approx(
        (2.0 - share) * WEIGHT_N, rel=2e-3
    )


def test_a_piece_that_carries_too_much_jumps() -> None:
    reading = run(upright_span(1.25), 0.5)[:, 0]
    assert reading.min() == pytest.approx(0.75 * WEIGHT_N, rel=2e-3)
    assert reading.max() == pytest.approx(1.25 * WEIGHT_N, rel=2e-3)


def test_swing_without_drag() -> None:
    """T = W(3 cos θ − 2 cos θ0): 2W at the bottom from 60° (references.md §3)."""
    angle = math.radians(60.0)
    swing = Lowering(
        name="p",
        method="swing",
        weight_n=WEIGHT_N,
        rope=RopeTable(stiffness_n=2e7),
        rig=RigTable(lead_m=2.0, fall_m=1.0),
        release=ReleaseTable(angle_rad=angle, initial_n=WEIGHT_N * math.cos(angle)),
    )
    assert run(swing, 1.5, 0.0001)[:, 0].max() == pytest.approx(2.0 * WEIGHT_N, rel=5e-3)


@pytest.mark.parametrize("method", ["snubbed_drop", "span_rig"])
def test_at_rest_the_reading_is_the_weight(method: str) -> None:
    rope = RopeTable(stiffness_n=60_000.0, stiffening=10.0, viscosity_s=0.3)
    rig = RigTable(
        lead_m=1.0, fall_m=8.0, span_m=5.0, piece_x_m=2.4, piece_below_m=4.0,
        efficiency=0.9, light_efficiency=0.8, piece_efficiency=0.93, piece_light_efficiency=0.9,
    )  # fmt: skip
    lowering = Lowering(
        name="h",
        method=method,  # type: ignore[arg-type]
        weight_n=WEIGHT_N,
        rope=rope,
        rig=rig,
        pretension=PretensionTable(force_n=1500.0),
        body=Body(1.0, 0.1, 0.5),
        drag=DragTable(side_n_s_per_m=900.0, spin_n_m_s=700.0),
    )
    direct, lead, fall, standing, block = run(lowering, 9.0)[-1]
    assert direct == pytest.approx(WEIGHT_N, rel=1e-3)
    assert 0.89 * lead <= fall <= lead / 0.79
    if method == "span_rig":
        assert standing > 0.0
    else:
        assert block == pytest.approx(lead + fall, rel=1e-6)
        assert lead == pytest.approx(direct)


def test_let_run_holds_what_the_hand_holds() -> None:
    """T_b = W(1 + (h + s0)/d) (physics.md §6) with a stiff rope and no reaction time."""
    free = Lowering(
        name="r",
        method="let_run_drop",
        weight_n=WEIGHT_N,
        rope=RopeTable(stiffness_n=400_000.0, viscosity_s=0.02),
        rig=RigTable(lead_m=1.0, fall_m=8.0),
        release=ReleaseTable(fall_m=1.2),
        run=RunTable(brake_n=2.0 * WEIGHT_N, drag_n=2.0 * WEIGHT_N, reaction_s=0.0),
        down=DownTable(after_s=3.0),
    )
    trace = lower_piece(free, STEP_S)
    braking = trace.force_n["piece"]
    assert braking[:5000].max() == pytest.approx(2.0 * WEIGHT_N, rel=0.03)
    assert trace.run_m == pytest.approx(1.2 * WEIGHT_N / (2.0 * WEIGHT_N - WEIGHT_N), rel=0.06)


def test_butt_tied_hand_over_is_gradual() -> None:
    slow = Lowering(
        name="b",
        method="butt_tied",
        weight_n=WEIGHT_N,
        rope=replace(LINEAR, viscosity_s=0.15),
        rig=RigTable(lead_m=3.0, fall_m=8.0),
        release=ReleaseTable(hinge_s=2.0),
        down=DownTable(after_s=6.0),
    )
    scenario = Scenario(Timing(), (slow,))
    (truth,) = make_world(scenario).lowerings
    assert truth.release_kind == "gradual"
    assert truth.hang_n == pytest.approx(WEIGHT_N, rel=2e-3)
    assert truth.release_peak_n is not None
    assert truth.release_peak_n < 1.1 * WEIGHT_N


def test_a_sheave_sticks_between_its_limits() -> None:
    curve = RopeCurve(50_000.0)
    high, low = Leg(curve, 2.0, 1000.0), Leg(curve, 5.0, 950.0)
    run_over(high, low, Sheave(0.9, 0.9), STEP_S)
    assert high.tension_n(STEP_S) == pytest.approx(1000.0)
    run_over(high, low, Sheave(0.98, 0.98), STEP_S)
    assert low.tension_n(STEP_S) == pytest.approx(0.98 * high.tension_n(STEP_S), rel=1e-5)


def test_a_device_gives_only_what_is_too_much() -> None:
    leg = Leg(RopeCurve(50_000.0, 8.0), 3.0, 900.0)
    pay_out(leg, 1200.0, STEP_S)
    assert leg.tension_n(STEP_S) == pytest.approx(900.0)
    pay_out(leg, 400.0, STEP_S)
    assert leg.tension_n(STEP_S) == pytest.approx(400.0, rel=1e-5)


def test_sheaves_run_easier_under_load() -> None:
    sheave = Sheave(0.92, 0.86, 900.0)
    assert sheave.at(0.0) == pytest.approx(0.86)
    assert sheave.at(900.0) == pytest.approx(0.89)
    assert sheave.at(1e9) == pytest.approx(0.92)


def test_a_piece_that_never_comes_down_is_refused() -> None:
    hanging = replace(snub(viscosity_s=0.05), down=DownTable(after_s=2.0, drop_m=500.0))
    with pytest.raises(ScenarioError, match="never lies still"):
        lower_piece(hanging, STEP_S)


def test_pretension_on_a_slack_rope_is_refused_and_says_what_to_write() -> None:
    slack = replace(snub(viscosity_s=0.05), method="tip_tied", release=ReleaseTable())
    slack = replace(slack, pretension=PretensionTable(force_n=800.0))
    with pytest.raises(ScenarioError, match=r"write release\.initial_n"):
        lower_piece(slack, STEP_S)


# --- the shipped scenario ------------------------------------------------------------


@pytest.fixture(scope="module")
def demo() -> World:
    return make_world(load_scenario("demo"))


def longest_slack_s(force_n: np.ndarray) -> float:
    edges = np.flatnonzero(np.diff(np.r_[True, force_n > 1.0, True].astype(int)))
    return float(np.diff(edges)[::2].max() if edges.size > 1 else 0.0) * 0.001


def test_the_demo_fits_its_time(demo: World) -> None:
    assert demo.duration_s <= 38.0
    assert demo.lowerings[0].start_s >= 1.0
    for before, after in zip(demo.lowerings, demo.lowerings[1:], strict=False):
        quiet = demo.force_n(np.arange(before.touch_s, after.down_s, 0.001))
        assert np.flatnonzero(quiet > 1.0).size
        assert longest_slack_s(quiet) >= 2.19
    assert [t.method for t in demo.lowerings] == [
        "span_rig", "swing", "snubbed_drop", "let_run_drop", "span_rig",
    ]  # fmt: skip


@pytest.mark.parametrize("number", range(5))
def test_each_demo_lowering_hangs_still_and_ends_slack(demo: World, number: int) -> None:
    truth = demo.lowerings[number]
    still = demo.force_n(np.arange(truth.down_s - 1.2, truth.down_s + 0.05, 0.001))
    assert np.abs(still / truth.weight_n - 1.0).max() < 0.01
    assert truth.hang_n == pytest.approx(truth.weight_n, rel=1e-3)
    quiet = demo.force_n(np.arange(truth.end_s, truth.end_s + 1.4, 0.001))
    assert np.abs(quiet).max() < 1.0
    assert truth.touch_s > truth.down_s


def test_the_demo_shows_what_it_should(demo: World) -> None:
    span, swing, snubbed, let_run, jump = demo.lowerings
    assert span.share_at_release == pytest.approx(0.70, abs=0.01)
    assert span.release_kind == "rise"
    assert span.pretension_max_n > span.pretension_settled_n
    assert span.peak_n == span.release_peak_n
    assert 1.4 * swing.weight_n < swing.peak_n < 2.0 * swing.weight_n
    assert 4.0 * snubbed.weight_n < snubbed.peak_n < 15_000.0
    assert let_run.peak_n < 0.6 * snubbed.peak_n
    assert 1.8 < let_run.run_m < 2.4
    assert jump.share_at_release == pytest.approx(1.25, abs=0.01)
    assert jump.release_kind == "drop"
    assert jump.release_peak_n is None
    assert jump.first_extreme_n is not None
    assert jump.first_extreme_n < jump.weight_n
    assert jump.peak_n == jump.pretension_max_n


def test_the_tape_would_get_the_demo_weights_within_15_percent() -> None:
    """Northern red oak: 1000·0.56·(1 + 83.1 %) kg/m³ (Miles & Smith 2009), frustums."""
    density = 1000.0 * 0.56 * 1.831
    off = []
    for lowering in load_scenario("demo").lowering:
        measured = lowering.measured
        (_, a), (length, b) = measured["diameters_m"]
        volume = math.pi / 12.0 * length * (a * a + a * b + b * b)
        wood_n = volume * density * STANDARD_GRAVITY_M_PER_S2
        off.append(lowering.weight_n * (1.0 - measured["brush_share"]) / wood_n - 1.0)
    assert max(map(abs, off)) < 0.15
    assert max(map(abs, off)) > 0.05


@pytest.mark.no_cover
def test_a_heavier_tree_weighs_more_and_nothing_else_moves(demo: World) -> None:
    scenario = load_scenario("demo")
    heavy = make_world(scenario, 1.2)
    assert scenario == load_scenario("demo")
    for light, now in zip(demo.lowerings, heavy.lowerings, strict=True):
        assert now.weight_n == pytest.approx(1.2 * light.weight_n)
        assert now.hang_n == pytest.approx(1.2 * light.hang_n, rel=2e-3)
        assert now.pretension_settled_n == pytest.approx(light.pretension_settled_n)
        assert now.fall_m == light.fall_m
    assert heavy.lowerings[0].share_at_release == pytest.approx(0.70 / 1.2, abs=0.01)


@pytest.mark.no_cover
def test_the_world_is_the_same_each_time(demo: World) -> None:
    again = make_world(load_scenario("demo"))
    assert demo.grid_n is not None
    assert again.grid_n is not None
    assert np.array_equal(again.grid_n, demo.grid_n)
    assert truth_dict(again) == truth_dict(demo)


def test_outside_the_scenario_the_rope_is_slack(demo: World) -> None:
    assert demo.force_n(np.array([-5.0, 0.0, 1e4])).tolist() == [0.0, 0.0, 0.0]


def test_stations_and_repeats() -> None:
    scenario = load_scenario("demo")
    fall = replace(
        scenario,
        scenario=replace(scenario.scenario, station="fall", repeat=2),
        lowering=scenario.lowering[2:3],
    )
    world = make_world(fall)
    assert len(world.lowerings) == 2
    assert 0.8 * 1900.0 < world.lowerings[0].hang_n < 1900.0 / 0.8
    assert world.lowerings[0].peak_n < 0.95 * 11_000.0
    assert world.lowerings[0].peak_n == world.lowerings[1].peak_n


# --- signals -------------------------------------------------------------------------


def test_signals() -> None:
    time_s = np.array([0.0, 0.25, 0.75, 1.25])
    made = {
        kind: make_world(Scenario(signal=Signal(kind, 10.0, 4.0, 1.0))).force_n(time_s)
        for kind in ("constant", "sine", "ramp", "counter")
    }
    assert made["constant"].tolist() == [10.0] * 4
    assert made["sine"] == pytest.approx([10.0, 14.0, 6.0, 14.0])
    assert made["ramp"] == pytest.approx([10.0, 11.0, 13.0, 11.0])
    world = make_world(Scenario(signal=Signal("counter")))
    assert world.counter
    assert truth_dict(world)["duration_s"] is None


def test_a_csv_is_played(tmp_path: Path) -> None:
    path = tmp_path / "f.csv"
    path.write_text("time_s,force_n\n5.0,0\n6.0,100\n7.0,50\n")
    world = make_world(Scenario(signal=Signal("csv", path=str(path))))
    assert world.force_n(np.array([0.5, 1.5, 9.0])) == pytest.approx([50.0, 75.0, 0.0])
    path.write_text("a,b\n1,2\n")
    with pytest.raises(ScenarioError, match="time_s,force_n"):
        make_world(Scenario(signal=Signal("csv", path=str(path))))
    path.write_text("time_s,force_n\n1,2\n")
    with pytest.raises(ScenarioError, match="rising"):
        make_world(Scenario(signal=Signal("csv", path=str(path))))


def test_a_world_of_nothing_is_slack() -> None:
    assert World("", 1.0, 1.0).force_n(np.zeros(3)).tolist() == [0.0] * 3


# --- scenario files ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "either"),
        ("[signal", "Expected"),
        ("[signal]\nkind = 'square'", "signal.kind: expected one of constant"),
        ("[signal]\nkind = 'sine'\nlevel_n = 'much'", "signal.level_n: expected a number"),
        ("[signal]\nkind = 'sine'\nlevel = 1", "signal.level: unknown key"),
        ("signal = 3", "signal: expected a table"),
        ("[signal]\nkind = 'csv'\npath = 3", "signal.path: expected text"),
        ("[[lowering]]\nname='a'\nmethod='swing'", r"lowering\[0\].weight_n: missing"),
        ("[scenario]\nrepeat = 1.5\n[signal]\nkind='sine'", "repeat: expected a whole number"),
    ],
)
def test_a_bad_scenario_names_the_key(text: str, message: str) -> None:
    with pytest.raises(ScenarioError, match=message):
        parse_scenario(text, "x.toml")


def test_a_missing_scenario_file(tmp_path: Path) -> None:
    with pytest.raises(ScenarioError, match="give a scenario file or 'demo'"):
        load_scenario(str(tmp_path / "none.toml"))
    path = tmp_path / "s.toml"
    path.write_text("[signal]\nkind = 'constant'\nlevel_n = 5\n")
    assert load_scenario(str(path)).signal == Signal("constant", 5.0)


def test_smooth_step_is_level_at_its_ends() -> None:
    assert smooth_step(0.001) < 1e-5
    assert smooth_step(0.999) > 1.0 - 1e-5
