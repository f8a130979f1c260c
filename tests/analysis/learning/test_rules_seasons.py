"""A few invented seasons, scored on fresh pieces; ``tests/evidence/rules_seasons.py`` runs many."""

from __future__ import annotations

from dataclasses import replace

import pytest
from season_score import Score, better_than_default, coverage, score_rule
from season_worlds import make_season

from analysis.learning.hierarchy import Sampling
from analysis.learning.rules import RULES

DRAWN = {"weight", "guess", "peak", "pretension", "tip"}
QUICK = Sampling(seed=1, chains=8, warm_up=40, sweeps=100)


@pytest.fixture(scope="module")
def scores() -> list[Score]:
    chosen = [rule for rule in RULES if rule.name in DRAWN]
    return [
        score_rule(number, make_season(7000 + number, "honest"), rule, QUICK)
        for number in range(10)
        for rule in chosen
    ]


@pytest.mark.slow
def test_fresh_pieces_of_honest_seasons_are_covered(scores: list[Score]) -> None:
    # 10 seasons only: the pooled share wanders by about 0.01 from 0.90
    assert 0.87 <= coverage(scores) <= 0.93


@pytest.mark.slow
def test_the_calibrated_rule_beats_the_default(scores: list[Score]) -> None:
    wins, seasons = better_than_default(scores)
    assert seasons >= 9
    assert wins >= 0.9 * seasons


def test_a_rope_changed_before_the_fresh_pieces_shows_in_the_score() -> None:
    """The score can fail: fresh pieces that hang on a rope the season never saw."""
    season = make_season(7100, "honest", lowerings=80, jobs=10)
    stiffer = tuple(replace(one, measured=one.measured * 1.8) for one in season.fresh)
    moved = replace(season, fresh=stiffer)
    peak = next(rule for rule in RULES if rule.name == "peak")
    assert coverage([score_rule(0, moved, peak, QUICK)]) < 0.6
