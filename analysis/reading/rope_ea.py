"""EA of the rope: by the ring-down, or by the followed motion where that is surer.

Comes in: the story with what its motion tells, the stiffness of the ring-down. Goes out: one
:class:`RopeEA`. Must not: fit.

Notes
-----
A followed motion knows when the sheave turned and stuck, so it tells EA also on the fall, in a
swing, and where a ring-down leaves the sheave's state open. Only of a piece that fell or
swings: what comes off a hinge rings too little, and where the sheave sticks a fit may find any EA.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from analysis.reading.phases import Story
from analysis.reading.place import Place
from analysis.reading.stiffness import RopeStiffness

_KNOWN_TO: Final = 0.3
"""Own choice: an EA with a larger U is not told."""


@dataclass(frozen=True, slots=True)
class RopeEA:
    """EA of the rope, newtons: a point where it can be told, a range, what it was told by.

    ``by`` is ``ring_down``, or ``motion`` (the followed one).
    """

    ea_n: float | None
    low_n: float
    high_n: float
    by: str


def surer_ea(
    place: Place,
    story: Story,
    stiffness: RopeStiffness | None,
    *,
    weight_n: float,
    weight_rel_u: float,
    held: bool,
) -> RopeEA | None:
    """Choose between the EA of a ring-down and that of a followed motion.

    Parameters
    ----------
    place, story : Place, Story
        What was entered of the rig; what the motion tells.
    stiffness : RopeStiffness or None
        By the ring-down.
    weight_n, weight_rel_u : float
        Of the piece, by the level at the station, with the band's uncertainty.
    held : bool
        False when the hang may be part of the lowering: then no motion tells it.

    Returns
    -------
    RopeEA or None
        By the motion where that tells EA to 30 % and more closely than the ring-down, agrees
        with that, and its weight with the level.
    """
    ring = _by_ring(stiffness)
    rope, hang = place.rope, story.hang
    if rope is None or hang is None or hang.told is None or hang.told_ea is None or not held:
        return ring
    caught = story.release is not None and story.release.kind == "catch"
    apart = abs(hang.told.value_n / weight_n - 1.0)
    if not (caught or place.method == "swing") or apart > 2.0 * math.hypot(
        hang.told.rel_u, weight_rel_u
    ):
        return ring
    u = 2.0 * math.hypot(hang.told_ea.rel_u, rope.length_rel_u)
    ea_n = hang.told_ea.value_n
    if not ea_n > 0.0 or u > _KNOWN_TO:
        return ring
    moved = RopeEA(ea_n, (1.0 - u) * ea_n, (1.0 + u) * ea_n, "motion")
    return moved if ring is None or _surer(moved, ring) else ring


def _by_ring(stiffness: RopeStiffness | None) -> RopeEA | None:
    """None where no lengths are known, too."""
    if stiffness is None or stiffness.ea_high_n <= 0.0:
        return None
    return RopeEA(stiffness.ea_n, stiffness.ea_low_n, stiffness.ea_high_n, "ring_down")


def _surer(one: RopeEA, other: RopeEA) -> bool:
    """Whether one range is narrower than another that it meets."""
    meets = one.low_n <= other.high_n and other.low_n <= one.high_n
    return meets and one.high_n - one.low_n < other.high_n - other.low_n
