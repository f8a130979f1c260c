"""What every decoder offers, and the requests a host may send.

Comes in: bytes in any chunking. Goes out: readings and faults, in order of arrival.
Must not: do I/O, look at a clock, or raise because of what the bytes hold.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import Final, Protocol, runtime_checkable

from logger.samples import Fault, Reading

WIRE_VERSION: Final = 1
MAX_SAMPLES: Final = 255
NO_TEMPERATURE: Final = -(2**15)
NO_BATTERY: Final = 255

Decoded = Reading | Fault

Piece = tuple[bytes, int]
"""Bytes as they came, and the host time of their arrival."""


class Opcode(IntEnum):
    """Requests from host to device."""

    INFO = 1
    START = 2
    STOP = 3
    TIME = 4


class Decoder(Protocol):
    """Bytes to readings, and requests to bytes, for one link.

    Notes
    -----
    Any chunking of the same bytes gives the same readings and faults; only
    ``received_ns`` follows the chunk in which the last byte of a frame came.
    """

    def feed(self, data: bytes, received_ns: int) -> list[Decoded]:
        """Take bytes as they came and return what they completed."""
        ...

    def finish(self, received_ns: int) -> list[Decoded]:
        """Report an unfinished frame when the link ends; forget it."""
        ...

    def encode_request(self, opcode: int, request_id: int, arguments: bytes = b"") -> bytes:
        """Bytes of a request to the device, framing included."""
        ...


@runtime_checkable
class Gathering(Protocol):
    """A decoder that takes many pieces at once for less than one by one costs."""

    def feed_all(self, pieces: Sequence[Piece]) -> list[Decoded]:
        """Give what :meth:`Decoder.feed` would have given for each piece, in the same order."""
        ...


def feeding(decoder: Decoder) -> Callable[[Sequence[Piece]], list[Decoded]]:
    """Give the decoder's way to take many pieces, in order."""
    if isinstance(decoder, Gathering):
        return decoder.feed_all
    return lambda pieces: [found for piece in pieces for found in decoder.feed(*piece)]


@dataclass(frozen=True, slots=True)
class Commands:
    """What makes a device send, and stop, that answers no requests; may be nothing."""

    start: bytes = b""
    stop: bytes = b""


@runtime_checkable
class Commanded(Protocol):
    """A decoder of a device that answers no requests: the decoder says who it is."""

    commands: Commands


class Splitter:
    """Cuts a stream of bytes at a delimiter, never keeping more than ``longest`` bytes.

    Parameters
    ----------
    delimiter : bytes
        One byte.
    longest : int
        Longest part that can be a frame.
    """

    __slots__ = ("_delimiter", "_longest", "_skipping", "_tail")

    def __init__(self, delimiter: bytes, longest: int) -> None:
        self._delimiter = delimiter
        self._longest = longest
        self._tail = b""
        self._skipping = False

    def feed(self, data: bytes) -> list[bytes | None]:
        """Give the parts that the bytes completed, None once for each one too long."""
        *whole, tail = (self._tail + data).split(self._delimiter)
        parts: list[bytes | None]
        if self._skipping or max(map(len, whole), default=0) > self._longest:
            parts = self._judged(whole)
        else:
            parts = list(filter(None, whole))
        if len(tail) > self._longest and not self._skipping:
            self._skipping = True
            parts.append(None)
        self._tail = b"" if self._skipping else tail
        return parts

    def _judged(self, whole: list[bytes]) -> list[bytes | None]:
        """Skip what is left of a part that was told of, tell of those that are too long."""
        parts: list[bytes | None] = []
        for part in whole:
            if self._skipping:
                self._skipping = False
            elif part:
                parts.append(part if len(part) <= self._longest else None)
        return parts

    def finish(self) -> int:
        """Forget the unfinished part and give its length."""
        left = len(self._tail)
        self._tail = b""
        self._skipping = False
        return left


def fault(kind: str, received_ns: int, detail: str) -> Fault:
    """Build the record of one thing that could not be used."""
    return Fault(kind=kind, received_ns=received_ns, n=1, detail=detail)
