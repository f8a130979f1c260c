"""The force at every station against time, for a piece as planned."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from analysis.errors import PredictionError
from analysis.predicting.motion_trace import predicted_trace
from analysis.predicting.piece import estimate
from analysis.predicting.predict import predict
from logger.records import Diameter, Drop, Method, Node, Piece, Release, Rig, Rope, Station, Swing

ROPE = Rope(name="blue", stiffness_n=60e3)
NODES = (Node(name="A", role="high_block", z_m=10.0), Node(name="D", role="device"))
TIE = Station(name="tie", mount="end", leg="lead")
SLING = Station(name="sling", mount="sling", node="A")
LINE = Station(name="line", mount="running_line", leg="fall")
DROP = Drop(tie_above_block_m=0.6, centre_above_tie_m=0.7, run_m=2.0)


def piece(**more: Any) -> Piece:
    ends = (Diameter(at_m=0.0, diameter_m=0.35), Diameter(at_m=3.0, diameter_m=0.30))
    given: dict[str, Any] = {"drop": DROP, "release": Release(share_carried=0.7), **more}
    return Piece(name="P1", length_m=3.0, rig="R", species="white oak", diameters=ends, **given)


def rig(method: Method, **more: Any) -> Rig:
    given: dict[str, Any] = {
        "nodes": NODES, "lead_length_m": 3.0, "more_stations": (SLING, LINE), **more,
    }  # fmt: skip
    return Rig(name="R", method=method, rope="blue", station=TIE, **given)


def span_rig() -> Rig:
    anchors = (Node(name="P", role="piece_block"), Node(name="B", role="anchor", x_m=6, z_m=9))
    return Rig(
        name="R", method="span_rig", rope="blue", rope_length_m=9.0,
        station=Station(name="cell", mount="sling", node="P"), nodes=(*NODES[:1], *anchors, NODES[1]),
        more_stations=(Station(name="end", mount="end", node="B"), SLING, LINE),
    )  # fmt: skip


@pytest.mark.parametrize("method", ["snubbed_drop", "let_run_drop", "butt_tied", "swing"])
def test_a_trace_peaks_where_the_distribution_has_its_middle(method: Method) -> None:
    given = piece(swing=Swing(angle_rad=0.9)) if method == "swing" else piece()
    at = rig(method, lead_length_m=None) if method.endswith("drop") else rig(method)
    trace = predicted_trace(given, at, ROPE, look_s=1.5)
    assert set(trace.force_n) == {"tie", "sling", "line"}
    stations = predict(given, at, ROPE)["stations"]
    for name, force in trace.force_n.items():
        low, high = stations[name]["peak_n"]["p05"], stations[name]["peak_n"]["p95"]
        assert force.shape == trace.time_s.shape
        assert 0.9 * low < force.max() < 1.1 * high, name
    assert trace.ledger.open_share < 2e-3
    assert trace.sink_m.max() > 0.0


def test_a_piece_in_a_span_settles_on_its_weight() -> None:
    trace = predicted_trace(piece(), span_rig(), ROPE, look_s=5.0, per_period=24)
    weight = estimate(piece()).weight_n
    assert trace.force_n["cell"][0] == pytest.approx(0.7 * weight, rel=0.02)
    assert float(np.mean(trace.force_n["cell"][-40:])) == pytest.approx(weight, rel=0.02)
    assert set(trace.force_n) == {"cell", "end", "sling", "line"}
    assert np.all(trace.force_n["line"] <= trace.force_n["sling"])


@pytest.mark.parametrize(
    ("given", "at", "words"),
    [
        (piece(drop=None), rig("snubbed_drop"), "drop is missing"),
        (piece(), rig("snubbed_drop", nodes=(), more_stations=()), "fall_length_m is missing"),
        (
            piece(drop=Drop(tie_above_block_m=0.5, centre_above_tie_m=0.5)),
            rig("let_run_drop"),
            r"drop\.run_m is missing",
        ),
        (piece(release=None), rig("butt_tied"), r"release\.share_carried is missing"),
        (
            piece(),
            rig("butt_tied", lead_length_m=None),
            "lead_length_m or fall_length_m is missing",
        ),
    ],
)
def test_what_is_missing_is_named(given: Piece, at: Rig, words: str) -> None:
    with pytest.raises(PredictionError, match=words):
        predicted_trace(given, at, ROPE)


def test_a_rope_too_stiff_to_look_so_long_is_refused() -> None:
    with pytest.raises(PredictionError, match="rope 'wire': stiffness_n is so high"):
        predicted_trace(piece(), rig("snubbed_drop"), Rope(name="wire", stiffness_n=1e12))
