"""Whole recordings over a virtual Bluetooth link: real bleak code, a real GATT server."""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

import pytest
from air_session import recording, wait_for
from bumble_link import Air, Rough
from capture_rig import QUIET_WORLD, assert_none_wrong, wait_until, well
from click.testing import CliRunner

from analysis.errors import SourceError
from analysis.source import load_lowering
from logger.clock import SystemClock
from logger.commands.record import Links, command
from logger.errors import TransportError
from logger.logbook.reader import LogbookReader
from logger.simcell.device import Converter, DeviceOptions
from logger.simcell.gatt import GattCell, GattOptions
from logger.simcell.scenario import load_scenario
from logger.simcell.world import World, make_world
from logger.transports.base import parse_url
from logger.transports.ble import BleTransport

OPTIONS = DeviceOptions(
    converter=Converter(rate_hz=200.0), device_id="air-1", per_frame=8, fifo_bytes=1 << 20
)


def a_world(folder: Path) -> World:
    path = folder / "world.toml"
    path.write_text(QUIET_WORLD)
    return make_world(load_scenario(str(path)), 1.0)


def put(air: Air, folder: Path, force_hz: float = 20.0) -> GattCell:
    return air.add(OPTIONS, a_world(folder), GattOptions(name="cell-a", force_hz=force_hz))


@pytest.mark.parametrize(("mtu", "base_s"), [(23, 0.0), (247, 0.04)])
def test_every_sample_is_stored_once_over_a_good_link(
    tmp_path: Path, mtu: int, base_s: float
) -> None:
    with Air(Rough(base_s=base_s), mtu=mtu) as air:
        put(air, tmp_path)
        with recording(air, tmp_path / "a.logbook", "ble:cell-a") as session:
            wait_for(session, 200)
        assert air.rough.longest_bytes <= mtu - 3
        well(tmp_path / "a.logbook")
        assert assert_none_wrong(tmp_path / "a.logbook", 1, air.sent()) >= 200
    with LogbookReader(tmp_path / "a.logbook") as reader:
        assert reader.gaps(1) == ()
        assert reader.samples(1).index[0] == 0
        assert reader.stream(1).info.device_id == "air-1"
        told = [f for f in reader.faults(None) if f.kind == "device_information"]
    assert [f.n for f in told] == [0]
    assert "model simcell, serial number air-1" in told[0].detail
    assert "battery 87 %" in told[0].detail


@pytest.mark.parametrize("base_s", [0.0, 0.02])
def test_lost_swapped_and_late_packets_cost_only_counted_gaps(
    tmp_path: Path, base_s: float
) -> None:
    rough = Rough(base_s=base_s, lose=0.08, swap=0.08, late=0.05)
    with Air(rough, mtu=23) as air:
        put(air, tmp_path)
        with recording(air, tmp_path / "a.logbook", "ble:cell-a") as session:
            wait_for(session, 300)
            wait_until(lambda: min(rough.n_lost, rough.n_swapped, rough.n_late) > 0)
        well(tmp_path / "a.logbook")
        assert assert_none_wrong(tmp_path / "a.logbook", 1, air.sent()) >= 300
    with LogbookReader(tmp_path / "a.logbook") as reader:
        assert reader.gaps(1)
        assert len(reader.streams()) == 1


def test_a_lost_connection_is_a_gap_and_the_stream_goes_on(tmp_path: Path) -> None:
    with Air(mtu=247) as air:
        cell = put(air, tmp_path)
        with recording(air, tmp_path / "a.logbook", "ble:cell-a") as session:
            wait_for(session, 100)
            air.radio.run(cell.drop())
            wait_until(lambda: cell.n_connections == 2)
            n = session.snapshot.cells[0].n_samples
            wait_for(session, n + 100)
        well(tmp_path / "a.logbook")
        assert_none_wrong(tmp_path / "a.logbook", 1, air.sent())
    with LogbookReader(tmp_path / "a.logbook") as reader:
        assert len(reader.streams()) == 1
        assert [gap.reason for gap in reader.gaps(1)] == ["disconnected"]
        kinds = [fault.kind for fault in reader.faults(None)]
    assert "disconnected" in kinds
    assert "connected" in kinds


def test_sig_force_is_recorded_flagged_and_without_lowerings(tmp_path: Path) -> None:
    with Air(mtu=23) as air:
        put(air, tmp_path)
        with recording(air, tmp_path / "a.logbook", "ble:cell-a?decoder=sig_force") as session:
            wait_for(session, 20)
        well(tmp_path / "a.logbook")
    with LogbookReader(tmp_path / "a.logbook") as reader:
        info = reader.stream(1).info
        counts = reader.samples(1).counts
        assert reader.lowerings() == ()
        assert [f.n for f in reader.faults(1) if f.kind == "no_peaks"] == [0]
    assert info.device_id == "invented simcell air-1"
    assert "a peak between two values is not seen" in info.no_peaks
    assert counts.min() >= 99_000  # 400 N ± 300 N, in millinewtons
    assert counts.max() <= 701_000


def test_the_record_command_records_by_air(tmp_path: Path) -> None:
    logbook = tmp_path / "a.logbook"
    with Air(mtu=247) as air:
        put(air, tmp_path)
        links = Links(lambda text, clock: BleTransport(parse_url(text), clock, air.radio))
        arguments = [str(logbook), "--cell", "ble:cell-a", "--for", "2", "--quiet", "--json"]
        result = CliRunner().invoke(command, arguments, obj=links)
        assert result.exit_code == 0, result.output
        well(logbook)
        assert assert_none_wrong(logbook, 1, air.sent()) > 0


def test_the_record_command_says_what_is_missing_to_record_by_air(tmp_path: Path) -> None:
    """Here, without an adapter or without the cell, both are reasons with a step."""
    arguments = [str(tmp_path / "a.logbook"), "--cell", "ble:nobody?scan_s=0.2", "--for", "1"]
    result = CliRunner().invoke(command, arguments)
    assert isinstance(result.exception, TransportError)
    assert str(result.exception).startswith("ble:nobody?scan_s=0.2: ")
    assert not (tmp_path / "a.logbook").exists()


def test_a_cell_that_is_not_there_says_what_to_do(tmp_path: Path) -> None:
    with Air() as air:
        put(air, tmp_path)
        link = BleTransport(parse_url("ble:other?scan_s=0.3"), SystemClock(), air.radio)
        with pytest.raises(TransportError, match="ropetally cells --ble") as caught:
            link.start(lambda data, at_ns: None, lambda fault: None)
        assert caught.value.reason == "not_found"
        with pytest.raises(TransportError, match="not connected"):
            link.write(b"\x01\x01")
        link.stop()


def test_peaks_of_sig_force_are_refused_even_in_a_window_made_by_hand(tmp_path: Path) -> None:
    logbook = tmp_path / "a.logbook"
    with Air(mtu=23) as air:
        put(air, tmp_path)
        with recording(air, logbook, "ble:cell-a?decoder=sig_force") as session:
            wait_for(session, 10)
    with contextlib.closing(sqlite3.connect(logbook)) as file, file:
        file.execute("INSERT INTO lowering VALUES (1, 1, 2, 0)")
        file.execute("INSERT INTO lowering_end VALUES (1, 1, 8)")
    with (
        LogbookReader(logbook) as reader,
        pytest.raises(SourceError, match="a peak between two values is not seen"),
    ):
        load_lowering(reader, 1)
