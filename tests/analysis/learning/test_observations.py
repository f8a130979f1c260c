"""Reviewed lowerings as observations: what counts, what is left out, and the reason."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
from logbook_factory import START_WALL_NS, FakeClock, FloatArray, drop_force, release_force
from reviews import prepared, review, tie
from sheets import SHEET

from analysis.learning import observations as told
from analysis.learning.observations import Observed, observe
from analysis.learning.rule_fit import fit_rule
from analysis.learning.rules import Observation, default_rule
from analysis.learning.season_scores import COMPUTED, score_season
from logger.commands.planning import predict_pieces
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Piece

KGF = 9.80665
IN_THE_SLING = SHEET.replace(
    'station = {name = "rope end", mount = "end", leg = "lead"}\nnodes',
    'station = {name = "block", mount = "sling", node = "high block"}\nnodes',
)


def only(seen: Observed, rule: str) -> Observation:
    (one,) = seen.observations[rule]
    return one


def reasons(seen: Observed) -> dict[str, str]:
    return {rule: one.excluded_reason for rule, found in seen.observations.items() for one in found}


def swinging() -> FloatArray:
    """A catch after which the piece swings on and on."""
    force = drop_force()
    t = np.arange(force.size) / 1000.0
    loaded = (t > 4.5) & (t < 13.0)
    return force + np.where(loaded, 300.0 * np.sin(2 * np.pi * 0.45 * t), 0.0)


def test_a_drop_says_weight_guess_and_peak(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    with LogbookReader(made.path) as reader:
        stored = reader.predictions("orchard/P1")[0].result
    seen = observe(review(made), "job:1")
    weight, guess, peak = only(seen, "weight"), only(seen, "guess"), only(seen, "peak")
    assert seen.tied
    assert (seen.job, seen.crew, seen.method) == ("orchard", "Heron", "snubbed_drop")
    assert weight.measured == pytest.approx(1500.0, rel=0.005)
    assert weight.estimate == pytest.approx(stored["weight"]["weight_n"])
    assert weight.guess is None
    assert (guess.guess_by, guess.estimate) == ("Wren", None)
    assert guess.guess == pytest.approx(120 * KGF)
    assert peak.measured == pytest.approx(4200.0, rel=0.01)
    assert peak.predicted == pytest.approx(stored["peak_n"]["p50"])
    assert peak.x["fall_over_rope"] == pytest.approx(stored["free_fall_m"]["p50"] / 10.5)
    factor = only(seen, "dynamic_factor")
    assert factor.measured == pytest.approx(4200.0 / 1500.0, rel=0.02)
    ratio = stored["peak_n"]["p50"] / stored["hang_reading_n"]["p50"]
    assert factor.predicted == pytest.approx(ratio)
    assert set(reasons(seen).values()) == {""}
    assert {one.species_group for one in (weight, guess, peak)} == {"northern red oak"}
    assert peak.date == "2026-05-04"
    assert seen.observations["pretension"] == seen.observations["tip"] == ()
    assert fit_rule(default_rule("peak"), [peak]).groups[0].n == 1


def test_only_the_prediction_stored_before_counts(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    before = observe(review(made), "job:1")
    with LogbookReader(made.path) as reader:
        piece = reader.record(Piece, "orchard/P1")
    assert piece is not None
    longer = msgspec.structs.replace(piece, length_m=2.4, species="eastern white pine")
    with LogbookEntries(made.path) as entries:
        entries.put_record("orchard/P1", longer)
    predicted, _ = predict_pieces(made.path, ("orchard/P1",))
    assert predicted == ("orchard/P1",)
    after = observe(review(made), "job:1")
    assert only(after, "weight") == only(before, "weight")
    assert only(after, "peak") == only(before, "peak")


def test_what_was_written_after_the_load_is_left_out(tmp_path: Path) -> None:
    late = FakeClock(wall=START_WALL_NS + 3_600_000_000_000)
    seen = observe(review(prepared(tmp_path, clock=late)), "job:1")
    assert reasons(seen) == {
        "weight": told.NO_PREDICTION,
        "guess": told.NO_GUESS,
        "peak": told.NO_PREDICTION,
        "dynamic_factor": told.NO_PREDICTION,
    }
    assert seen.scored is None
    assert seen.judged is None


@pytest.mark.parametrize(
    ("noted", "reason"),
    [
        ({"touched": True}, "the piece touched something"),
        ({"tag_line_tight": True}, "the tag line was tight"),
        ({"discarded": True}, "discarded"),
        ({"discarded": True, "discard_reason": "cell slipped"}, "discarded: cell slipped"),
    ],
)
def test_what_a_person_noted_leaves_it_out_of_every_rule(
    tmp_path: Path, noted: dict[str, object], reason: str
) -> None:
    made = prepared(tmp_path)
    tie(made, 2, "P2", **noted)
    seen = observe(review(made, 2), "job:2", (9.0,))
    assert set(reasons(seen)) == {"weight", "peak", "dynamic_factor", "pretension", "tip"}
    assert set(reasons(seen).values()) == {reason}
    assert seen.scored is None
    assert seen.judged is None


def test_a_clipped_peak_stays_in_as_a_lower_bound(tmp_path: Path) -> None:
    made = prepared(tmp_path, count_limits=(-8_388_608, 30_500))
    seen = observe(review(made), "job:1")
    peak = only(seen, "peak")
    assert peak.measured_is_lower_bound
    assert peak.measured == pytest.approx(3000.0, rel=0.01)
    assert peak.excluded_reason == ""
    assert seen.scored is not None
    assert seen.scored.is_lower_bound
    assert not only(seen, "weight").measured_is_lower_bound


def test_a_gap_in_the_peak_leaves_out_the_peak_alone(tmp_path: Path) -> None:
    force = drop_force()
    top = 3000 + int(np.argmax(force))
    seen = observe(review(prepared(tmp_path, [force], pieces=("P1",), gaps=[(top - 40, 80)])), "1")
    assert reasons(seen) == {
        "weight": "",
        "guess": "",
        "peak": told.GAP_IN_PEAK,
        "dynamic_factor": told.GAP_IN_PEAK,
    }


def test_a_restless_piece_gives_no_weight(tmp_path: Path) -> None:
    seen = observe(review(prepared(tmp_path, [swinging()], pieces=("P1",))), "1")
    found = reasons(seen)
    assert found["weight"] == found["guess"] == "the piece was not hanging still"
    assert found["dynamic_factor"] == "the piece was not hanging still"
    assert found["peak"] == ""


def test_a_cell_elsewhere_is_not_compared(tmp_path: Path) -> None:
    seen = observe(review(prepared(tmp_path, station="block sling")), "job:1")
    assert set(reasons(seen).values()) == {told.OTHER_STATION}


def test_a_weight_read_through_friction_calibrates_no_weight(tmp_path: Path) -> None:
    assert IN_THE_SLING != SHEET
    seen = observe(review(prepared(tmp_path, sheet=IN_THE_SLING)), "job:1")
    found = reasons(seen)
    assert found["weight"] == found["guess"] == told.INDIRECT
    assert found["peak"] == ""


@pytest.mark.parametrize(("u_n", "counts"), [(40.0, True), (90.0, False)])
def test_a_weight_that_the_motion_tells_surely_counts_at_any_station(
    tmp_path: Path, u_n: float, counts: bool
) -> None:
    """A cell in the block's sling, a piece that swings on: the followed motion knows the weight."""
    seen = review(prepared(tmp_path, [swinging()], pieces=("P1",), sheet=IN_THE_SLING))
    by_motion = replace(
        seen.features, hang_weight_by="motion", hang_weight_n=1510.0, hang_weight_n_u=u_n
    )
    found = observe(replace(seen, features=by_motion), "job:1", (9.0,))
    why = "" if counts else "the piece was not hanging still"
    assert only(found, "weight").excluded_reason == only(found, "guess").excluded_reason == why
    assert only(found, "weight").measured == (1510.0 if counts else 0.0)
    assert (found.judged is not None) == counts
    assert only(found, "tip").excluded_reason == "the piece was not hanging still"
    tight = replace(by_motion, flags=(*by_motion.flags, "tag_line_tight"))
    kept = observe(replace(seen, features=tight), "job:1")
    assert only(kept, "weight").excluded_reason == "the tag line was tight"


def test_few_samples_over_the_peak_leave_it_out(tmp_path: Path) -> None:
    coarse = drop_force(rate_hz=20.0, noise_n=1.0)
    seen = observe(review(prepared(tmp_path, [coarse], pieces=("P1",), rate_hz=20.0)), "1")
    assert reasons(seen)["peak"] == told.TOO_COARSE


def test_a_release_says_pretension_and_tip(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    source = review(made, 2)
    level_s = 4.0 + 0.3
    seen = observe(source, "job:2", (level_s - 1.0 + 0.5, level_s + 0.3))
    pretension, tip = only(seen, "pretension"), only(seen, "tip")
    assert pretension.x["hang_weight_n"] == pytest.approx(2000.0, rel=0.005)
    assert pretension.x["pretension_lift_n"] == pytest.approx(1600.0, rel=0.01)
    assert pretension.x["share_carried"] == pytest.approx(0.8, abs=0.01)
    assert pretension.measured == pytest.approx(2400.0 - 80.0, rel=0.03)
    assert only(seen, "peak").x["share_carried"] == pytest.approx(0.8)
    # the second stroke ended at 3.5 s, the third came at 4.4 s: two thirds of the pull
    assert tip.measured == pytest.approx(0.8 * 2 / 3, abs=0.01)
    slack = only(observe(source, "job:2", (1.0,)), "tip")
    assert slack.excluded_reason == told.NO_LOAD


def test_a_release_without_a_peak_says_no_pretension(tmp_path: Path) -> None:
    made = prepared(tmp_path, [release_force(share=1.0)], pieces=("P2",))
    seen = observe(review(made), "1")
    assert only(seen, "pretension").excluded_reason == told.NO_RELEASE
    assert only(seen, "weight").excluded_reason == ""


def test_a_piece_that_was_held_up_has_no_dynamic_factor(tmp_path: Path) -> None:
    made = prepared(tmp_path, [release_force(share=1.3)], pieces=("P2",))
    seen = observe(review(made), "1")
    assert only(seen, "dynamic_factor").excluded_reason == told.PRETENSION_LARGEST
    assert only(seen, "peak").excluded_reason == ""


def test_a_lowering_without_a_piece_says_nothing(tmp_path: Path) -> None:
    made = prepared(tmp_path, pieces=("P1",))
    seen = observe(review(made, 2), "job:2")
    assert not seen.tied
    assert not seen.observations


def test_dead_wood_and_unlisted_wood_are_groups_of_their_own(tmp_path: Path) -> None:
    dead = SHEET.replace(
        'species = "northern red oak"\ndiameters = [{at_m = 0.0, diameter_m = 0.44}',
        'species = "northern red oak"\ncondition = "standing_dead"\n'
        "diameters = [{at_m = 0.0, diameter_m = 0.44}",
    ).replace('species = "northern red oak"\ndiameters = [{at_m = 0.0, diameter_m = 0.28}',
              "diameters = [{at_m = 0.0, diameter_m = 0.28}")  # fmt: skip
    made = prepared(tmp_path, sheet=dead)
    assert only(observe(review(made), "1"), "weight").species_group == (
        "northern red oak, standing dead"
    )
    assert only(observe(review(made, 2), "2"), "weight").species_group == "species not given"


def test_scores_take_guess_and_computed_weight_on_the_same_pieces(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    scores = score_season([observe(review(made, at), f"job:{at}") for at in (1, 2)])
    assert scores.computed is not None
    assert scores.computed.bias.n == 2
    (wren,) = scores.people
    assert (wren.by, wren.how, wren.name) == ("Wren", "gut", "Wren, gut")
    assert wren.guessed.bias.n == wren.computed.bias.n == 1
    assert wren.guessed.bias.ratio == pytest.approx(1500.0 / (120 * KGF), rel=0.005)
    assert [score.name for score in scores.together] == ["Wren, gut", COMPUTED]
    assert scores.overall is not None
    assert scores.overall.bias.n == 2
    assert [score.method for score in scores.methods] == ["snubbed_drop", "tip_tied"]


def test_nothing_to_score_is_said_so() -> None:
    empty = score_season([])
    assert empty.to_dict() == {
        "methods": [], "overall": None, "computed": None, "people": [], "together": [],
    }  # fmt: skip
