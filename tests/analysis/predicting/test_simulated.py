"""Predictions that rest on the simulation in time: every station, shares, seeds, accuracy."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest

from analysis.errors import PredictionError
from analysis.predicting import simulated
from analysis.predicting.drawn import Case
from analysis.predicting.motion import simulate
from analysis.predicting.piece import draw, estimate
from analysis.predicting.predict import predict
from analysis.predicting.pretension import force_overshoot
from analysis.predicting.shares import TOGETHER, VarianceShares
from logger.records import (
    Diameter,
    Drop,
    Node,
    Piece,
    Release,
    Rig,
    Rope,
    RopePoint,
    Station,
    Swing,
    TagLine,
)

ROPE = Rope(name="blue", stiffness_n=60e3)
BLOCK = Node(name="A", role="high_block", z_m=10.0)
DEVICE = Node(name="D", role="device")
REDIRECT = Node(name="R", role="redirect", x_m=-1.0, z_m=0.5)
TIE = Station(name="tie", mount="end", leg="lead")
SLING = Station(name="sling", mount="sling", node="A")
SPAN_STATIONS = (
    Station(name="end", mount="end", node="B"),
    Station(name="top", mount="sling", node="A"),
    Station(name="base", mount="sling", node="R"),
    Station(name="line", mount="running_line", leg="fall"),
)


def piece(**more: Any) -> Piece:
    given: dict[str, Any] = {"release": Release(share_carried=0.8), **more}
    ends = (Diameter(at_m=0.0, diameter_m=0.35), Diameter(at_m=3.0, diameter_m=0.30))
    return Piece(name="P1", length_m=3.0, rig="R", species="white oak", diameters=ends, **given)


def span_rig(rope_length_m: float = 9.0, **more: Any) -> Rig:
    nodes = (
        DEVICE, REDIRECT, BLOCK, Node(name="P", role="piece_block"),
        Node(name="B", role="anchor", x_m=6.0, z_m=9.0, stiffness_n_per_m=3e5),
    )  # fmt: skip
    return Rig(
        name="R", method="span_rig", rope="blue",
        station=Station(name="cell", mount="sling", node="P"), nodes=nodes,
        rope_length_m=rope_length_m, more_stations=SPAN_STATIONS, **more,
    )  # fmt: skip


def line_rig(method: Any, **more: Any) -> Rig:
    return Rig(
        name="R", method=method, rope="blue", station=TIE, nodes=(BLOCK, DEVICE),
        more_stations=(SLING,), **{"lead_length_m": 3.0, **more},
    )  # fmt: skip


def test_every_station_has_its_own_distribution() -> None:
    for share in (0.8, 0.3):
        result = predict(piece(release=Release(share_carried=share)), span_rig(), ROPE)
        assert json.loads(json.dumps(result, allow_nan=False)) == result
        stations = result["stations"]
        assert list(stations) == ["cell", "end", "top", "base", "line"]
        assert result["simulated"] == (share < 0.6)
        for key in ("peak_n", "peak_quantiles", "hang_reading_n", "variance_shares"):
            assert stations["cell"][key] == result[key]
        for found in stations.values():
            peak = found["peak_n"]
            assert 0 < peak["p05"] < peak["p50"] < peak["p95"]
            forces = found["peak_quantiles"]["force_n"]
            assert forces == sorted(forces)
            assert sum(found["variance_shares"].values()) == pytest.approx(1.0)
        # First drop: the standing leg is the high side, the fall the low one.
        middle = {name: found["peak_n"]["p50"] for name, found in stations.items()}
        assert middle["line"] < middle["end"] < middle["cell"]
        assert middle["line"] < middle["base"] < 2 * middle["line"]


def test_a_shallow_span_goes_beyond_the_straight_legs() -> None:
    low = piece(release=Release(share_carried=0.3))
    factors = [predict(low, span_rig(m), ROPE)["dynamic_factor"]["p50"] for m in (16.0, 6.5, 6.2)]
    straight = 1.0 + 0.7 * float(force_overshoot(0.1))
    assert factors[0] == pytest.approx(straight, rel=0.03)
    assert factors[1] > 1.04 * factors[0]
    assert factors[2] > 1.1 * factors[0]


def test_a_lift_off_centre_is_simulated_where_the_lengths_are_known() -> None:
    off = piece(release=Release(share_carried=0.8, offset_m=0.6))
    central = predict(piece(), span_rig(), ROPE)
    result = predict(off, span_rig(), ROPE)
    assert result["simulated"]
    assert result["peak_n"]["p50"] > 1.3 * central["peak_n"]["p50"]
    held = result["upper_indications"]["tie_held_n"]["p50"]
    assert result["peak_n"]["p50"] == pytest.approx(held, rel=0.5)
    single = predict(off, line_rig("tip_tied"), ROPE)
    bare = predict(off, line_rig("tip_tied", lead_length_m=None), ROPE)
    assert single["simulated"]
    assert not bare["simulated"]
    assert any("write lead_length_m" in text for text in bare["basis"])
    assert "off-centre lift" in bare["variance_shares"]


def test_a_swing_of_a_limb_tied_at_its_tip_is_that_of_a_body() -> None:
    swung = piece(swing=Swing(angle_rad=0.9), release=Release(share_carried=0.8, offset_m=1.0))
    result = predict(swung, line_rig("swing"), ROPE)
    assert any("swing simulated in time" in text for text in result["basis"])
    released = predict(
        piece(release=Release(share_carried=0.8, offset_m=1.0)), line_rig("tip_tied"), ROPE
    )
    assert result["dynamic_factor"]["p95"] >= released["dynamic_factor"]["p50"]
    assert result["dynamic_factor"]["p50"] >= 3 - 2 * math.cos(0.9) - 0.1


def test_a_hand_on_the_tag_line_makes_the_swing_milder_or_the_rope_heavier() -> None:
    swung = piece(swing=Swing(angle_rad=0.9), release=None)
    free = predict(swung, line_rig("swing"), ROPE)
    back = predict(swung, line_rig("swing", tag_line_pull=TagLine(force_n=500.0)), ROPE)
    assert back["simulated"]
    assert any("holding it back" in text for text in back["basis"])
    assert back["dynamic_factor"]["p50"] < 0.97 * free["dynamic_factor"]["p50"]
    down = TagLine(force_n=500.0, down_rad=1.5)
    pressed = predict(swung, line_rig("swing", tag_line=True, tag_line_pull=down), ROPE)
    assert pressed["dynamic_factor"]["p50"] > free["dynamic_factor"]["p50"]
    assert any("hang reading and the swing" in text for text in pressed["warnings"])
    kept = piece(swing=Swing(angle_rad=0.0), release=Release(share_carried=0.0))
    released = predict(kept, line_rig("swing", tag_line_pull=TagLine(force_n=10.0)), ROPE)
    assert released["dynamic_factor"]["p50"] > 1.6


def test_the_rope_s_own_curve_is_used_in_a_snubbed_drop() -> None:
    drop = piece(drop=Drop(tie_above_block_m=0.6, centre_above_tie_m=0.7))
    straight = predict(drop, line_rig("snubbed_drop"), ROPE)
    rows = ((0.02, 1e3), (0.05, 4e3), (0.1, 12e3))
    table = tuple(RopePoint(elongation=x, force_n=f) for x, f in rows)
    stiffening = predict(drop, line_rig("snubbed_drop"), _rope(curve=table))
    assert stiffening["simulated"]
    assert any("own curve" in text for text in stiffening["basis"])
    assert stiffening["peak_n"]["p50"] > 1.05 * straight["peak_n"]["p50"]
    linear = tuple(RopePoint(elongation=x, breaking_share=x) for x in (0.05, 0.1))
    same = predict(drop, line_rig("snubbed_drop"), _rope(curve=linear, breaking_strength_n=60e3))
    assert same["peak_n"]["p50"] == pytest.approx(straight["peak_n"]["p50"], rel=0.03)
    assert same["peak_n"]["p95"] == pytest.approx(straight["peak_n"]["p95"], rel=0.05)
    with pytest.raises(PredictionError, match=r"rope 'blue': curve\.force_n is missing"):
        predict(drop, line_rig("snubbed_drop"), _rope(curve=linear))
    hard = tuple(RopePoint(elongation=x, force_n=f) for x, f in ((0.01, 1.0), (0.0100001, 1e6)))
    told = predict(drop, line_rig("snubbed_drop"), _rope(curve=hard))
    assert any("too stiff to simulate" in text for text in told["warnings"])


def _rope(**more: Any) -> Rope:
    return Rope(name="blue", stiffness_n=60e3, **more)


def test_a_limb_that_rises_swings_otherwise_than_a_level_one() -> None:
    off = Release(share_carried=0.8, offset_m=0.8)
    factors = [
        predict(piece(release=off, inclination_rad=rise), line_rig("tip_tied"), ROPE)[
            "dynamic_factor"
        ]["p50"]
        for rise in (0.0, 0.9)
    ]
    # Tied at a tip that is up already, the butt has less way to swing.
    assert factors[1] < 0.9 * factors[0]
    assert simulated.tied_towards_tip(_case(piece(tie_from_butt_m=2.5), line_rig("tip_tied")))
    assert not simulated.tied_towards_tip(_case(piece(tie_from_butt_m=0.5), line_rig("tip_tied")))
    assert not simulated.tied_towards_tip(_case(piece(), line_rig("butt_tied")))


def _case(given: Piece, rig: Rig, n: int = 100) -> Case:
    rng = np.random.default_rng(2)
    shift = rng.standard_normal(n)
    return Case(given, rig, ROPE, estimate(given), draw(given, rng, n), shift, rng)


def test_a_rope_too_stiff_for_the_steps_falls_back_and_says_so() -> None:
    wire = Rope(name="wire", stiffness_n=5e9)
    off = predict(piece(release=Release(share_carried=0.8, offset_m=0.6)), span_rig(), wire)
    assert not off["simulated"]
    assert any("between the central release and the tie held" in text for text in off["basis"])


def test_same_seed_same_result_also_when_simulated() -> None:
    low = piece(release=Release(share_carried=0.4))
    assert predict(low, span_rig(), ROPE, seed=3) == predict(low, span_rig(), ROPE, seed=3)
    other = predict(low, span_rig(), ROPE, seed=4)["peak_n"]["p50"]
    assert other == pytest.approx(predict(low, span_rig(), ROPE, seed=3)["peak_n"]["p50"], rel=0.04)


@pytest.mark.slow
@pytest.mark.parametrize(("share", "offset_m"), [(0.3, 0.0), (0.8, 0.6)])
def test_carried_to_all_draws_it_is_the_distribution_of_simulating_all(
    share: float, offset_m: float
) -> None:
    rng = np.random.default_rng(2)
    given, rig, n = piece(), span_rig(), 1500
    case = Case(given, rig, ROPE, estimate(given), draw(given, rng, n), rng.standard_normal(n), rng)
    ea = case.around(120e3, 0.25)
    zeta = case.around(0.1, 0.3)
    shares = np.maximum(share + 0.1 * rng.standard_normal(n), 0.0)
    side = rng.choice(np.array([-1.0, 1.0]), n)

    def found(simulated_draws: int, per_period: int) -> dict[str, np.ndarray]:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(simulated, "SIMULATED", simulated_draws)
            patch.setattr(simulated, "PER_PERIOD", per_period)
            patch.setattr(simulated, "MOST_STEPS", 5000)
            batch = simulated.Batch(case, ea, zeta)
            built = simulated.span_setup(batch, shares, offset_m, side)
            assert built is not None
            inputs = {
                "ea": ea, "zeta": zeta, "share": shares, "side": side, "shift": case.shift,
                "gyration": case.draws.gyration_m,
            }  # fmt: skip
            peaks = simulated.peaks_of(case, built, inputs)
            assert peaks is not None
            return peaks

    whole = found(n, 80)
    part = found(simulated.SIMULATED, simulated.PER_PERIOD)
    coarse = found(n, simulated.PER_PERIOD)
    for point, force in whole.items():
        assert float(np.median(np.abs(coarse[point] / force - 1))) < 0.005
        for q in (0.05, 0.5, 0.95):
            assert np.quantile(part[point], q) == pytest.approx(np.quantile(force, q), rel=0.02)
        # Draw by draw as well: the quadratic follows the inputs.
        assert np.std(np.log(part[point] / force)) < 0.35 * np.std(np.log(force))


@pytest.mark.no_cover
def test_the_peak_lies_within_the_time_looked_at() -> None:
    rng = np.random.default_rng(2)
    given = piece()
    case = Case(
        given, span_rig(6.5), ROPE, estimate(given), draw(given, rng, 100),
        rng.standard_normal(100), rng,
    )  # fmt: skip
    batch = simulated.Batch(case, case.around(120e3, 0.25), case.around(0.1, 0.3))
    for share, offset_m in ((0.2, 0.0), (0.5, 0.0), (0.8, 0.6)):
        shares = np.full(100, share)
        built = simulated.span_setup(batch, shares, offset_m, np.ones(100))
        assert built is not None
        setup, duration = built
        step = simulated.fine_step_s(setup)
        motion = simulate(setup, step, int(2.0 * np.max(duration / step)), corrections=2)
        for point, force in motion.force_n.items():
            within = np.max(np.where(motion.time_s <= duration, force, 0.0), axis=0)
            after = np.where(motion.time_s <= 2.0 * duration, force, 0.0)
            assert np.median(np.max(after, axis=0) / within) < 1.02, (share, point)


def test_shares_of_the_variance_are_those_of_a_known_function() -> None:
    # Ishigami function, a = 7, b = 0.1: first-order indices 0.3139, 0.4424, 0 (Saltelli et al.,
    # Global Sensitivity Analysis, 2008, from memory; recomputed from its closed form).
    rng = np.random.default_rng(5)
    x = rng.uniform(-math.pi, math.pi, (3, 40_000))
    y = np.sin(x[0]) + 7 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0])
    shares = VarianceShares({"a": x[0], "b": x[1], "c": x[2]}).of(y)
    assert shares["a"] == pytest.approx(0.3139, abs=0.02)
    assert shares["b"] == pytest.approx(0.4424, abs=0.02)
    assert shares["c"] == pytest.approx(0.0, abs=0.02)
    assert shares[TOGETHER] == pytest.approx(0.2437, abs=0.03)
    assert list(shares)[:2] == ["b", "a"]
    assert VarianceShares({"a": x[0, :50]}).of(y[:50]) == {}
    assert VarianceShares({"a": np.ones(500)}).of(y[:500]) == {}
    assert VarianceShares({"a": x[0, :500]}).of(np.ones(500)) == {}


def test_shares_of_a_snubbed_drop_name_what_to_measure() -> None:
    drop = Drop(tie_above_block_m=0.6, centre_above_tie_m=0.7)
    shares = predict(piece(drop=drop), line_rig("snubbed_drop"), ROPE)["variance_shares"]
    assert set(shares) == {
        "angle at the catch", "rope stiffness", "weight", "rope damping", "block friction",
        TOGETHER,
    }  # fmt: skip
    known = Rope(name="blue", stiffness_n=60e3, dynamic_factor=2.0)
    assert shares["rope stiffness"] > 0.2
    heavy = predict(piece(drop=drop, density_kg_per_m3=1000.0), line_rig("snubbed_drop"), known)
    assert heavy["variance_shares"]["weight"] < shares["weight"]
