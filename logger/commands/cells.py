"""``ropetally cells``: which ports and Bluetooth cells there are, and who answers on them.

Comes in: nothing, or paths of ports. Goes out: a table or JSON. Must not: open a port, or
use the radio, unless asked to: bytes may disturb a device that is no cell.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any, Final

import click

from logger.clock import Clock, SystemClock
from logger.commands.asking import ask_link
from logger.commands.output import json_option, print_json

if TYPE_CHECKING:
    from logger.transports.ble_radio import Advert, Radio

ANSWER_S: Final = 3.0
SCAN_S: Final = 5.0
INDUSTRIAL_MEASUREMENT: Final = 0x185A
"""Service of the Bluetooth SIG that holds the Force characteristic."""


@dataclass(frozen=True, slots=True)
class PortFound:
    """A port, and what it said when asked; ``error`` says why it could not be asked."""

    port: str
    description: str
    asked: bool = False
    answers: bool = False
    decoder: str | None = None
    device_id: str | None = None
    firmware: str | None = None
    boot_id: int | None = None
    sample_rate_hz: float | None = None
    error: str | None = None


def list_ports(paths: tuple[str, ...]) -> list[PortFound]:
    """Give the ports that were named, and no other; those that the system knows if none was."""
    from serial.tools.list_ports import comports

    known = {port.device: port.description or "" for port in comports()}
    known = {device: "" if text == "n/a" else text for device, text in known.items()}
    wanted = dict.fromkeys(paths) or sorted(known)
    return [PortFound(path, known.get(path, "named")) for path in wanted]


def ask(found: PortFound, wait_s: float, clock: Clock) -> PortFound:
    """Ask a port who it is, in binary and, failing that, in ASCII."""
    from logger.errors import TransportError
    from logger.transports import open_transport

    for decoder in ("binary", "ascii"):
        url = f"serial:{found.port}?decoder={decoder}"
        try:
            info = ask_link(open_transport(url, clock), wait_s, clock)
        except TransportError as error:
            return PortFound(found.port, found.description, asked=True, error=str(error))
        if info is not None:
            return PortFound(
                found.port,
                found.description,
                asked=True,
                answers=True,
                decoder=decoder,
                device_id=info.device_id,
                firmware=info.firmware,
                boot_id=info.boot_id,
                sample_rate_hz=info.sample_rate_hz,
            )
    return PortFound(found.port, found.description, asked=True)


def _line(found: PortFound) -> str:
    """One line about a port."""
    if found.error:
        return f"{found.port}: {found.error}"
    if found.answers:
        ascii_note = "?decoder=ascii" if found.decoder == "ascii" else ""
        return (
            f"{found.port}: cell {found.device_id}, {found.sample_rate_hz:g} samples/s, "
            f"boot {found.boot_id:08x}, firmware {found.firmware}; "
            f"record it with --cell 'serial:{found.port}{ascii_note}'"
        )
    if found.asked:
        return f"{found.port}: {found.description or 'a port'}, no cell answered"
    return f"{found.port}: {found.description or 'a port'}"


def _next_step(ports: list[PortFound], *, asked: bool, named: bool) -> str | None:
    """Say what to do when nothing useful was found."""
    if not ports:
        return (
            "No serial port found. Plug the cell in, or name its port: ropetally cells PORT --ask"
        )
    if asked and not any(port.answers for port in ports):
        return "No cell answered. Check power and cable, that no other program has the port, then ask again."
    if not asked and named:
        return "Ask whether a cell is there: add --ask"
    if not asked:
        return "Ask which of them is a cell: ropetally cells --ask"
    return None


# --- Bluetooth ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class CellHeard:
    """A cell that was heard over Bluetooth, and what it said when asked.

    ``decoder`` is ``packet`` for a cell of ours, ``sig_force`` for a sensor that advertises the
    SIG's service for such devices: it is slow, and is not asked.
    """

    name: str
    address: str
    rssi_dbm: int
    decoder: str = "packet"
    asked: bool = False
    answers: bool = False
    device_id: str | None = None
    firmware: str | None = None
    sample_rate_hz: float | None = None
    error: str | None = None


@dataclass(frozen=True, slots=True)
class Air:
    """What a scan heard; ``error`` and its ``reason`` say why there was none."""

    cells: tuple[CellHeard, ...] = ()
    n_other_devices: int = 0
    error: str | None = None
    reason: str | None = None


def scan_air(seconds: float, radio: Radio | None = None, ask_s: float | None = None) -> Air:
    """Scan for cells of our own service, and for force sensors of the SIG's.

    Parameters
    ----------
    seconds : float
        How long.
    radio : Radio, optional
        This computer's when left out.
    ask_s : float, optional
        Connect to each cell of ours and wait so long for it to say who it is.
    """
    from logger.transports.ble_radio import SYSTEM_RADIO, radio_error

    radio = radio or SYSTEM_RADIO
    radio.hold()
    try:
        heard = radio.run(radio.scan(seconds))
        cells = [cell for advert in heard if (cell := _cell_of(advert)) is not None]
        cells.sort(key=lambda cell: -cell.rssi_dbm)
        if ask_s is not None:
            cells = [_asked_by_air(cell, ask_s, radio) for cell in cells]
    except Exception as error:  # noqa: BLE001 - bleak raises what its backends raise
        told = radio_error(error, "Bluetooth")
        return Air(error=str(told), reason=told.reason)
    finally:
        radio.release()
    return Air(tuple(cells), len(heard) - len(cells))


def _cell_of(advert: Advert) -> CellHeard | None:
    """Tell what a device is by the services that it advertises; None: nothing of ours."""
    from logger.transports.ble_services import SERVICE, sig_uuid

    known = {SERVICE: "packet", sig_uuid(INDUSTRIAL_MEASUREMENT): "sig_force"}
    for service, decoder in known.items():
        if service in advert.services:
            return CellHeard(advert.name, advert.address, advert.rssi_dbm, decoder)
    return None


def _asked_by_air(cell: CellHeard, wait_s: float, radio: Radio) -> CellHeard:
    """Connect to a cell of ours and ask who it is."""
    from logger.errors import TransportError
    from logger.transports.base import Url
    from logger.transports.ble import BleTransport

    if cell.decoder != "packet":
        return cell
    clock = SystemClock()
    link = BleTransport(Url(f"ble:{cell.address}", "ble", cell.address, {}), clock, radio)
    try:
        info = ask_link(link, wait_s, clock)
    except TransportError as error:
        return replace(cell, asked=True, error=str(error))
    if info is None:
        return replace(cell, asked=True)
    return replace(
        cell,
        asked=True,
        answers=True,
        device_id=info.device_id,
        firmware=info.firmware,
        sample_rate_hz=info.sample_rate_hz,
    )


def _air_line(cell: CellHeard) -> str:
    from urllib.parse import quote

    who = cell.name or cell.address
    if cell.error:
        return f"{who}: {cell.error}"
    if cell.asked and not cell.answers:
        return f"{who}: Bluetooth cell {cell.address}, {cell.rssi_dbm} dBm, connects but does not answer"
    what = "Bluetooth cell"
    if cell.decoder == "sig_force":
        what = "slow Bluetooth force sensor"
    said = ""
    if cell.answers:
        said = f" {cell.device_id}, {cell.sample_rate_hz:g} samples/s, firmware {cell.firmware},"
    option = "?decoder=sig_force" if cell.decoder == "sig_force" else ""
    return (
        f"{who}: {what}{said} {cell.address}, {cell.rssi_dbm} dBm; record it with "
        f"--cell 'ble:{quote(who, ' :')}{option}'"
    )


def air_lines(air: Air) -> list[str]:
    """Lines about a scan."""
    if air.error is not None:
        return [air.error]
    if air.cells:
        return [_air_line(cell) for cell in air.cells]
    return [
        (
            f"No Bluetooth cell heard ({air.n_other_devices} other devices). Wake the cell, bring "
            "it nearer, end its connection to another computer or phone, then scan again: "
            "ropetally cells --ble"
        )
    ]


class CellsCommand(click.Command):
    """The command, which hands ``try PROFILE URL`` on to its own."""

    def make_context(
        self,
        info_name: str | None,
        args: list[str],
        parent: click.Context | None = None,
        **extra: Any,
    ) -> click.Context:
        """Make the context of what was called."""
        if args[:1] == ["try"]:
            from logger.commands.trying import command as trying

            return trying.make_context(f"{info_name} try", args[1:], parent, **extra)
        return super().make_context(info_name, args, parent, **extra)

    def invoke(self, ctx: click.Context) -> Any:
        """Run what was called."""
        return super().invoke(ctx) if ctx.command is self else ctx.command.invoke(ctx)


@click.command(cls=CellsCommand)
@click.argument("paths", metavar="[PORT]...", nargs=-1)
@click.option(
    "--ask/--no-ask",
    "asking",
    default=False,
    help="Open each port and ask who it is; with --ble also each cell heard.",
)
@click.option("--ble/--no-ble", "by_air", default=False, help="Also scan for Bluetooth cells.")
@click.option(
    "--scan-s",
    default=SCAN_S,
    show_default=True,
    type=click.FloatRange(0.1, 600.0),
    help="How long to scan for Bluetooth cells.",
)
@click.option(
    "--wait-s",
    default=ANSWER_S,
    show_default=True,
    type=click.FloatRange(min=0.1),
    help="How long to wait for an answer, per port and format.",
)
@json_option
def command(
    paths: tuple[str, ...],
    asking: bool,
    by_air: bool,
    scan_s: float,
    wait_s: float,
    as_json: bool,
) -> None:
    """List the ports where a cell may be, and ask who answers.

    Without PORT: all ports that the system knows; with PORT: those only. Asking opens
    each listed port and sends a short request; name the ports to ask when other devices
    are plugged in.

    ropetally cells try PROFILE URL shows what a cell profile makes of what another
    sensor sends; see its --help.
    """
    clock = SystemClock()
    ports = list_ports(paths)
    if asking:
        ports = [ask(found, wait_s, clock) for found in ports]
    step = _next_step(ports, asked=asking, named=bool(paths))
    air = scan_air(scan_s, ask_s=wait_s if asking else None) if by_air else None
    if as_json:
        told = {"ports": [asdict(found) for found in ports], "next": step}
        print_json(told if air is None else told | {"ble": asdict(air)})
        return
    for found in ports:
        click.echo(_line(found))
    if step and not (by_air and not ports):
        click.echo(step)
    if air is not None:
        for line in air_lines(air):
            click.echo(line)
