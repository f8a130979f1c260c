"""A sensor that a profile describes, over the virtual radio: recorded, lost, found again."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from air_session import n_samples, recording, wait_for
from bumble_link import Air
from capture_rig import wait_until, well
from declared_air import NOTIFIED, put_load_link
from declared_peers import LINE

from logger.clock import SystemClock
from logger.errors import TransportError
from logger.logbook.reader import LogbookReader
from logger.transports.base import parse_url
from logger.transports.ble import BleTransport


def test_notifications_are_recorded_between_start_and_stop(tmp_path: Path) -> None:
    with Air(mtu=23) as air:
        peer = put_load_link(air, rate_hz=100.0, skip=frozenset({150, 151}))
        url = f"ble:load-link?profile={NOTIFIED}"
        with recording(air, tmp_path / "a.logbook", url) as session:
            wait_for(session, 200)
        wait_until(lambda: peer.heard[-1:] == [b"\x00"])
        assert peer.heard[0] == b"\x01"
    well(tmp_path / "a.logbook")
    with LogbookReader(tmp_path / "a.logbook") as reader:
        (stream,) = reader.streams()
        samples, gaps = reader.samples(1), reader.gaps(1)
    assert stream.info.device_id == "notified-force"
    assert stream.info.n_per_count == pytest.approx(0.1)
    assert np.array_equal(samples.counts, samples.index)
    assert [(gap.first_index, gap.n_missing) for gap in gaps] == [(150, 2)]


def test_a_lost_declared_sensor_is_found_and_started_again(tmp_path: Path) -> None:
    with Air(mtu=247) as air:
        peer = put_load_link(air, rate_hz=100.0)
        url = f"ble:load-link?profile={NOTIFIED}"
        with recording(air, tmp_path / "a.logbook", url) as session:
            wait_for(session, 120)
            air.radio.run(peer.drop())
            wait_until(lambda: peer.n_connections == 2)
            n = n_samples(session)
            wait_for(session, n + 120)
    well(tmp_path / "a.logbook")
    with LogbookReader(tmp_path / "a.logbook") as reader:
        kinds = [fault.kind for fault in reader.faults(None)]
        counts = np.concatenate([reader.samples(s.id).counts for s in reader.streams()])
    assert kinds.count("disconnected") == 1
    assert np.all(np.diff(counts) > 0)


def test_a_sensor_without_that_characteristic_is_refused_in_one_line(tmp_path: Path) -> None:
    profile = tmp_path / "other.toml"
    profile.write_text(NOTIFIED.read_text().replace("5a1f0001", "5a1f00ff"))
    with Air() as air:
        put_load_link(air)
        link = BleTransport(parse_url(f"ble:load-link?profile={profile}"), SystemClock(), air.radio)
        with pytest.raises(TransportError, match="no characteristic 5a1f00ff") as caught:
            link.start(lambda data, received_ns: None, lambda fault: None)
    assert caught.value.reason == "not_found"
    assert "\n" not in str(caught.value)


def test_a_profile_without_control_sends_nothing(tmp_path: Path) -> None:
    profile = tmp_path / "mute.toml"
    text = NOTIFIED.read_text()
    lines = [x for x in text.splitlines() if not x.startswith(("control", "start_", "stop_"))]
    profile.write_text("\n".join(lines))
    with Air() as air:
        peer = put_load_link(air, rate_hz=100.0)
        peer.heard.append(b"\x01")
        with recording(air, tmp_path / "a.logbook", f"ble:load-link?profile={profile}") as session:
            wait_for(session, 110)
        assert peer.heard == [b"\x01"]


def test_a_profile_for_another_link_is_refused() -> None:
    with pytest.raises(TransportError, match=r"has \[line\]; open it with serial:") as caught:
        BleTransport(parse_url(f"ble:x?profile={LINE}"), SystemClock())
    assert caught.value.reason == "bad_url"
