"""Many predictions against many measurements: percentiles, coverage, bias per method.

Comes in: lowerings compared with their stored predictions. Goes out: scores per method
(``scoring.py``) and the points of a figure. Must not: predict again, or leave a clipped
peak out: it is a lower bound everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

from analysis.learning.compare import Comparison
from analysis.learning.scoring import MethodScore, score_methods

ALL: Final = "all methods"


@dataclass(frozen=True, slots=True)
class Compared:
    """A comparison with the method it belongs to and the predicted 5 and 95 %."""

    method: str
    comparison: Comparison
    p05_n: float
    p95_n: float


@dataclass(frozen=True, slots=True)
class PitReport:
    """What many comparisons say.

    Parameters
    ----------
    methods : tuple of MethodScore
        By method, in alphabetical order.
    overall : MethodScore or None
        All of them; None without any.
    points : tuple of Compared
        In the order given.
    """

    methods: tuple[MethodScore, ...]
    overall: MethodScore | None
    points: tuple[Compared, ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "methods": [score.to_dict() for score in self.methods],
            "overall": None if self.overall is None else self.overall.to_dict(),
        }


def report_on(compared: Iterable[Compared]) -> PitReport:
    """Score comparisons per method and together.

    Parameters
    ----------
    compared : iterable of Compared
        Each against the prediction stored before its lowering.

    Returns
    -------
    PitReport
        Empty without any.
    """
    points = tuple(compared)
    if not points:
        return PitReport((), None, ())
    methods = _scores([point.method for point in points], points)
    return PitReport(methods, _scores([ALL] * len(points), points)[0], points)


def _scores(names: Sequence[str], points: Sequence[Compared]) -> tuple[MethodScore, ...]:
    return score_methods(
        names,
        [point.comparison.measured_n for point in points],
        [point.comparison.predicted_n for point in points],
        [point.comparison.percentile / 100.0 for point in points],
        [point.comparison.censored for point in points],
    )
