"""What a followed motion states beside the weight: EA of the rope, efficiency of the high block.

Comes in: the story with what its motion tells, the stiffness of the ring-down. Goes out: a
:class:`RopeEA`, an efficiency. Must not: fit.

Notes
-----
A followed motion knows when the sheave turned and stuck, so it tells EA also on the fall, in a
swing, and where a ring-down leaves the sheave's state open. Only of a piece that fell or
swings: what comes off a hinge rings too little, and where the sheave sticks a fit may find any EA.
How long it sticks where the motion turns tells the block's efficiency, in that motion.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.reading.phases import Story
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.stiffness import RopeStiffness
from analysis.reading.stretches import Tells, Told

_KNOWN_TO: Final = 0.3
"""Own choice: an EA with a larger U is not told."""
_ADDS: Final = 0.67
_CLEAR: Final = 0.01
"""Own choices: an efficiency is told where its u is two thirds of that entered at most, and no more than this."""


@dataclass(frozen=True, slots=True)
class RopeEA:
    """EA of the rope, newtons: a point where it can be told, a range, what it was told by.

    ``by`` is ``ring_down``, or ``motion`` (the followed one).
    """

    ea_n: float | None
    low_n: float
    high_n: float
    by: str


def believed(story: Story, *, weight_n: float, weight_rel_u: float, held: bool) -> Tells | None:
    """Give what the motion tells, if its weight agrees with that of the level.

    Parameters
    ----------
    story : Story
        With what its motion tells.
    weight_n, weight_rel_u : float
        Of the piece, by the level at the station, with the friction band's uncertainty.
    held : bool
        False when the hang may be part of the lowering: then no motion is believed.
    """
    tells = story.hang.told if story.hang is not None else None
    if tells is None or not held:
        return None
    apart = abs(tells.weight.value / weight_n - 1.0)
    return tells if apart <= 2.0 * math.hypot(tells.weight.rel_u, weight_rel_u) else None


def surer_ea(
    place: Place, story: Story, stiffness: RopeStiffness | None, tells: Tells | None
) -> RopeEA | None:
    """Choose between the EA of a ring-down and that of a followed motion.

    Parameters
    ----------
    place, story : Place, Story
        What was entered of the rig; the release.
    stiffness : RopeStiffness or None
        By the ring-down.
    tells : Tells or None
        By the motion, :func:`believed`.

    Returns
    -------
    RopeEA or None
        By the motion where that tells EA to 30 % and more closely than the ring-down, and
        does not contradict that.
    """
    ring, rope = _by_ring(stiffness), place.rope
    caught = story.release is not None and story.release.kind == "catch"
    if rope is None or tells is None or not (caught or place.method == "swing"):
        return ring
    moved = _by_motion(tells.ea, rope)
    if moved is None or ring is None:
        return moved or ring
    return moved if _surer(moved, ring) else ring


def told_efficiency(place: Place, tells: Tells | None) -> Told | None:
    """Efficiency of the high block by the motion; None where that adds little to what was entered."""
    if place.rope is None or tells is None or not math.isfinite(tells.efficiency.rel_u):
        return None
    u = tells.efficiency.rel_u * tells.efficiency.value
    return tells.efficiency if u < min(_ADDS * place.rope.efficiency_u, _CLEAR) else None


def _by_motion(told: Told, rope: RopeInPlay) -> RopeEA | None:
    """None where it is not known to 30 %.

    The followed motion knows of no anchor that gives way: what that adds to the stretch of lead
    and fall is taken off, and by how much of it is not known (0 to 2 times, evenly).
    """
    if not told.value > 0.0:
        return None
    gives = rope.block_m_per_n * told.value / (rope.lead_m + rope.fall_m)
    u = 2.0 * math.hypot(told.rel_u, rope.length_rel_u, gives / math.sqrt(3.0))
    if u > _KNOWN_TO:
        return None
    ea_n = told.value * (1.0 + gives)
    return RopeEA(ea_n, (1.0 - u) * ea_n, (1.0 + u) * ea_n, "motion")


def _by_ring(stiffness: RopeStiffness | None) -> RopeEA | None:
    """None where no lengths are known, too."""
    if stiffness is None or stiffness.ea_high_n <= 0.0:
        return None
    return RopeEA(stiffness.ea_n, stiffness.ea_low_n, stiffness.ea_high_n, "ring_down")


def _surer(one: RopeEA, other: RopeEA) -> bool:
    """Whether one range is narrower than another that it meets."""
    meets = one.low_n <= other.high_n and other.low_n <= one.high_n
    return meets and one.high_n - one.low_n < other.high_n - other.low_n
