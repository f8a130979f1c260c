"""The wire format's document, its published vectors, and the simulated device's encoder."""

from __future__ import annotations

import re
import zlib
from pathlib import Path

import numpy as np
import pytest
from cobs import cobs
from decoded_frames import singly

from logger.decoders import Decoded, Opcode, open_decoder
from logger.decoders.binary_frame import MAX_ENCODED, MAX_PAYLOAD, frame
from logger.errors import FrameError, InputError
from logger.samples import CellInfo, InfoFrame, ReplyFrame, SampleFrame, StatusFrame
from logger.simcell import wire

DOCUMENT = Path(__file__).resolve().parents[2] / "firmware_notes" / "wire_format.md"


def documented() -> dict[str, bytes]:
    text = DOCUMENT.read_text(encoding="utf-8")
    return {
        name: bytes.fromhex(digits)
        for name, digits in re.findall(r"^([\w ]+): ((?:[0-9a-f]{2} ?)+)$", text, re.MULTILINE)
    }


def one(decoder: str, data: bytes) -> Decoded:
    (reading,) = open_decoder(decoder).feed(data, 5)
    return reading


def test_crc_of_the_usual_check_string() -> None:
    # Catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC (Ethernet, zlib): check value
    # of "123456789"; also in the project's references, section 9.
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert frame(b"123456789") == cobs.encode(b"123456789" + bytes.fromhex("2639f4cb")) + b"\x00"


@pytest.mark.parametrize(
    ("plain", "stuffed"),
    [
        # S. Cheshire, M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Netw.
        # 7(2), 1999: the worked example, the start of an IP packet (from memory).
        ("45 00 00 2c 4c 79 00 00 40 06 4f 37", "02 45 01 04 2c 4c 79 01 05 40 06 4f 37"),
        # Worked examples of the same code as widely reprinted (from memory).
        ("00", "01 01"),
        ("00 00", "01 01 01"),
        ("11 22 00 33", "03 11 22 02 33"),
        ("11 00 00 00", "02 11 01 01 01"),
    ],
)
def test_byte_stuffing_vectors(plain: str, stuffed: str) -> None:
    assert cobs.encode(bytes.fromhex(plain)) == bytes.fromhex(stuffed)
    assert cobs.decode(bytes.fromhex(stuffed)) == bytes.fromhex(plain)


def test_byte_stuffing_costs_at_most_one_byte_in_254() -> None:
    # Cheshire and Baker 1999: the bound is what the code is named for.
    longest = b"\x01" * (MAX_PAYLOAD + 4)
    assert len(cobs.encode(longest)) <= MAX_ENCODED == len(longest) + len(longest) // 254 + 1


def test_documented_data_frame() -> None:
    (reading,) = singly([one("binary", documented()["data"])])
    assert isinstance(reading, SampleFrame)
    assert (reading.index16, reading.tick_us, reading.received_ns) == (65534, 1000, 5)
    assert reading.counts.tolist() == [-1, 0, 70000]
    assert reading.counts.dtype == np.int32
    assert not reading.counts.flags.writeable


def test_documented_info_frame() -> None:
    assert one("binary", documented()["info"]) == InfoFrame(
        7,
        CellInfo(1, "cell-7", 0xC0FFEE, "1.0", 1_000_000, 1000.0, -(2**23), 2**23 - 1, 1500, 50),
        5,
    )


def test_documented_reply_and_status_frames() -> None:
    answer = (123456).to_bytes(4, "little")
    assert one("binary", documented()["reply"]) == ReplyFrame(4, 9, 0, answer, 5)
    ended = one("binary", documented()["STOP reply"])
    assert ended == ReplyFrame(3, 10, 0, (70_000 % 2**16).to_bytes(2, "little"), 5)
    assert one("binary", documented()["status"]) == StatusFrame(5_000_000, 0, 12, 21.5, 87, 5)


def test_documented_requests() -> None:
    decoder = open_decoder("binary")
    assert decoder.encode_request(Opcode.INFO, 7) == documented()["INFO request"]
    assert decoder.encode_request(Opcode.TIME, 9) == documented()["TIME request"]


@pytest.mark.parametrize("form", ["binary", "ascii"])
def test_the_simulated_device_reads_our_requests(form: wire.Format) -> None:
    sent = open_decoder(form).encode_request(Opcode.START, 200, b"\x00\xff")
    assert wire.RequestReader(form).feed(b"\x07 half a request" + sent) == [
        wire.Request(Opcode.START, 200, b"\x00\xff")
    ]


@pytest.mark.parametrize("form", ["binary", "ascii"])
def test_we_read_the_simulated_device(form: wire.Format) -> None:
    said = wire.talk(form)
    who = wire.Identity("cell µ", "2.1", 2**32 - 1, 320.5, -7, 9, 1000, 3)
    request = wire.Request(Opcode.TIME, 3, b"")
    sent = [
        said.info(0, who),
        said.data(2**16 + 5, 2**32 + 7, np.array([-(2**31), 2**31 - 1], np.int32)),
        said.reply(request, 1, b"\x00\x01"),
        said.status(wire.Health(None, None, 2**32 - 1, 3, 4)),
        said.status(wire.Health(50, -10.25, 1, 0, 0)),
    ]
    info, data, reply, unknown, known = singly(open_decoder(form).feed(b"".join(sent), 9))
    assert info == InfoFrame(
        0, CellInfo(1, "cell µ", 2**32 - 1, "2.1", 1_000_000, 320.5, -7, 9, 1000, 3), 9
    )
    assert isinstance(data, SampleFrame)
    assert (data.index16, data.tick_us, data.counts.tolist()) == (5, 7, [-(2**31), 2**31 - 1])
    assert reply == ReplyFrame(Opcode.TIME, 3, 1, b"\x00\x01", 9)
    assert unknown == StatusFrame(2**32 - 1, 3, 4, None, None, 9)
    assert known == StatusFrame(1, 0, 0, -10.25, 50, 9)


@pytest.mark.parametrize("size", [0, MAX_PAYLOAD + 1])
def test_a_payload_that_is_no_frame_is_refused(size: int) -> None:
    with pytest.raises(FrameError, match=f"this one {size}"):
        frame(bytes(size))


def test_an_unknown_decoder_is_refused() -> None:
    with pytest.raises(InputError, match="use one of binary, ascii"):
        open_decoder("morse")
