"""Transports: where bytes come from.

``TRANSPORTS`` is the registry: scheme of a URL to module and class, imported when used.
"""

from __future__ import annotations

from importlib import import_module
from typing import Final, cast

from logger.clock import Clock, SystemClock
from logger.errors import TransportError
from logger.transports.base import Deliver, Notice, Transport, parse_url

TRANSPORTS: Final[dict[str, tuple[str, str]]] = {
    "serial": ("logger.transports.serial_port", "SerialTransport"),
    "file": ("logger.transports.replay", "ReplayTransport"),
    "modbus": ("logger.transports.modbus", "ModbusTransport"),
    "ble": ("logger.transports.ble", "BleTransport"),
}


def open_transport(url: str, clock: Clock | None = None) -> Transport:
    """Make the transport that a URL names; its ``start`` opens the link.

    Parameters
    ----------
    url : str
        ``serial:PATH?baud=115200`` or ``file:PATH?pace=full``, either with
        ``decoder=binary`` (default), ``decoder=ascii`` or ``profile=FILE``;
        ``modbus:PATH?profile=FILE``; ``ble:NAME-OR-ADDRESS``, with
        ``decoder=packet`` (default), ``decoder=sig_force`` or ``profile=FILE``.
    clock : Clock, optional
        Host clocks; the machine's own when left out.

    Raises
    ------
    TransportError
        ``bad_url``: no such scheme, option or value.
    """
    parsed = parse_url(url)
    entry = TRANSPORTS.get(parsed.scheme)
    if entry is None:
        raise TransportError(
            "bad_url",
            f"{url!r}: {parsed.scheme!r} is no kind of link; use {' or '.join(TRANSPORTS)}",
        )
    made = getattr(import_module(entry[0]), entry[1])(parsed, clock or SystemClock())
    return cast("Transport", made)


__all__ = ["TRANSPORTS", "Deliver", "Notice", "Transport", "open_transport"]
