"""Why they differ: a truth that differs in one input is explained by that input."""

from __future__ import annotations

import copy
import math
from dataclasses import replace
from typing import Any

import msgspec
import pytest

from analysis.errors import PredictionError
from analysis.learning.why import LABEL, Why, explain
from analysis.predicting.measured import Measured, Quantity
from analysis.predicting.predict import predict
from analysis.reading.features import Features, read_features
from analysis.reading.trace import make_trace
from analysis.showing.why_wording import why_rows, why_sentence
from logger.records import Diameter, Drop, Node, Piece, Release, Rig, Rope, Station

ROPE = Rope(name="blue", stiffness_n=40e3)
PIECE = Piece(
    name="P",
    length_m=2.0,
    rig="R",
    density_kg_per_m3=850.0,
    diameters=(Diameter(at_m=1.0, diameter_m=0.32),),
    drop=Drop(tie_above_block_m=0.5, centre_above_tie_m=0.4),
    release=Release(share_carried=0.7),
)
RIG = Rig(
    name="R",
    method="snubbed_drop",
    rope="blue",
    station=Station(name="tie", mount="end", leg="lead"),
    nodes=(Node(name="A", role="high_block"),),
    lead_length_m=1.0,
    fall_length_m=12.0,
)
INPUTS = {"piece": PIECE, "rig": RIG, "rope": ROPE}
NOTHING = read_features(make_trace([0.0, 0.1, 0.2], [0.0, 0.0, 0.0]))


def plain(inputs: dict[str, Any]) -> dict[str, Any]:
    decoded: dict[str, Any] = msgspec.json.decode(msgspec.json.encode(inputs))
    return decoded


def asked(features: Features, measured_n: float, **kinds: Any) -> Why:
    inputs = {**INPUTS, **kinds}
    stored = predict(inputs["piece"], inputs["rig"], inputs["rope"])
    before = copy.deepcopy(stored)
    why = explain(plain(inputs), stored, features, measured_n=measured_n)
    assert stored == before, "the stored prediction is never touched"
    return why


def test_a_heavier_piece_is_explained_by_its_weight() -> None:
    stored = predict(PIECE, RIG, ROPE)
    heavy_n = 1.18 * stored["weight"]["weight_n"]
    truth = predict(PIECE, RIG, ROPE, measured=Measured(weight_n=Quantity(heavy_n, 1.0)))
    features = replace(
        NOTHING,
        flags=(),
        hang_weight_n=heavy_n,
        hang_weight_n_u=0.01 * heavy_n,
        free_fall_m=stored["free_fall_m"]["p50"],
        free_fall_low_m=0.95 * stored["free_fall_m"]["p50"],
        free_fall_high_m=1.05 * stored["free_fall_m"]["p50"],
    )
    why = asked(features, truth["peak_n"]["p50"])
    best = why.explanations[0]
    assert best.cause == "weight"
    assert best.explained > 0.9
    assert best.within_90
    assert best.measured_u == pytest.approx(0.01 * heavy_n), "expanded, as the feature's U is"
    fall = next(one for one in why.explanations if one.cause == "free_fall")
    assert fall.measured_u == pytest.approx(0.05 * stored["free_fall_m"]["p50"])
    assert 40.0 < best.percentile < 60.0
    words = why_sentence(best, "kN")
    assert words.startswith("the piece was 18 % heavier than estimated")
    assert "explains nearly all" in words
    assert why.explanations[-1].cause == "all"
    assert [cause for cause, _ in why.left_out] == ["stiffness", "share"]
    assert why.to_dict()["explanations"][0]["label"] == LABEL
    assert ("rope stiffness", "not tried") in [(n, v[:9]) for n, v in why_rows(why, "kN")]


def test_a_stiffer_rope_is_explained_by_its_stiffness() -> None:
    truth = predict(PIECE, RIG, ROPE, measured=Measured(stiffness_n=Quantity(160e3, 100.0)))
    features = replace(
        NOTHING, flags=(), rope_ea_n=160e3, rope_ea_low_n=150e3, rope_ea_high_n=170e3
    )
    (only,) = asked(features, truth["peak_n"]["p50"]).explanations
    assert only.cause == "stiffness"
    assert only.measured == 160e3
    assert only.measured_u == pytest.approx(10e3)
    assert only.assumed == pytest.approx(80e3)
    assert only.explained > 0.9
    assert "100 % stiffer" in why_sentence(only, "kN")


def test_share_and_fall() -> None:
    rig = msgspec.structs.replace(RIG, method="butt_tied")
    stored = predict(PIECE, rig, ROPE)
    features = replace(
        NOTHING,
        flags=(),
        pretension_settled_n=300.0,
        pretension_settled_n_u=5.0,
        hang_reading_n=1000.0,
        hang_reading_n_u=5.0,
    )
    (only,) = asked(features, 1.3 * stored["peak_n"]["p50"], rig=rig).explanations
    assert only.cause == "share"
    assert only.measured == pytest.approx(0.3)
    assert only.measured_u == pytest.approx(0.3 * math.hypot(5.0 / 300.0, 5.0 / 1000.0))
    assert only.peak_n["p50"] > stored["peak_n"]["p50"]
    assert "carried 30 % of the piece (planned 70 %)" in why_sentence(only, "kN")
    assert only.explained > 0.1


def test_what_is_spoilt_or_missing_is_left_out_with_a_reason() -> None:
    features = replace(NOTHING, flags=("tag_line_tight",), hang_weight_n=1.0, hang_weight_n_u=1.0)
    why = asked(features, 5000.0)
    assert why.explanations == ()
    reasons = dict(why.left_out)
    assert "tight tag line" in reasons["weight"]
    assert set(reasons) == {"weight", "stiffness", "free_fall", "share"}
    missing = asked(replace(NOTHING, flags=()), 5000.0)
    assert dict(missing.left_out)["weight"] == "no hang was found"
    bare = replace(NOTHING, flags=(), hang_weight_n=1000.0, hang_weight_n_u=None)
    assert dict(asked(bare, 5000.0).left_out)["weight"] == "no hang was found"


def test_nothing_to_explain_is_said() -> None:
    stored = predict(PIECE, RIG, ROPE)
    features = replace(
        NOTHING,
        flags=(),
        hang_weight_n=stored["weight"]["weight_n"],
        hang_weight_n_u=5.0,
    )
    (only,) = asked(features, stored["peak_n"]["p50"]).explanations
    assert only.explained == 0.0
    assert "less than 5 % to explain" in why_sentence(only, "kN")
    assert "less than 1 %" in why_sentence(only, "kN")


def test_inputs_that_cannot_be_read_are_refused() -> None:
    with pytest.raises(PredictionError, match="predict the piece again"):
        explain({"piece": {}}, predict(PIECE, RIG, ROPE), NOTHING, measured_n=1.0)
    assert why_rows(None, "kN") == []
