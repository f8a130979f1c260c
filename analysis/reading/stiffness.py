"""From a ring-down to the rope's stiffness EA, with the sheave stuck, slipping or in between.

Comes in: a ring-down as the load at the piece shows it, the piece's weight, the lengths of
rope in play. Goes out: k and EA, the latter as a range where it cannot be told whether the
sheave turns. Must not: read records (``analysis/source.py`` gathers the lengths).

Notes
-----
k = m(2πf_d)²/(1 − ζ²). Once the lead swings by less than W(1 − η²)/(1 + η²) the sheave
sticks and only the lead stretches: EA = k L_lead. Well above, the fall stretches with it for
most of every half swing: EA = L/(1/k − block term) with the length L that swings as fast
(:func:`swinging_length_m`). In between the answer is the range of both.

EA is the tension per strain of the *unloaded* length. Nobody writes down whether a length was
taped slack or under the piece: the loaded one is longer by T/EA, so that EA lies between k L
and k L − T. The middle is told, T/√12 is its standard uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Final, Literal

from analysis.reading.place import RopeInPlay
from analysis.reading.ringdown import RingDown
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

Sheave = Literal["stuck", "slipping", "between"]

SLIPPING_FROM: Final = 3.0
"""Own choice: swings above so many times the sticking amplitude count as slipping."""

_TURNS_ON: Final = 1e3
"""Swing, as a share of the weight, at which a sheave hardly ever sticks."""


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
        Amplitude below which the sheave surely sticks (:func:`surely_sticking_n`).
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


def surely_sticking_n(weight_n: float, rope: RopeInPlay) -> float:
    """Sticking amplitude of a block that turns easier than written, by one standard uncertainty."""
    return sticking_amplitude_n(weight_n, min(rope.efficiency + rope.efficiency_u, 1.0))


def sheave_state(largest_n: float, smallest_n: float, sticking_n: float) -> Sheave:
    """Whether the sheave turned while the lead swung.

    Parameters
    ----------
    largest_n : float
        Largest amplitude of the lead, if the sheave stuck.
    smallest_n : float
        Smallest amplitude of the lead, if it turned.
    sticking_n : float
        Amplitude below which it sticks.

    Examples
    --------
    >>> [sheave_state(a, b, 105.0) for a, b in ((90, 20), (900, 400), (300, 50))]
    ['stuck', 'slipping', 'between']
    """
    if largest_n <= sticking_n:
        return "stuck"
    return "slipping" if smallest_n >= SLIPPING_FROM * sticking_n else "between"


def swinging_length_m(rope: RopeInPlay, swing: float) -> float:
    """Length of rope, without a sheave, on which the piece would swing as fast.

    Parameters
    ----------
    rope : RopeInPlay
        Lead, fall, η.
    swing : float
        How far above or below the weight the lead's tension is where half swings begin,
        as a share of the weight.

    Returns
    -------
    float
        The lead while the sheave sticks; about lead + (η + 1/η)/2 fall for large swings.

    Notes
    -----
    Where the motion turns, the sheave sticks until the lead's tension has changed by the
    factor η²; until then the lead alone stretches. Then the fall follows with η of the
    lead's change on the way down, with 1/η of it on the way up. Each half swing is two
    arcs, joined at the same tension and speed; damping by the rope is left out. The time of a
    swing is held to 2 % against a simulation (``tests/analysis/reading/test_stiffness.py``).
    """
    if swing <= 0.0:
        return rope.lead_m
    eta = rope.efficiency
    down = _half_swing(
        rope.lead_m, rope.lead_m + eta * rope.fall_m, swing, 1.0 - (1.0 - swing) / eta**2
    )
    up = _half_swing(
        rope.lead_m, rope.lead_m + rope.fall_m / eta, swing, eta**2 * (1.0 + swing) - 1.0
    )
    return ((down + up) / (2.0 * math.pi)) ** 2


def _half_swing(stuck_m: float, slips_m: float, begins: float, slips_at: float) -> float:
    """Time of half a swing times √(EA/m): an arc on one length, then one on another.

    ``begins`` and ``slips_at`` are distances of the tension from the weight on the side
    where the half swing begins, as shares of the weight.
    """
    if slips_at <= -begins:
        return math.pi * math.sqrt(stuck_m)
    angle = math.acos(min(slips_at / begins, 1.0))
    reach = math.hypot(slips_at, begins * math.sin(angle) * math.sqrt(stuck_m / slips_m))
    rest = math.pi - math.acos(min(max(slips_at / reach, -1.0), 1.0))
    return math.sqrt(stuck_m) * angle + math.sqrt(slips_m) * rest


def stuck_ea_n(stiffness: float, rope: RopeInPlay, weight_n: float) -> float:
    """EA when only the rope beyond the sheave stretches."""
    return _ea_n(stiffness, rope, weight_n, rope.lead_m, 0.0)


def slipping_ea_n(stiffness: float, rope: RopeInPlay, weight_n: float, swing: float) -> float:
    """EA when the fall stretches too (:func:`swinging_length_m`)."""
    length = swinging_length_m(rope, swing)
    return _ea_n(stiffness, rope, weight_n, length, rope.block_m_per_n)


def _tension_n(rope: RopeInPlay, weight_n: float) -> float:
    return weight_n if rope.legs == 1 else weight_n / (2.0 * rope.leg_cos)


def _ea_n(
    stiffness: float, rope: RopeInPlay, weight_n: float, length_m: float, block_m_per_n: float
) -> float:
    """Tension per strain of a lead, or of two legs whose angle opens as they stretch.

    Two legs of total length l over a span D: sin α = D/l and
    k = 4 cos²α EA/L + 2 W sin²α/(l cos α); the last term is the legs straightening.
    """
    half = 0.5 * _tension_n(rope, weight_n)
    if rope.legs == 1:
        spring = 1.0 / max(1.0 / stiffness - block_m_per_n, 1e-12)
        return max(spring * length_m - half, 0.0)
    sine2 = 1.0 - rope.leg_cos**2
    straightening = 2.0 * weight_n * sine2 / (rope.lead_m * rope.leg_cos)
    spring = max(stiffness - straightening, 0.0)
    return max(spring * length_m / (4.0 * rope.leg_cos**2) - half, 0.0)


def rope_stiffness(
    ring: RingDown,
    *,
    weight_n: float,
    weight_rel_u: float,
    to_piece: float,
    to_lead: float,
    rope: RopeInPlay | None,
    weight_least: float = 1.0,
    held: bool = True,
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
    to_piece, to_lead : float
        Swing of the lead per newton that the station swings: while the sheave turns, and
        while it sticks and only the lead's tension changes.
    rope : RopeInPlay or None
        None: k alone is told, the range of EA is empty (0, 0).
    weight_least : float
        Share of the weight that is surely the piece's; below 1 (a tight tag line) EA is a
        range and no point.
    held : bool
        Whether the rope was surely held while it rang. Rope that is let out turns the sheave
        all the time, however small the swings: then only the range of both is told.

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
    sticks = surely_sticking_n(weight_n, rope)
    swings = ring.amplitude_n, ring.amplitude_at(ring.end_s)
    state: Sheave = "between"
    if held:
        state = sheave_state(to_lead * swings[0], to_piece * swings[1], sticks)
    turned = tuple(to_piece / weight_n * a for a in swings) if held else (_TURNS_ON, _TURNS_ON)
    ends = _answers(k, rope, weight_n, state, turned)
    middle = ends[0].ea_n if len(ends) == 1 else None
    shared = math.hypot(rel_u, rope.length_rel_u)
    wide = [2.0 * math.hypot(shared * end.ea_n, end.u_n) for end in ends]
    low = min(end.ea_n - u for end, u in zip(ends, wide, strict=True))
    return RopeStiffness(
        stiffness_n_per_m=k,
        stiffness_n_per_m_u=2.0 * rel_u * k,
        ea_low_n=weight_least * max(low, 0.1 * min(end.ea_n for end in ends)),
        ea_high_n=max(end.ea_n + u for end, u in zip(ends, wide, strict=True)),
        ea_n=middle if weight_least >= 1.0 else None,
        sheave=state,
        sticking_n=sticks,
    )


@dataclass(frozen=True, slots=True)
class _Answer:
    """EA for one state of the sheave, and what only that state makes uncertain."""

    ea_n: float
    u_n: float


def _answers(
    stiffness: float, rope: RopeInPlay, weight_n: float, state: Sheave, swings: Iterable[float]
) -> list[_Answer]:
    """One answer where the state of the sheave is known, else both ends."""
    taped = _tension_n(rope, weight_n) / math.sqrt(12.0)
    out = []
    if state != "slipping":
        out.append(_Answer(stuck_ea_n(stiffness, rope, weight_n), taped))
    if state != "stuck":
        out.append(_slipping(stiffness, rope, weight_n, state, tuple(swings), taped))
    return out


def _slipping(
    stiffness: float,
    rope: RopeInPlay,
    weight_n: float,
    state: Sheave,
    swings: tuple[float, ...],
    taped_n: float,
) -> _Answer:
    """EA of a sheave that turns; which length swings depends on how far, and on η."""
    large, small = swings
    swing = large if state == "between" else math.sqrt(large * small)
    ea = slipping_ea_n(stiffness, rope, weight_n, swing)
    fading = slipping_ea_n(stiffness, rope, weight_n, small) if state == "slipping" else ea
    easier = replace(rope, efficiency=min(rope.efficiency + rope.efficiency_u, 1.0))
    parts = (
        taped_n,
        (slipping_ea_n(stiffness, rope, weight_n, large) - fading) / math.sqrt(12.0),
        slipping_ea_n(stiffness, easier, weight_n, swing) - ea,
    )
    return _Answer(ea, math.hypot(*parts))
