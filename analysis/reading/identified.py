"""What the motion of a lowering identifies: ring-down, stiffness, hang by cycles, free fall.

Comes in: a trace, its story, the hang reading. Goes out: :class:`Identified`. Must not:
give a point where only a band can be known, or a number without its range.

Notes
-----
The ring-down is sought after the last slack of the catch and ends where its swings drown
in the noise. Where η of the high block is known, its tail, in which the sheave sticks, is
fitted by itself; without a tail of more than a cycle the swings well above sticking are.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np

from analysis.reading.cfc import cfc60_peak_n
from analysis.reading.filters import Swings, runs, swings_about
from analysis.reading.free_fall import (
    LONGEST_S,
    FreeFall,
    equivalent_free_fall,
    free_fall_on_the_fall,
    loss_time_s,
)
from analysis.reading.phases import Story
from analysis.reading.ringdown import RingDown, fit_ringdown
from analysis.reading.stiffness import (
    SLIPPING_FROM,
    RopeStiffness,
    rope_stiffness,
    sticking_amplitude_n,
)
from analysis.reading.trace import Trace

USUAL_DAMPING: Final = 0.1
"""Own assumption, used with half its size as uncertainty where no ring-down was fitted."""

_LONGEST_RING_S: Final = 12.0
_NEAR_STICKING: Final = 0.95
_GUARD_S: Final = 0.1
_LEAST_SWING: Final = 0.003


@dataclass(frozen=True, slots=True)
class Identified:
    """Parameters that the motion shows; None where it does not.

    Parameters
    ----------
    ring : RingDown or None
        The fit whose numbers are told.
    stiffness : RopeStiffness or None
        Not on the fall: the sheave hides the swings of the lead.
    free_fall : FreeFall or None
        Only after a catch.
    """

    ring: RingDown | None
    stiffness: RopeStiffness | None
    free_fall: FreeFall | None

    def fields(self) -> dict[str, Any]:
        """Give the fields of ``Features`` that the motion fills."""
        ring, stiff, fall = self.ring, self.stiffness, self.free_fall
        out: dict[str, Any] = {"ring": ring}
        if ring is not None:
            out |= {
                "ring_frequency_hz": ring.frequency_hz,
                "ring_frequency_hz_u": 2.0 * ring.frequency_hz_u,
                "ring_damping_ratio": ring.damping_ratio,
                "ring_damping_ratio_u": 2.0 * ring.damping_ratio_u,
            }
        if stiff is not None:
            out |= {
                "stiffness_n_per_m": stiff.stiffness_n_per_m,
                "stiffness_n_per_m_u": stiff.stiffness_n_per_m_u,
            }
            if stiff.ea_high_n > 0:
                out |= {
                    "rope_ea_n": stiff.ea_n,
                    "rope_ea_low_n": stiff.ea_low_n,
                    "rope_ea_high_n": stiff.ea_high_n,
                    "sheave": stiff.sheave,
                }
        if fall is not None:
            out |= {
                "free_fall_m": fall.fall_m,
                "free_fall_low_m": fall.fall_low_m,
                "free_fall_high_m": fall.fall_high_m,
                "catch_speed_m_per_s": fall.speed_m_per_s,
                "standstill_s": fall.standstill_s,
            }
        return out


NOTHING: Final = Identified(None, None, None)


def identify(
    trace: Trace,
    story: Story,
    *,
    hang_reading_n: float | None,
    hang_rel_u: float,
    whole: bool = True,
) -> Identified:
    """Identify ring-down, stiffness and equivalent free fall.

    Parameters
    ----------
    trace : Trace
        The record.
    story : Story
        Its phases.
    hang_reading_n : float or None
        Hang at the station, zero taken.
    hang_rel_u : float
        Its relative standard uncertainty.
    whole : bool
        False when the peak was clipped or lies in a gap: no free fall is told.

    Returns
    -------
    Identified
    """
    if hang_reading_n is None or hang_reading_n <= 0 or story.hang is None:
        return NOTHING
    ring = _ring(trace, story, hang_reading_n)
    weight = trace.chain.gain * hang_reading_n
    weight_rel_u = math.hypot(hang_rel_u, trace.chain.gain_rel_u)
    stiffness = None
    if ring is not None and trace.place.reads != "fall" and trace.place.method != "swing":
        stiffness = rope_stiffness(
            ring,
            weight_n=weight,
            weight_rel_u=weight_rel_u,
            to_piece=trace.chain.gain,
            rope=trace.place.rope,
        )
    fall = _free_fall(trace, story, hang_reading_n, hang_rel_u, ring) if whole else None
    return Identified(ring, stiffness, fall)


def cfc60_of(trace: Trace, story: Story, at_s: float) -> float | None:
    """Largest CFC-60 force near the raw peak, None where the rate or a gap forbids it."""
    return cfc60_peak_n(trace.time_s, story.force_n, at_s, trace.period_s)


# --- ring-down -----------------------------------------------------------------------


def _ring(trace: Trace, story: Story, hang_n: float) -> RingDown | None:
    """Fit the tail with the sheave stuck, else what lies well above, else all of it."""
    window = _ring_window(trace, story, hang_n)
    if window is None:
        return None
    first, last, swings = window
    hang = story.hang
    frequency = _frequency_hz(trace, swings) or (
        1.0 / hang.period_s if hang is not None and hang.period_s > 0 else 0.0
    )
    if frequency <= 0:
        return None
    for a, b in _stretches(trace, swings, first, last, hang_n, 1.0 / frequency):
        ring = fit_ringdown(
            trace.time_s[a:b],
            story.force_n[a:b],
            frequency_hz=frequency,
            noise_n=story.noise_n,
        )
        if ring is not None:
            return ring
    return None


def _ring_window(trace: Trace, story: Story, hang_n: float) -> tuple[int, int, Swings] | None:
    """Find the samples from the last slack of the catch to where the swings are over."""
    release, hang = story.release, story.hang
    if release is None or hang is None or release.kind == "gradual":
        return None
    end_s = min(hang.end_s - _GUARD_S, release.after_first_s + _LONGEST_RING_S)
    first, last = (int(i) for i in np.searchsorted(trace.time_s, (release.first_s, end_s)))
    low = np.flatnonzero(story.smooth_n[first:last] < max(story.zero.slack_n, 0.0))
    if low.size:
        first += int(low[-1]) + 1
        high = np.flatnonzero(story.smooth_n[first:last] > hang_n)
        first += int(high[0]) if high.size else 0
    part = story.smooth_n[first:last]
    least = max(_LEAST_SWING * hang_n, 4.0 * story.noise_n / 3.0)
    swings = swings_about(part, hang_n, least)
    if len(swings.peak) < 3:
        return None
    return first, last, swings


def _frequency_hz(trace: Trace, swings: Swings) -> float:
    """Swings a second from the times at which the level is left, the last few of them."""
    starts = np.array(swings.first[1:])
    if starts.size < 3:
        return 0.0
    period = float(np.median(starts[2:] - starts[:-2])) * trace.period_s
    return 1.0 / period if period > 0 else 0.0


def _stretches(
    trace: Trace, swings: Swings, first: int, last: int, hang_n: float, period_s: float
) -> list[tuple[int, int]]:
    """Stretches to fit, best first; each ends about a cycle after the last clear swing."""
    cycle = round(period_s / trace.period_s)
    end = min(first + swings.peak[-1] + cycle, last)
    whole = (first + swings.peak[0], end)
    rope = trace.place.rope
    if rope is None or trace.place.reads == "fall":
        return [whole]
    sticks = sticking_amplitude_n(hang_n, rope.efficiency)
    sizes = np.array(swings.amplitude_n)
    loose = np.flatnonzero(sizes > _NEAR_STICKING * sticks)
    out = []
    stuck = int(loose[-1]) + 1 if loose.size else 0
    if stuck < sizes.size:
        out.append((first + swings.peak[stuck], max(end, first + swings.peak[stuck] + 2 * cycle)))
    high = np.flatnonzero(sizes > SLIPPING_FROM * sticks)
    if high.size > 2:
        out.append((first + swings.peak[int(high[0])], first + swings.peak[int(high[-1])]))
    return [*[(a, min(b, last)) for a, b in out], whole]


# --- free fall -------------------------------------------------------------------------


def _free_fall(
    trace: Trace, story: Story, hang_n: float, hang_rel_u: float, ring: RingDown | None
) -> FreeFall | None:
    """Equivalent free fall of a catch, at the piece, or as a band from the fall."""
    release = story.release
    if release is None or release.kind != "catch" or _gap_near(trace, release.start_s):
        return None
    start = _first_load(story, int(np.searchsorted(trace.time_s, release.start_s)))
    end = int(np.searchsorted(trace.time_s, release.start_s + LONGEST_S))
    time_s, force_n = trace.time_s[start:end], story.force_n[start:end]
    loss_s, loss_u_s = _loss(story, ring)
    place = trace.place
    if place.reads == "fall":
        efficiency = place.rope.efficiency if place.rope is not None else 0.9
        return free_fall_on_the_fall(
            time_s, force_n, hang_reading_n=hang_n, efficiency=efficiency, loss_s=loss_s,
            rel_u=hang_rel_u,
        )  # fmt: skip
    gain = trace.chain.gain
    return equivalent_free_fall(
        time_s,
        np.asarray(gain * force_n),
        weight_n=gain * hang_n,
        weight_rel_u=hang_rel_u,
        loss_s=loss_s,
        loss_u_s=loss_u_s,
        force_rel_u=trace.chain.gain_rel_u,
    )


def _gap_near(trace: Trace, start_s: float) -> bool:
    return any(g.end_s > start_s - 0.1 and g.start_s < start_s + LONGEST_S for g in trace.gaps)


def _first_load(story: Story, index: int) -> int:
    """Go on to where the rope is clearly loaded, then back to where it first was."""
    quiet = max(3.0 * story.noise_n, story.step_n)
    clear = np.flatnonzero(story.force_n[index:] > max(story.zero.slack_n, 2.0 * quiet))
    index += int(clear[0]) if clear.size else 0
    before = story.force_n[max(index - 400, 0) : index + 1] <= quiet
    held = runs(before)
    if not held:
        return index
    return max(index - 400, 0) + held[-1][1] - 1


def _loss(story: Story, ring: RingDown | None) -> tuple[float, float]:
    """Time from force peak to standstill and its standard uncertainty."""
    if ring is not None and ring.damping_ratio > 0:
        loss = loss_time_s(ring.frequency_hz, min(ring.damping_ratio, 0.5))
        return loss, 0.25 * loss
    period = story.hang.period_s if story.hang is not None else 0.0
    loss = loss_time_s(1.0 / period if period > 0 else 2.0, USUAL_DAMPING)
    return loss, 0.5 * loss


def hang_by_cycles(ring: RingDown | None, zero_u_n: float) -> tuple[float, float] | None:
    """Hang reading over whole ring-down cycles and its standard uncertainty.

    What the fit leaves is motion that is no decaying sinusoid; a sixth of it counts.
    """
    if ring is None or ring.cycles < 1.0:
        return None
    u = math.hypot(ring.level_n_u, ring.residual_n / 6.0, zero_u_n)
    return ring.level_n, u
