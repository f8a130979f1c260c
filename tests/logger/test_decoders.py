"""Decoders: chunking, damage, resynchronisation, arbitrary bytes, bounds."""

from __future__ import annotations

import struct
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from decoded_frames import singly
from hypothesis import given
from hypothesis import strategies as st

from logger.decoders import DECODERS, Decoded, open_decoder
from logger.decoders.ascii_line import MAX_LINE, line
from logger.decoders.binary_frame import MAX_ENCODED, frame, read_payload
from logger.samples import Fault, SampleFrame
from logger.simcell import wire

FORMS = ("binary", "ascii")
FIXED_INFO = struct.pack("<BBIIdiiII", 0x11, 1, 2, 1_000_000, 1000.0, -9, 9, 0, 0)


def plain(decoded: list[Decoded]) -> list[object]:
    """Readings without the time of arrival, which follows the chunks."""
    return [
        (r.index16, r.tick_us, r.counts.tolist())
        if isinstance(r, SampleFrame)
        else replace(r, received_ns=0)
        for r in singly(decoded)
    ]


def data_frames(form: wire.Format, n: int, *, per_frame: int = 16) -> list[bytes]:
    counts = np.random.default_rng(7).integers(-(2**31), 2**31, (n, per_frame)).astype(np.int32)
    said = wire.talk(form)
    return [said.data(i * per_frame, i * 16_000, row) for i, row in enumerate(counts)]


def cut(data: bytes, at: list[int]) -> list[bytes]:
    places = sorted({0, len(data), *(i % (len(data) + 1) for i in at)})
    return [data[a:b] for a, b in pairwise(places)]


def mixed(form: wire.Format) -> bytes:
    """Every kind of frame, with damage and an overlong stretch in between."""
    said = wire.talk(form)
    first, second, third = data_frames(form, 3)
    too_long = b"\x01" * (max(MAX_ENCODED, MAX_LINE) + 9)
    end = b"\r\n" if form == "ascii" else b"\x00"
    who = wire.Identity("a", "b", 1, 1000.0, -1, 1, 0, 0)
    request = wire.Request(1, 2, b"")
    return b"".join(
        [second[5:], first, end, end, too_long, end, said.info(1, who), second[:9], end,
         said.reply(request, 0), second[:-4] + b"z" + second[-3:], third,
         said.status(wire.Health(1, 2.0, 3, 4, 5)), third[:7]]
    )  # fmt: skip


@pytest.mark.parametrize("form", FORMS)
@given(at=st.lists(st.integers(0, 10_000), max_size=40))
def test_any_chunking_gives_the_same(form: wire.Format, at: list[int]) -> None:
    data = mixed(form)
    whole = open_decoder(form)
    expected = plain(whole.feed(data, 1) + whole.finish(1))
    pieces = open_decoder(form)
    got = [r for i, part in enumerate(cut(data, at)) for r in pieces.feed(part, i)]
    assert plain(got + pieces.finish(0)) == expected
    assert sum(isinstance(r, tuple) for r in expected) == 2


@pytest.mark.parametrize("form", FORMS)
def test_byte_by_byte_gives_the_same(form: wire.Format) -> None:
    data = mixed(form)
    whole = open_decoder(form)
    bytewise = open_decoder(form)
    got = [r for i in range(len(data)) for r in bytewise.feed(data[i : i + 1], i)]
    assert plain(got) == plain(whole.feed(data, 0))


@pytest.mark.parametrize("form", FORMS)
def test_a_frame_is_stamped_by_the_chunk_that_ends_it(form: wire.Format) -> None:
    (sent,) = data_frames(form, 1)
    decoder = open_decoder(form)
    assert decoder.feed(sent[:-1], 1) == []
    (reading,) = decoder.feed(sent[-1:], 2)
    assert reading.received_ns == 2


@pytest.mark.parametrize("form", FORMS)
@given(chunks=st.lists(st.binary(max_size=300), max_size=8))
def test_arbitrary_bytes_never_raise(form: str, chunks: list[bytes]) -> None:
    decoder = open_decoder(form)
    for i, chunk in enumerate(chunks):
        decoder.feed(chunk, i)
    decoder.finish(len(chunks))


@given(payload=st.binary(max_size=80))
def test_arbitrary_payloads_with_a_good_check_never_raise(payload: bytes) -> None:
    read_payload(payload, 0)
    read_payload(bytes([0x10 | (len(payload) % 4)]) + payload, 0)


@given(body=st.binary(max_size=60).filter(lambda b: b"\n" not in b))
def test_arbitrary_lines_with_a_good_check_never_raise(body: bytes) -> None:
    decoder = open_decoder("ascii")
    for letter in (b"", b"D1,", b"I1,", b"R1,", b"S1,"):
        decoder.feed(line(letter + body), 0)


@pytest.mark.parametrize("seed", range(5))
def test_one_percent_corrupted_bytes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    sent = data_frames("binary", 4000)
    data = np.frombuffer(b"".join(sent), np.uint8).copy()
    hit = rng.random(data.size) < 0.01
    data[hit] ^= rng.integers(1, 256, int(hit.sum())).astype(np.uint8)
    frame_of = np.repeat(np.arange(len(sent)), [len(f) for f in sent])
    damaged = set(frame_of[hit].tolist())
    truth = {i * 16_000: f for i, f in enumerate(sent)}

    decoder = open_decoder("binary")
    decoded = [r for part in np.array_split(data, 997) for r in decoder.feed(part.tobytes(), 0)]
    got = singly(decoded + decoder.finish(0))
    good = [r for r in got if isinstance(r, SampleFrame)]
    faults = [r for r in got if isinstance(r, Fault)]

    # No wrong sample: what was accepted is, to the byte, what was sent.
    for reading in good:
        again = wire.on_serial(wire.data_payload(reading.index16, reading.tick_us, reading.counts))
        assert again == truth[reading.tick_us]
    received = {r.tick_us // 16_000 for r in good}
    assert len(received) == len(good)
    # A damaged delimiter also costs the frame behind it, nothing costs more.
    lost = set(range(len(sent))) - received
    assert damaged <= lost
    assert lost <= damaged | {i + 1 for i in damaged}
    # Every run of lost frames left a fault.
    runs = sum(i - 1 not in lost for i in lost)
    assert len(faults) >= runs > 500


@pytest.mark.parametrize("form", FORMS)
def test_resynchronised_within_two_frames(form: wire.Format) -> None:
    sent = data_frames(form, 4)
    stream = b"".join(sent)
    for place in range(len(sent[0])):
        damaged = bytearray(stream)
        damaged[place] ^= 0x40
        got = singly(open_decoder(form).feed(bytes(damaged), 0))
        ticks = [r.tick_us for r in got if isinstance(r, SampleFrame)]
        assert ticks[-2:] == [32_000, 48_000]
        assert any(isinstance(r, Fault) for r in got)


@pytest.mark.parametrize(
    ("payload", "kind"),
    [
        (b"", "bad_length"),
        (b"\x10", "bad_length"),
        (b"\x10\x00\x00\x00\x00\x00\x00\x00", "bad_length"),
        (b"\x10\x02" + bytes(10), "bad_length"),
        (b"\x10\x01" + bytes(11), "bad_length"),
        (b"\x11\x01", "bad_length"),
        (FIXED_INFO, "bad_length"),
        (FIXED_INFO + b"\x05abc\x00", "bad_length"),
        (FIXED_INFO + b"\x00\x00extra", "bad_length"),
        (
            FIXED_INFO[:14] + struct.pack("<d", float("nan")) + FIXED_INFO[22:] + b"\0\0",
            "bad_length",
        ),
        (b"\x12\x01\x01", "bad_length"),
        (b"\x13" + bytes(16), "bad_length"),
        (b"\x14rest", "unknown_kind"),
        (b"\x1f", "unknown_kind"),
        (b"\x20\x01" + bytes(10), "wrong_version"),
        (b"\x00\x01" + bytes(10), "wrong_version"),
    ],
)
def test_payloads_that_make_no_sense(payload: bytes, kind: str) -> None:
    reading = read_payload(payload, 3)
    assert isinstance(reading, Fault)
    assert (reading.kind, reading.received_ns, reading.n) == (kind, 3, 1)
    assert reading.detail
    if payload:
        (framed,) = open_decoder("binary").feed(frame(payload), 3)
        assert framed == reading


@pytest.mark.parametrize(
    ("sent", "kind"),
    [
        (b"\x05ab\x00", "bad_cobs"),
        (b"\x03ab\x00", "bad_length"),
        (frame(b"\x10abc")[:-3] + b"\x01\x02\x00", "bad_crc"),
        (b"\x01" * (MAX_ENCODED + 1) + b"\x00", "oversize"),
    ],
)
def test_frames_that_make_no_sense(sent: bytes, kind: str) -> None:
    (reading,) = open_decoder("binary").feed(sent, 0)
    assert isinstance(reading, Fault)
    assert reading.kind == kind


@pytest.mark.parametrize(
    ("sent", "kind"),
    [
        (b"hello\r\n", "bad_line"),
        (b"$D1,0,0,5*\r\n", "bad_line"),
        (b"$D1,0,0,5*00\r\n", "bad_checksum"),
        (b"x" * (MAX_LINE + 1) + b"\n", "oversize"),
        (line(b"D2,0,0,5"), "wrong_version"),
        (line(b"X1,0"), "unknown_kind"),
        (line(b""), "bad_line"),
        (line(b"D1,0,0"), "bad_line"),
        (line(b"D1,65536,0,5"), "bad_line"),
        (line(b"D1,0,0,2147483648"), "bad_line"),
        (line(b"D1,0,0,1.5"), "bad_line"),
        (line(b"D1,0,0," + b",".join([b"1"] * 256)), "bad_line"),
        (line(b"I1,0,1,1000000,nan,-1,1,0,0,a,b"), "bad_line"),
        (line(b"I1,0,1,1000000,x,-1,1,0,0,a,b"), "bad_line"),
        (line(b"I1,0,1"), "bad_line"),
        (line(b"R1,1,1,0,xyz"), "bad_line"),
        (line(b"R1,1,1,0,\xff"), "bad_line"),
        (line(b"R1,1,300,0,"), "bad_line"),
        (line(b"S1,,,0,0,--5"), "bad_line"),
    ],
)
def test_lines_that_make_no_sense(sent: bytes, kind: str) -> None:
    (reading,) = open_decoder("ascii").feed(sent, 0)
    assert isinstance(reading, Fault)
    assert reading.kind == kind


@pytest.mark.parametrize("form", FORMS)
def test_an_endless_stretch_without_end_is_one_fault_and_bounded(form: wire.Format) -> None:
    decoder = open_decoder(form)
    got = [r for _ in range(2000) for r in decoder.feed(b"\x01" * 1000, 0)]
    assert [r.kind for r in got if isinstance(r, Fault)] == ["oversize"]
    assert len(decoder._parts._tail) <= max(MAX_ENCODED, MAX_LINE)  # type: ignore[attr-defined]
    end = b"\n" if form == "ascii" else b"\x00"
    (sent,) = data_frames(form, 1)
    assert len(decoder.feed(end + sent, 0)) == 1


@pytest.mark.parametrize("form", FORMS)
def test_the_end_of_a_link_inside_a_frame_is_a_fault_once(form: wire.Format) -> None:
    (sent,) = data_frames(form, 1)
    decoder = open_decoder(form)
    decoder.feed(sent[:20], 0)
    (reading,) = decoder.finish(4)
    assert isinstance(reading, Fault)
    assert (reading.kind, reading.received_ns) == ("bad_length", 4)
    assert decoder.finish(5) == []
    assert len(decoder.feed(sent, 6)) == 1


def test_the_registry_makes_what_it_names() -> None:
    for name in DECODERS:
        assert open_decoder(name).finish(0) == []
