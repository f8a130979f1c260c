"""Chunks: round trip, damage, size."""

from __future__ import annotations

import dataclasses
import zlib
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from reference_codec import pack_1, pack_2, unpack_2

from logger.logbook import codec
from logger.logbook.codec import Chunk, CodecError, FrameTable

LIMIT = {3: 7, 6: 100, 17: 2**16, 31: 2**31 - 1}
counts_arrays = st.sampled_from(sorted(LIMIT)).flatmap(
    lambda bits: hnp.arrays(
        np.int32, st.integers(1, 300), elements=st.integers(-LIMIT[bits] - 1, LIMIT[bits])
    )
)
int64 = st.integers(-(2**63), 2**63 - 1)


def table_of(n: list[int], tick_us: list[int], received_ns: list[int]) -> FrameTable:
    return FrameTable(*(np.array(column, dtype=np.int64) for column in (n, tick_us, received_ns)))


def chunk_of(counts: np.ndarray, frame: int = 16) -> Chunk:
    starts = range(0, len(counts), frame)
    table = table_of(
        [min(frame, len(counts) - start) for start in starts],
        [start * 1000 for start in starts],
        [10**9 + start * 1_000_000 + (start * 7919) % 50_000 for start in starts],
    )
    return codec.encode(3, 40, counts, table, 1000.0)


@settings(deadline=None)
@given(counts_arrays)
def test_counts_come_back(counts: np.ndarray) -> None:
    back = codec.unpack_counts(codec.pack_counts(counts), len(counts))
    assert back.dtype == np.int32
    assert not back.flags.writeable
    assert np.array_equal(back, counts)


@settings(deadline=None)
@given(counts_arrays)
def test_counts_are_stored_as_the_twin_stores_them(counts: np.ndarray) -> None:
    packed, twin = codec.pack_counts(counts), pack_2(counts.tolist())
    begin = 5 + packed[4] * (len(counts) - 1)
    assert packed[:begin] == twin[:begin]
    assert zlib.decompress(packed[begin:]) == zlib.decompress(twin[begin:])
    assert unpack_2(packed, len(counts)) == counts.tolist()
    assert codec.unpack_counts(twin, len(counts)).tolist() == counts.tolist()


@settings(deadline=None)
@given(counts_arrays)
def test_counts_of_codec_1_are_read(counts: np.ndarray) -> None:
    old = sealed(chunk_of(counts), codec=1, counts=pack_1(counts.tolist()))
    back, _ = codec.decode(old)
    assert back.dtype == np.int32
    assert not back.flags.writeable
    assert back.tolist() == counts.tolist()


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(1, 2**15), int64, int64), min_size=1, max_size=60))
def test_frame_tables_come_back(rows: list[tuple[int, int, int]]) -> None:
    table = table_of(*(list(column) for column in zip(*rows, strict=True)))
    back = codec.unpack_frames(codec._pack_frames(table), len(rows))
    for name in ("n", "tick_us", "received_ns"):
        assert np.array_equal(getattr(back, name), getattr(table, name))
        assert not getattr(back, name).flags.writeable


@settings(deadline=None)
@given(counts_arrays, st.integers(1, 40))
def test_chunks_come_back(counts: np.ndarray, frame: int) -> None:
    chunk = chunk_of(counts, frame)
    back, table = codec.decode(chunk)
    assert np.array_equal(back, counts)
    assert table.n.sum() == chunk.n == len(counts)
    assert (chunk.stream, chunk.first_index, chunk.codec) == (3, 40, codec.CODEC)


@settings(deadline=None)
@given(st.data())
def test_any_flipped_bit_is_found(data: st.DataObject) -> None:
    chunk = chunk_of(np.arange(50, dtype=np.int32) * 37)
    name = data.draw(st.sampled_from([field.name for field in dataclasses.fields(Chunk)]))
    value = getattr(chunk, name)
    damaged: Any
    if isinstance(value, bytes):
        bit = data.draw(st.integers(0, 8 * len(value) - 1))
        changed = bytearray(value)
        changed[bit // 8] ^= 1 << bit % 8
        damaged = bytes(changed)
    else:
        damaged = value ^ 1 << data.draw(st.integers(0, 31 if name == "crc" else 62))
    with pytest.raises(CodecError, match="checksum differs"):
        codec.decode(dataclasses.replace(chunk, **{name: damaged}))


def sealed(chunk: Chunk, **changes: object) -> Chunk:
    """A chunk with other content and a checksum that fits it."""
    other = dataclasses.replace(chunk, **changes)  # type: ignore[arg-type]
    head = (
        other.stream, other.first_index, other.n, other.n_frames, other.codec,
        other.least_tick_us, other.least_offset_ns,
    )  # fmt: skip
    return dataclasses.replace(other, crc=codec._crc(head, other.counts, other.frames))


@pytest.mark.parametrize(
    ("changes", "what"),
    [
        ({"codec": 9}, "codec 9 is not known"),
        ({"n": 49}, "unpacks to 49 bytes, expected up to 4 for each of 49"),
        ({"n": 51}, "unpacks to 49 bytes, expected up to 4 for each of 51"),
        ({"n": 1}, "unpacks to 1 bytes, expected 0"),
        ({"counts": b"1234\0no zlib"}, "do not unpack"),
        ({"counts": b"1234\2no zlib"}, "do not begin as packed counts do"),
        ({"counts": b"1234"}, "4 bytes do not begin"),
        ({"counts": b""}, "0 bytes do not begin"),
        ({"counts": b"1234\1" + bytes(20)}, "unpacks to"),
        ({"counts": b"1234\1" + bytes(49) + zlib.compress(bytes(10**6))}, "unpacks to 148 bytes"),
        ({"counts": codec.pack_counts(np.arange(50, dtype=np.int32))[:-3]}, "unpacks to"),
        ({"counts": codec.pack_counts(np.arange(50, dtype=np.int32)) + b"!"}, "unpacks to"),
        ({"counts": bytes(5) + zlib.compress(bytes(10**6))}, "unpacks to 197 bytes"),
        ({"n": 3, "counts": codec.pack_counts(np.zeros(3, np.int32))}, "frame table holds 50"),
        ({"codec": 1, "counts": pack_1(range(49))}, "unpacks to 196 bytes, expected 200"),
        ({"codec": 1, "counts": pack_1(range(51))}, "unpacks to 201 bytes, expected 200"),
        ({"codec": 1, "counts": zlib.compress(bytes(10**6))}, "unpacks to 201 bytes"),
    ],
)
def test_a_wrong_row_with_a_right_checksum_is_still_refused(
    changes: dict[str, object], what: str
) -> None:
    with pytest.raises(CodecError, match=what):
        codec.decode(sealed(chunk_of(np.arange(50, dtype=np.int32)), **changes))


def test_what_came_without_a_change_is_stored_in_a_few_bytes() -> None:
    counts = np.full(60_000, -7, dtype=np.int32)
    assert len(codec.pack_counts(counts)) < 20
    assert np.array_equal(codec.unpack_counts(codec.pack_counts(counts), 60_000), counts)


def test_the_checksum_is_the_published_crc_32() -> None:
    # CRC-32 of "123456789" is CBF43926 (references, section 9).
    assert zlib.crc32(b"123456789") == 0xCBF43926
    chunk = chunk_of(np.zeros(1, np.int32))
    head = np.array([3, 40, 1, 1, codec.CODEC, 0, 10**9], "<i8").tobytes()
    assert chunk.crc == zlib.crc32(head + chunk.counts + chunk.frames)


def test_the_least_delay_is_taken_after_the_last_sample() -> None:
    # The short frame came sooner after its last sample than the long one did.
    table = table_of([16, 1], [0, 16_000], [17_000_000, 16_500_000])
    assert codec.least_delay(table, 1000.0) == (16_000, 500_000)
    table = table_of([16, 1], [0, 16_000], [15_400_000, 16_500_000])
    assert codec.least_delay(table, 1000.0) == (15_000, 400_000)


@pytest.mark.parametrize("sigma", [200.0, 400.0])
@pytest.mark.parametrize("rate_hz", [1000.0, 4000.0])
def test_a_noisy_sample_costs_about_two_bytes(sigma: float, rate_hz: float) -> None:
    rng = np.random.default_rng(5)
    n = int(rate_hz * 0.25) // 16 * 16
    counts = (500_000 + rng.normal(0, sigma, n)).astype(np.int32)
    ticks = (np.arange(0, n, 16) * 1e6 / rate_hz).astype(np.int64)
    late = rng.exponential(400_000, len(ticks)).astype(np.int64)
    table = FrameTable(np.full(len(ticks), 16), ticks, ticks * 1000 + 10**13 + late)
    chunk = codec.encode(1, 0, counts, table, rate_hz)
    assert (len(chunk.counts) + len(chunk.frames)) / n < 2.4
