"""What people write down: job, crew, piece, rig, gear, cell, lowering, guess, mark.

Comes in: plain values (from a sheet, the command line or the logbook's JSON).
Goes out: frozen records in SI. Must not: do I/O or compute physics.

Every field that is a physical quantity ends in its unit. Where a person writes one it may
be a number in that unit or text with another unit (``length_m = "14 ft"``);
:func:`to_si` turns the text into a number before :func:`convert` builds the record.
Records are stored as versions: a correction is a new version, the old one stays.
"""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal, TypeVar

import msgspec
from msgspec import Meta, Struct

from logger.errors import InputError, UnitError
from logger.units import dimension_of, parse

Method = Literal[
    "butt_tied",
    "tip_tied",
    "span_rig",
    "snubbed_drop",
    "let_run_drop",
    "swing",
]
Mount = Literal["end", "sling", "running_line"]
Leg = Literal["lead", "fall", "standing"]
Contact = Literal["sheave", "wrap", "fixed"]
NodeRole = Literal["device", "redirect", "high_block", "piece_block", "anchor"]
Condition = Literal["green", "standing_dead", "decayed"]
LimitKind = Literal["working_limit", "peak_allowance", "breaking_strength"]
MarkKind = Literal["notch_done", "tension_on", "tip_moved", "back_cut", "free", "down"]

Text = Annotated[str, Meta(min_length=1, max_length=200)]
Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Share = Annotated[float, Meta(ge=0, le=0.9)]
Efficiency = Annotated[float, Meta(gt=0.3, le=1)]


class Record(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True, omit_defaults=True):
    """Base of every record: frozen, unknown keys refused."""


class Job(Record, frozen=True, kw_only=True):
    """One job of a crew. ``crew`` is a pseudonym, never a person's or firm's name."""

    name: Text
    crew: Text
    date: str = ""
    note: str = ""


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


class Rope(Record, frozen=True, kw_only=True):
    """A rope and its stiffness.

    ``stiffness_n`` is EA, force per unit strain, static; ``dynamic_factor`` times that is
    the dynamic one; ``damping_ratio`` is that of the hanging piece.
    """

    name: Text
    stiffness_n: Positive
    dynamic_factor: Annotated[float, Meta(ge=1, le=6)] = 2.0
    damping_ratio: Annotated[float, Meta(ge=0, lt=1)] = 0.1
    diameter_m: Positive | None = None
    note: str = ""


class Node(Record, frozen=True, kw_only=True):
    """A point of the rig: position (z up), contact and, for anchors, stiffness.

    ``efficiency`` is η of a sheave for a 180° wrap, raising and lowering slowly;
    ``efficiency_drop`` the same in drops. ``friction_angle`` is μθ of a wrap contact.
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


class Station(Record, frozen=True, kw_only=True):
    """Where a cell sits.

    ``node`` for a sling or an anchor's end, ``leg`` for a cell in a leg's piece end or on
    a running line. ``cell_length_m`` is the cell's own length.
    """

    name: Text
    mount: Mount
    node: str = ""
    leg: Leg | None = None
    cell_length_m: NotNegative = 0.0


class Rig(Record, frozen=True, kw_only=True):
    """One rope through nodes: device, redirects, high block, [piece block, anchor].

    ``rope_length_m`` is the length between high block and far anchor (span rig only);
    ``lead_length_m`` and ``fall_length_m`` are the legs at the catch (other methods).
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
    note: str = ""


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


class LoadPoint(Record, frozen=True, kw_only=True):
    """One known load and the counts read there."""

    force_n: float
    counts: float


class Cell(Record, frozen=True, kw_only=True):
    """A load cell: which device it is and its two-point calibration.

    ``device_id`` is what the device says in INFO; empty matches any.
    ``calibration_rel_u`` is the relative standard uncertainty of the slope.
    """

    name: Text
    points: Annotated[tuple[LoadPoint, ...], Meta(min_length=2, max_length=2)]
    device_id: str = ""
    calibrated_by: str = ""
    calibrated: str = ""
    calibration_rel_u: Annotated[float, Meta(ge=0, le=0.2)] = 0.005
    overload_n: Positive | None = None


class Tag(Record, frozen=True, kw_only=True):
    """Ties a lowering to a piece; also notes on it and its fate.

    ``discard_reason`` says why it is left out of comparisons.
    """

    piece: str = ""
    job: str = ""
    note: str = ""
    discarded: bool = False
    discard_reason: str = ""
    tag_line_tight: bool = False
    touched: bool = False


class WindowPart(Record, frozen=True, kw_only=True):
    """Samples ``first_index`` to ``last_index`` (inclusive) of one stream."""

    stream: Annotated[int, Meta(ge=1)]
    first_index: Annotated[int, Meta(ge=0)]
    last_index: Annotated[int, Meta(ge=0)]


class Window(Record, frozen=True, kw_only=True):
    """The windows of one lowering as a person set them; the trigger's own rows stay.

    Parameters
    ----------
    parts : tuple of WindowPart
        All of the lowering's windows, one a stream; empty: as the trigger saw them.
    split_from : int, optional
        A lowering made by hand: the one that it was a part of.
    merged_into : int, optional
        It is now a part of that lowering, and no longer one of its own.
    joined : tuple of int
        The lowerings that were joined to this one, in that order.
    """

    parts: tuple[WindowPart, ...] = ()
    split_from: Annotated[int, Meta(ge=1)] | None = None
    merged_into: Annotated[int, Meta(ge=1)] | None = None
    joined: tuple[int, ...] = ()


class RuleAcceptance(Record, frozen=True, kw_only=True):
    """A named person accepts a planning number of one rule and group.

    ``bound``, ``pieces`` and ``jobs`` are what stood on the screen: the bound of 95 % of
    pieces with 95 % confidence, and what it rested on.
    """

    rule: Text
    group: Text
    number: Positive
    by: Text
    bound: Positive | None = None
    pieces: Annotated[int, Meta(ge=0)] = 0
    jobs: Annotated[int, Meta(ge=0)] = 0
    note: str = ""


class Note(Record, frozen=True, kw_only=True):
    """A free note with its author."""

    text: Text
    by: Text
    about: str = ""


class Sheet(Record, frozen=True, kw_only=True):
    """A whole job sheet."""

    job: Job
    piece: tuple[Piece, ...] = ()
    rig: tuple[Rig, ...] = ()
    rope: tuple[Rope, ...] = ()
    cell: tuple[Cell, ...] = ()
    limit: tuple[Limit, ...] = ()
    note: tuple[Note, ...] = ()


R = TypeVar("R", bound=Record)

KINDS: Final[dict[str, type[Record]]] = {
    "job": Job,
    "piece": Piece,
    "rig": Rig,
    "rope": Rope,
    "cell": Cell,
    "limit": Limit,
    "note": Note,
    "tag": Tag,
    "window": Window,
    "rule_acceptance": RuleAcceptance,
}
"""Name under which a record is stored -> its type."""


def to_si(value: Any, key: str = "") -> Any:
    """Replace text with a unit by an SI number wherever a key ends in a unit.

    Parameters
    ----------
    value : Any
        A parsed TOML or JSON value.
    key : str
        Dotted key of ``value``, used in errors.

    Returns
    -------
    Any
        The same shape with SI numbers.

    Raises
    ------
    InputError
        A text that is no quantity of the key's dimension; the message starts with the
        dotted key, and the key is the exception's second argument.

    Examples
    --------
    >>> to_si({"length_m": "10 ft"})
    {'length_m': 3.048}
    """
    if isinstance(value, dict):
        return {k: to_si(v, f"{key}.{k}" if key else str(k)) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [to_si(v, f"{key}[{i}]") for i, v in enumerate(value)]
    dimension = dimension_of(key.rsplit(".", 1)[-1].split("[", 1)[0])
    if isinstance(value, str) and dimension is not None:
        try:
            return parse(value, dimension)
        except UnitError as error:
            raise InputError(f"{key}: {error}", key) from error
    return value


def convert(value: Any, record: type[R]) -> R:
    """Build a record from plain SI values.

    Raises
    ------
    msgspec.ValidationError
        Wrong type, missing or unknown key; the message ends in the path.
    """
    return msgspec.convert(value, type=record, strict=True)


def to_body(record: Record) -> str:
    """Canonical JSON of a record, as stored."""
    return msgspec.json.encode(record, order="deterministic").decode()


def from_body(body: str, record: type[R]) -> R:
    """Read a stored record.

    Raises
    ------
    msgspec.ValidationError
        The stored text is not such a record.
    """
    return msgspec.json.decode(body, type=record)


def piece_key(job: str, piece: str) -> str:
    """Key of a piece in the logbook.

    Examples
    --------
    >>> piece_key("orchard", "P1")
    'orchard/P1'
    """
    return f"{job}/{piece}"
