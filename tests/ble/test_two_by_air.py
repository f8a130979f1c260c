"""Two cells on the air at once: one that is lost and found does not disturb the other."""

from __future__ import annotations

from pathlib import Path

from bumble_link import Air, Rough
from capture_rig import QUIET_WORLD, wait_until, well

from logger.cell_line import CellPlan
from logger.logbook.reader import LogbookReader
from logger.session import Session, SessionPlan
from logger.simcell.device import Converter, DeviceOptions
from logger.simcell.gatt import GattCell, GattOptions
from logger.simcell.scenario import load_scenario
from logger.simcell.world import make_world
from logger.transports.base import parse_url
from logger.transports.ble import BleTransport


def put(air: Air, folder: Path, name: str, address: str) -> GattCell:
    path = folder / f"{name}.toml"
    path.write_text(QUIET_WORLD)
    options = DeviceOptions(
        converter=Converter(rate_hz=200.0), device_id=name, per_frame=8, fifo_bytes=1 << 20
    )
    world = make_world(load_scenario(str(path)), 1.0)
    return air.add(options, world, GattOptions(name=name, address=address))


def seen(session: Session) -> dict[str, int]:
    return {view.cell: view.n_samples for view in session.snapshot.cells}


def test_one_lost_cell_does_not_disturb_the_other(tmp_path: Path) -> None:
    logbook = tmp_path / "two.logbook"
    with Air(Rough(base_s=0.01), mtu=247) as air:
        first = put(air, tmp_path, "near", "F0:00:00:00:00:02")
        put(air, tmp_path, "far", "F0:00:00:00:00:03")
        cells = tuple(
            CellPlan(name, f"ble:{name}", lambda info: (None, None)) for name in ("near", "far")
        )
        session = Session(
            SessionPlan(logbook, cells),
            opener=lambda text, clock: BleTransport(parse_url(text), clock, air.radio),
        )
        session.start()
        try:
            wait_until(lambda: len(seen(session)) == 2 and min(seen(session).values()) >= 100)
            air.radio.run(first.drop())
            wait_until(lambda: first.n_connections == 2)
            before = seen(session)
            wait_until(lambda: all(n >= before[name] + 100 for name, n in seen(session).items()))
        finally:
            session.stop()
    well(logbook)
    with LogbookReader(logbook) as reader:
        gaps = {stream.cell: reader.gaps(stream.id) for stream in reader.streams()}
    assert [gap.reason for gap in gaps["near"]] == ["disconnected"]
    assert gaps["far"] == ()
