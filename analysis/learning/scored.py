"""What of one lowering may be scored: its peak beside the stored prediction, its weights.

Comes in: nothing. Goes out: frozen records. Must not: decide what may be scored
(``observations``) or score (``season_scores``).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Scored:
    """A measured peak beside the prediction stored before it, for scoring.

    Parameters
    ----------
    lowering, method : str
    measured_n, predicted_n : float
        The latter is the stored median.
    percentile : float
        Where the measured value lies in the stored distribution, 0 to 1.
    is_lower_bound : bool
        The converter was at its limit.
    """

    lowering: str
    method: str
    measured_n: float
    predicted_n: float
    percentile: float
    is_lower_bound: bool


@dataclass(frozen=True, slots=True)
class Judged:
    """A weight that may be scored against: measured, computed, and guessed by (who, how)."""

    lowering: str
    measured_n: float
    computed_n: float
    guesses: Mapping[tuple[str, str], float]
