"""Equivalent free fall: the height that explains the speed a catch had to stop.

Comes in: the load at the piece (or on the fall) from first load over the first hump, the
piece's weight. Goes out: v0 and h with a range. Must not: find phases, or give a point
where only a band can be known (on the fall).

Notes
-----
v0 = (1/m)∫(F − W)dt from the first load to the standstill of the piece, h = v0²/(2g). The
standstill is that of the *motion*: with Kelvin–Voigt damping the force peaks earlier, by
2 asin ζ/ω_d, which is close to the rope's loss time c/k at any frequency. Stopped at the
force peak the integral reads 0.80 m for 1.20 m at ζ 0.1. A hinge that holds, brush and a
run reduce it: it is what the rope saw, not what a tape measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

LONGEST_S: Final = 1.5
_DECLINE: Final = (0.97, 0.75, 0.5, 0.15)
_LEAST_POINTS: Final = 6
_STANDSTILL_U_S: Final = 0.008
"""Own assumption: how well the standstill is found where sheave and device slip."""
_SUDDEN_S: Final = 0.006
_SUDDEN: Final = 4.0
_STEPS: Final = 12


@dataclass(frozen=True, slots=True)
class FreeFall:
    """Equivalent free fall of one catch.

    Parameters
    ----------
    speed_m_per_s : float or None
        Speed at the first load; None where only a band is known.
    fall_m : float or None
        Height of a free fall from rest to that speed.
    fall_low_m, fall_high_m : float
        Range: U (k = 2) on the lead, the friction band too on the fall.
    start_s, standstill_s : float
        Limits of the integral.
    """

    speed_m_per_s: float | None
    fall_m: float | None
    fall_low_m: float
    fall_high_m: float
    start_s: float
    standstill_s: float


def loss_time_s(frequency_hz: float, damping_ratio: float) -> float:
    """Time by which the piece's standstill follows the force peak, 2 asin ζ/ω_d.

    Examples
    --------
    >>> round(loss_time_s(1.0, 0.1), 4)
    0.0319
    """
    return 2.0 * math.asin(damping_ratio) / (2.0 * math.pi * frequency_hz)


def standstill_s(
    time_s: FloatArray, force_n: FloatArray, weight_n: float, loss_s: float
) -> float | None:
    """Time at which the caught piece stands still for the first time.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        Load at the piece from the first load on, newtons with zero taken.
    weight_n : float
        What it settles at.
    loss_s : float
        By how much the standstill follows the force peak (:func:`loss_time_s`).

    Returns
    -------
    float or None
        None when the force never clearly comes down from a hump above the weight.

    Notes
    -----
    The decline from the hump is fitted by a decaying swing from its top; size, width and
    time of the top are free. So the flat top of a braked run, on which the piece is still
    moving, ends where the decline begins. Only the beginning of
    the decline counts: the sheave sticks when the motion turns, and slips again later.
    """
    above = force_n - weight_n
    hump = _first_hump(above)
    if hump is None:
        return None
    first, last = hump
    inside = above[first:last]
    sudden = _sudden_fall_s(time_s[first:last], inside)
    if sudden is not None:
        return sudden
    top = float(inside.max())
    high = np.flatnonzero(inside > _DECLINE[0] * top)
    begin = first + int(high[-1])
    for share in _DECLINE[1:]:
        low = np.flatnonzero(inside > share * top)
        end = first + int(low[-1]) + 1
        if end - begin >= _LEAST_POINTS:
            break
    else:
        return float(time_s[first + int(np.argmax(inside))]) + loss_s
    fitted = _declining_top(time_s[begin:end], above[begin:end], top, loss_s, share)
    return None if fitted is None else fitted + loss_s


def _first_hump(above_n: FloatArray) -> tuple[int, int] | None:
    """First stretch above the weight that holds a clear top and comes down again."""
    largest = float(above_n.max()) if above_n.size else 0.0
    if largest <= 0:
        return None
    positive = above_n > 0
    edges = np.flatnonzero(np.diff(positive.astype(np.int8)))
    starts = [0, *(int(e) + 1 for e in edges)]
    for start, stop in zip(starts, [*starts[1:], above_n.size], strict=True):
        if positive[start] and float(above_n[start:stop].max()) > 0.4 * largest:
            return None if stop == above_n.size else (start, stop)
    return None


def _sudden_fall_s(time_s: FloatArray, above_n: FloatArray) -> float | None:
    """Begin of a sudden fall on the way down from the top, None on a smooth way down."""
    few = max(round(_SUDDEN_S / float(time_s[1] - time_s[0])), 2) if time_s.size > 2 else 2
    top = int(np.argmax(above_n))
    way = above_n[top:]
    if way.size < 6 * few:
        return None
    slope = way[:-few] - way[few:]
    steepest = int(np.argmax(slope))
    if slope[steepest] < _SUDDEN * float(np.median(slope[slope > 0])):
        return None
    flat = np.flatnonzero(slope[: steepest + 1] < 0.5 * slope[steepest])
    begin = int(flat[-1]) + 1 if flat.size else 0
    return float(time_s[min(top + begin + few // 2, time_s.size - 1)])


def _declining_top(
    time_s: FloatArray, above_n: FloatArray, top_n: float, loss_s: float, share: float
) -> float | None:
    """Fit the decline from the top of a decaying swing; give the time of that top."""
    fall = float(time_s[-1] - time_s[0])
    omega = (math.acos(share) - math.acos(_DECLINE[0])) / max(fall, 1e-9)
    at = float(time_s[0]) - math.acos(_DECLINE[0]) / omega
    size, first = top_n, omega
    for _ in range(_STEPS):
        shape = _decline(time_s - at, omega, loss_s)
        wider = _decline(time_s - at, omega * 1.001, loss_s)
        later = _decline(time_s - at - 1e-4, omega, loss_s)
        jacobian = np.stack(
            (shape, size * (wider - shape) / (0.001 * omega), size * (later - shape) / 1e-4), axis=1
        )
        step = np.linalg.lstsq(jacobian, above_n - size * shape, rcond=None)[0]
        size, at = size + float(step[0]), at + float(step[2])
        omega += min(max(float(step[1]), -0.3 * omega), 0.3 * omega)
        if not 0.3 * first < omega < 3.0 * first or abs(at - float(time_s[0])) > 4.0 / first:
            return None
    return at if float(time_s[0]) - 2.0 / omega < at < float(time_s[-1]) else None


def _decline(since_s: FloatArray, omega: float, loss_s: float) -> FloatArray:
    """Decaying swing from its top at 0, height 1, for a given loss time."""
    damping = math.sin(min(0.5 * loss_s * omega, 0.5))
    decay = omega * damping / math.sqrt(1.0 - damping**2)
    angle = omega * since_s
    wave = np.cos(angle) + decay / omega * np.sin(angle)
    return np.asarray(np.exp(-decay * since_s) * wave)


def fall_of_speed_m(speed_m_per_s: float) -> float:
    """Height of a free fall from rest, v²/(2g); 0 for a speed that points upwards.

    Examples
    --------
    >>> round(fall_of_speed_m(4.8513), 3)
    1.2
    """
    return max(speed_m_per_s, 0.0) ** 2 / (2.0 * G_M_PER_S2)


def impulse_speed(time_s: FloatArray, force_n: FloatArray, weight_n: float, end_s: float) -> float:
    """Compute the speed stopped between the first sample and a time, (1/m)∫(F − W)dt, m/s."""
    inside = time_s <= end_s
    time, above = time_s[inside], force_n[inside] / weight_n - 1.0
    speed = G_M_PER_S2 * float(np.trapezoid(above, time)) if time.size > 1 else 0.0
    rest = end_s - float(time[-1]) if time.size else 0.0
    return speed + G_M_PER_S2 * rest * (float(above[-1]) if time.size else 0.0)


def equivalent_free_fall(
    time_s: FloatArray,
    force_n: FloatArray,
    *,
    weight_n: float,
    weight_rel_u: float,
    loss_s: float,
    loss_u_s: float,
    force_rel_u: float = 0.0,
) -> FreeFall | None:
    """Equivalent free fall from the load at the piece.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        Load at the piece from the first load on.
    weight_n, weight_rel_u : float
        Weight of the piece and relative standard uncertainty.
    loss_s, loss_u_s : float
        Time from force peak to standstill, and its standard uncertainty.
    force_rel_u : float
        Relative standard uncertainty of the forces that they do not share with the weight.

    Returns
    -------
    FreeFall or None
        None without a hump that ends, or when it took longer than 1.5 s.
    """
    if weight_n <= 0 or time_s.size < 4:
        return None
    stop = standstill_s(time_s, force_n, weight_n, loss_s)
    start = float(time_s[0])
    if stop is None or not 0.0 < stop - start < LONGEST_S:
        return None
    speed = impulse_speed(time_s, force_n, weight_n, stop)
    impulse = speed + G_M_PER_S2 * (stop - start)
    at = min(int(np.searchsorted(time_s, stop)), time_s.size - 1)
    step_s = float(time_s[1] - time_s[0])
    moved_s = math.hypot(loss_u_s, _STANDSTILL_U_S, step_s / math.sqrt(3.0))
    u = math.hypot(
        impulse * math.hypot(weight_rel_u, force_rel_u),
        G_M_PER_S2 * (float(force_n[at]) / weight_n - 1.0) * moved_s,
    )
    return FreeFall(
        speed_m_per_s=speed,
        fall_m=fall_of_speed_m(speed),
        fall_low_m=fall_of_speed_m(speed - 2.0 * u),
        fall_high_m=fall_of_speed_m(speed + 2.0 * u),
        start_s=start,
        standstill_s=stop,
    )


def free_fall_on_the_fall(
    time_s: FloatArray,
    force_n: FloatArray,
    *,
    hang_reading_n: float,
    efficiency: float,
    loss_s: float,
    rel_u: float,
) -> FreeFall | None:
    """Equivalent free fall from the tension of the fall: a band, never a point.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        Tension of the fall from the first load on.
    hang_reading_n : float
        What the fall reads while the piece hangs; W lies in [ηF, F/η].
    efficiency : float
        η of the high block.
    loss_s : float
        Time from force peak to standstill.
    rel_u : float
        Relative standard uncertainty of the forces.

    Returns
    -------
    FreeFall or None

    Notes
    -----
    While the piece sinks the rope runs over the block towards it, so the lead carries the
    fall's tension over η: the sign of slip is known there, at the hang it is not.
    """
    lead = force_n / efficiency
    found = [
        equivalent_free_fall(
            time_s,
            lead,
            weight_n=weight,
            weight_rel_u=rel_u,
            loss_s=loss_s,
            loss_u_s=loss_s / 2.0,
        )
        for weight in (hang_reading_n * efficiency, hang_reading_n / efficiency)
    ]
    known = [one for one in found if one is not None]
    if not known:
        return None
    return FreeFall(
        speed_m_per_s=None,
        fall_m=None,
        fall_low_m=min(one.fall_low_m for one in known),
        fall_high_m=max(one.fall_high_m for one in known),
        start_s=known[0].start_s,
        standstill_s=known[0].standstill_s,
    )
