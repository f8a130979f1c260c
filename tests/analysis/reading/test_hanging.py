"""Where a hang ends that shaking hides: by the piece's own motion, through the whole reader."""

from __future__ import annotations

import pytest
from lowering_generator import make_lowering
from lowering_generator_wide import make_wide

from analysis.reading.features import read_features


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (237, "drop let run, cell on the lead: it swings for seconds"),
        (113, "span rig, cell on the fall: the sheave sticks"),
        (187, "span rig, cell at B: two sheaves between"),
        (196, "snubbed drop, cell on the lead: it bounces slack for seconds"),
        (34, "span rig in gusts, cell at the piece: a still hang outlasts a doubtful end"),
        (222, "planned swing in gusts: tries disagree"),
        (215, "snubbed drop, cell on the lead: held for two seconds, then jerked"),
        (263, "span rig, cell at B: friction hides the start"),
        (282, "span rig, cell at B: a longer stretch would swallow the start"),
        (186, "span rig, cell at the piece: held for two and a half seconds"),
        (27, "snubbed drop in gusts, cell on the fall: thrown up, slack for a second"),
        (320, "span rig, cell at B: the level between two slow tails is no ramp"),
        (321, "span rig, cell on A's sling: the piece slides and stops"),
    ],
)
def test_a_start_that_shaking_hides_is_told_by_the_motion(number: int, words: str) -> None:
    """Truth from a generator with a motion of its own, finer steps and other friction."""
    made = make_lowering(number)
    found = read_features(made.trace)
    starts = [phase.start_s for phase in found.phases if phase.name == "lowering"]
    assert starts, words
    assert starts[0] == pytest.approx(made.truth.lowering_s, abs=0.4), words
    assert found.hang_end_s == pytest.approx(made.truth.lowering_s, abs=0.4), words


def test_a_rope_that_runs_before_it_is_braked_is_loaded_from_then_on() -> None:
    """Let run: a light hand for 0.6 s, then the brake."""
    made = make_wide(106)
    found = read_features(made.trace)
    assert found.release_kind == "catch"
    assert found.release_time_s == pytest.approx(made.truth.first_load_s, abs=0.1)
