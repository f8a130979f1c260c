"""The device's encoder against published vectors and the written format."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given
from hypothesis import strategies as st

from logger.simcell import wire

DOC = Path(__file__).parents[3] / "firmware_notes" / "wire_format.md"


def unframe(frame: bytes) -> bytes:
    assert frame.endswith(b"\x00")
    assert frame.count(b"\x00") == 1
    raw = cobs.decode(frame[:-1])
    assert zlib.crc32(raw[:-4]).to_bytes(4, "little") == raw[-4:]
    return bytes(raw[:-4])


def test_crc_32_of_the_check_string() -> None:
    """CRC catalogues: CRC-32 of "123456789" is CBF43926 (references.md §9)."""
    assert cobs.decode(wire.on_serial(b"123456789")[:-1])[-4:] == bytes.fromhex("2639f4cb")


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        ("45 00 00 2c 4c 79 00 00 40 06 4f 37", "02 45 01 04 2c 4c 79 01 05 40 06 4f 37"),
        ("00", "01 01"),
        ("11 22 00 33", "03 11 22 02 33"),
    ],
)
def test_stuffing(plain: str, stuffed: str) -> None:
    """The worked example of Cheshire & Baker 1999, figure 3, and the two smallest cases."""
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)


def test_stuffing_adds_at_most_one_byte_in_254() -> None:
    """Cheshire & Baker 1999: at most one byte per 254."""
    payload = bytes(range(1, 255)) * 4
    assert len(wire.on_serial(payload)) <= len(payload) + 4 + -(-(len(payload) + 4) // 254) + 1


def documented(name: str) -> bytes:
    match = re.search(rf"^{name}: ([0-9a-f ]+)$", DOC.read_text("utf-8"), re.MULTILINE)
    assert match, name
    return bytes.fromhex(match.group(1))


def test_documented_data_example() -> None:
    payload = unframe(documented("data"))
    counts = np.frombuffer(payload[8:], "<i4").astype(np.int32)
    first, tick = int.from_bytes(payload[2:4], "little"), int.from_bytes(payload[4:8], "little")
    assert wire.on_serial(wire.data_payload(first, tick, counts)) == documented("data")


def test_documented_info_example() -> None:
    payload = unframe(documented("info"))
    who = wire.Identity(
        device_id="cell-7",
        firmware="1.0",
        boot_id=int.from_bytes(payload[2:6], "little"),
        sample_rate_hz=1000.0,
        count_min=-8_388_608,
        count_max=8_388_607,
        filter_delay_us=1500,
        jitter_us=50,
    )
    assert wire.info_payload(payload[1], who) == payload


def test_documented_reply_and_status_examples() -> None:
    reply = unframe(documented("reply"))
    asked = wire.Request(reply[1], reply[2], b"")
    assert wire.BinaryTalk().reply(asked, reply[3], reply[4:]) == documented("reply")
    status = unframe(documented("status"))
    health = wire.Health(
        battery_pct=status[1],
        temperature_c=int.from_bytes(status[2:4], "little", signed=True) / 100,
        tick_us=int.from_bytes(status[4:8], "little"),
        overruns=int.from_bytes(status[8:12], "little"),
        clipped=int.from_bytes(status[12:16], "little"),
    )
    assert wire.BinaryTalk().status(health) == documented("status")


def test_documented_requests_are_understood() -> None:
    sent = documented("INFO request") + documented("TIME request")
    assert wire.RequestReader("binary").feed(sent) == [
        wire.Request(wire.OP_INFO, 7, b""),
        wire.Request(wire.OP_TIME, 9, b""),
    ]


def test_unknown_health_has_its_own_values() -> None:
    health = wire.Health(None, None, 1, 2, 3)
    assert wire.status_payload(health)[1:4] == b"\xff\x00\x80"
    assert wire.AsciiTalk().status(health).startswith(b"$S1,,,1,2,3*")


def test_lines_carry_the_exclusive_or_of_their_body() -> None:
    sent = wire.AsciiTalk().data(65_537, 2**32 + 5, np.array([-3, 4], np.int32))
    body = b"D1,1,5,-3,4"
    check = 0
    for byte in body:
        check ^= byte
    assert sent == b"$" + body + b"*" + f"{check:02X}".encode() + b"\r\n"


def test_info_and_reply_lines() -> None:
    who = wire.Identity("c", "f", 9, 320.5, -5, 5, 10, 1)
    info = wire.AsciiTalk().info(3, who)
    assert info.startswith(b"$I1,3,9,1000000,320.5,-5,5,10,1,c,f*")
    assert (
        wire.AsciiTalk()
        .reply(wire.Request(4, 2, b""), 0, b"\x01\xff")
        .startswith(b"$R1,4,2,0,01ff*")
    )


@given(st.integers(0, 255), st.integers(0, 255), st.binary(max_size=20), st.data())
def test_requests_survive_any_chunking(
    opcode: int, request_id: int, arguments: bytes, data: st.DataObject
) -> None:
    frame = wire.on_serial(bytes([opcode, request_id]) + arguments)
    text = wire.line(f"Q1,{opcode},{request_id},{arguments.hex()}")
    cut = data.draw(st.integers(0, len(frame)))
    reader, lines = wire.RequestReader("binary"), wire.RequestReader("ascii")
    found = reader.feed(b"\x00" + frame[:cut]) + reader.feed(frame[cut:])
    assert found == [wire.Request(opcode, request_id, arguments)]
    assert lines.feed(text[:3]) + lines.feed(text[3:]) == found


@given(st.binary(max_size=2000))
def test_noise_from_the_host_is_no_request(noise: bytes) -> None:
    reader = wire.RequestReader("binary")
    assert reader.feed(noise) == []
    assert reader.feed(b"\x00" + wire.on_serial(b"\x01\x05")) == [wire.Request(1, 5, b"")]


@pytest.mark.parametrize("text", [b"Q1,1,1,\n", b"$Q1,1,1,*00\n", b"*$\n", b"\xff$\xff*7F\n"])
def test_damaged_lines_are_ignored_and_counted(text: bytes) -> None:
    reader = wire.RequestReader("ascii")
    assert reader.feed(text) == []
    assert reader.ignored == 1


@pytest.mark.parametrize("body", ["Q2,1,1,", "Q1,x,1,", "Q1,1,1", "Q1,1,1,zz"])
def test_lines_that_are_no_request(body: str) -> None:
    assert wire.RequestReader("ascii").feed(wire.line(body)) == []
