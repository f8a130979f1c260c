"""What every transport offers, and the URL that names one.

Comes in: ``"serial:/dev/ttyUSB0?baud=115200"``. Goes out: a parsed URL; the interface of
a link. Must not: open anything, decode anything.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Protocol
from urllib.parse import parse_qsl

from logger.decoders import DECODERS
from logger.errors import TransportError
from logger.samples import Fault

Deliver = Callable[[bytes, int], None]
"""Takes bytes and the host time right after they were read; must not block for long."""

Notice = Callable[[Fault], None]
"""Takes ``connected`` and ``disconnected``, and what is wrong with a replayed file."""


class Transport(Protocol):
    """A link to one device.

    Notes
    -----
    ``deliver`` and ``notice`` are called on the transport's own thread, in the order in
    which things happened, from ``start`` on and never after ``stop`` has returned.
    """

    @property
    def url(self) -> str:
        """As it was opened."""
        ...

    @property
    def decoder(self) -> str:
        """Name of the decoder that reads its bytes."""
        ...

    @property
    def answers(self) -> bool:
        """Whether the other end can answer requests."""
        ...

    @property
    def ended(self) -> bool:
        """Whether no more bytes will ever come."""
        ...

    def start(self, deliver: Deliver, notice: Notice) -> None:
        """Open the link and begin to deliver.

        Raises
        ------
        TransportError
            It cannot be opened; ``reason`` says why.
        """
        ...

    def write(self, data: bytes) -> None:
        """Send bytes to the device.

        Raises
        ------
        TransportError
            The link is down, or does not take them.
        """
        ...

    def stop(self) -> None:
        """End the thread and close the link; again does nothing."""
        ...


@dataclass(frozen=True, slots=True)
class Url:
    """A transport's URL in its parts."""

    text: str
    scheme: str
    path: str
    options: Mapping[str, str]

    def allow(self, *names: str, decoders: Collection[str] = DECODERS) -> None:
        """Refuse options that the transport does not know, and decoders that it cannot feed.

        Raises
        ------
        TransportError
            An option of another name, or a decoder that does not exist.
        """
        known = ("decoder", *names)
        for name in self.options:
            if name not in known:
                raise TransportError(
                    "bad_url",
                    f"{self.text}: unknown option {name!r}; use one of {', '.join(known)}",
                )
        if self.options.get("decoder", next(iter(decoders))) not in decoders:
            raise TransportError(
                "bad_url", f"{self.text}: decoder must be one of {', '.join(decoders)}"
            )


def parse_url(text: str) -> Url:
    """Take a URL apart.

    Raises
    ------
    TransportError
        It has no scheme or no path, or its options are not ``name=value``.

    Examples
    --------
    >>> url = parse_url("serial:/dev/ttyUSB0?baud=9600")
    >>> url.scheme, url.path, url.options
    ('serial', '/dev/ttyUSB0', {'baud': '9600'})
    """
    scheme, colon, rest = text.partition(":")
    path, _, query = rest.partition("?")
    if not colon or not scheme or not path:
        raise TransportError(
            "bad_url", f"{text!r} is no link to a cell; write for example serial:/dev/ttyUSB0"
        )
    try:
        options = dict(
            parse_qsl(query, keep_blank_values=True, strict_parsing=True) if query else ()
        )
    except ValueError as error:
        raise TransportError("bad_url", f"{text!r}: options are name=value, joined by &") from error
    return Url(text, scheme, path, options)
