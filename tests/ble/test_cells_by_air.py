"""``ropetally cells --ble``: what is heard, and what to do where nothing can be."""

from __future__ import annotations

import json
from pathlib import Path

from bumble_link import Air
from click.testing import CliRunner

from logger.commands import cells
from logger.simcell.device import DeviceOptions
from logger.simcell.gatt import GattOptions
from logger.simcell.scenario import load_scenario
from logger.simcell.world import make_world

WORLD = '[signal]\nkind = "constant"\nlevel_n = 100.0\n'


def test_a_scan_hears_the_cell_and_says_how_to_record_it(tmp_path: Path) -> None:
    path = tmp_path / "world.toml"
    path.write_text(WORLD)
    with Air() as air:
        options = GattOptions(name="cell b")
        air.add(DeviceOptions(), make_world(load_scenario(str(path)), 1.0), options)
        heard = cells.Air()
        for _ in range(20):
            heard = heard if heard.cells else cells.scan_air(1.0, air.radio)
    assert [cell.name for cell in heard.cells] == ["cell b"]
    assert heard.cells[0].address == options.address
    (line,) = cells.air_lines(heard)
    assert "--cell 'ble:cell b'" in line


def test_a_cell_that_is_heard_can_be_asked_who_it_is(tmp_path: Path) -> None:
    path = tmp_path / "world.toml"
    path.write_text(WORLD)
    with Air() as air:
        device = DeviceOptions(device_id="air-7")
        air.add(device, make_world(load_scenario(str(path)), 1.0), GattOptions(name="cell b"))
        heard = cells.Air()
        for _ in range(20):
            heard = heard if heard.cells else cells.scan_air(1.0, air.radio, ask_s=10.0)
    (cell,) = heard.cells
    assert (cell.asked, cell.answers, cell.device_id) == (True, True, "air-7")
    assert cell.sample_rate_hz == device.converter.rate_hz
    (line,) = cells.air_lines(heard)
    assert "cell air-7" in line
    assert f"{device.converter.rate_hz:g} samples/s" in line


def test_what_is_heard_and_not_asked_is_said() -> None:
    mute = cells.CellHeard("cell c", "AA", -50, asked=True)
    gone = cells.CellHeard("cell d", "BB", -60, asked=True, error="ble:BB: gone; wake the cell")
    force = cells.CellHeard("pull", "CC", -70, "sig_force")
    lines = cells.air_lines(cells.Air((mute, gone, force)))
    assert lines[0] == "cell c: Bluetooth cell AA, -50 dBm, connects but does not answer"
    assert lines[1] == "cell d: ble:BB: gone; wake the cell"
    assert lines[2].startswith("pull: slow Bluetooth force sensor CC")
    assert lines[2].endswith("--cell 'ble:pull?decoder=sig_force'")


def test_nothing_heard_says_what_to_do() -> None:
    with Air() as air:
        heard = cells.scan_air(0.1, air.radio)
    assert heard == cells.Air()
    assert "scan again" in cells.air_lines(heard)[0]


def test_the_command_tells_of_this_computers_own_radio() -> None:
    """Where there is no adapter (as in CI) it says so; elsewhere it lists what it hears."""
    result = CliRunner().invoke(cells.command, ["--ble", "--scan-s", "0.1", "--json"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.output)["ble"]
    assert (told["error"] is None) == (told["reason"] is None)
    text = CliRunner().invoke(cells.command, ["--ble", "--scan-s", "0.1"]).output
    assert (told["error"] or "Bluetooth") in text
