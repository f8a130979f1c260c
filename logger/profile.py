"""Cell profiles: what the papers of a sensor that is not ours say, as records.

Comes in: plain values. Goes out: a frozen :class:`Profile`. Must not: read files
(:mod:`logger.profile_file`), or decode bytes.

A profile has one of four tables that say how values come: ``[line]``, ``[frame]``,
``[registers]`` or ``[notification]``; the others say what the fields mean.
"""

from __future__ import annotations

import struct
from typing import Annotated, Final, Literal

from msgspec import Meta

from logger.decoders.checksums import CHECKSUMS
from logger.records import Record, Text
from logger.units import UNITS

IGNORED: Final = "-"
TYPES: Final[dict[str, tuple[int, str]]] = {
    "u8": (1, "B"), "i8": (1, "b"), "u16": (2, "H"), "i16": (2, "h"), "u24": (3, ""),
    "i24": (3, ""), "u32": (4, "I"), "i32": (4, "i"), "u64": (8, "Q"), "i64": (8, "q"),
    "f32": (4, "f"), "f64": (8, "d"),
}  # fmt: skip
"""Type of a binary field -> bytes, and its letter in :mod:`struct` (none for three bytes)."""
LONGEST_FRAME: Final = 512

LONGEST_LINE: Final = 1024
MOST_REGISTERS: Final = 125

Order = Literal["little", "big"]
Unit = Literal["counts", "N", "kN", "kgf", "lbf"]
Rate = Annotated[float, Meta(gt=0, le=50_000)]
Micros = Annotated[int, Meta(ge=0, le=2**31)]
Fields = Annotated[tuple[Text, ...], Meta(min_length=1, max_length=128)]
Finite = Annotated[float, Meta(ge=-1e12, le=1e12)]
Register = Annotated[int, Meta(ge=0, le=65_535)]
Wrap = Annotated[int, Meta(ge=2, le=2**53)]
Affix = Annotated[str, Meta(max_length=8)]


class Value(Record, frozen=True, kw_only=True):
    """Which fields are samples, in order, and what one is worth.

    A count is one ``resolution`` in ``unit``; a field is ``written`` in the unit, or as the
    number of such steps. ``low`` and ``high`` are in the unit. ``rel_u`` is the relative standard
    uncertainty that the sensor's papers state; needed when the unit is one of force.
    """

    fields: Fields
    unit: Unit = "counts"
    resolution: Annotated[float, Meta(gt=0, le=1e9)] = 1.0
    written: Literal["unit", "steps"] = "unit"
    low: Finite | None = None
    high: Finite | None = None
    rel_u: Annotated[float, Meta(gt=0, lt=1)] | None = None


class Tick(Record, frozen=True, kw_only=True):
    """The device's own clock: ``per_s`` units a second, beginning again at ``wrap``.

    It stands for the first sample of a message.
    """

    field: Text
    per_s: Annotated[float, Meta(ge=1, le=1e9)]
    wrap: Wrap | None = None


class Sequence(Record, frozen=True, kw_only=True):
    """Number that goes up by one a message, or by one a sample; ``wrap`` follows the last."""

    field: Text
    wrap: Wrap | None = None
    counts: Literal["messages", "samples"] = "messages"


class Check(Record, frozen=True, kw_only=True):
    """Check sum. In a line: hexadecimal behind ``separator``; in a frame: the last bytes.

    It covers everything before it, ``covers_start`` with the start text or sync bytes.
    """

    kind: Literal["xor", "sum8", "crc16_ccitt_false", "crc16_modbus", "crc32"]
    separator: Affix = "*"
    byte_order: Order = "little"
    covers_start: bool = False


class CommandTexts(Record, frozen=True, kw_only=True):
    """What makes the sensor send, and stop: text, or bytes in hexadecimal."""

    start: Annotated[str, Meta(max_length=200)] = ""
    stop: Annotated[str, Meta(max_length=200)] = ""
    start_hex: Annotated[str, Meta(max_length=600)] = ""
    stop_hex: Annotated[str, Meta(max_length=600)] = ""


class Link(Record, frozen=True, kw_only=True):
    """How a serial port is set."""

    baud: Annotated[int, Meta(ge=50, le=10_000_000)] = 115_200
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    data_bits: Literal[7, 8] = 8


class Line(Record, frozen=True, kw_only=True):
    """A line of text. A field ``=XY`` must read so; ``-`` is passed over."""

    fields: Fields
    start: Affix = ""
    separator: Annotated[str, Meta(min_length=1, max_length=8)] = ","


class Frame(Record, frozen=True, kw_only=True):
    """A binary frame of fixed length; fields are ``name:type``."""

    sync_hex: Annotated[str, Meta(min_length=2, max_length=24)]
    fields: Fields
    byte_order: Order = "little"


class Registers(Record, frozen=True, kw_only=True):
    """A Modbus register set, read in one request, ``sample_rate_hz`` times a second.

    Fields of more than one register hold the high word first unless told otherwise.
    ``start`` and ``stop`` are a register and the value to write to it.
    """

    first: Register
    fields: Fields
    unit: Annotated[int, Meta(ge=1, le=247)] = 1
    table: Literal["holding", "input"] = "holding"
    word_order: Order = "big"
    timeout_s: Annotated[float, Meta(gt=0, le=10)] = 0.5
    start: tuple[Register, Register] | None = None
    stop: tuple[Register, Register] | None = None


class Notification(Record, frozen=True, kw_only=True):
    """A GATT notification; commands are written to ``control``."""

    characteristic: Text
    fields: Fields
    control: Text | None = None
    byte_order: Order = "little"


class Profile(Record, frozen=True, kw_only=True):
    """A sensor as its papers describe it.

    ``jitter_us`` is the bound of the error of a tick, or of the time of arrival where
    there is no tick, that is known beforehand; ``crc`` is that of the file.
    """

    name: Text
    sample_rate_hz: Rate
    value: Value
    description: str = ""
    jitter_us: Micros = 0
    filter_delay_us: Micros = 0
    tick: Tick | None = None
    sequence: Sequence | None = None
    check: Check | None = None
    commands: CommandTexts = CommandTexts()
    link: Link = Link()
    line: Line | None = None
    frame: Frame | None = None
    registers: Registers | None = None
    notification: Notification | None = None
    crc: int = 0

    @property
    def form(self) -> str:
        """Name of the one table that says how values come."""
        return next(name for name in FORMS if getattr(self, name) is not None)

    @property
    def body(self) -> Line | Frame | Registers | Notification:
        """The table itself."""
        body = self.line or self.frame or self.registers or self.notification
        assert body is not None  # noqa: S101 - the loader has seen to it
        return body

    @property
    def n_per_message(self) -> int:
        """Samples in a message."""
        return len(self.value.fields)

    @property
    def n_per_count(self) -> float | None:
        """Newtons in a count; None when the sensor gives counts."""
        if self.value.unit == "counts":
            return None
        return UNITS["force"][self.value.unit] * self.value.resolution

    @property
    def start_bytes(self) -> bytes:
        """What makes the sensor send."""
        if self.registers is not None and self.registers.start is not None:
            return struct.pack(">HH", *self.registers.start)
        return self.commands.start.encode() + bytes.fromhex(self.commands.start_hex)

    @property
    def stop_bytes(self) -> bytes:
        """What makes it stop."""
        if self.registers is not None and self.registers.stop is not None:
            return struct.pack(">HH", *self.registers.stop)
        return self.commands.stop.encode() + bytes.fromhex(self.commands.stop_hex)


FORMS: Final = ("line", "frame", "registers", "notification")


def split_field(text: str) -> tuple[str, str]:
    """Name and type of a binary field.

    Examples
    --------
    >>> split_field("load:i32")
    ('load', 'i32')
    """
    name, _, kind = text.partition(":")
    return name, kind


def names_of(profile: Profile) -> list[str]:
    """Names of the fields of a message, in order; those passed over are ``-``."""
    fields = profile.body.fields
    if profile.line is not None:
        return [IGNORED if field.startswith("=") else field for field in fields]
    return [split_field(field)[0] for field in fields]


def length_of(profile: Profile) -> int:
    """Bytes of a binary message without sync and check."""
    return sum(TYPES[split_field(field)[1]][0] for field in profile.body.fields)


def checksum_bytes(profile: Profile) -> int:
    """Bytes of the check, 0 without one."""
    return 0 if profile.check is None else CHECKSUMS[profile.check.kind].n_bytes
