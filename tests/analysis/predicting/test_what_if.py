"""What would have changed it: rows that apply, directions, ranges, refusals, labels."""

from __future__ import annotations

import json
from typing import Any

import msgspec
import pytest

from analysis.errors import PredictionError
from analysis.predicting.predict import predict
from analysis.predicting.what_if import LABEL, Change, usual_changes, what_if
from logger.records import Diameter, Drop, Method, Node, Piece, Release, Rig, Rope, Station

ROPE = Rope(name="blue", stiffness_n=60e3)
RED = Rope(name="red", stiffness_n=150e3)
TIE = Station(name="tie", mount="end", leg="lead")
SLING = Station(name="sling", mount="sling", node="A")
DROP = Drop(tie_above_block_m=0.6, centre_above_tie_m=0.7, slack_m=0.3, run_m=2.0)


def piece(**more: Any) -> Piece:
    ends = (Diameter(at_m=0.0, diameter_m=0.35), Diameter(at_m=3.0, diameter_m=0.30))
    given: dict[str, Any] = {"release": Release(share_carried=0.5), "drop": DROP, **more}
    return Piece(name="P1", length_m=3.0, rig="R", species="white oak", diameters=ends, **given)


def rig(method: Method, **more: Any) -> Rig:
    nodes = (Node(name="A", role="high_block", z_m=10.0), Node(name="D", role="device"))
    given: dict[str, Any] = {
        "nodes": nodes, "fall_length_m": 10.0, "more_stations": (SLING,), **more,
    }  # fmt: skip
    return Rig(name="R", method=method, rope="blue", station=TIE, **given)


def rows(table: Any, key: str) -> dict[Any, dict[str, float]]:
    return {row.now: row.ratio["tie"] for row in table.rows if row.key == key}


def test_a_snubbed_drop_and_what_makes_it_milder() -> None:
    table = what_if(piece(), rig("snubbed_drop"), ROPE)
    plan = predict(piece(), rig("snubbed_drop"), ROPE, draws=1000)
    assert table.base.peak_n == {name: found["peak_n"] for name, found in plan["stations"].items()}
    runs = rows(table, "piece.drop.run_m")
    assert list(runs) == [1.0, 2.0, 4.0]
    assert runs[1.0]["p50"] > runs[2.0]["p50"] > runs[4.0]["p50"]
    assert runs[2.0]["p50"] < 0.85
    nearer = rows(table, "piece.drop.tie_above_block_m")
    assert nearer[0.0]["p50"] < nearer[0.3]["p50"] < 1.0
    assert rows(table, "piece.drop.slack_m")[0.0]["p50"] < 1.0
    ropes = rows(table, "rope.stiffness_n")
    assert ropes[30e3]["p50"] < 0.85
    assert ropes[120e3]["p50"] > 1.15
    assert rows(table, "rig.fall_length_m")[12.0]["p50"] < 1.0
    sizes = rows(table, "piece.length_m")
    assert sizes[1.5]["p50"] < sizes[2.25]["p50"] < 1.0 < sizes[3.75]["p50"]
    assert {row.kind for row in table.rows} == {"run", "drop", "rope", "piece_size"}
    for row in table.rows:
        assert set(row.peak_n) == set(row.ratio) == {"tie", "sling"}
        assert row.ratio["tie"]["p05"] <= row.ratio["tie"]["p50"] <= row.ratio["tie"]["p95"]


def test_a_ratio_taken_draw_by_draw_is_narrower_than_the_peak() -> None:
    table = what_if(piece(), rig("snubbed_drop"), ROPE)
    for row in table.rows:
        if row.key == "rope.stiffness_n":
            peak, ratio = row.peak_n["tie"], row.ratio["tie"]
            assert ratio["p95"] / ratio["p05"] < 0.3 * peak["p95"] / peak["p05"] + 0.75


def test_a_run_can_be_shorter_longer_or_held() -> None:
    table = what_if(piece(), rig("let_run_drop"), ROPE)
    runs = rows(table, "piece.drop.run_m")
    assert list(runs) == [0.0, 1.0, 4.0]
    assert runs[4.0]["p50"] < 0.9
    assert runs[1.0]["p50"] > 1.0
    assert runs[0.0]["p50"] > 1.15
    unsaid = piece(drop=msgspec.structs.replace(DROP, run_m=None))
    assert [c.now for c in usual_changes(unsaid, rig("let_run_drop"), ROPE) if c.kind == "run"] == [
        0.0
    ]


def test_pretension_changes_a_release_and_not_a_drop() -> None:
    table = what_if(piece(), rig("butt_tied"), ROPE)
    shares = rows(table, "piece.release.share_carried")
    assert list(shares) == [0.25, 0.75, 0.9, 1.0]
    middles = [ratio["p50"] for ratio in shares.values()]
    assert middles == sorted(middles, reverse=True)
    assert shares[0.25]["p50"] > 1.0 > shares[0.75]["p50"]
    assert not rows(what_if(piece(), rig("snubbed_drop"), ROPE), "piece.release.share_carried")
    assert not [
        c
        for c in usual_changes(piece(release=None), rig("butt_tied"), ROPE)
        if c.kind == "pretension"
    ]


def test_another_rope_of_the_crew_gives_a_row() -> None:
    changes = usual_changes(piece(), rig("snubbed_drop"), ROPE, (ROPE, RED))
    named = [change for change in changes if change.key == "rope.name"]
    assert [(change.was, change.now) for change in named] == [("blue", "red")]
    table = what_if(piece(), rig("snubbed_drop"), ROPE, named)
    assert table.rows[0].ratio["tie"]["p50"] > 1.2


def test_a_change_that_cannot_be_is_refused_in_its_row() -> None:
    given, at = piece(), rig("snubbed_drop")
    bad = Change("drop", "piece.drop", "as written", "none", piece(drop=None), at, ROPE)
    row = what_if(given, at, ROPE, [bad]).rows[0]
    assert "drop is missing" in row.refused
    assert row.peak_n == {}
    assert row.weight_n is None
    with pytest.raises(PredictionError, match="drop is missing"):
        what_if(piece(drop=None), at, ROPE)


def test_no_lead_is_offered_where_no_rope_would_be_in_play() -> None:
    nodes = (Node(name="A", role="high_block"),)
    bare = rig("snubbed_drop", nodes=nodes, fall_length_m=None)
    ties = [c.now for c in usual_changes(piece(), bare, ROPE) if c.key.endswith("block_m")]
    assert ties == [0.3]


def test_plain_values_say_what_they_are() -> None:
    table = what_if(piece(), rig("snubbed_drop"), ROPE, draws=300).to_dict()
    assert json.loads(json.dumps(table, allow_nan=False)) == table
    assert table["label"] == LABEL == "the model says, other things equal"
    assert table["as_planned"]["kind"] == "as_planned"
    assert any("never permission" in text for text in table["cautions"])
    again = what_if(piece(), rig("snubbed_drop"), ROPE, draws=300).to_dict()
    assert again == table


def test_a_shorter_piece_takes_its_tie_along() -> None:
    off = piece(release=Release(share_carried=0.5, offset_m=0.4))
    half = next(
        change for change in usual_changes(off, rig("butt_tied"), ROPE) if change.now == 1.5
    )
    assert half.piece.release is not None
    assert half.piece.release.offset_m == pytest.approx(0.2)
    assert half.piece.drop is not None
    assert half.piece.drop.centre_above_tie_m == pytest.approx(0.35)
    assert [d.at_m for d in half.piece.diameters] == [0.0, 1.5]
