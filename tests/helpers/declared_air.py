"""A load link on the virtual radio that the profile ``notified_force.toml`` describes.

Comes in: an ``Air``. Goes out: notifications built here from the papers, not by the code
under test. It sends from its start command to its stop command, and counts on meanwhile.
"""

from __future__ import annotations

import asyncio
import struct

from bumble import hci
from bumble.att import Attribute
from bumble.controller import Controller
from bumble.core import AdvertisingData
from bumble.device import Connection
from bumble.device import Device as Radio
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink
from bumble_link import Air
from declared_peers import PROFILES

NOTIFIED = PROFILES / "notified_force.toml"
SERVICE = "5a1f0000-3c64-4b0e-9d52-7be6a1c0d2e4"
LOAD = "5a1f0001-3c64-4b0e-9d52-7be6a1c0d2e4"
CONTROL = "5a1f0002-3c64-4b0e-9d52-7be6a1c0d2e4"


class LoadLink:
    """The invented load link: notification ``i`` carries ``i`` tenths of a newton."""

    def __init__(self, link: LocalLink, rate_hz: float, skip: frozenset[int]) -> None:
        self.heard: list[bytes] = []
        self.sent = 0
        self.n_connections = 0
        self._rate_hz, self._skip = rate_hz, skip
        self._connection: Connection | None = None
        controller = Controller("load-link", link=link)
        self._radio = Radio(
            "load-link",
            hci.Address("F0:00:00:00:00:07"),
            host=Host(controller, AsyncPipeSink(controller)),
        )
        kinds, rights = Characteristic.Properties, Attribute.Permissions
        self._load = Characteristic[bytes](LOAD, kinds.NOTIFY, rights.READABLE, b"")
        control = Characteristic[bytes](
            CONTROL,
            kinds.WRITE,
            rights.WRITEABLE,
            CharacteristicValue(write=lambda _connection, value: self.heard.append(value)),
        )
        self._radio.add_services([Service(SERVICE, [self._load, control])])
        self._radio.on("connection", self._on_connection)

    async def power_on(self) -> None:
        await self._radio.power_on()
        name = (AdvertisingData.COMPLETE_LOCAL_NAME, b"load-link")
        self._radio.advertising_data = bytes(
            AdvertisingData([(AdvertisingData.FLAGS, b"\x06"), name])
        )
        await self._radio.start_advertising(
            auto_restart=True, advertising_interval_min=100.0, advertising_interval_max=100.0
        )
        self._task = asyncio.create_task(self._run())

    async def drop(self) -> None:
        """End the connection, as a device out of reach does."""
        assert self._connection is not None
        await self._connection.disconnect()

    def _on_connection(self, connection: Connection) -> None:
        self.n_connections += 1
        self._connection = connection

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        due_s = loop.time()
        while True:
            due_s += 1.0 / self._rate_hz
            await asyncio.sleep(max(0.0, due_s - loop.time()))
            if not self.heard or self.heard[-1] != b"\x01":
                continue
            number, self.sent = self.sent, self.sent + 1
            if number not in self._skip:
                packet = struct.pack("<BBi", number % 256, 3, number)
                await self._radio.notify_subscribers(self._load, packet)


def put_load_link(air: Air, rate_hz: float = 25.0, skip: frozenset[int] = frozenset()) -> LoadLink:
    """Put the load link on the air and have it run."""

    async def make() -> LoadLink:
        peer = LoadLink(air.link, rate_hz, skip)
        await peer.power_on()
        return peer

    return air.radio.run(make())
