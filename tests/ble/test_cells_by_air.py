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
