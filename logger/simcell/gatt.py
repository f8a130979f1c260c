"""The simulated cell over Bluetooth: the same device model behind a GATT server.

Comes in: a virtual link (bumble), a ``Device``. Goes out: notifications, replies, what can
be read. Must not: share code with the host's side; the service is written from
``firmware_notes/wire_format.md`` alone.

The radio stands beside the converter as a module on its serial line: it takes frames from
the device's FIFO, checks them, and sends their payloads bare, cut to what one packet of the
connection holds. Needs bumble, which only tests install.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
import time
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from bumble import hci
from bumble.att import Attribute
from bumble.controller import Controller
from bumble.core import UUID, AdvertisingData
from bumble.device import Connection
from bumble.device import Device as Radio
from bumble.gatt import Characteristic, CharacteristicValue, Service
from bumble.host import Host
from bumble.link import LocalLink
from bumble.transport.common import AsyncPipeSink
from cobs import cobs

from logger.simcell import wire
from logger.simcell.device import Device

SERVICE = "942d2e8d-ceba-4b4b-b7a9-9bfa4e006f9f"
DATA = "d2cc9623-f5d8-4e87-ba10-f536bc2e7831"
CONTROL = "6800e734-ae1a-44c7-a68d-dee1fed2faf2"
INFO = "9d489ab7-75fb-45f3-ab20-d2d0c3c826af"

INDUSTRIAL_MEASUREMENT, FORCE = 0x185A, 0x2C07
DEVICE_INFORMATION, MANUFACTURER, MODEL, SERIAL, FIRMWARE = 0x180A, 0x2A29, 0x2A24, 0x2A25, 0x2A26
BATTERY_SERVICE, BATTERY_LEVEL = 0x180F, 0x2A19

ATT_HEADER_BYTES = 3
DATA_HEADER_BYTES = 8
IDLE_S = 0.05
ADVERTISING_MS = 100.0
BOOT_CLOCK: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


@dataclass(frozen=True, slots=True)
class GattOptions:
    """How the cell appears; ``force_hz`` is how often it notifies the SIG's Force."""

    name: str = "cell"
    address: str = "F0:00:00:00:00:02"
    force_hz: float = 10.0
    force_known: bool = True


def unframe(fifo: bytearray) -> Iterator[bytes]:
    """Take whole frames out of a FIFO: their payloads."""
    while (end := fifo.find(0)) >= 0:
        frame = bytes(fifo[:end])
        del fifo[: end + 1]
        if frame:
            yield cobs.decode(frame)[:-4]


def cut(payload: bytes, room_bytes: int, rate_hz: float) -> Iterator[bytes]:
    """Cut a data payload into payloads that fit a packet; others pass whole.

    Examples
    --------
    >>> payload = wire.data_payload(7, 1000, np.arange(5, dtype=np.int32))
    >>> [len(part) for part in cut(payload, 20, 1000.0)]
    [20, 16]
    """
    if payload[0] & 0x0F != wire.KIND_DATA or len(payload) <= room_bytes:
        yield payload
        return
    _, n, first, tick = struct.unpack_from("<BBHI", payload)
    counts = np.frombuffer(payload, "<i4", offset=DATA_HEADER_BYTES)
    most = (room_bytes - DATA_HEADER_BYTES) // 4
    for start in range(0, n, most):
        part_tick = tick + round(start * 1e6 / rate_hz)
        yield wire.data_payload(first + start, part_tick, counts[start : start + most])


class GattCell:
    """One simulated cell on a virtual link.

    Parameters
    ----------
    link : LocalLink
        Of the event loop that runs it.
    device : Device
        The device model, talking binary frames.
    options : GattOptions
        Name and address.
    """

    def __init__(self, link: LocalLink, device: Device, options: GattOptions) -> None:
        self.device = device
        self.options = options
        self.n_connections = 0
        self._origin_ns = time.clock_gettime_ns(BOOT_CLOCK)
        self._connection: Connection | None = None
        self._out: deque[tuple[Characteristic[bytes], bytes]] = deque()
        self._wake = asyncio.Event()
        self._info = b""
        self._tasks: list[asyncio.Task[None]] = []
        controller = Controller(options.name, link=link)
        self._radio = Radio(
            options.name,
            hci.Address(options.address),
            host=Host(controller, AsyncPipeSink(controller)),
        )
        self._add_services()
        self._radio.on("connection", self._on_connection)
        device.plugged = False

    def elapsed_ns(self) -> int:
        """Return the true time since the cell was made."""
        return time.clock_gettime_ns(BOOT_CLOCK) - self._origin_ns

    # --- what a test does to it -------------------------------------------------------

    async def power_on(self) -> None:
        """Advertise and run."""
        await self._radio.power_on()
        name, service = self.options.name.encode(), bytes(UUID(SERVICE))
        self._radio.advertising_data = bytes(
            AdvertisingData(
                [
                    (AdvertisingData.FLAGS, b"\x06"),
                    (AdvertisingData.COMPLETE_LIST_OF_128_BIT_SERVICE_CLASS_UUIDS, service),
                    (AdvertisingData.COMPLETE_LOCAL_NAME, name),
                ]
            )
        )
        await self.advertise()
        self._tasks = [asyncio.create_task(run()) for run in (self._measure, self._show_force)]

    async def advertise(self) -> None:
        """Be found, now and whenever a connection ends."""
        await self._radio.start_advertising(
            auto_restart=True,
            advertising_interval_min=ADVERTISING_MS,
            advertising_interval_max=ADVERTISING_MS,
        )

    async def hide(self) -> None:
        """Be found no more."""
        await self._radio.stop_advertising()

    async def drop(self) -> None:
        """End the connection, as a device out of reach does."""
        if self._connection is not None:
            await self._connection.disconnect()

    async def power_off(self) -> None:
        """End its tasks."""
        for task in self._tasks:
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    # --- server ---------------------------------------------------------------------------

    def _add_services(self) -> None:
        kinds, rights = Characteristic.Properties, Attribute.Permissions
        self._data = Characteristic[bytes](DATA, kinds.NOTIFY, rights.READABLE, b"")
        self._control = Characteristic[bytes](
            CONTROL,
            kinds.WRITE | kinds.NOTIFY,
            rights.WRITEABLE,
            CharacteristicValue(write=self._on_request),
        )
        self._force = Characteristic[bytes](
            UUID.from_16_bits(FORCE), kinds.NOTIFY, rights.READABLE, b""
        )
        self._battery = _readable(
            BATTERY_LEVEL, lambda: bytes([self.device.options.battery_pct or 0])
        )
        self._radio.add_services(
            [
                Service(SERVICE, [self._data, self._control, _readable(INFO, lambda: self._info)]),
                Service(UUID.from_16_bits(INDUSTRIAL_MEASUREMENT), [self._force]),
                Service(UUID.from_16_bits(BATTERY_SERVICE), [self._battery]),
                Service(
                    UUID.from_16_bits(DEVICE_INFORMATION),
                    [
                        _readable(MANUFACTURER, lambda: b"invented"),
                        _readable(MODEL, lambda: b"simcell"),
                        _readable(SERIAL, self.device.options.device_id.encode),
                        _readable(FIRMWARE, self.device.options.firmware.encode),
                    ],
                ),
            ]
        )

    def _on_connection(self, connection: Connection) -> None:
        self.n_connections += 1
        self._connection = connection
        self.device.plugged = True
        connection.on("disconnection", self._on_disconnection)

    def _on_disconnection(self, _reason: int) -> None:
        self._connection = None
        self.device.plugged = False
        self.device.fifo.clear()
        self._out.clear()

    def _on_request(self, _connection: Connection, value: bytes) -> None:
        self.device.receive(wire.on_serial(value), self.elapsed_ns())
        self._drain()
        self._wake.set()

    # --- running ----------------------------------------------------------------------------

    async def _measure(self) -> None:
        """Measure in real time and send what there is."""
        while True:
            due_ns = self.device.next_frame_ns()
            wait_s = IDLE_S
            if due_ns is not None:
                wait_s = min(wait_s, max(0.0, (due_ns - self.elapsed_ns()) * 1e-9))
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._wake.wait(), wait_s)
            self._wake.clear()
            now_ns = self.elapsed_ns()
            while (due_ns := self.device.next_frame_ns()) is not None and due_ns <= now_ns:
                self.device.advance(due_ns)
                self._drain()
                await self._send_all()
            await self._send_all()

    def _drain(self) -> None:
        """Take what the device has said."""
        rate_hz = self.device.options.converter.rate_hz
        for payload in unframe(self.device.fifo):
            kind = payload[0] & 0x0F
            if kind == wire.KIND_INFO:
                self._info = payload
            elif kind == wire.KIND_REPLY:
                self._out.append((self._control, payload))
            elif self._connection is not None:
                room = self._connection.att_mtu - ATT_HEADER_BYTES
                self._out.extend((self._data, part) for part in cut(payload, room, rate_hz))

    async def _send_all(self) -> None:
        while self._out:
            characteristic, payload = self._out.popleft()
            await self._radio.notify_subscribers(characteristic, payload)

    async def _show_force(self) -> None:
        """Notify the force of now, in millinewtons, again and again."""
        while True:
            await asyncio.sleep(1.0 / self.options.force_hz)
            value = 0x7FFF_FFFF
            if self.options.force_known:
                now_s = np.array([self.elapsed_ns() * 1e-9])
                value = round(1000.0 * float(self.device.world.force_n(now_s)[0]))
            if self._connection is not None:
                await self._radio.notify_subscribers(self._force, struct.pack("<i", value))


def _readable(uuid: int | str, value: Callable[[], bytes]) -> Characteristic[bytes]:
    """Make a characteristic that is read."""
    return Characteristic[bytes](
        UUID.from_16_bits(uuid) if isinstance(uuid, int) else uuid,
        Characteristic.Properties.READ,
        Attribute.Permissions.READABLE,
        CharacteristicValue(read=lambda _connection: value()),
    )
