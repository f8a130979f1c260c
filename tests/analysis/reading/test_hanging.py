"""Where a hang ends that shaking hides: by the piece's own motion, through the whole reader."""

from __future__ import annotations

import pytest
from lowering_generator import make_lowering

from analysis.reading.features import read_features


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (237, "drop let run, cell on the lead: it swings for seconds"),
        (113, "span rig, cell on the fall: the sheave sticks"),
        (187, "span rig, cell at B: two sheaves between"),
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
