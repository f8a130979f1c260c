"""What people write down about a rig, its rope and its typed limits.

Comes in: plain values. Goes out: frozen records in SI. Must not: do I/O or compute physics.
Import them from :mod:`logger.records`.
"""

from __future__ import annotations

from typing import Annotated, Literal

from msgspec import Meta

from logger.record_base import NotNegative, Positive, Record, Text

Method = Literal["butt_tied", "tip_tied", "span_rig", "snubbed_drop", "let_run_drop", "swing"]
Mount = Literal["end", "sling", "running_line"]
Leg = Literal["lead", "fall", "standing"]
Contact = Literal["sheave", "wrap", "fixed"]
NodeRole = Literal["device", "redirect", "high_block", "piece_block", "anchor"]
DeviceKind = Literal["wraps", "winch"]
LimitKind = Literal["working_limit", "peak_allowance", "breaking_strength"]
Efficiency = Annotated[float, Meta(gt=0.3, le=1)]


class RopePoint(Record, frozen=True, kw_only=True):
    """One row of a rope's table: elongation (0.05 is 5 %) at a force.

    The force is ``force_n``, or ``breaking_share`` of the rope's breaking strength.
    """

    elongation: Annotated[float, Meta(gt=0, le=1)]
    force_n: Positive | None = None
    breaking_share: Annotated[float, Meta(gt=0, le=1)] | None = None


class Rope(Record, frozen=True, kw_only=True):
    """A rope and its stiffness.

    ``stiffness_n`` is EA, force per unit strain, static; ``dynamic_factor`` times that is
    the dynamic one; ``damping_ratio`` is that of the hanging piece. ``curve`` is the static
    tension-strain table where the rope's papers give one; ``breaking_strength_n`` serves it
    alone, a limit is entered as a limit.
    """

    name: Text
    stiffness_n: Positive
    dynamic_factor: Annotated[float, Meta(ge=1, le=6)] = 2.0
    damping_ratio: Annotated[float, Meta(ge=0, lt=1)] = 0.1
    diameter_m: Positive | None = None
    breaking_strength_n: Positive | None = None
    curve: tuple[RopePoint, ...] = ()
    note: str = ""


class Node(Record, frozen=True, kw_only=True):
    """A point of the rig: position (z up), contact and, for anchors, stiffness.

    ``efficiency`` is η of a sheave for a 180° wrap, raising and lowering slowly;
    ``efficiency_drop`` the same in drops. ``friction_angle`` is μθ of a wrap contact.
    ``wood_axis`` is the direction of the wood that carries it, from root to tip.
    """

    name: Text
    role: NodeRole
    x_m: float = 0.0
    y_m: float = 0.0
    z_m: float = 0.0
    contact: Contact = "sheave"
    efficiency: Efficiency = 0.9
    efficiency_drop: Efficiency | None = None
    friction_angle: NotNegative = 0.0
    stiffness_n_per_m: Positive | None = None
    wood_axis: tuple[float, float, float] | None = None


class TagLine(Record, frozen=True, kw_only=True):
    """A tag line that pulls at the piece.

    ``down_rad`` is its angle below the horizontal, ``bearing_rad`` its direction seen from
    above, from x towards y.
    """

    force_n: Positive
    down_rad: Annotated[float, Meta(ge=-1.6, le=1.6)] = 0.0
    bearing_rad: Annotated[float, Meta(ge=-6.3, le=6.3)] = 0.0


class Station(Record, frozen=True, kw_only=True):
    """Where a cell sits.

    ``node`` for a sling or an anchor's end, ``leg`` for a cell in a leg's piece end or on
    a running line. ``cell_length_m`` is the cell's own length; ``cell`` names the cell that
    sits there, needed where a rig has more than one station.
    """

    name: Text
    mount: Mount
    node: str = ""
    leg: Leg | None = None
    cell_length_m: NotNegative = 0.0
    cell: str = ""


class Rig(Record, frozen=True, kw_only=True):
    """One rope through nodes: device, redirects, high block, [piece block, anchor].

    ``rope_length_m`` is the length between high block and far anchor (span rig only);
    ``lead_length_m`` and ``fall_length_m`` are the legs at the catch (other methods).
    ``device`` is a lowering device with ``wraps``, or a winch; what a winch can pull is a
    limit ``on`` the device's node.
    """

    name: Text
    method: Method
    rope: Text
    station: Station
    nodes: tuple[Node, ...] = ()
    rope_length_m: Positive | None = None
    lead_length_m: Positive | None = None
    fall_length_m: Positive | None = None
    wraps: NotNegative | None = None
    wrap_friction: NotNegative | None = None
    tag_line: bool = False
    tag_line_pull: TagLine | None = None
    device: DeviceKind = "wraps"
    more_stations: tuple[Station, ...] = ()
    note: str = ""

    @property
    def stations(self) -> tuple[Station, ...]:
        """Every station of the rig, the main one first."""
        return (self.station, *self.more_stations)


class Limit(Record, frozen=True, kw_only=True):
    """A typed limit as a person entered it. ``on`` names rope, node, cell or station.

    ``cell`` limits of kind ``working_limit`` or ``peak_allowance`` also drive the
    overload flag. A ``breaking_strength`` is never drawn as a limit.
    """

    on: Text
    kind: LimitKind
    force_n: Positive
    by: Text
    entered: Text
    note: str = ""
