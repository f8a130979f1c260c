"""Messages of declared sensors: cut out of the bytes, checked, their fields read.

Comes in: bytes in any chunking and a profile. Goes out: messages and faults, in order.
Must not: do I/O, number samples or give them a time, or raise because of what the bytes
hold.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass
from typing import Final, Protocol

from logger.decoders.base import Splitter, fault
from logger.decoders.checksums import CHECKSUMS
from logger.profile import (
    IGNORED,
    LONGEST_LINE,
    TYPES,
    Order,
    Profile,
    checksum_bytes,
    length_of,
    names_of,
    split_field,
)
from logger.samples import Fault

LONGEST_STRAY: Final = 4096
"""So many bytes that belong to no frame make one fault."""

_NUMBER: Final = re.compile(rb"[+-]?(?:[0-9]{1,18}(?:\.[0-9]{0,18})?|\.[0-9]{1,18})\Z")
_INT32: Final = 2**31 - 1

Number = int | float


@dataclass(frozen=True, slots=True)
class Message:
    """One message: its samples in counts, and what it says of their place."""

    counts: tuple[int, ...]
    sequence: int | None
    tick: Number | None


class Parser(Protocol):
    """Bytes to messages."""

    def feed(self, data: bytes, received_ns: int) -> list[Message | Fault]:
        """Give what the bytes completed."""
        ...

    def finish(self, received_ns: int) -> list[Message | Fault]:
        """Report what is half read; forget it."""
        ...


def make_parser(profile: Profile) -> Parser:
    """Make the parser of a profile's form."""
    if profile.line is not None:
        return LineParser(profile)
    return FrameParser(profile) if profile.frame is not None else PacketParser(profile)


class _Meaning:
    """What the fields of a message mean."""

    __slots__ = ("_resolution", "_sequence", "_tick", "_values")

    def __init__(self, profile: Profile) -> None:
        names = names_of(profile)
        self._values = tuple(names.index(name) for name in profile.value.fields)
        self._sequence = None if profile.sequence is None else names.index(profile.sequence.field)
        self._tick = None if profile.tick is None else names.index(profile.tick.field)
        value = profile.value
        self._resolution = value.resolution if value.written == "unit" else 1.0

    @property
    def numbers(self) -> set[int]:
        """Positions of the fields that must be numbers."""
        places = {*self._values, self._sequence, self._tick}
        return {place for place in places if place is not None}

    def read(self, fields: list[Number], received_ns: int) -> Message | Fault:
        """Make a message of its fields' numbers."""
        counts = []
        for place in self._values:
            scaled = fields[place] / self._resolution
            if not abs(scaled) <= _INT32:
                return fault("bad_value", received_ns, f"field {place + 1} is no count: {scaled:g}")
            counts.append(round(scaled))
        tick = None if self._tick is None else fields[self._tick]
        if tick is not None and not math.isfinite(tick):
            return fault("bad_value", received_ns, f"field {self._tick} is no tick: {tick:g}")
        sequence = None if self._sequence is None else fields[self._sequence]
        if sequence is not None and sequence != int(sequence):
            return fault("bad_value", received_ns, f"sequence {sequence:g} is no whole number")
        return Message(tuple(counts), None if sequence is None else int(sequence), tick)


class LineParser:
    """Lines of text: start, fields between separators, check, line end.

    Parameters
    ----------
    profile : Profile
        With ``[line]``.
    """

    __slots__ = ("_check", "_fields", "_meaning", "_numbers", "_parts", "_separator", "_start")

    def __init__(self, profile: Profile) -> None:
        line = profile.line
        assert line is not None  # noqa: S101 - chosen by form
        self._start = line.start.encode()
        self._separator = line.separator.encode()
        self._fields = [text[1:].encode() if text.startswith("=") else None for text in line.fields]
        self._check = profile.check
        self._meaning = _Meaning(profile)
        self._numbers = self._meaning.numbers
        self._parts = Splitter(b"\n", LONGEST_LINE)

    def feed(self, data: bytes, received_ns: int) -> list[Message | Fault]:
        """Give what the bytes completed; empty lines are nothing."""
        read = (self._read(part, received_ns) for part in self._parts.feed(data) if part != b"\r")
        return list(read)

    def finish(self, received_ns: int) -> list[Message | Fault]:
        """Report an unfinished line; forget it."""
        left = self._parts.finish()
        return (
            [fault("bad_length", received_ns, f"link ended {left} bytes into a line")]
            if left
            else []
        )

    def _read(self, part: bytes | None, received_ns: int) -> Message | Fault:
        if part is None:
            return fault(
                "oversize", received_ns, f"more than {LONGEST_LINE} bytes without line end"
            )
        text = part.removesuffix(b"\r")
        if not text.startswith(self._start):
            return fault("bad_line", received_ns, f"{_shown(text)} does not begin a line")
        body = self._checked(text)
        if body is None:
            return fault("bad_checksum", received_ns, f"{_shown(text)} fails its check")
        fields = body.split(self._separator)
        if len(fields) != len(self._fields):
            detail = f"{_shown(text)} has {len(fields)} fields, {len(self._fields)} expected"
            return fault("bad_line", received_ns, detail)
        return self._read_fields([field.strip() for field in fields], received_ns)

    def _checked(self, text: bytes) -> bytes | None:
        """Fields of the line, None when the check is wrong."""
        body = text[len(self._start) :]
        check = self._check
        if check is None:
            return body
        checksum = CHECKSUMS[check.kind]
        end = len(body) - 2 * checksum.n_bytes
        separator = check.separator.encode()
        digits = body[max(end, 0) :]
        if end < len(separator) or not re.fullmatch(rb"[0-9A-Fa-f]+", digits):
            return None
        fields = body[: end - len(separator)]
        if body[:end] != fields + separator:
            return None
        covered = self._start + fields if check.covers_start else fields
        return fields if checksum.of(covered) == int(digits, 16) else None

    def _read_fields(self, fields: list[bytes], received_ns: int) -> Message | Fault:
        numbers: list[Number] = []
        for i, (field, literal) in enumerate(zip(fields, self._fields, strict=True)):
            if literal is not None and field != literal.strip():
                detail = f"field {i + 1} is {_shown(field)}, {_shown(literal)} expected"
                return fault("bad_line", received_ns, detail)
            number = _number(field) if i in self._numbers else 0
            if number is None:
                return fault("bad_value", received_ns, f"field {i + 1} is {_shown(field)}")
            numbers.append(number)
        return self._meaning.read(numbers, received_ns)


def _number(field: bytes) -> Number | None:
    """Decimal number, None for anything else.

    Examples
    --------
    >>> _number(b"-12"), _number(b"+0.50"), _number(b"1e5"), _number(b"")
    (-12, 0.5, None, None)
    """
    if not _NUMBER.match(field):
        return None
    return float(field) if b"." in field else int(field)


def _shown(text: bytes) -> str:
    """Show some bytes, short."""
    shown = repr(text[:40])[1:]
    return shown if len(text) <= 40 else f"{shown}…"


class _Layout:
    """Fixed places of fields in bytes."""

    __slots__ = ("_byte_order", "_meaning", "_order", "_places", "_swap", "length")

    def __init__(self, profile: Profile) -> None:
        self._meaning = _Meaning(profile)
        registers = profile.registers
        self._swap = registers is not None and registers.word_order == "little"
        source = profile.frame or profile.notification
        self._byte_order: Order = "big" if source is None else source.byte_order
        self._order = ">" if self._byte_order == "big" else "<"
        self._places: list[tuple[int, str, bool]] = []
        self.length = 0
        for text in profile.body.fields:
            name, kind = split_field(text)
            self._places.append((self.length, kind, name == IGNORED))
            self.length += TYPES[kind][0]
        assert self.length == length_of(profile)  # noqa: S101

    def read(self, data: bytes, received_ns: int) -> Message | Fault:
        """Read ``length`` bytes."""
        numbers = [0 if passed else self._number(data, at, k) for at, k, passed in self._places]
        return self._meaning.read(numbers, received_ns)

    def _number(self, data: bytes, at: int, kind: str) -> Number:
        size, letter = TYPES[kind]
        part = data[at : at + size]
        if self._swap:
            part = b"".join(part[i : i + 2] for i in range(size - 2, -1, -2))
        if not letter:
            return int.from_bytes(part, self._byte_order, signed=kind.startswith("i"))
        number: Number = struct.unpack(self._order + letter, part)[0]
        return number


class FrameParser:
    """Binary frames: sync bytes, fields, check.

    After a frame that fails its check the search goes on behind the first byte of its
    sync, so that a sync that was only data costs no good frame.

    Parameters
    ----------
    profile : Profile
        With ``[frame]``.
    """

    __slots__ = ("_check", "_data", "_layout", "_length", "_order", "_stray", "_sync", "_whole")

    def __init__(self, profile: Profile) -> None:
        frame = profile.frame
        assert frame is not None  # noqa: S101 - chosen by form
        self._sync = bytes.fromhex(frame.sync_hex)
        self._layout = _Layout(profile)
        self._check = profile.check
        self._length = len(self._sync) + self._layout.length
        self._whole = self._length + checksum_bytes(profile)
        self._data = b""
        self._stray = 0

    def feed(self, data: bytes, received_ns: int) -> list[Message | Fault]:
        """Give what the bytes completed."""
        found: list[Message | Fault] = []
        data = self._data + data
        at = 0
        while (start := self._find(data, at)) + self._whole <= len(data):
            self._pass_over(start - at, found, received_ns)
            frame = data[start : start + self._whole]
            if self._is_good(frame):
                self._tell_stray(found, received_ns)
                found.append(self._layout.read(frame[len(self._sync) :], received_ns))
                at = start + self._whole
            else:
                found.append(fault("bad_crc", received_ns, f"{self._whole} bytes fail their check"))
                self._stray += 1
                at = start + 1
        self._pass_over(start - at, found, received_ns)
        self._data = data[start:]
        return found

    def finish(self, received_ns: int) -> list[Message | Fault]:
        """Report what belongs to no frame; forget it."""
        found: list[Message | Fault] = []
        self._pass_over(len(self._data), found, received_ns)
        self._data = b""
        self._tell_stray(found, received_ns)
        return found

    def _find(self, data: bytes, at: int) -> int:
        """Place of the next sync, or of what may become one."""
        start = data.find(self._sync, at)
        if start >= 0:
            return start
        for n in range(min(len(self._sync) - 1, len(data) - at), 0, -1):
            if data.endswith(self._sync[:n]):
                return len(data) - n
        return len(data)

    def _is_good(self, frame: bytes) -> bool:
        check = self._check
        if check is None:
            return True
        first = 0 if check.covers_start else len(self._sync)
        stated = int.from_bytes(frame[self._length :], check.byte_order)
        return CHECKSUMS[check.kind].of(frame[first : self._length]) == stated

    def _pass_over(self, n: int, found: list[Message | Fault], received_ns: int) -> None:
        self._stray += n
        while self._stray >= LONGEST_STRAY:
            self._stray -= LONGEST_STRAY
            found.append(_stray(LONGEST_STRAY, received_ns))

    def _tell_stray(self, found: list[Message | Fault], received_ns: int) -> None:
        if self._stray:
            found.append(_stray(self._stray, received_ns))
        self._stray = 0


def _stray(n: int, received_ns: int) -> Fault:
    return fault("bad_length", received_ns, f"{n} bytes belong to no frame")


class PacketParser:
    """One message in each piece of bytes: a notification, or a read of registers.

    Parameters
    ----------
    profile : Profile
        With ``[notification]`` or ``[registers]``.
    """

    __slots__ = ("_check", "_layout", "_whole")

    def __init__(self, profile: Profile) -> None:
        self._layout = _Layout(profile)
        self._check = profile.check
        self._whole = self._layout.length + checksum_bytes(profile)

    def feed(self, data: bytes, received_ns: int) -> list[Message | Fault]:
        """Read one packet."""
        if len(data) != self._whole:
            detail = f"a packet of {len(data)} bytes, {self._whole} expected"
            return [fault("bad_length", received_ns, detail)]
        body, stated = data[: self._layout.length], data[self._layout.length :]
        check = self._check
        if check is not None and CHECKSUMS[check.kind].of(body) != int.from_bytes(
            stated, check.byte_order
        ):
            return [fault("bad_crc", received_ns, f"{self._whole} bytes fail their check")]
        return [self._layout.read(body, received_ns)]

    def finish(self, _received_ns: int) -> list[Message | Fault]:
        """Nothing is ever half read."""
        return []
