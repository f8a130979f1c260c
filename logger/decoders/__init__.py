"""Decoders: bytes in, readings and faults out; no I/O.

``DECODERS`` is the registry: name in a URL (``decoder=ascii``) to module and class.
``PACKET_DECODERS`` are those of a radio: what they are fed is one whole packet.
"""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Final, cast

from logger.decoders.base import Decoded, Decoder, Opcode, Piece, feeding
from logger.errors import InputError

DECODERS: Final[dict[str, tuple[str, str]]] = {
    "binary": ("logger.decoders.binary_frame", "BinaryFrameDecoder"),
    "ascii": ("logger.decoders.ascii_line", "AsciiLineDecoder"),
}

PACKET_DECODERS: Final[dict[str, tuple[str, str]]] = {
    "packet": ("logger.decoders.packet", "PacketDecoder"),
    "sig_force": ("logger.decoders.sig_force", "SigForceDecoder"),
}

PROFILE: Final = "profile:"
"""Begins the name of a declared sensor's decoder; the profile's file follows."""


def open_decoder(name: str) -> Decoder:
    r"""Make a fresh decoder by its registered name.

    Raises
    ------
    InputError
        No decoder of that name; what is wrong with the profile.

    Examples
    --------
    >>> open_decoder("binary").feed(b"\\x00", 0)
    []
    """
    if name.startswith(PROFILE):
        return _declared(Path(name.removeprefix(PROFILE)))
    known = DECODERS | PACKET_DECODERS
    entry = known.get(name)
    if entry is None:
        raise InputError(f"{name!r} is not a decoder; use one of {', '.join(known)}")
    return cast("Decoder", getattr(import_module(entry[0]), entry[1])())


def _declared(path: Path) -> Decoder:
    """Make the decoder of a profile's file."""
    from logger.decoders.declared import DeclaredDecoder  # noqa: PLC0415 - only when one is named
    from logger.profile_file import load_profile  # noqa: PLC0415

    return DeclaredDecoder(load_profile(path))


__all__ = [
    "DECODERS", "PACKET_DECODERS", "PROFILE", "Decoded", "Decoder", "Opcode", "Piece", "feeding",
    "open_decoder",
]  # fmt: skip
