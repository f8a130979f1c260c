"""A season's scores: predictions per method, and guess, chart and computed weight together.

Comes in: what lowerings said (:class:`~analysis.learning.observations.Observed`). Goes out:
a :class:`SeasonScores`. Must not: predict again, or compare people on different pieces
without saying so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from analysis.learning.estimate_scoring import EstimateScore, score_estimates
from analysis.learning.observations import Observed
from analysis.learning.scored import Judged, Scored
from analysis.learning.scoring import MethodScore, score_methods

COMPUTED: Final = "computed"
ALL: Final = "all methods"


@dataclass(frozen=True, slots=True)
class PersonScore:
    """A person's weights beside the computed ones, both on the pieces that person judged.

    Parameters
    ----------
    by, how : str
    guessed, computed : EstimateScore
    """

    by: str
    how: str
    guessed: EstimateScore
    computed: EstimateScore

    @property
    def name(self) -> str:
        """Who and how."""
        return f"{self.by}, {self.how}" if self.how else self.by


@dataclass(frozen=True, slots=True)
class SeasonScores:
    """How predictions and weights did.

    Parameters
    ----------
    methods : tuple of MethodScore
        Peaks against the predictions stored before, in alphabetical order.
    overall : MethodScore or None
        All of them; None without any.
    computed : EstimateScore or None
        Computed weight on all pieces that may be compared.
    people : tuple of PersonScore
        Everyone who guessed a weight before the cut.
    together : tuple of EstimateScore
        All of them on those pieces only that every one of them judged; empty without such.
    """

    methods: tuple[MethodScore, ...]
    overall: MethodScore | None
    computed: EstimateScore | None
    people: tuple[PersonScore, ...]
    together: tuple[EstimateScore, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; ratios are measured over predicted or over said."""
        return {
            "methods": [score.to_dict() for score in self.methods],
            "overall": None if self.overall is None else self.overall.to_dict(),
            "computed": None if self.computed is None else self.computed.to_dict(),
            "people": [
                {
                    "by": person.by,
                    "how": person.how,
                    "guessed": person.guessed.to_dict(),
                    "computed_on_the_same": person.computed.to_dict(),
                }
                for person in self.people
            ],
            "together": [score.to_dict() for score in self.together],
        }


def score_season(observed: Sequence[Observed]) -> SeasonScores:
    """Score a season.

    Parameters
    ----------
    observed : sequence of Observed
        Lowerings; those that may not be compared are passed over.

    Returns
    -------
    SeasonScores

    Examples
    --------
    >>> score_season([]).overall is None
    True
    """
    scored = [seen.scored for seen in observed if seen.scored is not None]
    judged = [seen.judged for seen in observed if seen.judged is not None]
    methods = _methods(scored, [one.method for one in scored])
    overall = _methods(scored, [ALL] * len(scored))
    keys = sorted({key for one in judged for key in one.guesses})
    return SeasonScores(
        methods=methods,
        overall=overall[0] if overall else None,
        computed=next(iter(_estimates(judged, [])), None),
        people=tuple(_person(judged, key) for key in keys),
        together=_estimates(judged, keys) if keys else (),
    )


def _methods(scored: Sequence[Scored], names: Sequence[str]) -> tuple[MethodScore, ...]:
    if not scored:
        return ()
    return score_methods(
        names,
        [one.measured_n for one in scored],
        [one.predicted_n for one in scored],
        [one.percentile for one in scored],
        [one.is_lower_bound for one in scored],
    )


def _estimates(
    judged: Sequence[Judged], keys: Sequence[tuple[str, str]]
) -> tuple[EstimateScore, ...]:
    said = {", ".join(filter(None, key)): [_guess(one, key) for one in judged] for key in keys}
    said[COMPUTED] = [one.computed_n for one in judged]
    return score_estimates([one.measured_n for one in judged], said)


def _guess(one: Judged, key: tuple[str, str]) -> float:
    return one.guesses.get(key, math.nan)


def _person(judged: Sequence[Judged], key: tuple[str, str]) -> PersonScore:
    guessed, computed = _estimates([one for one in judged if key in one.guesses], [key])
    return PersonScore(*key, guessed, computed)
