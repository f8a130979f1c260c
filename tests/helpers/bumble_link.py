"""A radio without hardware: bleak's backends on a bumble central, over a virtual link.

Comes in: cells to put on the link, what the link does wrong. Goes out: a ``Radio`` whose
scanner and client are bleak's own code down to the backend. The link delays every packet
alike, and loses, reorders and delays notifications only: the radio below repeats the rest.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable, Coroutine
from dataclasses import dataclass, field
from typing import Any, Self, cast

import numpy as np
from bleak.args import SizedBuffer
from bleak.backends.characteristic import BleakGATTCharacteristic
from bleak.backends.client import BaseBleakClient, NotifyCallback
from bleak.backends.descriptor import BleakGATTDescriptor
from bleak.backends.device import BLEDevice
from bleak.backends.scanner import AdvertisementData, BaseBleakScanner
from bleak.backends.service import BleakGATTService, BleakGATTServiceCollection
from bleak.exc import BleakError, BleakGATTProtocolError
from bleak.uuids import normalize_uuid_str
from bumble import att, core, hci
from bumble.controller import Controller
from bumble.device import Advertisement, Connection
from bumble.device import Device as Peer
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink
from numpy.typing import NDArray

from logger.simcell.device import Device, DeviceOptions
from logger.simcell.gatt import GattCell, GattOptions
from logger.simcell.sent import SentRecord
from logger.simcell.world import World
from logger.transports.ble_radio import Radio

NOTIFICATION = 0x1B
ATT_AT = 4  # after the length and the channel of L2CAP

PROPERTIES: tuple[tuple[int, Any], ...] = (
    (2, "read"),
    (4, "write-without-response"),
    (8, "write"),
    (16, "notify"),
    (32, "indicate"),
)


@dataclass
class Rough:
    """What the link does; fractions of notifications."""

    base_s: float = 0.0
    lose: float = 0.0
    swap: float = 0.0
    late: float = 0.0
    late_s: float = 0.05
    seed: int = 1
    n_lost: int = 0
    n_swapped: int = 0
    n_late: int = 0
    longest_bytes: int = 0


class RoughLink(LocalLink):
    """A virtual link that is not ideal."""

    def __init__(self, rough: Rough) -> None:
        super().__init__()  # type: ignore[no-untyped-call]
        self.rough = rough
        self._random = np.random.default_rng(rough.seed)
        self._due: dict[hci.Address, float] = {}
        self._held: Callable[[], None] | None = None

    def send_acl_data(
        self,
        sender_controller: Controller,
        destination_address: hci.Address,
        transport: core.PhysicalTransport,
        data: bytes,
    ) -> None:
        def pass_on() -> None:
            with contextlib.suppress(core.InvalidStateError):
                LocalLink.send_acl_data(
                    self, sender_controller, destination_address, transport, data
                )

        if data[ATT_AT] != NOTIFICATION:
            self._in_order(destination_address, pass_on, 0.0)
            return
        rough = self.rough
        rough.longest_bytes = max(rough.longest_bytes, len(data) - ATT_AT - 3)
        if self._random.random() < rough.lose:
            rough.n_lost += 1
            return
        if self._held is not None:
            held, self._held = self._held, None
            self._in_order(destination_address, pass_on, 0.0)
            self._in_order(destination_address, held, 0.0)
        elif self._random.random() < rough.swap:
            rough.n_swapped += 1
            self._held = pass_on
        elif self._random.random() < rough.late:
            rough.n_late += 1
            self._in_order(destination_address, pass_on, rough.late_s)
        else:
            self._in_order(destination_address, pass_on, 0.0)

    def _in_order(self, to: hci.Address, pass_on: Callable[[], None], more_s: float) -> None:
        """Pass on after the link's latency, never before what was sent earlier."""
        loop = asyncio.get_running_loop()
        # Always a little later than the one before: the loop keeps no order among equal times.
        before = self._due.get(to, 0.0) + 1e-6
        due = max(before, loop.time() + self.rough.base_s + more_s)
        self._due[to] = due
        loop.call_at(due, pass_on)


def full(uuid: core.UUID) -> str:
    text = uuid.to_hex_str("-") if len(uuid.uuid_bytes) == 16 else uuid.to_hex_str()
    return normalize_uuid_str(text)


class Central:
    """One bumble central, shared by scanner and clients."""

    def __init__(self, link: LocalLink) -> None:
        controller = Controller("central", link=link)
        host = Host(controller, AsyncPipeSink(controller))
        self.device = Peer("central", hci.Address("C0:00:00:00:00:01"), host=host)
        self._on = False

    async def on(self) -> Peer:
        if not self._on:
            self._on = True
            await self.device.power_on()
        return self.device


def backends(  # noqa: C901 - two small classes
    central_of: Callable[[], Central], mtu: int
) -> tuple[type[BaseBleakScanner], type[BaseBleakClient]]:
    """bleak's two backends on a central."""

    class BumbleScanner(BaseBleakScanner):
        def __init__(
            self,
            detection_callback: Any = None,
            service_uuids: list[str] | None = None,
            scanning_mode: str = "active",
            **more: Any,
        ) -> None:
            super().__init__(detection_callback, service_uuids)

        async def start(self) -> None:
            self.seen_devices = {}
            self._device = await central_of().on()
            self._device.on("advertisement", self._heard)
            await self._device.start_scanning(filter_duplicates=False)

        async def stop(self) -> None:
            self._device.remove_listener("advertisement", self._heard)
            await self._device.stop_scanning()

        def _heard(self, heard: Advertisement) -> None:
            kinds = core.AdvertisingData
            name = heard.data.get(kinds.COMPLETE_LOCAL_NAME)
            listed = heard.data.get_all(kinds.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS)
            uuids = [full(uuid) for some in listed for uuid in some]
            if not self.is_allowed_uuid(uuids):
                return
            data = AdvertisementData(cast("str", name), {}, {}, uuids, None, heard.rssi, (heard,))
            address = heard.address.to_string(with_type_qualifier=False)
            device = self.create_or_update_device(
                address, address, cast("str", name), heard.address, data
            )
            self.call_detection_callbacks(device, data)

    class BumbleClient(BaseBleakClient):
        def __init__(self, address_or_ble_device: BLEDevice | str, **more: Any) -> None:
            for unused in ("services", "bluez", "winrt"):
                more.pop(unused, None)
            super().__init__(address_or_ble_device, **more)
            self._connection: Connection | None = None

        @property
        def name(self) -> str:
            return self.address

        @property
        def mtu_size(self) -> int:
            raise AssertionError("nothing may be sized by the MTU")

        @property
        def is_connected(self) -> bool:
            return self._connection is not None

        async def connect(self, pair: bool, **more: Any) -> None:
            device = await central_of().on()
            connection = await device.connect(hci.Address(self.address), timeout=self._timeout)
            self._connection = connection
            connection.on("disconnection", self._gone)
            await connection.gatt_client.request_mtu(mtu)
            held = BleakGATTServiceCollection()
            for service in await connection.gatt_client.discover_services():
                own = BleakGATTService(service, service.handle, full(service.uuid))
                held.add_service(own)
                for each in await service.discover_characteristics():
                    names = [name for bit, name in PROPERTIES if each.properties & bit]
                    held.add_characteristic(
                        BleakGATTCharacteristic(
                            each, each.handle, full(each.uuid), names, lambda: 20, own
                        )
                    )
            self.services = held

        def _gone(self, *_: Any) -> None:
            self._connection, self.services = None, None
            if self._disconnected_callback:
                self._disconnected_callback()

        async def disconnect(self) -> None:
            if self._connection is not None:
                await self._connection.disconnect()

        async def pair(self, *_: Any, **more: Any) -> None:
            raise AssertionError("nobody pairs")

        async def unpair(self) -> None:
            raise AssertionError("nobody pairs")

        async def _do(self, work: Callable[[Any], Coroutine[Any, Any, Any]]) -> Any:
            """Run work on the connection; a connection that ends ends it."""
            connection = self._connection
            if connection is None:
                raise BleakError("Not connected")
            try:
                return await work(connection.gatt_client)
            except att.ATT_Error as error:
                raise BleakGATTProtocolError(error.error_code) from error

        async def read_gatt_char(
            self, characteristic: BleakGATTCharacteristic, **more: Any
        ) -> bytearray:
            return bytearray(await self._do(lambda gatt: gatt.read_value(characteristic.obj)))

        async def read_gatt_descriptor(
            self, descriptor: BleakGATTDescriptor, **more: Any
        ) -> bytearray:
            raise AssertionError("nobody reads descriptors")

        async def write_gatt_char(
            self, characteristic: BleakGATTCharacteristic, data: SizedBuffer, response: bool
        ) -> None:
            await self._do(
                lambda gatt: gatt.write_value(
                    characteristic.obj, bytes(data), with_response=response
                )
            )

        async def write_gatt_descriptor(
            self, descriptor: BleakGATTDescriptor, data: SizedBuffer
        ) -> None:
            raise AssertionError("nobody writes descriptors")

        async def start_notify(
            self, characteristic: BleakGATTCharacteristic, callback: NotifyCallback, **more: Any
        ) -> None:
            def give(value: bytes) -> None:
                callback(bytearray(value))

            await self._do(lambda gatt: gatt.subscribe(characteristic.obj, give))

        async def stop_notify(self, characteristic: BleakGATTCharacteristic) -> None:
            await self._do(lambda gatt: gatt.unsubscribe(characteristic.obj))

    return BumbleScanner, BumbleClient


@dataclass
class Air:
    """A radio, its rough link, and what else is on it; everything lives on the radio's loop."""

    rough: Rough = field(default_factory=Rough)
    mtu: int = 247

    def __enter__(self) -> Self:
        self.central: Central | None = None
        self.heads: list[NDArray[np.void]] = []
        self.counts: list[NDArray[np.int32]] = []
        self.radio = Radio(*backends(self._central, self.mtu))
        self.radio.hold()
        self.link = self.radio.run(self._make_link())
        return self

    def __exit__(self, *_: object) -> None:
        self.radio.release()

    async def _make_link(self) -> RoughLink:
        return RoughLink(self.rough)

    def add(self, options: DeviceOptions, world: World, gatt: GattOptions) -> GattCell:
        """Put a cell on the link and have it run."""

        async def make() -> GattCell:
            cell = GattCell(self.link, Device(options, world, self._note), gatt)
            await cell.power_on()
            return cell

        return self.radio.run(make())

    def _note(self, head: NDArray[np.void], counts: NDArray[np.int32]) -> None:
        self.heads.append(head.copy().reshape(1))
        self.counts.append(counts.copy())

    def sent(self) -> SentRecord:
        """What the cells made, as their own record says."""
        return SentRecord(np.concatenate(self.heads), list(self.counts))

    def _central(self) -> Central:
        if self.central is None:
            self.central = Central(self.link)
        return self.central
