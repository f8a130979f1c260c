"""The SIG's Force: values, what is not known, what the decoder answers for the device."""

from __future__ import annotations

import struct

import pytest

from logger.decoders import Decoded, Opcode, open_decoder
from logger.decoders.sig_force import BATTERY, FORCE, MODEL, SigForceDecoder, characteristic
from logger.samples import Fault, InfoFrame, ReplyFrame, SampleFrame, StatusFrame

SECOND_NS = 1_000_000_000


def force(value: int) -> bytes:
    return characteristic(FORCE, struct.pack("<i", value))


def fed(decoder: SigForceDecoder, n: int, start_ns: int = 0) -> list[Decoded]:
    return [r for i in range(n) for r in decoder.feed(force(i), start_ns + i * SECOND_NS // 2)]


@pytest.mark.parametrize("value", [0, 1_234_567, -1, -(2**31), 2**31 - 2])
def test_a_count_is_a_millinewton(value: int) -> None:
    (sample,) = SigForceDecoder().feed(force(value), 5_000)
    assert isinstance(sample, SampleFrame)
    assert (sample.counts.tolist(), sample.tick_us, sample.index16) == ([value], 5, 0)


def test_not_known_is_a_fault_and_leaves_a_hole() -> None:
    decoder = SigForceDecoder()
    (told,) = decoder.feed(force(0x7FFFFFFF), 1)
    assert isinstance(told, Fault)
    assert told.kind == "not_known"
    (sample,) = decoder.feed(force(1), 2)
    assert isinstance(sample, SampleFrame)
    assert sample.index16 == 1


def test_it_answers_for_the_device_once_it_knows_the_rate() -> None:
    decoder = SigForceDecoder()
    decoder.feed(characteristic(MODEL, b"scale\0"), 0)
    assert decoder.encode_request(Opcode.INFO, 9) == b""
    assert all(isinstance(reading, SampleFrame) for reading in fed(decoder, 4))
    _, info, flag = decoder.feed(force(4), 2 * SECOND_NS)
    assert isinstance(info, InfoFrame)
    assert (info.request_id, info.info.device_id, info.info.boot_id) == (9, "scale", 1)
    assert info.info.sample_rate_hz == pytest.approx(2.0)
    assert info.info.n_per_count == 0.001
    assert isinstance(flag, Fault)
    assert (flag.kind, flag.n, flag.detail) == ("no_peaks", 0, info.info.no_peaks)
    decoder.encode_request(Opcode.START, 10)
    decoder.encode_request(Opcode.STOP, 11)
    answers = [r for r in decoder.feed(force(5), 3_000_000) if isinstance(r, ReplyFrame)]
    assert [(r.opcode, r.request_id, r.status) for r in answers] == [(2, 10, 0), (3, 11, 0)]


def test_the_host_times_it_and_no_tick_of_it_bounds_a_latency() -> None:
    decoder = SigForceDecoder()
    decoder.encode_request(Opcode.INFO, 9)
    decoder.encode_request(Opcode.TIME, 10)
    told = fed(decoder, 6)
    (info,) = (reading.info for reading in told if isinstance(reading, InfoFrame))
    assert info.host_timed
    assert not any(isinstance(reading, ReplyFrame) for reading in told)


def test_a_new_connection_is_a_new_segment() -> None:
    decoder = SigForceDecoder()
    fed(decoder, 6)
    assert decoder.finish(1) == []
    decoder.encode_request(Opcode.INFO, 1)
    readings = fed(decoder, 5)
    assert [r.index16 for r in readings if isinstance(r, SampleFrame)] == [0, 1, 2, 3, 4]
    assert [r.info.boot_id for r in readings if isinstance(r, InfoFrame)] == [2]


def test_battery_is_a_status() -> None:
    (status,) = SigForceDecoder().feed(characteristic(BATTERY, b"\x4b"), 7_000)
    assert isinstance(status, StatusFrame)
    assert (status.battery_pct, status.tick_us, status.temperature_c) == (75, 7, None)


@pytest.mark.parametrize(
    ("data", "kind"),
    [
        (b"", "bad_length"),
        (b"\x07\x2c", "bad_length"),
        (characteristic(FORCE, b"\x01\x02\x03"), "bad_length"),
        (characteristic(BATTERY, b"\xff"), "bad_length"),
        (characteristic(0x2A37, b"\x00"), "unknown_kind"),
    ],
)
def test_what_makes_no_sense_is_a_fault(data: bytes, kind: str) -> None:
    (told,) = SigForceDecoder().feed(data, 3)
    assert isinstance(told, Fault)
    assert (told.kind, told.received_ns) == (kind, 3)


def test_a_bare_packet_is_read_whole() -> None:
    decoder = open_decoder("packet")
    (sample,) = decoder.feed(bytes.fromhex("10 01 02 00 07 00 00 00 ff ff ff ff"), 1)
    assert isinstance(sample, SampleFrame)
    assert (sample.index16, sample.tick_us, sample.counts.tolist()) == (2, 7, [-1])
    assert decoder.encode_request(Opcode.TIME, 9) == b"\x04\x09"
    assert decoder.finish(0) == []
    (short,) = decoder.feed(b"\x10\x02", 1)
    assert isinstance(short, Fault)
