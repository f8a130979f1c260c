"""What the motion of a lowering identifies: ring-down, stiffness, hang by cycles, free fall.

Comes in: a trace, its story, the hang reading. Goes out: :class:`Identified`. Must not:
give a point where only a band can be known, or a number without its range.

Notes
-----
The ring-down is sought after the last slack of the catch and ends where its swings drown
in the noise. Where η of the high block is known, its tail, in which the sheave sticks, is
fitted by itself; without a tail that rings clearly the swings well above sticking are.
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
)
from analysis.reading.pendulum_hang import pulse_hz
from analysis.reading.phases import Story
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.ringdown import RingDown, fit_ringdown, rings_clearly
from analysis.reading.standstill import ring_loss, usual_loss
from analysis.reading.stated_by_motion import RopeEA, believed, surer_ea, told_efficiency
from analysis.reading.stiffness import (
    SLIPPING_FROM,
    RopeStiffness,
    rope_stiffness,
    surely_sticking_n,
)
from analysis.reading.stretches import Told
from analysis.reading.trace import Trace

TAG_LEAST: Final = 0.8
"""Own assumption: a tight tag line pulls down by up to a fifth of what the rope reads."""

_LONGEST_RING_S: Final = 12.0
_GUARD_S: Final = 0.1
_NEAR_PULSE: Final = 0.12
_GROWTH: Final = 1.6
_LEAST_GROWTH: Final = 0.02
_PACE: Final = 1.6
_PACE_OF: Final = 4
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
    ea : RopeEA or None
        By the ring-down, or by the followed motion of a piece that fell or swings.
    efficiency : Told or None
        Of the high block, by the followed motion.
    """

    ring: RingDown | None
    stiffness: RopeStiffness | None
    free_fall: FreeFall | None
    ea: RopeEA | None = None
    efficiency: Told | None = None

    def fields(self) -> dict[str, Any]:
        """Give the fields of ``Features`` that the motion fills."""
        ring, stiff, ea, fall = self.ring, self.stiffness, self.ea, self.free_fall
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
        if ea is not None:
            out |= {
                "rope_ea_n": ea.ea_n,
                "rope_ea_low_n": ea.low_n,
                "rope_ea_high_n": ea.high_n,
                "rope_ea_by": ea.by,
                "sheave": stiff.sheave if stiff is not None and ea.by == "ring_down" else None,
            }
        if self.efficiency is not None:
            eta = self.efficiency.value
            out |= {
                "block_efficiency": eta,
                "block_efficiency_u": 2.0 * self.efficiency.rel_u * eta,
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
    held: bool = True,
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
    held : bool
        False when the hang may be part of the lowering: EA is a range then.

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
    if ring is not None and asks_stiffness(trace.place) and rings_clearly(ring):
        stiffness = rope_stiffness(
            ring,
            weight_n=weight,
            weight_rel_u=weight_rel_u,
            to_piece=trace.chain.gain,
            to_lead=_to_lead(trace),
            rope=trace.place.rope,
            weight_least=TAG_LEAST if trace.tag_line_tight else 1.0,
            held=held,
        )
    fall = None
    if whole:
        sticks = stiffness is not None and stiffness.sheave == "stuck"
        loss = ring_loss(ring, sticks=sticks)
        fall = _free_fall(trace, story, hang_reading_n, hang_rel_u, loss)
    tells = believed(story, weight_n=weight, weight_rel_u=weight_rel_u, held=held)
    ea = surer_ea(trace.place, story, stiffness, tells)
    return Identified(ring, stiffness, fall, ea, told_efficiency(trace.place, tells))


def asks_stiffness(place: Place) -> bool:
    """Whether a ring-down there is the rope's: the sheave hides it on the fall, a swing's is not."""
    return place.reads != "fall" and place.method != "swing"


def cfc60_of(trace: Trace, story: Story, at_s: float) -> float | None:
    """Largest CFC-60 force near the raw peak, None where the rate or a gap forbids it."""
    return cfc60_peak_n(trace.time_s, story.force_n, at_s, trace.period_s)


# --- ring-down -----------------------------------------------------------------------


def _to_lead(trace: Trace) -> float:
    """Swing of the lead per newton that the station swings while the sheave sticks.

    In a sling the fall's tension then stands still: one newton more in the lead is about
    one newton more in the resultant of two nearly parallel legs. At B the piece block hides
    by how much more the lead swings, so the high block never surely sticks.
    """
    known = {"sling": 1.0, "standing": math.inf}
    return known.get(trace.place.reads, trace.chain.gain)


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Samples to fit, and the frequency at which the search begins."""

    first: int
    last: int
    frequency_hz: float


def _ring(trace: Trace, story: Story, hang_n: float) -> RingDown | None:
    """Fit the tail with the sheave stuck, else what lies well above, else all of it."""
    window = _ring_window(trace, story, hang_n)
    if window is None:
        return None
    first, last, swings = window
    found: list[RingDown] = []
    for part in _stretches(trace, swings, first, last, hang_n):
        ring = fit_ringdown(
            trace.time_s[part.first : part.last],
            story.force_n[part.first : part.last],
            frequency_hz=part.frequency_hz,
            noise_n=story.noise_n,
        )
        if ring is not None and not _like_pendulum(ring, trace.place.rope):
            found.append(ring)
            if rings_clearly(ring):
                return ring
    return found[0] if found else None


def _like_pendulum(ring: RingDown, rope: RopeInPlay | None) -> bool:
    """Whether it is the pulse that a pendulum gives the tension, twice in each of its swings.

    On a rope the piece swings once where it would hang lower by g/ω² if its weight came off
    and on again. Slower than twice the pendulum's rate that is over a quarter of the lead:
    no rope stretches so far. Near that rate the two cannot be told apart.
    """
    if rope is None:
        return False
    pulse = pulse_hz(rope)
    return abs(ring.frequency_hz / pulse - 1.0) < _NEAR_PULSE or (
        ring.frequency_hz < pulse and rope.legs > 1
    )


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
    swings = _fading(swings_about(part, hang_n, least), hang_n)
    if len(swings.peak) < 3:
        return None
    return first, last, swings


def _fading(swings: Swings, hang_n: float) -> Swings:
    """Leave out what follows a growth of the swings, or a pause: it is no ring-down any more.

    Somebody lowers, something was met, or only a pendulum's slow pulse is left.
    """
    sizes, steps = swings.amplitude_n, np.diff(swings.peak)
    for i in range(3, len(sizes)):
        grows = sizes[i] > _GROWTH * max(sizes[i - 3 : i]) + _LEAST_GROWTH * hang_n
        if grows or steps[i - 1] > _PACE * steps[max(i - 4, 0) : i - 1].max():
            return Swings(swings.first[:i], swings.peak[:i], sizes[:i], swings.above[:i])
    return swings


def _stretches(
    trace: Trace, swings: Swings, first: int, last: int, hang_n: float
) -> list[_Stretch]:
    """Stretches to fit, best first."""
    sizes = np.array(swings.amplitude_n)
    rope, place = trace.place.rope, trace.place
    whole = _from_swing(trace, swings, first, last, 0)
    if rope is None or place.reads == "fall":
        return whole
    weight_n = trace.chain.gain * hang_n
    sticks = surely_sticking_n(weight_n, rope)
    loose = np.flatnonzero(_to_lead(trace) * sizes > sticks)
    out: list[_Stretch] = []
    stuck = int(loose[-1]) + 1 if loose.size else 0
    if stuck < sizes.size - 1:
        out += _from_swing(trace, swings, first, last, stuck)
    high = np.flatnonzero(trace.chain.gain * sizes > SLIPPING_FROM * sticks)
    if high.size > 2:
        a, b = int(high[0]), int(high[-1])
        pace = _half_s(trace, swings, a, b)
        out.append(_Stretch(first + swings.peak[a], first + swings.peak[b], 0.5 / pace))
    return [*out, *whole]


def _half_s(trace: Trace, swings: Swings, a: int, b: int) -> float:
    """Time of half a swing, from extreme to extreme."""
    steps = np.diff(np.array(swings.peak[a : b + 1])) * trace.period_s
    return float(np.median(steps))


def _from_swing(trace: Trace, swings: Swings, first: int, last: int, begin: int) -> list[_Stretch]:
    """Stretch from one swing on for as long as the swings keep their pace.

    The rope's ring-down fades away under the slower pulse that a pendulum gives the
    tension; where the pace breaks, the ring-down is over.
    """
    peaks = np.array(swings.peak[begin:])
    if peaks.size < 2:
        return []
    steps = np.diff(peaks) * trace.period_s
    pace = float(np.sort(steps[:_PACE_OF])[(min(steps.size, _PACE_OF) - 1) // 2])
    off = np.flatnonzero((steps > _PACE * pace) | (steps < pace / _PACE))
    kept = int(off[0]) if off.size else steps.size
    cycle = round(2.0 * pace / trace.period_s)
    end = int(peaks[kept]) + (cycle // 2 if off.size else cycle)
    return [_Stretch(first + int(peaks[0]), min(first + end, last), 0.5 / pace)]


# --- free fall -------------------------------------------------------------------------


def _free_fall(
    trace: Trace,
    story: Story,
    hang_n: float,
    hang_rel_u: float,
    loss: tuple[float, float] | None,
) -> FreeFall | None:
    """Equivalent free fall of a catch, at the piece, or as a band from the fall."""
    release = story.release
    if release is None or release.kind != "catch" or _gap_near(trace, release.start_s):
        return None
    start = _first_load(story, int(np.searchsorted(trace.time_s, release.start_s)))
    end = int(np.searchsorted(trace.time_s, release.start_s + LONGEST_S))
    time_s, force_n = trace.time_s[start:end], story.force_n[start:end]
    place, gain = trace.place, trace.chain.gain
    loss = loss or usual_loss(time_s, force_n, hang_n, place.rope)
    efficiency, efficiency_u = (
        (place.rope.efficiency, place.rope.efficiency_u) if place.rope is not None else (0.9, 0.03)
    )
    if place.reads == "fall":
        return free_fall_on_the_fall(
            time_s, force_n, hang_reading_n=hang_n, efficiency=efficiency, loss_s=loss[0],
            rel_u=hang_rel_u,
        )  # fmt: skip
    turns = place.reads == "sling"
    return equivalent_free_fall(
        time_s,
        np.asarray((2.0 / (1.0 + efficiency) if turns else 1.0) * gain * force_n),
        weight_n=gain * hang_n,
        weight_rel_u=math.hypot(hang_rel_u, trace.chain.gain_rel_u),
        weight_least=TAG_LEAST if trace.tag_line_tight else 1.0,
        loss_s=loss[0],
        loss_u_s=loss[1],
        force_rel_u=efficiency_u / (1.0 + efficiency) if turns else 0.0,
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


def hang_by_cycles(ring: RingDown | None, zero_u_n: float) -> tuple[float, float] | None:
    """Hang reading over whole ring-down cycles and its standard uncertainty.

    What the fit leaves is motion that is no decaying sinusoid; a sixth of it counts.
    """
    if ring is None or ring.cycles < 1.0:
        return None
    u = math.hypot(ring.level_n_u, ring.residual_n / 6.0, zero_u_n)
    return ring.level_n, u
