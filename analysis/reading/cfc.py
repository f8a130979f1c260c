"""The CFC-60 filter of SAE J211-1 around a peak, run both ways.

Comes in: evenly sampled forces, the sample rate. Goes out: the filtered forces, or the
peak of them. Must not: filter across a gap, or at a rate that does not carry the class.

References
----------
SAE J211-1: wd = 2π·CFC·2.0775; a two-pole Butterworth run forwards and backwards, −3 dB
after both at 100 Hz for CFC 60. Coefficients at T 1 ms: references.md §8.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from analysis.reading.trace import FloatArray

CFC60: Final = 60.0
LEAST_RATE_HZ: Final = 600.0
"""Ten times the class: below this the filter says nothing."""
_ENDS: Final = 1e-9


def cfc_coefficients(cfc: float, rate_hz: float) -> tuple[float, float, float]:
    """Give a0, b1, b2 of y[n] = a0(x[n] + 2x[n−1] + x[n−2]) + b1 y[n−1] + b2 y[n−2].

    Parameters
    ----------
    cfc : float
        Channel frequency class.
    rate_hz : float
        Samples per second.

    Examples
    --------
    >>> [round(c, 6) for c in cfc_coefficients(60.0, 1000.0)]
    [0.097185, 0.945574, -0.334313]
    """
    wa = math.tan(2.0 * math.pi * cfc * 2.0775 / (2.0 * rate_hz))
    root = math.sqrt(2.0) * wa
    a0 = wa**2 / (1.0 + root + wa**2)
    b1 = -2.0 * (wa**2 - 1.0) / (1.0 + root + wa**2)
    b2 = (-1.0 + root - wa**2) / (1.0 + root + wa**2)
    return a0, b1, b2


@lru_cache(maxsize=16)
def _both_ways(cfc: float, rate_hz: float) -> FloatArray:
    """Kernel of both passes: the impulse response against itself turned round."""
    a0, b1, b2 = cfc_coefficients(cfc, rate_hz)
    response: list[float] = []
    y1 = y2 = 0.0
    for i in range(100_000):
        x = a0 * (1.0, 2.0, 1.0)[i] if i < 3 else 0.0
        y1, y2 = x + b1 * y1 + b2 * y2, y1
        response.append(y1)
        if i > 3 and abs(y1) + abs(y2) < _ENDS:
            break
    once = np.array(response)
    kernel = np.convolve(once, once[::-1])
    kernel.setflags(write=False)
    return kernel


def cfc_filtered(force_n: FloatArray, rate_hz: float, cfc: float = CFC60) -> FloatArray:
    """Filter both ways, without shift; beyond both ends the end values go on.

    Parameters
    ----------
    force_n : (n,) float64
        Evenly sampled.
    rate_hz : float
        Samples per second.
    cfc : float
        Class.

    Returns
    -------
    (n,) float64
    """
    kernel = _both_ways(cfc, float(rate_hz))
    half = kernel.size // 2
    padded = np.concatenate((np.full(half, force_n[0]), force_n, np.full(half, force_n[-1])))
    return np.convolve(padded, kernel, mode="valid")


def cfc60_peak_n(
    time_s: FloatArray, force_n: FloatArray, at_s: float, period_s: float
) -> float | None:
    """Largest CFC-60 force near a raw peak.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        The record; newtons with zero taken.
    at_s : float
        Time of the raw peak.
    period_s : float
        Sample period.

    Returns
    -------
    float or None
        None below 600 samples/s, or when a gap lies within the filter's reach.
    """
    rate_hz = 1.0 / period_s
    if rate_hz < LEAST_RATE_HZ:
        return None
    reach = _both_ways(CFC60, _even(rate_hz)).size // 2 * period_s
    first, last = (
        int(i) for i in np.searchsorted(time_s, (at_s - reach - 0.03, at_s + reach + 0.03))
    )
    near = time_s[first:last]
    if near.size < 3 or float(np.diff(near).max()) > 1.5 * period_s:
        return None
    part = cfc_filtered(force_n[first:last], _even(rate_hz))
    middle = np.abs(near - at_s) <= 0.03
    return float(part[middle].max())


def _even(rate_hz: float) -> float:
    """Round a measured rate to four digits, so that kernels are made once."""
    return float(f"{rate_hz:.4g}")
