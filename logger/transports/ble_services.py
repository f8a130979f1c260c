"""What a cell offers over Bluetooth: which characteristics, and how a request goes in.

Comes in: a connected client. Goes out: packets as they come, device information. Must not:
connect, reconnect, or decode.

Our own service is written down in ``firmware_notes/wire_format.md``.
"""

from __future__ import annotations

import logging
from collections.abc import Callable
from typing import TYPE_CHECKING, Final, Protocol

from logger.decoders import Opcode
from logger.decoders.sig_force import (
    BATTERY,
    FIRMWARE,
    FORCE,
    MANUFACTURER,
    MODEL,
    SERIAL,
    characteristic,
)
from logger.errors import TransportError

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.characteristic import BleakGATTCharacteristic

    from logger.profile import Notification

SERVICE: Final = "942d2e8d-ceba-4b4b-b7a9-9bfa4e006f9f"
DATA: Final = "d2cc9623-f5d8-4e87-ba10-f536bc2e7831"
CONTROL: Final = "6800e734-ae1a-44c7-a68d-dee1fed2faf2"
INFO: Final = "9d489ab7-75fb-45f3-ab20-d2d0c3c826af"

INFORMATION: Final = {
    MANUFACTURER: "manufacturer",
    MODEL: "model",
    SERIAL: "serial number",
    FIRMWARE: "firmware",
}

Take = Callable[[bytes], None]
log = logging.getLogger(__name__)


def sig_uuid(short: int) -> str:
    """Full UUID of a 16-bit one.

    Examples
    --------
    >>> sig_uuid(0x2C07)
    '00002c07-0000-1000-8000-00805f9b34fb'
    """
    return f"0000{short:04x}-0000-1000-8000-00805f9b34fb"


class CellService(Protocol):
    """How to talk to one kind of cell."""

    advertised: tuple[str, ...]
    """Services to scan for; none: any device of the right name."""

    async def subscribe(self, client: BleakClient, take: Take) -> None:
        """Have packets given to ``take``."""
        ...

    async def send(self, client: BleakClient, request: bytes, take: Take) -> None:
        """Write a request; an answer that cannot be notified is given to ``take``."""
        ...


class OwnService:
    """Our own service: data, control and info."""

    advertised: tuple[str, ...] = (SERVICE,)

    async def subscribe(self, client: BleakClient, take: Take) -> None:
        """Subscribe to replies, then to data."""
        for uuid in (CONTROL, DATA):
            await client.start_notify(_need(client, uuid), lambda _, value: take(bytes(value)))

    async def send(self, client: BleakClient, request: bytes, take: Take) -> None:
        """Write to the control characteristic; the answer to INFO is read."""
        await client.write_gatt_char(_need(client, CONTROL), request, response=True)
        if request[0] == Opcode.INFO:
            take(bytes(await client.read_gatt_char(_need(client, INFO))))


class ForceService:
    """The SIG's Force characteristic, with Device Information and Battery."""

    advertised: tuple[str, ...] = ()

    async def subscribe(self, client: BleakClient, take: Take) -> None:
        """Read what the device says of itself, then subscribe."""
        force = _need(client, sig_uuid(FORCE))
        for short, value in (await read_information(client)).items():
            take(characteristic(short, value))
        battery = client.services.get_characteristic(sig_uuid(BATTERY))
        if battery is not None and "notify" in battery.properties:
            await client.start_notify(
                battery, lambda _, value: take(characteristic(BATTERY, bytes(value)))
            )
        await client.start_notify(force, lambda _, value: take(characteristic(FORCE, bytes(value))))

    async def send(self, client: BleakClient, request: bytes, take: Take) -> None:
        """Send nothing: it takes no requests, its decoder answers for it."""


class DeclaredService:
    """One characteristic that a profile describes, and perhaps one that takes commands.

    Parameters
    ----------
    notification : Notification
        UUIDs of the characteristic that notifies and of the one that commands go to.
    """

    advertised: tuple[str, ...] = ()

    def __init__(self, notification: Notification) -> None:
        self._notifies = notification.characteristic.lower()
        self._control = None if notification.control is None else notification.control.lower()

    async def subscribe(self, client: BleakClient, take: Take) -> None:
        """Have notifications given to ``take``."""
        held = _need(client, self._notifies)
        await client.start_notify(held, lambda _, value: take(bytes(value)))

    async def send(self, client: BleakClient, request: bytes, take: Take) -> None:
        """Write a command, with a response where the characteristic gives one."""
        del take
        if self._control is None:
            return
        held = _need(client, self._control)
        await client.write_gatt_char(held, request, response="write" in held.properties)


async def read_information(client: BleakClient) -> dict[int, bytes]:
    """Read Device Information and Battery Level, as far as the device has them."""
    found = {}
    for short in (*INFORMATION, BATTERY):
        held = client.services.get_characteristic(sig_uuid(short))
        if held is None or "read" not in held.properties:
            continue
        try:
            found[short] = bytes(await client.read_gatt_char(held))
        except Exception as error:  # noqa: BLE001 - each is welcome, none is needed
            log.debug("characteristic 0x%04X: %s", short, error)
    return found


def information_text(found: dict[int, bytes]) -> str:
    """Write down what was read.

    Examples
    --------
    >>> information_text({0x2A24: b"model 3", 0x2A19: bytes([75])})
    'model model 3, battery 75 %'
    """
    parts = [
        f"{INFORMATION[short]} {value.decode('utf-8', errors='replace').strip(chr(0) + ' ')}"
        for short, value in found.items()
        if short in INFORMATION
    ]
    if len(found.get(BATTERY, b"")) == 1:
        parts.append(f"battery {found[BATTERY][0]} %")
    return ", ".join(parts)


def _need(client: BleakClient, uuid: str) -> BleakGATTCharacteristic:
    """Find a characteristic that the cell must have."""
    held = client.services.get_characteristic(uuid)
    if held is None:
        raise TransportError(
            "not_found",
            f"{client.address} has no characteristic {uuid}: it is no cell of this kind; another "
            "kind: decoder=packet, decoder=sig_force or profile=FILE",
        )
    return held


SERVICES: Final[dict[str, type[CellService]]] = {
    "packet": OwnService,
    "sig_force": ForceService,
}
"""Decoder's name → what such a cell offers."""


def service_of(decoder: str, notification: Notification | None = None) -> CellService:
    """Give what a cell of a decoder's kind offers; of a declared one, what its profile says."""
    if notification is not None:
        return DeclaredService(notification)
    return SERVICES[decoder]()
