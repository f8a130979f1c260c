"""The Bluetooth radio of this computer: one asyncio thread for all cells, scanning, reasons.

Comes in: coroutines to run, names to look for. Goes out: devices found, clients, typed
errors that say what to do. Must not: know what a cell says; and bleak is imported when the
radio is first used, not before.
"""

# ruff: noqa: PLC0415 - bleak is imported when it is used
from __future__ import annotations

import asyncio
import sys
import threading
from collections.abc import Callable, Coroutine, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, TypeVar

from logger.errors import TransportError, TransportReason

if TYPE_CHECKING:
    from bleak import BleakClient
    from bleak.backends.client import BaseBleakClient
    from bleak.backends.device import BLEDevice
    from bleak.backends.scanner import AdvertisementData, BaseBleakScanner

CONNECT_S: Final = 20.0
END_S: Final = 5.0

_T = TypeVar("_T")

_STEPS: Final[dict[TransportReason, dict[str, str]]] = {
    "no_adapter": {
        "linux": "plug in an adapter and start the service: sudo systemctl start bluetooth",
        "darwin": "plug in an adapter, or use a Mac that has one",
        "win32": "plug in an adapter and look for it in the Device Manager under Bluetooth",
    },
    "radio_off": {
        "linux": "switch it on: bluetoothctl power on (blocked: rfkill unblock bluetooth)",
        "darwin": "switch Bluetooth on in the Control Centre",
        "win32": "switch it on: Settings, Bluetooth & devices",
    },
    "no_permission": {
        "linux": "join the group bluetooth (sudo usermod -aG bluetooth $USER) and log in again",
        "darwin": "let your terminal use it: System Settings, Privacy & Security, Bluetooth",
        "win32": "let desktop apps use it: Settings, Privacy & security, Radios",
    },
    "not_found": {
        "linux": "wake the cell, bring it nearer, see ropetally cells --ble; one that another "
        "computer or phone holds is not to be seen",
        "darwin": "wake the cell, bring it nearer, see ropetally cells --ble: a Mac names cells by "
        "an identifier of its own, not by their address",
        "win32": "wake the cell, bring it nearer, see ropetally cells --ble; one that is paired "
        "with another computer or phone is not to be seen",
    },
    "in_use": {
        "linux": "close the program that holds it, or: bluetoothctl disconnect",
        "darwin": "close the program that holds it, or switch Bluetooth off and on",
        "win32": "close the program that holds it, or remove the cell in Settings, Bluetooth",
    },
}

_NAMES: Final[dict[str, TransportReason]] = {
    "NO_BLUETOOTH": "no_adapter",
    "NO_BLE_CENTRAL_ROLE": "no_adapter",
    "POWERED_OFF": "radio_off",
    "DENIED_BY_USER": "no_permission",
    "DENIED_BY_SYSTEM": "no_permission",
    "DENIED_BY_UNKNOWN": "no_permission",
    "org.freedesktop.DBus.Error.ServiceUnknown": "no_adapter",
    "org.freedesktop.DBus.Error.NameHasNoOwner": "no_adapter",
    "org.freedesktop.DBus.Error.AccessDenied": "no_permission",
    "org.bluez.Error.NotPermitted": "no_permission",
    "org.bluez.Error.NotAuthorized": "no_permission",
    "org.bluez.Error.NotReady": "radio_off",
    "org.bluez.Error.InProgress": "in_use",
    "org.bluez.Error.AlreadyConnected": "in_use",
    "org.bluez.Error.DoesNotExist": "not_found",
}
"""Names that bleak and the Linux service give to what went wrong."""


def next_step(reason: TransportReason, platform: str = sys.platform) -> str:
    """Say what to do about a reason on this system; nothing is known about some.

    Examples
    --------
    >>> next_step("radio_off", "darwin")
    'switch Bluetooth on in the Control Centre'
    """
    steps = _STEPS.get(reason, {})
    return steps.get(platform, steps.get("linux", ""))


def reason_of(error: Exception) -> TransportReason:
    """Say why the radio did not do what it was asked, from bleak's error.

    Examples
    --------
    >>> reason_of(FileNotFoundError("no system bus"))
    'no_adapter'
    """
    from bleak.exc import BleakBluetoothNotAvailableError, BleakDBusError, BleakDeviceNotFoundError

    if isinstance(error, BleakBluetoothNotAvailableError):
        return _NAMES.get(error.reason.name, "no_adapter")
    if isinstance(error, BleakDBusError):
        return _NAMES.get(error.dbus_error, "disconnected")
    if isinstance(error, BleakDeviceNotFoundError):
        return "not_found"
    if isinstance(error, PermissionError):
        return "no_permission"
    if isinstance(error, (FileNotFoundError, ConnectionRefusedError)):
        return "no_adapter"  # Linux: no system bus to reach the Bluetooth service by
    return "disconnected"


_WHAT: Final[dict[TransportReason, str]] = {
    "no_adapter": "there is no Bluetooth that could be used",
    "radio_off": "Bluetooth is off",
    "no_permission": "Bluetooth may not be used by you",
    "not_found": "no cell of that name or address is to be seen",
    "in_use": "the cell or the radio is in use",
}


def radio_error(
    error: Exception | TransportReason, where: str, platform: str = sys.platform
) -> TransportError:
    """Make our own error: what, where, what to do."""
    if isinstance(error, TransportError):
        return error
    reason = error if isinstance(error, str) else reason_of(error)
    what = _WHAT.get(reason)
    if what is None:
        said = str(error) or type(error).__name__
        step = next_step("not_found", platform)
        return TransportError(reason, f"{where}: the connection failed ({said}); {step}")
    return TransportError(reason, f"{where}: {what}: {next_step(reason, platform)}")


@dataclass(frozen=True, slots=True)
class Advert:
    """A device that was heard."""

    address: str
    name: str
    services: tuple[str, ...]
    rssi_dbm: int


class Radio:
    """One asyncio thread, and the way to the radio.

    Parameters
    ----------
    scanner, client : type, optional
        bleak's backends; those of this system when left out.

    Notes
    -----
    The thread runs from the first :meth:`hold` to the last :meth:`release`.
    """

    def __init__(
        self,
        scanner: type[BaseBleakScanner] | None = None,
        client: type[BaseBleakClient] | None = None,
    ) -> None:
        self._scanner = scanner
        self._client = client
        self._guard = threading.Lock()
        self._holders = 0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._scanning: asyncio.Lock | None = None

    def hold(self) -> None:
        """Have the thread running."""
        with self._guard:
            self._holders += 1
            if self._holders == 1:
                self._loop = asyncio.new_event_loop()
                self._scanning = asyncio.Lock()
                self._thread = threading.Thread(
                    target=_turn, args=(self._loop,), name="ble", daemon=True
                )
                self._thread.start()

    def release(self) -> None:
        """Need the thread no longer; it ends when nobody does."""
        with self._guard:
            self._holders -= 1
            if self._holders or self._loop is None or self._thread is None:
                return
            self._loop.call_soon_threadsafe(self._loop.stop)
            self._thread.join()
            self._loop = self._thread = None

    def submit(self, work: Coroutine[Any, Any, _T]) -> Future[_T]:
        """Have a coroutine run on the thread; whoever calls holds the radio."""
        loop = self._loop
        if loop is None:
            work.close()
            raise TransportError("disconnected", "the radio is closed")
        return asyncio.run_coroutine_threadsafe(work, loop)

    def run(self, work: Coroutine[Any, Any, _T]) -> _T:
        """Run a coroutine on the thread and wait for it."""
        future = self.submit(work)
        try:
            return future.result()
        except BaseException:
            future.cancel()
            raise

    # --- on the thread --------------------------------------------------------------

    async def find(
        self,
        wanted: Callable[[BLEDevice, AdvertisementData], bool],
        services: Sequence[str],
        limit_s: float,
    ) -> BLEDevice | None:
        """Scan until a device fits; None when none came in time."""
        from bleak import BleakScanner

        assert self._scanning is not None  # noqa: S101 - made with the loop
        async with self._scanning:
            return await BleakScanner.find_device_by_filter(
                wanted, timeout=limit_s, service_uuids=list(services), **self._how()
            )

    async def scan(self, seconds: float) -> list[Advert]:
        """Listen for a while; every device that was heard."""
        from bleak import BleakScanner

        assert self._scanning is not None  # noqa: S101 - made with the loop
        async with self._scanning:
            heard = await BleakScanner.discover(seconds, return_adv=True, **self._how())
        return [
            Advert(
                device.address,
                advertisement.local_name or device.name or "",
                tuple(advertisement.service_uuids),
                advertisement.rssi,
            )
            for device, advertisement in heard.values()
        ]

    def client(self, device: BLEDevice, gone: Callable[[], None]) -> BleakClient:
        """Make a client for a device; ``gone`` is called when it loses the connection."""
        from bleak import BleakClient

        more: dict[str, Any] = {} if self._client is None else {"backend": self._client}
        return BleakClient(device, lambda _client: gone(), timeout=CONNECT_S, **more)

    def _how(self) -> dict[str, Any]:
        return {} if self._scanner is None else {"backend": self._scanner}


def _turn(loop: asyncio.AbstractEventLoop) -> None:
    """Run a loop until it is stopped; end its tasks, close it."""
    asyncio.set_event_loop(loop)
    try:
        loop.run_forever()
        tasks = asyncio.all_tasks(loop)
        for task in tasks:
            task.cancel()
        loop.run_until_complete(asyncio.gather(*tasks, return_exceptions=True))
        loop.run_until_complete(loop.shutdown_asyncgens())
    finally:
        asyncio.set_event_loop(None)
        loop.close()


SYSTEM_RADIO: Final = Radio()
"""That of this computer, shared by all cells."""
