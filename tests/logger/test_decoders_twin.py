"""The binary decoder gives what its slow twin gives, whatever comes, however it is cut."""

from __future__ import annotations

import itertools
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_frames import Found, crc32, found_in, unstuffed

from logger.decoders import Decoded, open_decoder
from logger.decoders.base import Gathering
from logger.decoders.binary_frame import MAX_ENCODED, MAX_RUN, BinaryFrameDecoder, frame
from logger.samples import Fault, SampleFrame, SampleRun

INFO = frame(struct.pack("<BBIIdiiII", 0x11, 1, 2, 1_000_000, 1000.0, -9, 9, 0, 0) + b"\1a\1b")
STATUS_AS_LONG_AS_TWO_SAMPLES = frame(struct.pack("<BBhIII", 0x13, 80, 2150, 5, 0, 0))
SAYS_THREE_HOLDS_TWO = frame(struct.pack("<BBHI2i", 0x10, 3, 0, 0, 1, 2))
CHECK_ALONE = b"\1\1\1\1\1\0"
OTHERS = [INFO, STATUS_AS_LONG_AS_TWO_SAMPLES, SAYS_THREE_HOLDS_TWO, CHECK_ALONE]
NOT_DATA = {"no data", "unknown_kind", "wrong_version"}

counts = st.sampled_from([0, 1, -1, 5, -300, 70_000, 2**31 - 1, -(2**31)])
step = st.sampled_from(
    ["on"] * 8 + ["lost", "twice", "bit", "cut", "extra", "long", "other", "size"]
)
arbitrary = st.lists(st.tuples(st.binary(max_size=60), st.integers(0, 5)), max_size=8)


def told(decoded: list[Decoded]) -> list[Found]:
    """Readings as the twin tells them."""
    rows: list[Found] = []
    for reading in decoded:
        if isinstance(reading, SampleRun):
            singles = [reading.frame(i) for i in range(reading.n_frames)]
        elif isinstance(reading, SampleFrame):
            singles = [reading]
        else:
            kind = reading.kind if isinstance(reading, Fault) else "no data"
            rows.append(("no data" if kind in NOT_DATA else kind, reading.received_ns))
            continue
        rows += [(f.index16, f.tick_us, tuple(f.counts.tolist()), f.received_ns) for f in singles]
    return rows


def expected(pieces: list[tuple[bytes, int]]) -> list[Found]:
    """What the twin tells, of other frames only that they came."""
    return [(row[0], row[-1]) if row[0] == "no data" else row for row in found_in(pieces)]


@st.composite
def links(draw: st.DrawFn) -> list[tuple[bytes, int]]:
    """A link with every kind of trouble, cut anywhere."""
    index, size, sent = draw(st.integers(0, 2**16 - 1)), draw(st.sampled_from([1, 2, 60, 64])), []
    for what in draw(st.lists(step, max_size=24)):
        if what == "size":
            size = draw(st.sampled_from([1, 2, 3, 62, 255]))
        values = [draw(counts)] * size
        head = struct.pack("<BBHI", 0x10, size, index, draw(st.integers(0, 2**32 - 1)))
        made = frame(head + struct.pack(f"<{size}i", *values))
        index = (index + size) % 2**16
        at = draw(st.integers(0, len(made) - 1))
        sent.append(
            {
                "lost": b"",
                "twice": made * 2,
                "bit": made[:at]
                + bytes([made[at] ^ 1 << draw(st.integers(0, 7))])
                + made[at + 1 :],
                "cut": made[:at] + made[at + 1 :],
                "extra": made[:at] + draw(st.binary(max_size=3)) + made[at:],
                "long": b"\1" * (MAX_ENCODED + draw(st.integers(-1, 2))) + b"\0",
                "other": draw(st.sampled_from(OTHERS)),
            }.get(what, made)
        )
    data = b"".join(sent)
    places = sorted(draw(st.lists(st.integers(0, len(data)), max_size=6)))
    ends = [0, *places, len(data)]
    return [(data[a:b], 7 * i) for i, (a, b) in enumerate(itertools.pairwise(ends))]


@settings(deadline=None, max_examples=60)
@given(pieces=links())
def test_a_troubled_link_gives_what_the_twin_gives(pieces: list[tuple[bytes, int]]) -> None:
    twin = expected(pieces)
    assert told(BinaryFrameDecoder().feed_all(pieces)) == twin
    one_by_one = BinaryFrameDecoder()
    assert told([found for piece in pieces for found in one_by_one.feed(*piece)]) == twin


@settings(deadline=None)
@given(pieces=arbitrary)
def test_arbitrary_bytes_give_what_the_twin_gives(pieces: list[tuple[bytes, int]]) -> None:
    assert told(BinaryFrameDecoder().feed_all(pieces)) == expected(pieces)


def test_one_bad_frame_among_many_costs_itself_alone() -> None:
    made = [
        bytearray(frame(struct.pack("<BBHI4i", 0x10, 4, 4 * i, i, i, -i, 0, 9)))
        for i in range(3 * MAX_RUN)
    ]
    made[300][9] ^= 0x10
    pieces = [(b"".join(made[i : i + 100]), i) for i in range(0, len(made), 100)]
    decoded = BinaryFrameDecoder().feed_all(pieces)
    assert told(decoded) == expected(pieces)
    runs = [reading.n_frames for reading in decoded if isinstance(reading, SampleRun)]
    assert runs == [256, 44, 256, 211]


@pytest.mark.parametrize("wrong", OTHERS)
def test_what_is_wrong_is_worded_alike_alone_and_beside_damage(wrong: bytes) -> None:
    alone = BinaryFrameDecoder().feed(wrong, 1)
    assert BinaryFrameDecoder().feed(wrong + b"\5damage\0", 1)[:1] == alone


def test_the_index_wraps_within_a_run() -> None:
    made = [
        frame(struct.pack("<BBHI2i", 0x10, 2, i % 2**16, 0, 1, 2)) for i in range(65_530, 65_550, 2)
    ]
    (run,) = BinaryFrameDecoder().feed(b"".join(made), 1)
    assert isinstance(run, SampleRun)
    assert [run.frame(i).index16 for i in range(10)] == [
        i % 2**16 for i in range(65_530, 65_550, 2)
    ]


def test_every_frame_of_a_run_keeps_its_arrival() -> None:
    made = [frame(struct.pack("<BBHI2i", 0x10, 2, 2 * i, 0, 1, 2)) for i in range(3)]
    data = b"".join(made)
    (run,) = BinaryFrameDecoder().feed_all([(data[:-1], 10), (data[-1:], 20)])
    assert isinstance(run, SampleRun)
    assert run.received_ns.tolist() == [10, 10, 20]
    assert not run.received_ns.flags.writeable


def test_only_decoders_that_find_frames_by_themselves_gather() -> None:
    gather = {name: isinstance(open_decoder(name), Gathering) for name in ("binary", "packet")}
    assert gather == {"binary": True, "packet": False}


def test_the_twin_knows_the_published_check_and_stuffing() -> None:
    # CRC-32 of "123456789" is CBF43926 (references, section 9); examples of Cheshire and Baker.
    assert crc32(b"123456789") == 0xCBF43926
    assert unstuffed(bytes.fromhex("03 11 22 02 33")) == bytes.fromhex("11 22 00 33")
    assert unstuffed(b"\xff" + bytes(range(1, 255))) == bytes(range(1, 255))
    assert unstuffed(b"\x03a") is None
    assert unstuffed(b"\x01\x01") == b"\x00"
