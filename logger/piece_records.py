"""What people write down about a piece before the cut.

Comes in: plain values. Goes out: frozen records in SI. Must not: do I/O or compute physics.
Import them from :mod:`logger.records`.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

from msgspec import Meta

from logger.record_base import NotNegative, Positive, Record, Text

Condition = Literal["green", "standing_dead", "decayed"]
Share = Annotated[float, Meta(ge=0, le=0.9)]


class Diameter(Record, frozen=True, kw_only=True):
    """Over-bark diameter, or girth, at a distance from the piece's butt end."""

    at_m: NotNegative
    diameter_m: Positive | None = None
    girth_m: Positive | None = None

    def __post_init__(self) -> None:
        """Refuse neither and both."""
        if (self.diameter_m is None) == (self.girth_m is None):
            raise ValueError("Expected diameter_m or girth_m, exactly one of both")

    @property
    def across_m(self) -> float:
        """Diameter; of a girth that of the circle with it."""
        if self.diameter_m is not None:
            return self.diameter_m
        assert self.girth_m is not None  # noqa: S101 - one of them is there
        return self.girth_m / math.pi


class Place(Record, frozen=True, kw_only=True):
    """A point in the coordinates of a rig's nodes, z up."""

    x_m: float = 0.0
    y_m: float = 0.0
    z_m: float = 0.0


class Hinge(Record, frozen=True, kw_only=True):
    """The hinge that still holds a piece at its butt.

    ``thickness_m`` is the wood still standing across the bend, ``width_m`` along the hinge
    line, ``notch_depth_m`` how deep the notch goes. ``rupture_pa`` is the green modulus of
    rupture, where it is known better than from the species.
    """

    width_m: Positive
    thickness_m: Positive
    notch_depth_m: NotNegative = 0.0
    rupture_pa: Positive | None = None


class Guess(Record, frozen=True, kw_only=True):
    """Somebody's own estimate before the cut."""

    by: Text
    weight_n: Positive | None = None
    drop_m: NotNegative | None = None
    how: str = ""


class HingeStage(Record, frozen=True, kw_only=True):
    """One step in which a hinge gives way.

    ``after_s`` is the time since it began to give, ``left`` the part of its hold that is there
    from then on.
    """

    after_s: NotNegative
    left: Annotated[float, Meta(ge=0, le=1)]


class Release(Record, frozen=True, kw_only=True):
    """Hand-over from hinge to rope: intended share carried and where the rig lifts.

    ``offset_m`` is the distance along the limb between the tie and the centre of mass.
    ``stages`` says that the hinge gives in steps, the last one with nothing left; without
    them it is taken as gone at once, which is the careful way.
    """

    share_carried: Annotated[float, Meta(ge=0, le=2)]
    offset_m: NotNegative = 0.0
    stages: tuple[HingeStage, ...] = ()


class Drop(Record, frozen=True, kw_only=True):
    """Geometry of a drop onto a block below the piece.

    ``centre_above_tie_m`` is the centre of mass above the tie; ``run_m`` is the braking
    distance of a let-run drop; ``reaction_s`` the time before the hand brakes.
    """

    tie_above_block_m: NotNegative
    centre_above_tie_m: NotNegative
    slack_m: NotNegative = 0.0
    run_m: Positive | None = None
    reaction_s: NotNegative | None = None


class Swing(Record, frozen=True, kw_only=True):
    """Angle of the rope from plumb at which the piece comes free."""

    angle_rad: Annotated[float, Meta(ge=0, le=1.6)]


class Piece(Record, frozen=True, kw_only=True):
    """A piece as planned and measured before the cut.

    ``brush_share`` is the part of the whole weight that is side branches and foliage.
    ``density_rel_u`` is the relative standard uncertainty of a density of the user's own, as
    from a weighed disc. ``cavity_ratio`` is cavity diameter over outer diameter,
    ``sapwood_m`` the thickness of the sapwood's shell, ``decay_factor`` density of decayed
    wood over that of sound wood.
    ``inclination_rad`` is how far the limb rises from the horizontal towards its tip,
    ``bearing_rad`` its direction seen from above, from x towards y; ``tie_from_butt_m`` is
    where the rig lifts, ``tie_place`` the same point among the nodes of the rig.
    """

    name: Text
    length_m: Positive
    diameters: Annotated[tuple[Diameter, ...], Meta(min_length=1)]
    rig: Text
    species: str = ""
    density_kg_per_m3: Positive | None = None
    density_rel_u: Annotated[float, Meta(gt=0, le=0.5)] | None = None
    condition: Condition = "green"
    brush_share: Share = 0.0
    cavity_ratio: Annotated[float, Meta(ge=0, lt=1)] = 0.0
    sapwood_m: Positive | None = None
    decay_factor: Annotated[float, Meta(ge=0.2, le=1)] | None = None
    inclination_rad: Annotated[float, Meta(ge=-1.58, le=1.58)] = 0.0
    bearing_rad: Annotated[float, Meta(ge=-6.3, le=6.3)] = 0.0
    tie_from_butt_m: NotNegative | None = None
    tie_place: Place | None = None
    hinge: Hinge | None = None
    release: Release | None = None
    drop: Drop | None = None
    swing: Swing | None = None
    guesses: tuple[Guess, ...] = ()
    note: str = ""
