"""What was read from a trace, as one frozen record with stable keys.

Comes in: values from ``features.py``. Goes out: :class:`Features`, and its plain form for
JSON. Must not: compute.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from analysis.reading.phases import Phase
from analysis.reading.release import ReleaseKind


@dataclass(frozen=True, slots=True)
class Features:
    """Quantities read from one trace; forces in newtons at the station unless said.

    A name ending in ``_u`` is the expanded uncertainty (k = 2) of the name before it.
    None: not in this record.
    """

    hang_weight_n: float | None
    hang_weight_n_u: float | None
    hang_reading_n: float | None
    hang_reading_n_u: float | None
    hang_start_s: float | None
    hang_end_s: float | None
    peak_n: float | None
    peak_n_u: float | None
    peak_time_s: float | None
    peak_phase: str | None
    peak_is_lower_bound: bool
    release_kind: ReleaseKind
    release_time_s: float | None
    release_peak_n: float | None
    release_peak_n_u: float | None
    release_peak_time_s: float | None
    first_extreme_n: float | None
    dynamic_factor: float | None
    dynamic_factor_u: float | None
    pretension_settled_n: float | None
    pretension_settled_n_u: float | None
    pretension_max_n: float | None
    pretension_strokes: int
    zero_n: float
    zero_n_u: float
    zero_drift_n: float | None
    noise_n: float
    rate_hz: float
    duration_s: float
    n_samples: int
    n_gaps: int
    ring_period_s: float | None
    peak_loss_share: float | None
    phases: tuple[Phase, ...]
    flags: tuple[str, ...]
    budgets: dict[str, dict[str, float]]

    def as_json(self) -> dict[str, Any]:
        """Plain values under stable keys, SI, numbers that are not finite as None."""
        out = asdict(self)
        out["phases"] = [asdict(phase) for phase in self.phases]
        out["flags"] = list(self.flags)
        return {key: _plain(value) for key, value in out.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    return value
