"""What people write down about a piece before the cut.

Comes in: plain values. Goes out: frozen records in SI. Must not: do I/O or compute physics.
Import them from :mod:`logger.records`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from logger.record_base import NotNegative, Positive, Record, Text

Condition = Literal["green", "standing_dead", "decayed"]
Share = Annotated[float, Meta(ge=0, le=0.9)]


class Diameter(Record, frozen=True, kw_only=True):
    """Over-bark diameter at a distance from the piece's butt end."""

    at_m: NotNegative
    diameter_m: Positive


class Guess(Record, frozen=True, kw_only=True):
    """Somebody's own estimate before the cut."""

    by: Text
    weight_n: Positive | None = None
    drop_m: NotNegative | None = None
    how: str = ""


class Release(Record, frozen=True, kw_only=True):
    """Hand-over from hinge to rope: intended share carried and where the rig lifts.

    ``offset_m`` is the distance along the limb between the tie and the centre of mass.
    """

    share_carried: Annotated[float, Meta(ge=0, le=2)]
    offset_m: NotNegative = 0.0


class Drop(Record, frozen=True, kw_only=True):
    """Geometry of a drop onto a block below the piece .

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
    ``cavity_ratio`` is cavity diameter over outer diameter.
    """

    name: Text
    length_m: Positive
    diameters: Annotated[tuple[Diameter, ...], Meta(min_length=1)]
    rig: Text
    species: str = ""
    density_kg_per_m3: Positive | None = None
    condition: Condition = "green"
    brush_share: Share = 0.0
    cavity_ratio: Annotated[float, Meta(ge=0, lt=1)] = 0.0
    release: Release | None = None
    drop: Drop | None = None
    swing: Swing | None = None
    guesses: tuple[Guess, ...] = ()
    note: str = ""
