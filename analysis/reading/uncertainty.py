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
_WIDTH_DROP: Final = 0.1


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
    The width at which the force has fallen by a tenth (or six times the noise) gives the
    curvature; a half-sine of the peak's height with that curvature loses the same.
    """
    top = float(force_n[peak])
    if top <= 0:
        return math.inf
    drop = min(max(_WIDTH_DROP * top, 6.0 * noise_n), 0.9 * top)
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


@dataclass(frozen=True, slots=True)
class PeakLoss:
    """What may be missing from a peak.

    ``intervals`` in the equivalent half-sine; ``sampling_share`` lost at worst between
    samples, ``share`` with the converter's averaging.
    """

    intervals: float
    sampling_share: float
    share: float


def peak_loss(half_s: float, period_s: float, filter_delay_s: float) -> PeakLoss:
    """Worst loss of a peak by sampling and by the converter's averaging.

    Parameters
    ----------
    half_s : float
        Length of the equivalent half-sine.
    period_s : float
        Sample period.
    filter_delay_s : float
        Delay of the converter's filter; it averages over twice that.

    Returns
    -------
    PeakLoss
    """
    if math.isinf(half_s):
        return PeakLoss(math.inf, 0.0, 0.0)
    intervals = half_s / period_s
    averaged = 2.0 * filter_delay_s / period_s
    return PeakLoss(
        intervals, missed_peak_share(intervals), averaged_peak_share(intervals, averaged)
    )


def highest_of_noise(noise_n: float, n: int) -> float:
    """How far the largest of ``n`` noisy samples stands above their level, about."""
    return noise_n * math.sqrt(2.0 * math.log(max(n, 2)))
