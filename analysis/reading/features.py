"""What a trace says: pretension, release, peak, hang weight, each with U and flags.

Comes in: a trace. Goes out: :class:`Features`. Must not: drop a flag silently, fill a gap,
or turn a lower bound into a value.

Definitions
-----------
``peak_n``: largest sample of the whole lowering, at the station, zero taken, with the
phase it lies in; in a release at a share above 1 that may be the pretension itself.
``release_peak_n``: largest sample *after* the release. For a drop (share above 1) the
first extreme lies below the weight, so the rebound after it counts, never the tension
that was there before. ``dynamic_factor``: release (or catch) peak over the hang reading.
``hang_weight_n``: hang reading through the station to the piece (× gain).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np

from analysis.reading.chronicle import Chronicle, chronicle
from analysis.reading.flags import (
    FLAG_WORDS,
    event_flags,
    hang_in_doubt,
    peak_flags,
    state_flags,
)
from analysis.reading.identified import (
    Identified,
    asks_stiffness,
    cfc60_of,
    hang_by_cycles,
    identify,
)
from analysis.reading.phases import Story, tell
from analysis.reading.read_levels import Level, LevelReader
from analysis.reading.ringdown import rings_clearly
from analysis.reading.summary import Features
from analysis.reading.trace import Trace
from analysis.reading.uncertainty import (
    Budget,
    PeakLoss,
    broken_top_n,
    half_sine_s,
    largest_u_n,
    peak_loss,
)
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

__all__ = ["FLAG_WORDS", "Features", "read_features"]

_AGREE: Final = 0.005
"""Own choice: still part and ring-down may differ by half a per cent beside their U."""

_DOUBTED: Final = 2.0
"""Own choice: a motion that may be that of the lowering tells the weight half as surely."""
_CHANGE_M_PER_S: Final = 0.3
_STEADY_S: Final = 2.0
"""Own assumptions: a piece that is let down gets faster or slower by so much (standard), and a
load that stays level for so long is let down evenly, if it is let down."""


def read_features(trace: Trace, story: Story | None = None) -> Features:
    """Read a trace.

    Parameters
    ----------
    trace : Trace
        One lowering's window, newtons.
    story : Story, optional
        Its phases, when they were found already.

    Returns
    -------
    Features
        Flags say what to doubt; a record without load gives None and ``no_load``.
    """
    return _Reading(trace, story or tell(trace)).features()


@dataclass(frozen=True, slots=True)
class _Peak:
    value_n: float
    time_s: float
    index: int
    budget: Budget
    loss: PeakLoss


@dataclass(frozen=True, slots=True)
class _Cycles:
    value_n: float | None
    u_n: float | None
    agree: bool | None


@dataclass(frozen=True, eq=False)
class _Reading:
    trace: Trace
    story: Story

    @cached_property
    def levels(self) -> LevelReader:
        return LevelReader(self.trace, self.story)

    def features(self) -> Features:
        trace, story = self.trace, self.story
        loaded = story.zero.scale_n > 0
        release = story.release
        hang = self.hang_level()
        peak = self.peak(-math.inf, self.down_s) if loaded else None
        release_peak = self.release_peak()
        settled = self.levels.settled()
        moved = self.by_motion(hang)
        weight, weight_budget = self.weight(hang, moved)
        held = moved if moved and trace.place.reads == "piece" else hang
        factor, factor_u = _factor(release_peak, hang)
        doubts = self.peak_doubts(peak)
        told = chronicle(trace, story, hang.value_n if hang else None)
        found = identify(
            trace,
            story,
            hang_reading_n=held.value_n if held else None,
            hang_rel_u=held.budget.standard_n / abs(held.value_n) if held else 0.0,
            whole=not {"clipped", "gap_in_peak"} & set(doubts),
            held=not self.doubted,
        )
        cycles = self.cycles(found, hang)
        state = state_flags(
            trace, story, drift_n=self.levels.drift_n, hang_s=hang.part_s if hang else None
        )
        budgets = {
            name: budget.parts_n
            for name, budget in (
                ("hang_weight_n", weight_budget),
                ("peak_n", peak.budget if peak else None),
            )
            if budget is not None
        }
        return Features(
            hang_weight_n=weight,
            hang_weight_by="motion" if moved else "level",
            hang_weight_n_u=weight_budget.expanded_n if weight_budget else None,
            hang_reading_n=hang.value_n if hang else None,
            hang_reading_n_u=hang.budget.expanded_n if hang else None,
            hang_start_s=story.hang.start_s if story.hang else None,
            hang_end_s=story.hang.end_s if story.hang else None,
            peak_n=peak.value_n if peak else None,
            peak_n_u=peak.budget.expanded_n if peak else None,
            peak_time_s=peak.time_s if peak else None,
            peak_phase=story.phase_at(peak.time_s) if peak else None,
            peak_is_lower_bound="clipped" in doubts or "gap_in_peak" in doubts,
            release_kind=release.kind if release else "none",
            release_time_s=release.start_s if release else None,
            release_peak_n=release_peak.value_n if release_peak else None,
            release_peak_n_u=release_peak.budget.expanded_n if release_peak else None,
            release_peak_time_s=release_peak.time_s if release_peak else None,
            first_extreme_n=self.first_extreme(),
            dynamic_factor=factor,
            dynamic_factor_u=factor_u,
            pretension_settled_n=settled.value_n if settled else None,
            pretension_settled_n_u=settled.budget.expanded_n if settled else None,
            pretension_max_n=self.pretension_max(),
            pretension_strokes=len(told.winching.strokes),
            zero_n=story.zero.zero_n,
            zero_n_u=2.0 * self.levels.zero_u(self.hang_s),
            zero_drift_n=self.levels.drift_n,
            noise_n=story.noise_n,
            rate_hz=trace.rate_hz,
            duration_s=trace.duration_s,
            n_samples=trace.n,
            n_gaps=len(trace.gaps),
            ring_period_s=(story.hang.period_s or None) if story.hang else None,
            peak_loss_share=peak.loss.share if peak else None,
            phases=story.phases,
            flags=(*state, *doubts, *(self.event_flags(told, cycles, found) if loaded else ())),
            budgets=budgets,
            hang_cycles_n=cycles.value_n,
            hang_cycles_n_u=cycles.u_n,
            hang_ways_agree=cycles.agree,
            peak_cfc60_n=cfc60_of(trace, story, peak.time_s) if peak else None,
            **self.weight_band(hang, moved, weight_budget),
            **found.fields(),
            **told.fields(),
        )

    def hang_level(self) -> Level | None:
        """Hang reading; a short one that may lie in the lowering may hold a change of speed."""
        hang = self.story.hang
        level = self.levels.hang_level(hang) if hang is not None else None
        if hang is None or level is None or not self.doubted:
            return level
        length_s = max(hang.end_s - hang.start_s, level.part_s)
        if length_s >= _STEADY_S:
            return level
        share = _CHANGE_M_PER_S / (G_M_PER_S2 * length_s)
        parts = level.budget.parts_n
        motion = math.hypot(parts["motion"], share * level.value_n)
        return replace(level, budget=Budget(parts | {"motion": motion}))

    def weight_band(
        self, hang: Level | None, moved: Level | None, budget: Budget | None
    ) -> dict[str, Any]:
        """Give the range of the weight: the friction band, wider by what else is uncertain."""
        chain = self.trace.chain
        if hang is None or budget is None:
            return {}
        if moved:
            return {
                "hang_weight_low_n": moved.value_n - budget.expanded_n,
                "hang_weight_high_n": moved.value_n + budget.expanded_n,
            }
        low, high = chain.gain_low or chain.gain, chain.gain_high or chain.gain
        own = 2.0 * hang.budget.standard_n
        return {
            "hang_weight_low_n": low * (hang.value_n - own),
            "hang_weight_high_n": self.steeper * high * (hang.value_n + own),
            "hang_weight_is_band": self.trace.place.reads == "fall" and high > low,
        }

    def event_flags(self, told: Chronicle, cycles: _Cycles, found: Identified) -> tuple[str, ...]:
        uneven = found.ring is not None and not rings_clearly(found.ring)
        return event_flags(
            self.trace,
            told,
            hang_ways_agree=cycles.agree,
            uneven=uneven and asks_stiffness(self.trace.place),
        )

    @cached_property
    def doubted(self) -> bool:
        """Whether the hang may be part of the lowering."""
        return hang_in_doubt(self.trace, self.story)

    @property
    def hang_s(self) -> float:
        return self.story.hang.start_s if self.story.hang else self.story.zero.load_s

    def cycles(self, found: Identified, hang: Level | None) -> _Cycles:
        """Hang over whole ring-down cycles, and whether it agrees with the still part."""
        known = hang_by_cycles(found.ring, self.levels.zero_u(self.hang_s))
        if known is None:
            return _Cycles(None, None, None)
        value, standard = known
        tells = found.ring is not None and rings_clearly(found.ring)
        if hang is None or not (self.story.hang and self.story.hang.still and tells):
            return _Cycles(value, 2.0 * standard, None)
        own = {k: v for k, v in hang.budget.parts_n.items() if k not in {"calibration", "zero"}}
        apart = abs(value - hang.value_n)
        limit = 2.0 * math.hypot(standard, Budget(own).standard_n) + _AGREE * abs(hang.value_n)
        return _Cycles(value, 2.0 * standard, apart <= limit)

    @property
    def down_s(self) -> float:
        """Where the touchdown ends; what is dragged later is no part of the lowering."""
        after = self.story.after_slack_s
        return math.inf if after is None else after[1]

    def weight(self, hang: Level | None, moved: Level | None) -> tuple[float | None, Budget | None]:
        if hang is None:
            return None, None
        if moved:
            return moved.value_n, moved.budget
        return self.by_level(hang)

    def by_motion(self, hang: Level | None) -> Level | None:
        """Weight of the piece from its followed motion, where that is surer than the level.

        None where both are further apart than their U together: then the level stands; and on the
        fall where the hang may be part of the lowering: then its band does.
        """
        tells = self.story.hang.told if self.story.hang is not None else None
        if tells is None or hang is None or not tells.weight.value > 0:
            return None
        told = tells.weight
        if self.doubted and self.trace.place.reads == "fall":
            return None
        gain = self.trace.chain.gain
        parts = self.levels.parts(told.value / gain, self.hang_s)
        budget = Budget(
            {name: gain * part for name, part in parts.items()}
            | {"motion": (_DOUBTED if self.doubted else 1.0) * told.rel_u * told.value}
        )
        value, level = self.by_level(hang)
        apart = 2.0 * math.hypot(budget.standard_n, level.standard_n)
        if budget.standard_n >= level.standard_n or abs(told.value - value) > apart:
            return None
        return Level(told.value, budget, hang.part_s)

    def by_level(self, hang: Level) -> tuple[float, Budget]:
        """Weight of the piece from the level at the station."""
        chain = self.trace.chain
        value = chain.gain * hang.value_n
        parts = {name: chain.gain * part for name, part in hang.budget.parts_n.items()}
        station = math.hypot(chain.gain_rel_u, (self.steeper - 1.0) / math.sqrt(3.0))
        return value, Budget(parts | {"station": station * abs(value)})

    @property
    def steeper(self) -> float:
        """By how much more of the load legs may carry if the rope was let out meanwhile.

        In a span rig the legs get steeper while the piece comes down, up to plumb.
        """
        rope = self.trace.place.rope
        if rope is None or rope.legs == 1 or self.trace.place.reads == "piece" or not self.doubted:
            return 1.0
        return 1.0 / rope.leg_cos

    def peak(self, start_s: float, end_s: float) -> _Peak | None:
        where = self.levels.span(start_s, end_s)
        part = self.story.force_n[where]
        if part.size == 0:
            return None
        index = where.start + int(np.argmax(part))
        value = float(self.story.force_n[index])
        noise = self.levels.noise_n
        half = half_sine_s(self.trace.time_s, self.story.smooth_or_raw, index, noise)
        broken = broken_top_n(self.story.force_n, index, noise) / value if value > 0 else 0.0
        loss = peak_loss(half, self.trace.period_s, self.trace.chain.filter_delay_s, broken)
        near = int(np.count_nonzero(part > value - 4.0 * noise))
        budget = self.levels.parts(value, float(self.trace.time_s[index])) | {
            "noise": largest_u_n(noise, near),
            "sampling": loss.sampling_u_share * value,
            "filter": max(loss.share - loss.sampling_share, 0.0) * value / math.sqrt(3.0),
        }
        return _Peak(value, float(self.trace.time_s[index]), index, Budget(budget), loss)

    def release_peak(self) -> _Peak | None:
        release = self.story.release
        if release is None or release.kind in {"gradual", "none"}:
            return None
        start = release.first_s if release.kind == "drop" else release.start_s
        return self.peak(start, max(release.end_s, release.first_s + 2 * self.trace.period_s))

    def peak_doubts(self, peak: _Peak | None) -> tuple[str, ...]:
        if peak is None:
            return ()
        return peak_flags(
            self.trace, self.story, peak_n=peak.value_n, peak_s=peak.time_s, loss=peak.loss
        )

    def first_extreme(self) -> float | None:
        release = self.story.release
        if release is None or release.kind in {"gradual", "none"}:
            return None
        index = min(int(np.searchsorted(self.trace.time_s, release.first_s)), self.trace.n - 1)
        drop = release.kind == "drop"
        return float((self.story.smooth_n if drop else self.story.force_n)[index])

    def pretension_max(self) -> float | None:
        spans = [p for p in self.story.phases if p.name == "pretension"]
        if not spans or self.story.release is None:
            return None
        part = self.story.force_n[self.levels.span(spans[0].start_s, spans[-1].end_s)]
        return float(part.max()) if part.size else None


def _factor(peak: _Peak | None, hang: Level | None) -> tuple[float | None, float | None]:
    """Dynamic factor and its expanded uncertainty; calibration cancels in the ratio."""
    if peak is None or hang is None or hang.value_n <= 0:
        return None, None
    factor = peak.value_n / hang.value_n
    rel = [
        Budget({k: v for k, v in level.budget.parts_n.items() if k != "calibration"}).standard_n
        / abs(level.value_n)
        for level in (peak, hang)
    ]
    return factor, 2.0 * factor * math.hypot(*rel)
