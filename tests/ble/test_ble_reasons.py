"""What is wrong with the radio, by name, and what to do about it on each system."""

from __future__ import annotations

import subprocess
import sys

import pytest
from bleak.exc import (
    BleakBluetoothNotAvailableError,
    BleakBluetoothNotAvailableReason,
    BleakDBusError,
    BleakDeviceNotFoundError,
    BleakError,
)

from logger.clock import SystemClock
from logger.errors import TransportError, TransportReason
from logger.transports import open_transport
from logger.transports.base import parse_url
from logger.transports.ble import BleTransport
from logger.transports.ble_radio import Radio, next_step, radio_error

WHY = BleakBluetoothNotAvailableReason


@pytest.mark.parametrize(
    ("error", "reason"),
    [
        (FileNotFoundError("no system bus"), "no_adapter"),
        (BleakBluetoothNotAvailableError("none", WHY.NO_BLUETOOTH), "no_adapter"),
        (BleakBluetoothNotAvailableError("off", WHY.POWERED_OFF), "radio_off"),
        (BleakBluetoothNotAvailableError("no", WHY.DENIED_BY_USER), "no_permission"),
        (BleakDBusError("org.freedesktop.DBus.Error.ServiceUnknown", []), "no_adapter"),
        (BleakDBusError("org.freedesktop.DBus.Error.AccessDenied", []), "no_permission"),
        (BleakDBusError("org.bluez.Error.NotReady", []), "radio_off"),
        (BleakDBusError("org.bluez.Error.InProgress", []), "in_use"),
        (BleakDeviceNotFoundError("x"), "not_found"),
        (PermissionError("no"), "no_permission"),
        (BleakError("gone"), "disconnected"),
        (TimeoutError(), "disconnected"),
    ],
)
def test_each_error_has_a_reason_and_a_step(error: Exception, reason: TransportReason) -> None:
    for platform in ("linux", "darwin", "win32"):
        made = radio_error(error, "ble:cell", platform)
        assert made.reason == reason
        assert str(made).startswith("ble:cell: ")
        step = next_step("not_found" if reason == "disconnected" else reason, platform)
        assert step
        assert str(made).endswith(step)


@pytest.mark.parametrize(
    "reason", ["no_adapter", "radio_off", "no_permission", "not_found", "in_use"]
)
def test_each_system_has_a_step_of_its_own(reason: TransportReason) -> None:
    steps = {next_step(reason, platform) for platform in ("linux", "darwin", "win32")}
    assert len(steps) == 3


@pytest.mark.parametrize(
    "url", ["ble:c?scan_s=x", "ble:c?scan_s=0", "ble:c?baud=9", "ble:c?decoder=binary"]
)
def test_a_wrong_url_is_refused(url: str) -> None:
    with pytest.raises(TransportError) as caught:
        open_transport(url)
    assert caught.value.reason == "bad_url"


def test_a_packet_decoder_is_refused_on_a_serial_port() -> None:
    with pytest.raises(TransportError, match="decoder must be one of"):
        open_transport("serial:/dev/x?decoder=packet")


def test_bleak_is_not_loaded_before_a_radio_is_used() -> None:
    code = (
        "import sys; from logger.transports import open_transport; open_transport('ble:x'); "
        "print(any(name.split('.')[0] in ('bleak', 'bumble') for name in sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_a_closed_radio_runs_nothing() -> None:
    async def work() -> None:
        raise AssertionError("never run")

    with pytest.raises(TransportError, match="closed"):
        Radio().submit(work())


def test_a_radio_that_fails_to_scan_is_a_typed_error_and_leaves_no_thread() -> None:
    from bleak.backends.scanner import BaseBleakScanner

    class Off(BaseBleakScanner):
        def __init__(self, detection_callback=None, service_uuids=None, *more, **named) -> None:  # type: ignore[no-untyped-def]
            super().__init__(detection_callback, service_uuids)

        async def start(self) -> None:
            raise BleakBluetoothNotAvailableError("off", WHY.POWERED_OFF)

        async def stop(self) -> None:
            raise AssertionError("it never started")

    radio = Radio(Off)
    link = BleTransport(parse_url("ble:x"), SystemClock(), radio)
    with pytest.raises(TransportError, match="Bluetooth is off") as caught:
        link.start(lambda data, at_ns: None, lambda fault: None)
    assert caught.value.reason == "radio_off"
    assert radio._thread is None
