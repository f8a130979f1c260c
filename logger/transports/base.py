"""What every transport offers, and the URL that names one.

Comes in: ``"serial:/dev/ttyUSB0?baud=115200"``. Goes out: a parsed URL; the interface of
a link. Must not: open anything, decode anything.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol
from urllib.parse import parse_qsl

from logger.decoders import DECODERS, PROFILE
from logger.errors import TransportError
from logger.samples import Fault

if TYPE_CHECKING:
    from logger.profile import Profile

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


@dataclass(frozen=True, slots=True)
class Declared:
    """A sensor that is not ours, by its profile, and the name of its decoder."""

    profile: Profile
    decoder: str


def declared_by(url: Url, *forms: str) -> Declared | None:
    """Read the profile that a URL names; None when it names none.

    Parameters
    ----------
    url : Url
        With the option ``profile=FILE``.
    forms : str
        Tables that may say how values come over this link.

    Raises
    ------
    TransportError
        ``bad_url``: with a decoder besides, or a profile for another kind of link.
    InputError
        The profile cannot be used: file, line, key.
    """
    path = url.options.get("profile")
    if path is None:
        return None
    from logger.profile_file import load_profile  # noqa: PLC0415 - only when one is named

    if "decoder" in url.options:
        raise TransportError("bad_url", f"{url.text}: give a decoder or a profile, not both")
    profile = load_profile(Path(path))
    if profile.form not in forms:
        kinds = {"registers": "modbus", "notification": "ble"}
        scheme = kinds.get(profile.form, "serial")
        raise TransportError(
            "bad_url",
            f"{url.text}: {path} has [{profile.form}]; open it with {scheme}:…?profile={path}",
        )
    return Declared(profile, PROFILE + path)
