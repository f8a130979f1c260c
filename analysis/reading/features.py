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
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analysis.reading.chronicle import Chronicle, chronicle
from analysis.reading.filters import robust_sd, shorth
from analysis.reading.flags import FLAG_WORDS, event_flags, peak_flags, state_flags
from analysis.reading.identified import Identified, cfc60_of, hang_by_cycles, identify
from analysis.reading.levels import STILL_S
from analysis.reading.pendulum_hang import pendulum_hang
from analysis.reading.phases import Hang, Story, tell
from analysis.reading.stiffness import surely_sticking_n
from analysis.reading.summary import Features
from analysis.reading.trace import FloatArray, Trace
from analysis.reading.uncertainty import (
    Budget,
    PeakLoss,
    half_sine_s,
    highest_of_noise,
    peak_loss,
)

__all__ = ["FLAG_WORDS", "Features", "read_features"]

_AGREE: Final = 0.005
"""Own choice: still part and ring-down may differ by half a per cent beside their U."""


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
class _Level:
    value_n: float
    budget: Budget
    part_s: float


@dataclass(frozen=True, slots=True)
class _Cycles:
    value_n: float | None
    u_n: float | None
    agree: bool | None


@dataclass(frozen=True, slots=True, eq=False)
class _Reading:
    trace: Trace
    story: Story

    def features(self) -> Features:
        trace, story = self.trace, self.story
        loaded = story.zero.scale_n > 0
        release = story.release
        hang = self.hang_level(story.hang) if story.hang is not None else None
        peak = self.peak(-math.inf, self.down_s) if loaded else None
        release_peak = self.release_peak()
        settled = self.settled()
        weight, weight_budget = self.weight(hang)
        factor, factor_u = _factor(release_peak, hang)
        doubts = self.peak_doubts(peak)
        told = chronicle(trace, story, hang.value_n if hang else None)
        found = identify(
            trace,
            story,
            hang_reading_n=hang.value_n if hang else None,
            hang_rel_u=hang.budget.standard_n / abs(hang.value_n) if hang else 0.0,
            whole=not {"clipped", "gap_in_peak"} & set(doubts),
        )
        cycles = self.cycles(found, hang)
        state = state_flags(
            trace, story, drift_n=self.drift(), hang_s=hang.part_s if hang else None
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
            pretension_strokes=story.strokes,
            zero_n=story.zero.zero_n,
            zero_n_u=2.0 * self.zero_u(),
            zero_drift_n=self.drift(),
            noise_n=story.noise_n,
            rate_hz=trace.rate_hz,
            duration_s=trace.duration_s,
            n_samples=trace.n,
            n_gaps=len(trace.gaps),
            ring_period_s=(story.hang.period_s or None) if story.hang else None,
            peak_loss_share=peak.loss.share if peak else None,
            phases=story.phases,
            flags=(*state, *doubts, *(self.event_flags(told, cycles) if loaded else ())),
            budgets=budgets,
            hang_cycles_n=cycles.value_n,
            hang_cycles_n_u=cycles.u_n,
            hang_ways_agree=cycles.agree,
            peak_cfc60_n=cfc60_of(trace, story, peak.time_s) if peak else None,
            **self.weight_band(hang, weight_budget),
            **found.fields(),
            **told.fields(),
        )

    def weight_band(self, hang: _Level | None, budget: Budget | None) -> dict[str, Any]:
        """Give the range of the weight: the friction band, wider by what else is uncertain."""
        chain = self.trace.chain
        if hang is None or budget is None:
            return {}
        low, high = chain.gain_low or chain.gain, chain.gain_high or chain.gain
        own = 2.0 * hang.budget.standard_n
        return {
            "hang_weight_low_n": low * (hang.value_n - own),
            "hang_weight_high_n": high * (hang.value_n + own),
            "hang_weight_is_band": self.trace.place.reads == "fall" and high > low,
        }

    def event_flags(self, told: Chronicle, cycles: _Cycles) -> tuple[str, ...]:
        return event_flags(self.trace, told, hang_ways_agree=cycles.agree)

    def cycles(self, found: Identified, hang: _Level | None) -> _Cycles:
        """Hang over whole ring-down cycles, and whether it agrees with the still part."""
        known = hang_by_cycles(found.ring, self.zero_u())
        if known is None:
            return _Cycles(None, None, None)
        value, standard = known
        if hang is None or not (self.story.hang and self.story.hang.still):
            return _Cycles(value, 2.0 * standard, None)
        own = {k: v for k, v in hang.budget.parts_n.items() if k not in {"calibration", "zero"}}
        apart = abs(value - hang.value_n)
        limit = 2.0 * math.hypot(standard, Budget(own).standard_n) + _AGREE * abs(hang.value_n)
        return _Cycles(value, 2.0 * standard, apart <= limit)

    def span(self, start_s: float, end_s: float) -> slice:
        a, b = np.searchsorted(self.trace.time_s, (start_s, end_s))
        return slice(int(a), int(b))

    @property
    def down_s(self) -> float:
        """Where the touchdown ends; what is dragged later is no part of the lowering."""
        after = self.story.after_slack_s
        return math.inf if after is None else after[1]

    @property
    def coarse(self) -> bool:
        """Whether noise is too small to average the rounding out."""
        return self.story.noise_n < 0.5 * self.story.step_n

    @property
    def noise_n(self) -> float:
        return max(self.story.noise_n, self.story.step_n / math.sqrt(12.0))

    def block_part(self, start_s: float, end_s: float) -> FloatArray:
        blocks = self.story.blocks
        part = blocks.mean_n[blocks.index(start_s + 1e-9) : blocks.index(end_s + 1e-9)]
        return part[np.isfinite(part)] - self.story.zero.zero_n

    def zero_u(self) -> float:
        zero = self.story.zero
        own = zero.u_n if zero.found else self.trace.chain.zero_u_n
        step = self.story.step_n / math.sqrt(12.0) if self.coarse else 0.0
        return math.hypot(own, step, abs(self.drift() or 0.0) / math.sqrt(3.0))

    def drift(self) -> float | None:
        """Slack after minus slack before."""
        after = self.story.after_slack_s
        if after is None or not self.story.zero.found:
            return None
        guard = min(0.1, 0.25 * (after[1] - after[0]))
        part = self.story.force_n[self.span(after[0] + guard, after[1] - 0.05)]
        return float(shorth(part).mean()) if part.size >= 3 else None

    def parts(self, value_n: float) -> dict[str, float]:
        """Causes that every reading shares."""
        chain = self.trace.chain
        warmth = math.hypot(chain.temperature_rel_u * value_n, chain.temperature_u_n)
        return {
            **({"temperature": warmth} if warmth > 0 else {}),
            "calibration": chain.calibration_rel_u * abs(value_n),
            "zero": self.zero_u(),
            "resolution": self.story.step_n / math.sqrt(12.0),
        }

    def level(self, part: FloatArray, moving_n: float) -> tuple[float, Budget]:
        value = float(part.mean())
        noise = max(self.story.noise_n, self.story.blocks.noise_n)
        budget = self.parts(value) | {
            "noise": noise / math.sqrt(part.size),
            "motion": moving_n,
        }
        return value, Budget(budget)

    def hang_level(self, hang: Hang) -> _Level | None:
        """Robust mean over the still part, or over the last whole swings."""
        blocks = self.story.blocks
        means = self.block_part(hang.start_s, hang.end_s)
        if means.size < 3:
            return None
        if swinging := self.swinging_level(hang):
            return swinging
        few = 1.5 * hang.period_s < hang.end_s - hang.start_s < 2.5 * hang.period_s
        if not hang.still or few:
            return self.restless_level(hang, float(means.max() - means.min()))
        middle = shorth(means)
        centre = float(middle.mean())
        near = max(0.01 * abs(centre), 3.0 * robust_sd(middle), 3.0 * blocks.noise_n)
        part = means[np.abs(means - centre) <= near]
        halves = abs(float(part[: part.size // 2].mean() - part[part.size // 2 :].mean()))
        swing = max(float(part.max() - part.min()) - 4.0 * blocks.noise_n, 0.0)
        few_swings = part.size * blocks.width_s < 2.5 * max(hang.period_s, STILL_S)
        share = 1.0 / 6.0 if few_swings else 1.0 / 12.0
        motion = math.hypot(share * swing, halves / math.sqrt(12.0))
        value, budget = self.level(part, math.hypot(motion, self.wander(means, hang.period_s)))
        return _Level(value, budget, part.size * blocks.width_s)

    def wander(self, means: FloatArray, period_s: float) -> float:
        """Give the standard uncertainty from slow changes, which a crowded part hides."""
        n = max(round(max(period_s, STILL_S) / self.story.blocks.width_s), 1)
        if means.size < n + 2:
            return 0.0
        slow = np.convolve(means, np.full(n, 1.0 / n), mode="valid")
        noise = 4.0 * self.story.blocks.noise_n / math.sqrt(n)
        return max(float(slow.max() - slow.min()) - noise, 0.0) / math.sqrt(12.0)

    def swinging_level(self, hang: Hang) -> _Level | None:
        """Level of a pendulum, which pulls harder on the mean than it weighs."""
        rope, reads = self.trace.place.rope, self.trace.place.reads
        if rope is None or reads not in {"piece", "sling"}:
            return None
        part, swings = self.span(hang.start_s, hang.end_s), self.trace.place.method == "swing"
        most = math.inf if swings else surely_sticking_n(self.trace.chain.gain, rope)
        force_n = self.story.force_n[part]
        found = pendulum_hang(self.trace.time_s[part], force_n, rope, self.story.noise_n, most)
        if found is None:
            return None
        budget = self.parts(found.value_n) | {"motion": found.u_n}
        return _Level(found.value_n, Budget(budget), hang.end_s - hang.start_s)

    def restless_level(self, hang: Hang, swing_n: float) -> _Level:
        """Mean over two whole swings, tapered so that swings cancel; plain over one."""
        part = self.story.force_n[self.span(hang.start_s, hang.end_s)]
        length = hang.end_s - hang.start_s
        if length > 1.5 * hang.period_s > 0 and part.size > 2:
            taper = np.hanning(part.size + 2)[1:-1]
            part = part * (taper / taper.mean())
        value, budget = self.level(part, swing_n / 6.0)
        return _Level(value, budget, length)

    def weight(self, hang: _Level | None) -> tuple[float | None, Budget | None]:
        if hang is None:
            return None, None
        chain = self.trace.chain
        value = chain.gain * hang.value_n
        parts = {name: chain.gain * part for name, part in hang.budget.parts_n.items()}
        return value, Budget(parts | {"station": chain.gain_rel_u * abs(value)})

    def peak(self, start_s: float, end_s: float) -> _Peak | None:
        where = self.span(start_s, end_s)
        part = self.story.force_n[where]
        if part.size == 0:
            return None
        index = where.start + int(np.argmax(part))
        value = float(self.story.force_n[index])
        noise = self.noise_n
        half = half_sine_s(self.trace.time_s, self.story.smooth_or_raw, index, noise)
        loss = peak_loss(half, self.trace.period_s, self.trace.chain.filter_delay_s)
        near = int(np.count_nonzero(part > value - 4.0 * noise))
        budget = self.parts(value) | {
            "noise": math.hypot(noise, 0.58 * highest_of_noise(noise, near)),
            "sampling": loss.sampling_share * value / math.sqrt(3.0),
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

    def settled(self) -> _Level | None:
        """Take the last settled level before the release."""
        release = self.story.release
        if release is None or release.settled is None:
            return None
        blocks, plateau = self.story.blocks, release.settled
        if release.kind == "gradual":
            part = self.block_part(plateau.start_s, plateau.end_s)
            value, budget = self.level(shorth(part), robust_sd(part))
            return _Level(value, budget, plateau.duration_s)
        end = min(release.start_s, plateau.end_s) - blocks.width_s
        start = max(plateau.start_s, end - 0.8)
        part = self.block_part(start, end)
        if part.size < 3:
            return None
        calm = shorth(part)
        value, budget = self.level(calm, float(calm[-1] - calm[0]) / math.sqrt(3.0))
        return _Level(value, budget, plateau.duration_s)

    def pretension_max(self) -> float | None:
        spans = [p for p in self.story.phases if p.name == "pretension"]
        if not spans or self.story.release is None:
            return None
        part = self.story.force_n[self.span(spans[0].start_s, spans[-1].end_s)]
        return float(part.max()) if part.size else None


def _factor(peak: _Peak | None, hang: _Level | None) -> tuple[float | None, float | None]:
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
