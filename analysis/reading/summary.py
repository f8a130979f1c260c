"""What was read from a trace, as one frozen record with stable keys.

Comes in: values from ``features.py``. Goes out: :class:`Features`, and its plain form for
JSON. Must not: compute.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

from analysis.reading.budget import BudgetRow, budget_rows
from analysis.reading.events import Event
from analysis.reading.phases import Phase
from analysis.reading.release import ReleaseKind
from analysis.reading.ringdown import RingDown
from analysis.reading.winching import Stroke


@dataclass(frozen=True, slots=True)
class Features:
    """Quantities read from one trace; forces in newtons at the station unless said.

    A name ending in ``_u`` is the expanded uncertainty (k = 2) of the name before it.
    None: not in this record. ``_low`` and ``_high`` are the ends of a range; where the
    weight ``is_band`` (a station on the fall), the range is the answer and
    ``hang_weight_n`` only its middle.
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
    hang_weight_low_n: float | None = None
    hang_weight_high_n: float | None = None
    hang_weight_is_band: bool = False
    hang_weight_by: str = "level"
    hang_cycles_n: float | None = None
    hang_cycles_n_u: float | None = None
    hang_ways_agree: bool | None = None
    peak_cfc60_n: float | None = None
    ring_frequency_hz: float | None = None
    ring_frequency_hz_u: float | None = None
    ring_damping_ratio: float | None = None
    ring_damping_ratio_u: float | None = None
    ring: RingDown | None = None
    stiffness_n_per_m: float | None = None
    stiffness_n_per_m_u: float | None = None
    rope_ea_n: float | None = None
    rope_ea_low_n: float | None = None
    rope_ea_high_n: float | None = None
    rope_ea_by: str | None = None
    sheave: str | None = None
    block_efficiency: float | None = None
    block_efficiency_u: float | None = None
    free_fall_m: float | None = None
    free_fall_low_m: float | None = None
    free_fall_high_m: float | None = None
    catch_speed_m_per_s: float | None = None
    standstill_s: float | None = None
    strokes: tuple[Stroke, ...] = ()
    creep_n_per_min: float | None = None
    creep_n_per_min_u: float | None = None
    since_stroke_s: float | None = None
    saw_relief_n: float | None = None
    peaks: tuple[Event, ...] = ()
    touches: tuple[Event, ...] = ()
    touchdown_kind: str = "not_seen"
    drag_n: float | None = None

    def budget_table(self, key: str) -> tuple[BudgetRow, ...]:
        """Rows of the budget of ``peak_n`` or ``hang_weight_n``; empty without one."""
        return budget_rows(self.budgets.get(key, {}))

    def as_json(self) -> dict[str, Any]:
        """Plain values under stable keys, SI, numbers that are not finite as None."""
        out = asdict(self)
        out["phases"] = [asdict(phase) for phase in self.phases]
        out["flags"] = list(self.flags)
        out["budget_tables"] = {
            key: [row.to_dict() for row in self.budget_table(key)] for key in self.budgets
        }
        return {key: _plain(value) for key, value in out.items()}


def _plain(value: Any) -> Any:
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(inner) for inner in value]
    return value
