"""A cell over Bluetooth: found by name or address, subscribed to, found again when lost.

Comes in: notifications, each one whole packet. Goes out: the same packets with the host
time of their arrival. Must not: decode, believe an MTU (the packet says how long it is), or
block the pipeline's thread.
"""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from typing import TYPE_CHECKING, Final
from urllib.parse import unquote

from logger.clock import Clock
from logger.decoders import PACKET_DECODERS
from logger.errors import TransportError
from logger.samples import Fault
from logger.transports.base import Deliver, Notice, Url, declared_by
from logger.transports.ble_radio import CONNECT_S, END_S, SYSTEM_RADIO, Radio, radio_error
from logger.transports.ble_services import information_text, read_information, service_of

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData

DEFAULT_SCAN_S: Final = 10.0
SEND_S: Final = 2.0
MOST_UNSENT: Final = 8
FIRST_WAIT_S: Final = 0.25
LONGEST_WAIT_S: Final = 8.0

log = logging.getLogger(__name__)


class BleTransport:
    """A cell over Bluetooth.

    Parameters
    ----------
    url : Url
        Name or address, and options: ``decoder`` or ``profile`` (with ``[notification]``),
        ``scan_s`` (how long to look for it).
    clock : Clock
        Stamps what came.
    radio : Radio, optional
        This computer's when left out.
    """

    answers = True

    def __init__(self, url: Url, clock: Clock, radio: Radio | None = None) -> None:
        url.allow("scan_s", "profile", decoders=PACKET_DECODERS)
        declared = declared_by(url, "notification")
        self.url = url.text
        self.decoder = (
            url.options.get("decoder", "packet") if declared is None else declared.decoder
        )
        self.ended = False
        self._scan_s = _seconds(url)
        self._wanted = unquote(url.path)
        self._clock = clock
        self._radio = radio or SYSTEM_RADIO
        self._service = service_of(
            self.decoder, None if declared is None else declared.profile.notification
        )
        self._room = threading.BoundedSemaphore(MOST_UNSENT)
        self._held = False
        self._stopped = False
        self._client: BleakClient | None = None
        self._keeper: asyncio.Task[None] | None = None
        self._lost = asyncio.Event()
        self._sending = asyncio.Lock()

    def start(self, deliver: Deliver, notice: Notice) -> None:
        """Find the cell, connect and begin to deliver.

        Raises
        ------
        TransportError
            ``no_adapter``, ``radio_off``, ``no_permission``, ``not_found``, ``in_use`` or
            ``disconnected``.
        """
        self._deliver, self._notice = deliver, notice
        self._radio.hold()
        self._held = True
        try:
            self._radio.run(self._begin())
        except BaseException:
            self.stop()
            raise

    def write(self, data: bytes) -> None:
        """Send a request, without waiting for it to be sent.

        Raises
        ------
        TransportError
            ``disconnected``, or ``write_failed`` when earlier ones are still not sent.
        """
        if self._client is None:
            raise TransportError("disconnected", f"{self.url} is not connected")
        if not self._room.acquire(blocking=False):
            raise TransportError("write_failed", f"{self.url} does not take what is sent to it")
        try:
            self._radio.submit(self._send(data))
        except BaseException:
            self._room.release()
            raise

    def stop(self) -> None:
        """Disconnect; again does nothing."""
        if not self._held:
            return
        self._held = False
        try:
            self._radio.run(self._end())
        finally:
            self._radio.release()
            self.ended = True

    # --- on the radio's thread ------------------------------------------------------

    async def _begin(self) -> None:
        client = await self._connect()
        found = await read_information(client)
        self._tell("connected", client.address)
        if found:
            self._tell("device_information", information_text(found), n=0)
        self._keeper = asyncio.create_task(self._keep())

    async def _connect(self) -> BleakClient:
        """Find the cell, connect, subscribe."""
        try:
            async with asyncio.timeout(self._scan_s + 2 * CONNECT_S):
                device = await self._radio.find(
                    self._is_wanted, self._service.advertised, self._scan_s
                )
                if device is None:
                    raise radio_error("not_found", self.url)  # noqa: TRY301
                return await self._subscribed(device)
        except TransportError:
            raise
        except Exception as error:
            raise radio_error(error, self.url) from error

    async def _subscribed(self, device: BLEDevice) -> BleakClient:
        lost = asyncio.Event()
        client = self._radio.client(device, lost.set)
        try:
            await client.connect()
            await self._service.subscribe(client, self._take)
        except BaseException:
            await _part(client)
            raise
        self._lost, self._client = lost, client
        return client

    def _is_wanted(self, device: BLEDevice, heard: AdvertisementData) -> bool:
        names = {heard.local_name, device.name}
        return self._wanted in names or self._wanted.lower() == device.address.lower()

    async def _keep(self) -> None:
        """Find the cell again whenever it is lost."""
        while True:
            await self._lost.wait()
            client, self._client = self._client, None
            self._tell("disconnected", "the connection was lost")
            if client is not None:
                await _part(client)
            tries = await self._return()
            self._tell("connected", f"connected again, tries: {tries}")

    async def _return(self) -> int:
        """Try, with longer and longer waits; how often it took."""
        wait_s, tries = FIRST_WAIT_S, 0
        while True:
            await asyncio.sleep(wait_s)
            tries += 1
            try:
                await self._connect()
            except TransportError as error:
                log.debug("%s: try %d: %s", self.url, tries, error)
                wait_s = min(2 * wait_s, LONGEST_WAIT_S)
            else:
                return tries

    async def _send(self, data: bytes) -> None:
        """Write one request; one that fails is asked again, then on record as no_reply."""
        try:
            async with asyncio.timeout(SEND_S), self._sending:
                if self._client is not None:
                    await self._service.send(self._client, data, self._take)
        except Exception as error:  # noqa: BLE001 - bleak raises what its backends raise
            log.debug("%s: a request was not sent: %s: %s", self.url, type(error).__name__, error)
        finally:
            self._room.release()

    async def _end(self) -> None:
        self._stopped = True
        keeper, self._keeper = self._keeper, None
        if keeper is not None:
            keeper.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await keeper
        client, self._client = self._client, None
        if client is not None:
            await _part(client)

    def _take(self, packet: bytes) -> None:
        if not self._stopped:
            self._deliver(packet, self._clock.boot_ns())

    def _tell(self, kind: str, detail: str, n: int = 1) -> None:
        self._notice(Fault(kind, self._clock.boot_ns(), n, f"{self._wanted}: {detail}"))


async def _part(client: BleakClient) -> None:
    """Disconnect, whatever state the client is in."""
    try:
        async with asyncio.timeout(END_S):
            await client.disconnect()
    except Exception as error:  # noqa: BLE001 - it is given up either way
        log.debug("disconnecting from %s: %s", client.address, error)


def _seconds(url: Url) -> float:
    text = url.options.get("scan_s", str(DEFAULT_SCAN_S))
    try:
        seconds = float(text)
    except ValueError:
        seconds = 0.0
    if not 0.0 < seconds <= 600.0:
        raise TransportError("bad_url", f"{url.text}: scan_s={text!r} is no number from 0 to 600")
    return seconds
