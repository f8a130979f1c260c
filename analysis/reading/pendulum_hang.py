"""The weight of a piece that still swings like a pendulum.

Comes in: forces of the hang, length of the lead. Goes out: the load it swings about, with
its standard uncertainty, or None where what is left is no pendulum. Must not: know phases.

Notes
-----
A swinging piece pulls harder on the mean than it weighs. With T = W(3 cos θ − 2 cos θ₀)
(Hibbeler, Dynamics, circular motion without friction; ``physics.md`` §6) the tension goes
from W cos θ₀ at the ends to W(3 − 2 cos θ₀) below, twice in each swing, so that
W = (T_max + 2 T_min)/3, whatever θ₀. Against the middle of a small pulse that is a third of
its amplitude less; the sine that is fitted to the rounder pulse of a wide swing needs a little
less than that (:func:`excess_share`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.reading.place import RopeInPlay
from analysis.reading.ringdown import fit_ringdown
from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

_NEAR: Final = 0.15
"""A pendulum of 60° to either side swings 7 % slower than a small one; lengths are ± 2 %."""
_LEAST_SHARE: Final = 0.003
_OTHER_MOTION: Final = 1.0 / 6.0
_WIDE: Final = (0.040, 0.028)
"""What a sine fitted to the exact tension lacks, up to 65° to either side (own integration)."""
_NO_SINE: Final = 0.02


@dataclass(frozen=True, slots=True)
class PendulumHang:
    """What a swinging piece weighs at the station, and its standard uncertainty, newtons."""

    value_n: float
    u_n: float


def pulse_hz(rope: RopeInPlay) -> float:
    """How often a second a pendulum on this rope pulls: twice in each of its small swings.

    Examples
    --------
    >>> round(pulse_hz(RopeInPlay(lead_m=9.80665, fall_m=10.0)) * 3.14159265, 6)
    1.0
    """
    below_m = rope.lead_m if rope.legs == 1 else 0.5 * rope.lead_m * rope.leg_cos
    return math.sqrt(G_M_PER_S2 / below_m) / math.pi


def excess_share(pulse: float) -> float:
    """By what share of the level a piece weighs less than the level its tension pulses about.

    Parameters
    ----------
    pulse : float
        Amplitude of the sine fitted to the tension over its level.

    Returns
    -------
    float

    Examples
    --------
    >>> [round(excess_share(p), 4) for p in (0.03, 0.317, 0.57)]
    [0.01, 0.1008, 0.1718]
    """
    return pulse / 3.0 - pulse**2 * (_WIDE[0] + _WIDE[1] * pulse)


def pendulum_hang(
    time_s: FloatArray,
    force_n: FloatArray,
    rope: RopeInPlay,
    noise_n: float,
    most_share: float = math.inf,
) -> PendulumHang | None:
    """Weight of a piece whose tension pulses as a pendulum's does.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        The hang; newtons at the station with zero taken.
    rope : RopeInPlay
        One lead; its length says how fast a pendulum pulses.
    noise_n : float
        Standard deviation of one sample.
    most_share : float
        Largest amplitude over the level that can only be a pendulum's: above the amplitude
        at which the sheave sticks, a heavy piece on a soft rope bounces as slowly.

    Returns
    -------
    PendulumHang or None
        None where the motion has another rate, is too small, too large or too short to tell.
    """
    if rope.legs != 1 or time_s.size < 2:
        return None
    usual = pulse_hz(rope)
    ring = fit_ringdown(time_s, force_n, frequency_hz=usual, noise_n=noise_n)
    if ring is None or abs(ring.frequency_hz / usual - 1.0) > _NEAR:
        return None
    middle_s = 0.5 * (ring.start_s + ring.end_s)
    excess = ring.level_n * excess_share(ring.amplitude_at(middle_s) / ring.level_n)
    if ring.amplitude_n > most_share * ring.level_n:
        return None
    if excess < _LEAST_SHARE / 3.0 * ring.level_n:
        return None
    u = math.hypot(ring.level_n_u, _OTHER_MOTION * ring.residual_n, _NO_SINE * excess)
    return PendulumHang(ring.level_n - excess, u)
