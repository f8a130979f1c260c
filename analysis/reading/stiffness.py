"""From a ring-down to the rope's stiffness EA, with the sheave stuck, slipping or in between.

Comes in: a ring-down as the load at the piece shows it, the piece's weight, the lengths of
rope in play. Goes out: k and EA, the latter as a range where it cannot be told whether the
sheave turns. Must not: read records (``analysis/source.py`` gathers the lengths).

Notes
-----
k = m(2πf_d)²/(1 − ζ²). Once the lead swings by less than W(1 − η²)/(1 + η²) the sheave
sticks and only the lead stretches: EA = k L_lead. Well above, the fall stretches with it:
EA = (L_lead + η L_fall)/(1/k − block term). In between the answer is the range of both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from analysis.reading.place import RopeInPlay
from analysis.reading.ringdown import RingDown
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

Sheave = Literal["stuck", "slipping", "between"]

SLIPPING_FROM: Final = 3.0
"""Own choice: swings above so many times the sticking amplitude count as slipping."""


@dataclass(frozen=True, slots=True)
class RopeStiffness:
    """Stiffness at the piece and EA of the rope.

    Parameters
    ----------
    stiffness_n_per_m, stiffness_n_per_m_u : float
        k, and its expanded uncertainty (k = 2).
    ea_low_n, ea_high_n : float
        Range of EA: both answers where the sheave may or may not turn, widened by U.
    ea_n : float or None
        EA where the sheave's state is known, else None.
    sheave : str
        ``stuck``, ``slipping`` or ``between``.
    sticking_n : float
        Amplitude below which the sheave sticks.
    """

    stiffness_n_per_m: float
    stiffness_n_per_m_u: float
    ea_low_n: float
    ea_high_n: float
    ea_n: float | None
    sheave: Sheave
    sticking_n: float


def ring_stiffness_n_per_m(weight_n: float, frequency_hz: float, damping_ratio: float) -> float:
    """Stiffness on which a mass rings, m(2πf_d)²/(1 − ζ²).

    Examples
    --------
    >>> round(ring_stiffness_n_per_m(980.665, 1.0, 0.0), 1)
    3947.8
    """
    omega = 2.0 * math.pi * frequency_hz
    return weight_n / G_M_PER_S2 * omega**2 / (1.0 - damping_ratio**2)


def sticking_amplitude_n(weight_n: float, efficiency: float) -> float:
    """Amplitude of the lead below which the sheave sticks, W(1 − η²)/(1 + η²).

    Examples
    --------
    >>> round(sticking_amplitude_n(1000.0, 0.9), 1)
    105.0
    """
    square = efficiency**2
    return weight_n * (1.0 - square) / (1.0 + square)


def sheave_state(largest_n: float, smallest_n: float, weight_n: float, efficiency: float) -> Sheave:
    """Whether the sheave turned while the lead swung, from its largest and smallest amplitude.

    Examples
    --------
    >>> [sheave_state(a, b, 1000.0, 0.9) for a, b in ((90, 20), (900, 400), (300, 50))]
    ['stuck', 'slipping', 'between']
    """
    sticks = sticking_amplitude_n(weight_n, efficiency)
    if largest_n <= sticks:
        return "stuck"
    return "slipping" if smallest_n >= SLIPPING_FROM * sticks else "between"


def stuck_ea_n(stiffness: float, rope: RopeInPlay, weight_n: float) -> float:
    """EA when only the rope beyond the sheave stretches."""
    return _ea_n(stiffness, rope, weight_n, rope.lead_m, 0.0)


def slipping_ea_n(stiffness: float, rope: RopeInPlay, weight_n: float) -> float:
    """EA when the fall stretches with it, carrying η of the tension."""
    length = rope.lead_m + rope.efficiency * rope.fall_m
    return _ea_n(stiffness, rope, weight_n, length, rope.block_m_per_n)


def _ea_n(
    stiffness: float, rope: RopeInPlay, weight_n: float, length_m: float, block_m_per_n: float
) -> float:
    """Tension per strain of a lead, or of two legs whose angle opens as they stretch.

    Two legs of total length l over a span D: sin α = D/l and
    k = 4 cos²α EA/L + 2 W sin²α/(l cos α); the last term is the legs straightening.
    """
    if rope.legs == 1:
        spring = 1.0 / max(1.0 / stiffness - block_m_per_n, 1e-12)
        return spring * length_m
    sine2 = 1.0 - rope.leg_cos**2
    straightening = 2.0 * weight_n * sine2 / (rope.lead_m * rope.leg_cos)
    return max(stiffness - straightening, 0.0) * length_m / (4.0 * rope.leg_cos**2)


def rope_stiffness(
    ring: RingDown,
    *,
    weight_n: float,
    weight_rel_u: float,
    to_piece: float,
    rope: RopeInPlay | None,
) -> RopeStiffness | None:
    """Stiffness and EA from a ring-down.

    Parameters
    ----------
    ring : RingDown
        As the station shows it.
    weight_n : float
        Of the piece.
    weight_rel_u : float
        Its relative standard uncertainty.
    to_piece : float
        Load at the piece per newton at the station, for the amplitude.
    rope : RopeInPlay or None
        None: k alone is told, the range of EA is empty (0, 0).

    Returns
    -------
    RopeStiffness or None
        None for a weight that is not above 0.
    """
    if weight_n <= 0:
        return None
    k = ring_stiffness_n_per_m(weight_n, ring.frequency_hz, ring.damping_ratio)
    rel_u = math.hypot(weight_rel_u, 2.0 * ring.frequency_hz_u / ring.frequency_hz)
    if rope is None:
        return RopeStiffness(k, 2.0 * rel_u * k, 0.0, 0.0, None, "between", 0.0)
    largest = to_piece * ring.amplitude_n
    smallest = to_piece * ring.amplitude_at(ring.end_s)
    state = sheave_state(largest, smallest, weight_n, rope.efficiency)
    answers = {
        "stuck": stuck_ea_n(k, rope, weight_n),
        "slipping": slipping_ea_n(k, rope, weight_n),
    }
    wide = 2.0 * math.hypot(rel_u, rope.length_rel_u)
    known = answers.get(state)
    ends = [known] if known is not None else list(answers.values())
    return RopeStiffness(
        stiffness_n_per_m=k,
        stiffness_n_per_m_u=2.0 * rel_u * k,
        ea_low_n=min(ends) * (1.0 - min(wide, 0.9)),
        ea_high_n=max(ends) * (1.0 + wide),
        ea_n=known,
        sheave=state,
        sticking_n=sticking_amplitude_n(weight_n, rope.efficiency),
    )
