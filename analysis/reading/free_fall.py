"""Equivalent free fall: the height that explains the speed a catch had to stop.

Comes in: the load at the piece (or on the fall) from first load over the first hump, the
piece's weight. Goes out: v0 and h with a range. Must not: find phases, or give a point
where only a band can be known (on the fall).

Notes
-----
v0 = (1/m)∫(F − W)dt from the first load to the standstill of the piece (``standstill``),
h = v0²/(2g). Stopped at the force peak the integral reads 0.80 m for 1.20 m at ζ 0.1. A hinge
that holds, brush and a run reduce it: it is what the rope saw, not what a tape measured.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.standstill import standstill
from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

LONGEST_S: Final = 1.5
_LEAST_SAMPLES: Final = 8
"""Fewer samples up to the standstill show neither it nor the area under the hump."""


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
    weight_least: float = 1.0,
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
    weight_least : float
        Share of the weight that is surely the piece's; below 1 (a tight tag line) the fall
        is a range and no point.

    Returns
    -------
    FreeFall or None
        None without a hump that ends, when it took longer than 1.5 s, or when fewer than
        eight samples were taken meanwhile.
    """
    if weight_n <= 0 or time_s.size < 4:
        return None
    found = standstill(time_s, force_n, weight_n, loss_s, loss_u_s)
    start = float(time_s[0])
    if found is None or not 0.0 < found.time_s - start < LONGEST_S:
        return None
    if int(np.searchsorted(time_s, found.time_s)) < _LEAST_SAMPLES:
        return None
    stop = found.time_s
    speed = impulse_speed(time_s, force_n, weight_n, stop)
    impulse = speed + G_M_PER_S2 * (stop - start)
    at = min(int(np.searchsorted(time_s, stop)), time_s.size - 1)
    step_s = float(time_s[1] - time_s[0])
    moved_s = math.hypot(found.u_s, step_s / math.sqrt(3.0))
    u = math.hypot(
        impulse * math.hypot(weight_rel_u, force_rel_u),
        G_M_PER_S2 * (float(force_n[at]) / weight_n - 1.0) * moved_s,
        G_M_PER_S2 * step_s / math.sqrt(3.0),
    )
    known = weight_least >= 1.0
    fastest = impulse / weight_least - G_M_PER_S2 * (stop - start)
    return FreeFall(
        speed_m_per_s=speed if known else None,
        fall_m=fall_of_speed_m(speed) if known else None,
        fall_low_m=fall_of_speed_m(speed - 2.0 * u),
        fall_high_m=fall_of_speed_m(fastest + 2.0 * u),
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
    fall's tension over η: the sign of slip is known there, at the hang it is not. Both
    ends of the weight must show a standstill, else there is no band.
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
    if len(known) < len(found):
        return None
    return FreeFall(
        speed_m_per_s=None,
        fall_m=None,
        fall_low_m=min(one.fall_low_m for one in known),
        fall_high_m=max(one.fall_high_m for one in known),
        start_s=known[0].start_s,
        standstill_s=known[0].standstill_s,
    )
