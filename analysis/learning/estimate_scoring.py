"""Guess, chart and computed weight scored beside each other, all on the same pieces.

Comes in: hang weights and what was said of them before. Goes out: a score per way of
saying. Must not: score one way on pieces that another did not judge.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass

import numpy as np
from numpy.typing import ArrayLike

from analysis.learning.scoring import Bias, score_bias


@dataclass(frozen=True, slots=True)
class EstimateScore:
    """One way of judging weight: bias, scatter and typical error on the pieces it judged."""

    name: str
    bias: Bias
    mean_abs_log: float
    within_10_percent: float

    def to_dict(self) -> dict[str, object]:
        """Plain values for JSON."""
        return asdict(self)


def score_estimates(
    measured: ArrayLike, estimates: Mapping[str, ArrayLike]
) -> tuple[EstimateScore, ...]:
    """Score guess, chart and computed weight beside each other.

    Parameters
    ----------
    measured : (n,) array_like
        Hang weights.
    estimates : mapping of name to (n,) array_like
        nan where that estimate was not made. Only pieces that *every* named way judged are
        scored, so that all are scored on the same pieces.

    Returns
    -------
    tuple of EstimateScore
        In the order given; empty when no piece was judged in every way.

    Examples
    --------
    >>> scores = score_estimates([100.0, 200.0], {"guess": [80.0, 160.0], "chart": [100, 190]})
    >>> [(score.name, round(score.bias.ratio, 3)) for score in scores]
    [('guess', 1.25), ('chart', 1.026)]
    """
    was = np.asarray(measured, dtype=np.float64)
    said = {name: np.asarray(values, dtype=np.float64) for name, values in estimates.items()}
    common = np.isfinite(was)
    for values in said.values():
        common &= np.isfinite(values)
    if not said or not common.any():
        return ()
    scores = []
    for name, values in said.items():
        logs = np.log(was[common] / values[common])
        off = np.abs(values[common] / was[common] - 1.0)
        scores.append(
            EstimateScore(
                name=name,
                bias=score_bias(was[common], values[common]),
                mean_abs_log=float(np.abs(logs).mean()),
                within_10_percent=float((off <= 0.1).mean()),
            )
        )
    return tuple(scores)
