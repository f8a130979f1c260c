"""Standard uncertainties of what is read from a trace (GUM).

Comes in: the measuring chain's figures and what the record shows of noise, zero and
motion. Goes out: budgets, value ± U with k = 2. Must not: correct a value.

A static calibration does not by itself cover shock; :data:`SHOCK_NOTE` says so wherever a
budget is printed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.trace import FloatArray

COVERAGE_FACTOR: Final = 2.0
SHOCK_NOTE: Final = (
    "The stated uncertainty rests on a static calibration, which does not by itself cover shock."
)
_WIDTH_DROPS: Final = (0.1, 0.02)
_CLEAR_OF_NOISE: Final = 8.0
_TOP_STEPS: Final = 3


@dataclass(frozen=True, slots=True)
class Budget:
    """Standard uncertainties by cause, newtons.

    Examples
    --------
    >>> Budget({"zero": 3.0, "noise": 4.0}).expanded_n
    10.0
    """

    parts_n: dict[str, float]

    @property
    def standard_n(self) -> float:
        """Combined standard uncertainty."""
        return math.sqrt(sum(part * part for part in self.parts_n.values()))

    @property
    def expanded_n(self) -> float:
        """Expanded uncertainty, k = 2."""
        return COVERAGE_FACTOR * self.standard_n


def missed_peak_share(intervals: float) -> float:
    """Worst share of a half-sine's peak that falls between two samples.

    Parameters
    ----------
    intervals : float
        Sample intervals in the half-sine.

    Returns
    -------
    float
        1 − cos(π/2N).

    Notes
    -----
    Worst case: the peak lies midway between two samples.

    Examples
    --------
    >>> [round(100 * missed_peak_share(n), 2) for n in (4, 8, 20)]
    [7.61, 1.92, 0.31]
    """
    if intervals <= 1.0:
        return 1.0
    return 1.0 - math.cos(math.pi / (2.0 * intervals))


def averaged_peak_share(intervals: float, averaged_intervals: float = 1.0) -> float:
    """Worst share of a half-sine's peak lost by a converter that averages.

    Parameters
    ----------
    intervals : float
        Sample intervals in the half-sine.
    averaged_intervals : float
        Over how many of them the converter averages.

    Returns
    -------
    float
        1 − cos(π/2N) · sin(x)/x with x = πA/2N.

    Examples
    --------
    >>> round(100 * averaged_peak_share(4), 1)
    10.0
    """
    if intervals <= 1.0:
        return 1.0
    x = math.pi * averaged_intervals / (2.0 * intervals)
    kept = math.sin(x) / x if x > 0 else 1.0
    return 1.0 - math.cos(math.pi / (2.0 * intervals)) * max(kept, 0.0)


def half_sine_s(time_s: FloatArray, force_n: FloatArray, peak: int, noise_n: float) -> float:
    """Length of the half-sine that curves like the peak.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        Seconds; newtons with zero taken.
    peak : int
        Sample of the peak.
    noise_n : float
        Standard deviation of one sample.

    Returns
    -------
    float
        Seconds; infinite when the record never falls clearly below the peak.

    Notes
    -----
    The width at which the force has fallen by a tenth gives the curvature; a half-sine of
    the peak's height with that curvature loses the same. A bump on a level is narrower than
    that level: the width at a fiftieth counts too (never less than eight times the noise),
    and the sharper of the two is told.
    """
    top = float(force_n[peak])
    if top <= 0:
        return math.inf
    drops = {min(max(share * top, _CLEAR_OF_NOISE * noise_n), 0.9 * top) for share in _WIDTH_DROPS}
    return min(_half_sine_at(time_s, force_n, peak, drop) for drop in drops)


def _half_sine_at(time_s: FloatArray, force_n: FloatArray, peak: int, drop: float) -> float:
    """Length of the half-sine that is as wide as the peak where it has fallen by ``drop``."""
    top = float(force_n[peak])
    below = force_n < top - drop
    left = np.flatnonzero(below[:peak])
    right = np.flatnonzero(below[peak:])
    sides = []
    if left.size:
        sides.append(_crossing(time_s, force_n, int(left[-1]), 1, top - drop, peak))
    if right.size:
        sides.append(_crossing(time_s, force_n, peak + int(right[0]), -1, top - drop, peak))
    if not sides:
        return math.inf
    width = 2.0 * min(sides)
    return math.pi * width / (2.0 * math.acos(1.0 - drop / top))


def _crossing(
    time_s: FloatArray, force_n: FloatArray, outside: int, inward: int, level_n: float, peak: int
) -> float:
    """Distance in time from the peak to where the force crosses a level."""
    inside = outside + inward
    rise = float(force_n[inside] - force_n[outside])
    part = (level_n - float(force_n[outside])) / rise if rise > 0 else 0.0
    at = float(time_s[outside]) + part * float(time_s[inside] - time_s[outside])
    return abs(float(time_s[peak]) - at)


def broken_top_n(force_n: FloatArray, peak: int, noise_n: float) -> float:
    """How far a top that breaks, instead of bending, may stand above its largest sample.

    Parameters
    ----------
    force_n : (n,) float64
        Evenly sampled newtons.
    peak : int
        Sample of the peak.
    noise_n : float
        Standard deviation of one sample.

    Returns
    -------
    float
        Newtons; 0 for a smooth top, or where fewer than three samples stand to a side.

    Notes
    -----
    A stroke of the winch that stops, a device or sheave that begins to slip: the force
    rises up to a corner and goes on level. Between two samples it may have gone on as it
    rose. The slope changes over the top by the sum of the steps beside it; what a smooth
    top would change, three times the change just outside, is taken off, and four times the
    noise. Two flanks that meet between two samples stand half of that above them at most.
    Of neighbours that noise alone may have ordered, the one that breaks most counts.

    Examples
    --------
    >>> round(broken_top_n(np.array([0.0, 20.0, 40.0, 60.0, 60.0, 59.0, 59.0]), 3, 0.0), 1)
    10.5
    >>> round(broken_top_n(-np.arange(-3.0, 4.0) ** 2, 3, 0.0), 1)
    0.0
    """
    as_high = float(force_n[peak]) - 4.0 * noise_n
    tops = [peak, *(i for i in (peak - 1, peak + 1) if 0 <= i < force_n.size)]
    return max(_broken_at(force_n, i, noise_n) for i in tops if force_n[i] >= as_high)


def _broken_at(force_n: FloatArray, top: int, noise_n: float) -> float:
    """Half of what the slope changes over three samples more than a smooth top's would."""
    if not _TOP_STEPS <= top < force_n.size - _TOP_STEPS:
        return 0.0
    part = force_n[top - _TOP_STEPS : top + _TOP_STEPS + 1]
    up, down = np.diff(part[: _TOP_STEPS + 1]), -np.diff(part[_TOP_STEPS:])
    outside = max(float(up[0] - up[1]), 0.0) + max(float(down[2] - down[1]), 0.0)
    change = float(up[1] + down[1]) - 1.5 * outside - 4.0 * noise_n
    return 0.5 * max(change, 0.0)


@dataclass(frozen=True, slots=True)
class PeakLoss:
    """What may be missing from a peak.

    ``intervals`` in the equivalent half-sine; ``sampling_share`` lost at worst between
    samples, ``share`` with the converter's averaging; ``sampling_u_share`` the standard
    uncertainty from where the peak lay between the samples.
    """

    intervals: float
    sampling_share: float
    share: float
    sampling_u_share: float


def peak_loss(
    half_s: float, period_s: float, filter_delay_s: float, broken_share: float = 0.0
) -> PeakLoss:
    """Worst loss of a peak by sampling and by the converter's averaging.

    Parameters
    ----------
    half_s : float
        Length of the equivalent half-sine.
    period_s : float
        Sample period.
    filter_delay_s : float
        Delay of the converter's filter; it averages over twice that.
    broken_share : float
        What a top that breaks may hide, as a share of the peak (:func:`broken_top_n`).

    Returns
    -------
    PeakLoss

    Notes
    -----
    Any place between two samples is as likely. A smooth top loses with the square of its
    distance x from the nearer one, a x² with x from 0 to 1: a/√5 in the mean square. A corner
    loses evenly: a/√3.
    """
    corner_u = min(broken_share, 1.0) / math.sqrt(3.0)
    if math.isinf(half_s):
        return PeakLoss(math.inf, broken_share, broken_share, corner_u)
    intervals = half_s / period_s
    averaged = 2.0 * filter_delay_s / period_s
    sampled = missed_peak_share(intervals)
    more = averaged_peak_share(intervals, averaged) - sampled
    lost = max(sampled, min(broken_share, 1.0))
    bend_u = sampled / math.sqrt(5.0)
    return PeakLoss(intervals, lost, min(lost + more, 1.0), max(bend_u, corner_u))


def highest_of_noise(noise_n: float, n: int) -> float:
    """How far the largest of ``n`` noisy samples stands above their level, about."""
    return noise_n * math.sqrt(2.0 * math.log(max(n, 2)))


def largest_u_n(noise_n: float, n: int) -> float:
    """Give the standard uncertainty that noise leaves to the largest of ``n`` samples.

    Parameters
    ----------
    noise_n : float
        Standard deviation of one sample.
    n : int
        How many samples may have been the largest.

    Returns
    -------
    float

    Notes
    -----
    It stands above its level by anything up to :func:`highest_of_noise`: fewer samples
    compete where the force bends. It scatters less than one sample does, as the largest of
    many does by π/√6 σ/√(2 ln n) (Gumbel's law).

    References
    ----------
    E. J. Gumbel, Statistics of Extremes (1958), from memory.

    Examples
    --------
    >>> [round(largest_u_n(1.0, n), 2) for n in (1, 2, 100)]
    [1.0, 1.21, 1.8]
    """
    if n < 2:
        return noise_n
    above = highest_of_noise(noise_n, n)
    scatter = min(math.pi / math.sqrt(6.0) * noise_n / (above / noise_n), noise_n) if above else 0.0
    return math.hypot(scatter, above / math.sqrt(3.0))


def drifted_n(drift_n: float | None, at_s: float, from_s: float, to_s: float) -> float:
    """Give the standard uncertainty at a time of a zero that was found moved later.

    Parameters
    ----------
    drift_n : float or None
        Slack after minus slack before; None where it is not known.
    at_s, from_s, to_s : float
        The time; where slack was left and where it was met again.

    Returns
    -------
    float

    Notes
    -----
    Nobody saw when it moved. If it moved at once, at any time in between as likely as at
    another, it had moved before ``at_s`` with the probability (at - from)/(to - from).

    Examples
    --------
    >>> [drifted_n(8.0, at, 10.0, 50.0) for at in (10.0, 20.0, 60.0)]
    [0.0, 4.0, 8.0]
    """
    if drift_n is None or to_s <= from_s:
        return 0.0
    return abs(drift_n) * math.sqrt(min(max((at_s - from_s) / (to_s - from_s), 0.0), 1.0))
