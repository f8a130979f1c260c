"""The predicted distribution: shape of the result, limits, errors, light imports."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from typing import Any, get_args

import numpy as np
import pytest

from analysis.errors import PredictionError
from analysis.predicting.drop import damped_peak_n
from analysis.predicting.methods import METHODS
from analysis.predicting.path import loads_per_newton
from analysis.predicting.piece import estimate
from analysis.predicting.predict import predict
from analysis.predicting.pretension import force_overshoot
from logger.records import (
    Diameter,
    Drop,
    Method,
    Mount,
    Node,
    Piece,
    Release,
    Rig,
    Rope,
    Station,
    Swing,
)

TIE = Station(name="tie", mount="end", leg="lead")
ROPE = Rope(name="blue", stiffness_n=60e3)
BLOCK = Node(name="A", role="high_block", z_m=10.0)
DEVICE = Node(name="D", role="device")


def piece(**more: Any) -> Piece:
    given: dict[str, Any] = {
        "species": "white oak",
        "diameters": (Diameter(at_m=0.0, diameter_m=0.35), Diameter(at_m=3.0, diameter_m=0.30)),
        "release": Release(share_carried=0.8),
        "drop": Drop(tie_above_block_m=0.6, centre_above_tie_m=0.7, run_m=2.0),
        "swing": Swing(angle_rad=0.9),
        **more,
    }
    return Piece(name="P1", length_m=3.0, rig="R", **given)


def rig(method: Method, station: Station = TIE, **more: Any) -> Rig:
    given: dict[str, Any] = {"nodes": (BLOCK, DEVICE), **more}
    return Rig(name="R", method=method, rope="blue", station=station, **given)


def span_rig(node: str = "P", mount: Mount = "sling", **more: Any) -> Rig:
    nodes = (
        BLOCK,
        Node(name="P", role="piece_block"),
        Node(name="B", role="anchor", x_m=6.0, z_m=9.0),
        DEVICE,
    )
    station = Station(name="cell", mount=mount, node=node)
    return rig("span_rig", station, nodes=nodes, rope_length_m=9.0, **more)


def test_every_method_of_the_records_is_served() -> None:
    assert set(METHODS) == set(get_args(Method))


@pytest.mark.parametrize("method", get_args(Method))
def test_the_result_can_be_stored_and_has_its_keys(method: Method) -> None:
    result = predict(piece(), span_rig() if method == "span_rig" else rig(method), ROPE)
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    for key in ("peak_n", "hang_weight_n", "hang_reading_n", "dynamic_factor"):
        band = result[key]
        assert 0 < band["p05"] < band["p50"] < band["p95"]
    assert result["station"] in {"tie", "cell"}
    assert result["model"]
    assert result["basis"]
    assert result["cautions"]
    quantiles = result["peak_quantiles"]
    assert len(quantiles["p"]) == len(quantiles["force_n"])
    assert quantiles["force_n"] == sorted(quantiles["force_n"])
    middle = quantiles["force_n"][quantiles["p"].index(0.5)]
    assert middle == pytest.approx(result["peak_n"]["p50"])


def test_same_seed_same_result() -> None:
    one = predict(piece(), rig("snubbed_drop"), ROPE, seed=4)
    again = predict(piece(), rig("snubbed_drop"), ROPE, seed=4)
    other = predict(piece(), rig("snubbed_drop"), ROPE, seed=5)
    assert one == again
    assert one["peak_n"] != other["peak_n"]
    assert one["peak_n"]["p50"] == pytest.approx(other["peak_n"]["p50"], rel=0.05)


def test_snubbed_median_is_near_the_closed_form() -> None:
    weight = estimate(piece()).weight_n
    stiffness = 2.0 * 60e3 / (0.6 + 0.9 * 10.0)
    expected = weight * (1 + math.sqrt(1 + 2 * 1.9 * stiffness / weight))
    result = predict(piece(), rig("snubbed_drop"), ROPE, draws=20_000)
    undamped = result["upper_indications"]["undamped_n"]["p50"]
    assert undamped == pytest.approx(expected, rel=0.03)
    damped = float(damped_peak_n(weight, stiffness, 0.0, math.sqrt(2 * 9.80665 * 1.9), 0.1))
    assert result["peak_n"]["p50"] == pytest.approx(damped, rel=0.03)
    assert damped < 0.92 * expected
    elastic = Rope(name="blue", stiffness_n=60e3, damping_ratio=0.0)
    lossless = predict(piece(), rig("snubbed_drop"), elastic, draws=20_000)
    assert lossless["peak_n"]["p50"] == pytest.approx(expected, rel=0.03)
    assert result["free_fall_m"]["p50"] == pytest.approx(1.9, abs=0.03)
    assert result["hang_weight_n"]["p50"] == pytest.approx(weight, rel=0.02)


def test_more_rope_in_play_softens_the_catch() -> None:
    short = predict(piece(), rig("snubbed_drop"), ROPE)
    long = predict(piece(), rig("snubbed_drop", lead_length_m=6.0), ROPE)
    assert long["stiffness_n_per_m"]["p50"] < short["stiffness_n_per_m"]["p50"]
    assert long["peak_n"]["p50"] < short["peak_n"]["p50"]


def test_a_soft_anchor_softens_the_catch() -> None:
    soft = Node(name="A", role="high_block", z_m=10.0, stiffness_n_per_m=5e4)
    given = predict(piece(), rig("snubbed_drop", nodes=(soft, DEVICE)), ROPE)
    stiff = predict(piece(), rig("snubbed_drop"), ROPE)
    added = 2 * 1.9 / 5e4
    expected = 1 / (1 / stiff["stiffness_n_per_m"]["p50"] + added)
    assert given["stiffness_n_per_m"]["p50"] == pytest.approx(expected, rel=0.02)


def test_let_run_is_far_below_snubbed_and_gives_the_hand() -> None:
    snubbed = predict(piece(), rig("snubbed_drop"), ROPE)
    run = predict(piece(), rig("let_run_drop", wraps=3.0, wrap_friction=0.15), ROPE)
    assert run["peak_n"]["p50"] < 0.75 * snubbed["peak_n"]["p50"]
    assert run["hand_n"]["p50"] == pytest.approx(
        0.9 * run["peak_n"]["p50"] / math.exp(2 * math.pi * 0.45), rel=0.1
    )
    assert "hand_n" not in predict(piece(), rig("let_run_drop"), ROPE)


def test_a_measured_reaction_time_narrows_the_run() -> None:
    drop = Drop(tie_above_block_m=0.6, centre_above_tie_m=0.7, run_m=2.0, reaction_s=0.3)
    result = predict(piece(drop=drop), rig("let_run_drop"), ROPE)
    assert any("reaction 0.30 s" in text for text in result["basis"])


def test_release_median_follows_the_share() -> None:
    result = predict(piece(), span_rig(), ROPE, draws=20_000)
    weight = estimate(piece()).weight_n
    expected = weight * (1 + 0.2 * float(force_overshoot(0.1)))
    assert result["peak_n"]["p50"] == pytest.approx(expected, rel=0.02)


def test_above_a_share_of_one_the_pretension_is_the_largest() -> None:
    jumping = piece(release=Release(share_carried=1.5))
    result = predict(jumping, span_rig(), ROPE, draws=20_000)
    weight = estimate(jumping).weight_n
    assert result["peak_n"]["p50"] == pytest.approx(1.5 * weight, rel=0.03)


@pytest.mark.parametrize("node", ["B", "A"])
def test_pretension_at_another_station_is_on_the_raising_side(node: str) -> None:
    # Source: physics notes §4.1: raising, lead 2128 and standing leg 1915 of 3000 N are the
    # other way round from lowering.
    jumping = piece(release=Release(share_carried=1.9))
    given_rig = span_rig(node)
    result = predict(jumping, given_rig, ROPE, draws=20_000)
    raising = float(loads_per_newton(given_rig, 1.0).slings[node])
    lowering = float(loads_per_newton(given_rig, -1.0).slings[node])
    expected = 1.9 * estimate(jumping).weight_n * raising
    assert abs(raising / lowering - 1) > 0.06
    assert result["peak_n"]["p50"] == pytest.approx(expected, rel=0.03)


def test_drops_use_the_friction_measured_in_drops() -> None:
    block = Node(name="A", role="high_block", z_m=10.0, efficiency=0.95, efficiency_drop=0.6)
    points = predict(piece(), rig("snubbed_drop", nodes=(block, DEVICE)), ROPE)["points"]
    assert points["leg fall"]["p50"] == pytest.approx(0.6 * points["leg lead"]["p50"], rel=0.02)


def test_points_without_a_cell_are_predicted_too() -> None:
    points = predict(piece(), span_rig(), ROPE)["points"]
    assert set(points) == {
        "leg standing", "leg lead", "leg fall", "sling P", "sling B", "sling A", "sling D",
    }  # fmt: skip
    assert points["sling A"]["p50"] > points["leg lead"]["p50"]
    assert points["leg fall"]["p50"] < points["leg lead"]["p50"] < points["leg standing"]["p50"]


def test_lift_off_centre_shows_the_two_upper_figures() -> None:
    central = predict(piece(), span_rig(), ROPE)
    off = predict(piece(release=Release(share_carried=0.8, offset_m=0.6)), span_rig(), ROPE)
    upper = off["upper_indications"]
    assert upper["tie_held_n"]["p50"] < upper["tie_free_n"]["p50"]
    assert off["peak_n"]["p95"] > central["peak_n"]["p95"]
    assert any("off the centre of mass" in text for text in off["warnings"])
    small = predict(piece(release=Release(share_carried=0.8, offset_m=0.2)), span_rig(), ROPE)
    assert "upper_indications" not in small


def test_no_share_written_is_wide_and_said() -> None:
    vague = predict(piece(release=None, swing=None), rig("butt_tied"), ROPE)
    clear = predict(piece(swing=None), rig("butt_tied"), ROPE)
    assert any("release.share_carried is not written" in text for text in vague["warnings"])
    assert vague["dynamic_factor"]["p95"] > clear["dynamic_factor"]["p95"]


def test_swing_takes_the_larger_of_release_and_bottom() -> None:
    weight = estimate(piece()).weight_n
    result = predict(piece(release=None), rig("swing"), ROPE, draws=20_000)
    expected = weight * (3 - 2 * math.cos(0.9))
    assert result["peak_n"]["p50"] == pytest.approx(expected, rel=0.03)
    still = piece(swing=Swing(angle_rad=0.0), release=Release(share_carried=0.0))
    assert predict(still, rig("swing"), ROPE)["dynamic_factor"]["p50"] > 1.6


def test_heavier_pieces_give_larger_peaks() -> None:
    for method in ("snubbed_drop", "let_run_drop", "butt_tied", "swing"):
        light = predict(piece(density_kg_per_m3=600.0), rig(method), ROPE)
        heavy = predict(piece(density_kg_per_m3=900.0), rig(method), ROPE)
        assert heavy["peak_n"]["p50"] > light["peak_n"]["p50"]


def test_the_cell_in_the_block_sling_adds_fall() -> None:
    # Source: physics notes §4: ℓ 0.3 m in the snub block's sling adds 2ℓ of fall.
    sling = Station(name="tie", mount="sling", node="A")
    plain = predict(piece(), rig("snubbed_drop", sling), ROPE)
    longer = Station(name="tie", mount="sling", node="A", cell_length_m=0.3)
    added = predict(piece(), rig("snubbed_drop", longer), ROPE)
    gain = added["free_fall_m"]["p50"] - plain["free_fall_m"]["p50"]
    assert gain == pytest.approx(0.6)
    assert 1.05 < added["peak_n"]["p50"] / plain["peak_n"]["p50"] < 1.2
    assert any("cell's length" in text for text in added["basis"])


def test_warnings_name_what_was_assumed() -> None:
    bare = rig("butt_tied", nodes=(), tag_line=True)
    warnings = " ".join(predict(piece(species="hornbeam"), bare, ROPE)["warnings"])
    assert "hornbeam" in warnings
    assert "tag line" in warnings
    assert "no high block" in warnings
    nodes = span_rig().nodes
    short = tuple(node for node in nodes if node.role != "device")
    bare = rig("span_rig", span_rig().station, nodes=short, rope_length_m=9.0)
    low = predict(piece(release=Release(share_carried=0.3)), bare, ROPE)
    assert any("shallow span" in text and "fall_length_m" in text for text in low["warnings"])
    tight = rig("span_rig", span_rig().station, nodes=nodes, rope_length_m=6.15)
    assert any("nearly tight" in text for text in predict(piece(), tight, ROPE)["warnings"])


@pytest.mark.parametrize(
    ("given_piece", "given_rig", "words"),
    [
        (piece(drop=None), rig("snubbed_drop"), r"piece 'P1': drop is missing; write drop\."),
        (piece(drop=None), rig("let_run_drop"), "piece 'P1': drop is missing"),
        (
            piece(drop=Drop(tie_above_block_m=0.5, centre_above_tie_m=0.5)),
            rig("let_run_drop"),
            "piece 'P1': drop.run_m is missing; write the braking distance",
        ),
        (piece(), rig("snubbed_drop", nodes=()), "rig 'R': fall_length_m is missing; write"),
        (
            piece(drop=Drop(tie_above_block_m=0.0, centre_above_tie_m=0.5)),
            rig("snubbed_drop", nodes=(), fall_length_m=0.0),
            "rig 'R': lead_length_m is missing",
        ),
        (piece(release=None), span_rig(), "piece 'P1': release.share_carried is missing"),
        (piece(swing=None), rig("swing"), "piece 'P1': swing.angle_rad is missing"),
        (piece(), rig("snubbed_drop", lead_length_m=-1.0), "rig 'R': lead_length_m is -1"),
        (
            piece(drop=Drop(tie_above_block_m=math.nan, centre_above_tie_m=0.5)),
            rig("snubbed_drop"),
            "piece 'P1': drop.tie_above_block_m is nan; write a finite number, not negative",
        ),
        (
            piece(),
            rig("butt_tied", nodes=(Node(name="A", role="high_block", x_m=math.inf),)),
            r"rig 'R': nodes\[0\].x_m is inf; write a finite number",
        ),
        (piece(species="whit oak"), rig("butt_tied"), "did you mean 'white oak'"),
    ],
)  # fmt: skip
def test_missing_or_unusable_inputs_are_named(
    given_piece: Piece, given_rig: Rig, words: str
) -> None:
    with pytest.raises(PredictionError, match=words):
        predict(given_piece, given_rig, ROPE)


def test_rope_and_draws_are_checked() -> None:
    with pytest.raises(PredictionError, match="rope 'blue': stiffness_n is nan"):
        predict(piece(), rig("butt_tied"), Rope(name="blue", stiffness_n=math.nan))
    with pytest.raises(PredictionError, match="draws is 1"):
        predict(piece(), rig("butt_tied"), ROPE, draws=1)


def test_the_predictor_loads_no_heavy_library() -> None:
    code = (
        "import sys, analysis.predicting.predict\n"
        "print([m for m in ('scipy', 'pandas', 'matplotlib') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout.strip() == "[]"


def test_distribution_of_the_weight_is_that_of_the_piece() -> None:
    result = predict(piece(), rig("butt_tied"), ROPE, draws=20_000)
    found = estimate(piece())
    assert result["weight"]["weight_n"] == found.weight_n
    spread = np.log(result["hang_weight_n"]["p95"] / result["hang_weight_n"]["p05"])
    assert float(spread) == pytest.approx(2 * 1.645 * found.rel_u, rel=0.05)
