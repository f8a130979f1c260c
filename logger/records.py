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
from msgspec import Meta

from logger.errors import InputError, UnitError
from logger.piece_records import (
    Condition,
    Diameter,
    Drop,
    Guess,
    Hinge,
    HingeStage,
    Piece,
    Place,
    Release,
    Share,
    Swing,
)
from logger.record_base import NotNegative, Positive, Record, Text
from logger.rig_records import (
    Contact,
    DeviceKind,
    Efficiency,
    Leg,
    Limit,
    LimitKind,
    Method,
    Mount,
    Node,
    NodeRole,
    Rig,
    Rope,
    RopePoint,
    Station,
    TagLine,
)
from logger.units import dimension_of, parse

__all__ = [
    "KINDS",
    "Cell",
    "Condition",
    "Contact",
    "DeviceKind",
    "Diameter",
    "Drop",
    "Efficiency",
    "Guess",
    "Hinge",
    "HingeStage",
    "Job",
    "Leg",
    "Limit",
    "LimitKind",
    "LoadPoint",
    "MarkKind",
    "Method",
    "Mount",
    "Node",
    "NodeRole",
    "NotNegative",
    "Note",
    "Piece",
    "Place",
    "Positive",
    "Record",
    "Release",
    "Rig",
    "Rope",
    "RopePoint",
    "RuleAcceptance",
    "Share",
    "Sheet",
    "Station",
    "Swing",
    "Tag",
    "TagLine",
    "Text",
    "Window",
    "WindowPart",
    "convert",
    "from_body",
    "piece_key",
    "to_body",
    "to_si",
]

MarkKind = Literal["notch_done", "tension_on", "tip_moved", "back_cut", "free", "down"]


class Job(Record, frozen=True, kw_only=True):
    """One job of a crew. ``crew`` is a pseudonym, never a person's or firm's name."""

    name: Text
    crew: Text
    date: str = ""
    note: str = ""

    @property
    def invented(self) -> bool:
        """Whether its note says that it is invented."""
        return "invented" in self.note.lower()


class LoadPoint(Record, frozen=True, kw_only=True):
    """One known load and the counts read there."""

    force_n: float
    counts: float


class TemperatureEffect(Record, frozen=True, kw_only=True):
    """What a cell's papers say of temperature: at most so much, either way, per kelvin.

    ``calibrated_c`` is the temperature of its calibration, degrees Celsius; ``span_per_k``
    is the relative change of the slope per kelvin (0.0002 is 0.02 % per kelvin);
    ``zero_n_per_k`` is the shift of the zero, newtons per kelvin. Readings are not
    corrected: the effect goes into their uncertainty where the device sends its temperature.
    """

    calibrated_c: Annotated[float, Meta(ge=-60, le=90)]
    span_per_k: Annotated[float, Meta(ge=0, le=0.01)] = 0.0
    zero_n_per_k: NotNegative = 0.0


class Cell(Record, frozen=True, kw_only=True):
    """A load cell: which device it is and its two-point calibration.

    ``device_id`` is what the device says in INFO; empty matches any.
    ``calibration_rel_u`` is the relative standard uncertainty of the slope.
    ``temperature`` is what its papers say of temperature.
    """

    name: Text
    points: Annotated[tuple[LoadPoint, ...], Meta(min_length=2, max_length=2)]
    device_id: str = ""
    calibrated_by: str = ""
    calibrated: str = ""
    calibration_rel_u: Annotated[float, Meta(ge=0, le=0.2)] = 0.005
    overload_n: Positive | None = None
    temperature: TemperatureEffect | None = None


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
