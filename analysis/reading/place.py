"""Where the cell sat and what rope the piece hung on, as the reading of a trace needs it.

Comes in: numbers (``analysis/source.py`` takes them from the rig). Goes out: frozen
:class:`Place` and :class:`RopeInPlay`. Must not: know records, or compute loads.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

Reads = Literal["piece", "fall", "sling", "standing", "unknown"]
"""What a station reads: the load at the piece, the fall, a sling's resultant, the standing leg."""


@dataclass(frozen=True, slots=True)
class RopeInPlay:
    """Rope and sheave that a hanging piece stretches.

    Parameters
    ----------
    lead_m : float
        Rope between piece and high block; in a span rig both legs, A to P to B.
    fall_m : float
        Rope between high block and device.
    efficiency, efficiency_u : float
        η of the high block at its wrap angle, and its standard uncertainty.
    block_m_per_n : float
        Compliance that the block's anchor adds (``predicting/rope.py``).
    leg_cos : float
        Cosine of the legs from plumb in a span rig; 1 for a plumb lead counts one leg.
    legs : int
        1 for a lead, 2 in a span rig.
    span_m : float
        Horizontal distance between the anchors of a span rig; 0 otherwise.
    length_rel_u : float
        Relative standard uncertainty of the lengths.
    """

    lead_m: float
    fall_m: float
    efficiency: float = 0.9
    efficiency_u: float = 0.03
    block_m_per_n: float = 0.0
    leg_cos: float = 1.0
    legs: int = 1
    span_m: float = 0.0
    length_rel_u: float = 0.02


@dataclass(frozen=True, slots=True)
class Place:
    """Where the cell sat.

    Parameters
    ----------
    reads : str
        What it reads there.
    method : str
        Method of the rig, "" when not known.
    rope : RopeInPlay or None
        None when the lengths are not known: then no EA is told.
    """

    reads: Reads = "unknown"
    method: str = ""
    rope: RopeInPlay | None = None

    @property
    def in_a_span(self) -> bool:
        """Whether the piece hangs on two legs of rope."""
        return self.rope is not None and self.rope.legs == 2


NOWHERE: Final = Place()
"""A record from elsewhere: read as if the cell carried the piece."""
_FOLLOWED: Final[dict[int, frozenset[str]]] = {
    1: frozenset({"piece", "fall", "sling"}),
    2: frozenset({"piece", "fall", "standing"}),
}


def can_follow(place: Place) -> bool:
    """Whether enough is known of the rig to foretell a motion: lengths, and what the cell reads."""
    rope = place.rope
    if rope is None or place.reads not in _FOLLOWED.get(rope.legs, ()):
        return False
    return rope.legs == 1 or 0.0 < rope.span_m < rope.lead_m


def swing_s(place: Place) -> float:
    """Time from one largest force to the next: half the period of the pendulum; 0 unknown.

    In a span rig a rough one only, from both legs together: it sets how long to look.
    """
    return 0.0 if place.rope is None else math.pi * math.sqrt(place.rope.lead_m / G)
