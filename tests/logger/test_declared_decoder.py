"""Declared sensors: what is read, what is refused, how it is placed, arbitrary bytes."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
from declared_peers import FRAME, LINE, REGISTERS, crc16, frame_bytes, line_bytes
from decoded_frames import singly
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.decoders import Decoded, open_decoder
from logger.decoders.base import Commanded
from logger.decoders.checksums import CHECKSUMS
from logger.decoders.declared import DeclaredDecoder
from logger.errors import SheetError
from logger.placing import Placed, Placer, Restart
from logger.profile import (
    Check,
    Frame,
    Line,
    Notification,
    Profile,
    Registers,
    Sequence,
    Tick,
    Value,
)
from logger.profile_file import load_profile
from logger.samples import Fault, InfoFrame, SampleFrame

MS = 1_000_000
VALUE = Value(fields=("v",))
PLAIN = Profile(name="p", sample_rate_hz=100.0, value=VALUE, line=Line(fields=("v",)))


def decoder_of(profile: Profile) -> DeclaredDecoder:
    return DeclaredDecoder(profile)


def all_of(decoder: DeclaredDecoder, data: bytes, received_ns: int = 0) -> list[Decoded]:
    return decoder.feed(data, received_ns) + decoder.finish(received_ns)


def values(decoded: list[Decoded]) -> list[int]:
    return [int(c) for r in decoded if isinstance(r, SampleFrame) for c in r.counts]


def kinds(decoded: list[Decoded]) -> list[str]:
    return [reading.kind for reading in decoded if isinstance(reading, Fault)]


def read(profile: Profile, data: bytes) -> tuple[list[int], list[str]]:
    decoded = all_of(decoder_of(profile), data)
    return values(decoded), kinds(decoded)


# --- messages ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "check"),
    [
        # CRC-16/CCITT-FALSE, Modbus, CRC-32 of "123456789" as published (references.md);
        # xor and sum worked out by hand.
        ("crc16_ccitt_false", 0x29B1),
        ("crc16_modbus", 0x4B37),
        ("crc32", 0xCBF43926),
        ("xor", 0x31),
        ("sum8", 0xDD),
    ],
)
def test_check_sums_have_their_published_values(name: str, check: int) -> None:
    assert CHECKSUMS[name].of(b"123456789") == check


@pytest.mark.parametrize("kind", sorted(CHECKSUMS))
@pytest.mark.parametrize("covers_start", [False, True])
def test_lines_with_each_check(kind: str, covers_start: bool) -> None:
    profile = msgspec.structs.replace(
        PLAIN,
        line=Line(fields=("v", "-"), start="#", separator=";"),
        check=Check(kind=kind, separator=" ", covers_start=covers_start),  # type: ignore[arg-type]
    )
    digits = 2 * CHECKSUMS[kind].n_bytes
    check = CHECKSUMS[kind].of(b"#-12;x" if covers_start else b"-12;x")
    good = b"#-12;x %0*x\r\n" % (digits, check)
    assert read(profile, good) == ([-12], [])
    assert read(profile, good.upper().replace(b"X", b"x")) == ([-12], [])
    wrong = b"#-12;x %0*x\r\n" % (digits, check ^ 1)
    assert read(profile, wrong + good[:2] + b"\n#\n") == ([], ["bad_checksum"] * 3)


@pytest.mark.parametrize("kind", sorted(CHECKSUMS))
@pytest.mark.parametrize("order", ["little", "big"])
def test_frames_with_each_check(kind: str, order: str) -> None:
    profile = Profile(
        name="f", sample_rate_hz=10, value=VALUE,
        frame=Frame(sync_hex="7e", fields=("-:u8", "v:i16"), byte_order="big"),
        check=Check(kind=kind, byte_order=order, covers_start=True),  # type: ignore[arg-type]
    )  # fmt: skip
    body = b"\x7e\x09\xff\xfe"
    check = CHECKSUMS[kind].of(body)
    n = CHECKSUMS[kind].n_bytes
    good = body + check.to_bytes(n, order)  # type: ignore[arg-type]
    wrong = body + (check ^ 1).to_bytes(n, order)  # type: ignore[arg-type]
    assert read(profile, good) == ([-2], [])
    assert read(profile, wrong + good)[0] == [-2]
    assert read(profile, wrong)[0] == []


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (b" 12 ", ([12], [])),
        (b"+12", ([12], [])),
        (b"12.", ([12], [])),
        (b".5", ([0], [])),
        (b"-1.6", ([-2], [])),
        (b"1e3", ([], ["bad_value"])),
        (b"nan", ([], ["bad_value"])),
        (b"1_0", ([], ["bad_value"])),
        (b"12,13", ([], ["bad_line"])),
        (b"2147483647", ([2**31 - 1], [])),
        (b"2147483648", ([], ["bad_value"])),
        (b"9" * 30, ([], ["bad_value"])),
        (b"\xb2", ([], ["bad_value"])),
        (b"x" * 2000, ([], ["oversize"])),
    ],
)
def test_numbers_in_lines(text: bytes, expected: tuple[list[int], list[str]]) -> None:
    assert read(PLAIN, text + b"\n") == expected


def test_empty_lines_and_half_lines() -> None:
    assert read(PLAIN, b"\r\n\n1\r\n\r\n2") == ([1], ["bad_length"])


def test_a_literal_field_must_read_so() -> None:
    profile = load_profile(LINE)
    body = b"LX,0001,+0001.0"
    wrong = b"$%s*%02X\n" % (body, CHECKSUMS["xor"].of(body))
    assert read(profile, b"no\n" + wrong + line_bytes(1, -2.5)) == ([-25], ["bad_line"] * 2)


@pytest.mark.parametrize(
    ("kind", "data", "value"),
    [
        ("u8", "ff", 255), ("i8", "ff", -1), ("u16", "fe ff", 65534), ("i16", "fe ff", -2),
        ("u24", "fe ff ff", 2**24 - 2), ("i24", "fe ff ff", -2), ("u32", "01 00 00 00", 1),
        ("i32", "fe ff ff ff", -2), ("u64", "05 00 00 00 00 00 00 00", 5),
        ("i64", "fe ff ff ff ff ff ff ff", -2), ("f32", "00 00 20 41", 10),
        ("f64", "00 00 00 00 00 00 24 c0", -10),
    ],
)  # fmt: skip
def test_types_in_packets(kind: str, data: str, value: int) -> None:
    def packet(order: str) -> Profile:
        sent = Notification(characteristic="", fields=(f"v:{kind}",), byte_order=order)  # type: ignore[arg-type]
        return Profile(name="n", sample_rate_hz=10, value=VALUE, notification=sent)

    raw = bytes.fromhex(data)
    assert read(packet("little"), raw) == ([value], [])
    assert read(packet("big"), raw[::-1]) == ([value], [])
    assert read(packet("big"), raw + b"x") == ([], ["bad_length"])


def test_numbers_that_are_no_counts() -> None:
    sent = Notification(characteristic="", fields=("v:f32", "t:f64"))
    profile = Profile(
        name="n", sample_rate_hz=10, value=VALUE, notification=sent, tick=Tick(field="t", per_s=1e3)
    )
    pack = np.dtype([("v", "<f4"), ("t", "<f8")])
    for v, t in ((np.nan, 0), (np.inf, 0), (3e9, 0), (1, np.nan), (1, np.inf), (1, 1e300)):
        assert read(profile, np.array([(v, t)], pack).tobytes()) == ([], ["bad_value"])
    assert read(profile, np.array([(7, 1e6)], pack).tobytes()) == ([7], [])
    numbered = msgspec.structs.replace(
        profile, notification=Notification(characteristic="", fields=("v:u8", "t:u8"))
    )
    assert read(numbered, b"\x05\x01") == ([5], [])


def test_a_sequence_in_a_line_is_a_whole_number() -> None:
    profile = msgspec.structs.replace(
        PLAIN, line=Line(fields=("n", "v")), sequence=Sequence(field="n")
    )
    assert read(profile, b"1.5,7\n2.0,8\n") == ([8], ["bad_value"])


def test_a_packet_with_a_check() -> None:
    profile = Profile(
        name="n", sample_rate_hz=10, value=VALUE, check=Check(kind="sum8"),
        notification=Notification(characteristic="", fields=("v:u8",)),
    )  # fmt: skip
    assert read(profile, b"\x07\x07") == ([7], [])
    assert read(profile, b"\x07\x08") == ([], ["bad_crc"])


@pytest.mark.parametrize(("order", "words"), [("big", "0001 0002"), ("little", "0002 0001")])
def test_registers_by_word_order_and_steps(order: str, words: str) -> None:
    profile = Profile(
        name="m", sample_rate_hz=10,
        value=Value(fields=("v",), unit="N", resolution=0.5, written="steps", rel_u=0.01),
        registers=Registers(first=0, fields=("v:u32",), word_order=order),  # type: ignore[arg-type]
    )  # fmt: skip
    assert read(profile, bytes.fromhex(words)) == ([65538], [])


def test_registers_read_again_are_one_sample() -> None:
    decoder = decoder_of(load_profile(REGISTERS))
    decoded = []
    for i in range(60):
        data = (i // 3).to_bytes(2, "big") + i.to_bytes(4, "big")
        decoded += decoder.feed(data, i * 50 * MS)
    decoded += decoder.finish(0)
    assert values(decoded) == list(range(0, 60, 3))


def test_strays_are_counted_and_a_false_sync_costs_nothing() -> None:
    good = frame_bytes(1, (1, 2, 3, 4))
    false = b"\xa5\x5a" + b"\0" * 5
    got, faults = read(load_profile(FRAME), b"xyz" + false + good + b"\xa5")
    assert got == [1, 2, 3, 4]
    assert faults == ["bad_crc", "bad_length", "bad_length"]
    assert read(load_profile(FRAME), b"z" * 9000)[1] == ["bad_length"] * 3


# --- arbitrary bytes -------------------------------------------------------------------------


def plain(decoded: list[Decoded]) -> list[object]:
    """Without what follows from when the pieces came."""
    return [
        (r.index16, r.counts.tolist()) if isinstance(r, SampleFrame) else replace(r, received_ns=0)
        for r in singly(decoded)
        if not (isinstance(r, InfoFrame) or (isinstance(r, Fault) and r.kind == "jitter"))
    ]


def mixed(source: Path) -> bytes:
    if source == LINE:
        good = [line_bytes(i, i / 2) for i in range(12)]
    else:
        good = [frame_bytes(i, (i, 2, 3, 4)) for i in range(12)]
    damaged = bytearray(good[5])
    damaged[6] ^= 1
    return b"".join([good[0][3:], *good[:3], b"a5Z$", *good[4:5], bytes(damaged), *good[6:]])


@pytest.mark.parametrize("source", [LINE, FRAME])
@given(at=st.lists(st.integers(0, 400), max_size=30))
def test_any_chunking_gives_the_same(source: Path, at: list[int]) -> None:
    data = mixed(source)
    expected = plain(all_of(decoder_of(load_profile(source)), data))
    pieces = decoder_of(load_profile(source))
    places = sorted({0, len(data), *(i % (len(data) + 1) for i in at)})
    got = [r for a, b in itertools.pairwise(places) for r in pieces.feed(data[a:b], 0)]
    assert plain(got + pieces.finish(0)) == expected
    assert len(expected) >= 12


CHUNKS = st.lists(
    st.tuples(st.binary(max_size=60) | st.sampled_from([line_bytes(3, 1), frame_bytes(9, (1, 2, 3, 4))]),
              st.integers(0, 10**13)),
    max_size=12,
)  # fmt: skip


def awkward() -> list[Profile]:
    """Profiles whose fields may hold anything."""
    packet = Notification(characteristic="", fields=("v:f64", "n:i64", "t:f64"))
    whole = Notification(characteristic="", fields=("v:u8", "n:u8", "t:u64"))
    text = Line(fields=("v", "n", "t"))
    made = []
    for tick, sequence in itertools.product(
        (None, Tick(field="t", per_s=1e9), Tick(field="t", per_s=1.0, wrap=60)),
        (None, Sequence(field="n"), Sequence(field="n", wrap=7, counts="samples")),
    ):
        for form in ({"notification": packet}, {"notification": whole}, {"line": text}):
            made.append(  # noqa: PERF401 - easier to read
                Profile(
                    name="a", sample_rate_hz=50_000.0, value=VALUE, tick=tick, sequence=sequence,
                    **form,
                )
            )  # fmt: skip
    return made


PROFILES = [*map(load_profile, (LINE, FRAME, REGISTERS)), *awkward()]


def feed_whatever_comes(number: int, chunks: list[tuple[bytes, int]], data: st.DataObject) -> None:
    profile = PROFILES[number]
    decoder, placer, now_ns = decoder_of(profile), Placer(profile.sample_rate_hz), 0
    if profile.notification is not None:
        sizes = {"v:f64": 24, "v:u8": 10}[profile.notification.fields[0]]
        chunks = [(data.draw(st.binary(min_size=sizes, max_size=sizes)), ns) for _, ns in chunks]
    if profile.line is not None and profile.check is None:
        number_text = st.from_regex(rb"-?[0-9]{1,18}(\.[0-9]{1,3})?", fullmatch=True)
        chunks = [
            (b",".join(data.draw(number_text) for _ in range(3)) + b"\n", ns) for _, ns in chunks
        ]
    for chunk, step_ns in chunks:
        now_ns += step_ns
        for reading in decoder.feed(chunk, now_ns):
            if isinstance(reading, SampleFrame):
                placed = placer.place(reading)
                if isinstance(placed, Restart):
                    placer = Placer(profile.sample_rate_hz)
    decoder.finish(now_ns)


@pytest.mark.no_cover
@pytest.mark.parametrize("number", range(len(PROFILES)))
@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(chunks=CHUNKS, data=st.data())
def test_arbitrary_bytes_never_raise(
    number: int, chunks: list[tuple[bytes, int]], data: st.DataObject
) -> None:
    feed_whatever_comes(number, chunks, data)


@pytest.mark.slow
@pytest.mark.parametrize("number", range(len(PROFILES)))
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(chunks=CHUNKS, data=st.data())
def test_more_arbitrary_bytes_never_raise(
    number: int, chunks: list[tuple[bytes, int]], data: st.DataObject
) -> None:
    feed_whatever_comes(number, chunks, data)


@settings(max_examples=200)
@given(body=st.binary(min_size=17, max_size=17), check=st.integers(0, 65535))
def test_no_frame_with_a_bad_check_is_accepted(body: bytes, check: int) -> None:
    data = b"\xa5\x5a" + body + check.to_bytes(2, "little")
    accepted = bool(values(all_of(decoder_of(load_profile(FRAME)), data)))
    assert accepted == (crc16(body) == check)


@settings(max_examples=200)
@given(place=st.integers(0, 19), flip=st.integers(1, 255))
def test_no_line_with_a_changed_byte_is_accepted_as_another(place: int, flip: int) -> None:
    data = bytearray(line_bytes(7, 12.5))
    data[place % len(data)] ^= flip
    assert values(all_of(decoder_of(load_profile(LINE)), bytes(data))) in ([], [125])


# --- placing -----------------------------------------------------------------------------------


def placed(
    decoder: DeclaredDecoder, events: list[tuple[bytes, int]]
) -> tuple[list[tuple[int, int, int]], list[int], list[str]]:
    """Index, tick and received time of each frame placed; gaps; kinds of faults."""
    decoded = [r for data, at_ns in events for r in decoder.feed(data, at_ns)]
    decoded += decoder.finish(events[-1][1])
    (info,) = [r.info for r in decoded if isinstance(r, InfoFrame)]
    placer = Placer(info.sample_rate_hz, info.jitter_bound_us)
    rows: list[tuple[int, int, int]] = []
    gaps: list[int] = []
    faults = kinds(decoded)
    for frame in (r for r in decoded if isinstance(r, SampleFrame)):
        where = placer.place(frame)
        if isinstance(where, Placed):
            rows.append((where.first_index, where.tick_us, frame.received_ns))
            gaps += [where.n_missing] if where.n_missing else []
            faults += [where.fault.kind] if where.fault is not None else []
        else:
            faults.append("restart" if isinstance(where, Restart) else "not placed")
            placer = Placer(info.sample_rate_hz, info.jitter_bound_us)
            if isinstance(where, Restart):
                for again in where.frames:
                    assert isinstance(placer.place(again), Placed)
    return rows, gaps, faults


def arrivals(rate_hz: float, n: int, jitter_s: float, seed: int = 1) -> list[int]:
    late = np.random.default_rng(seed).exponential(jitter_s, n)
    at_s = np.maximum.accumulate(5.0 + np.arange(n) / rate_hz + late)
    return [round(t * 1e9) for t in at_s]


def unnumbered(**more: object) -> Profile:
    return msgspec.structs.replace(PLAIN, **more)


@pytest.mark.parametrize("off", [0.0, 0.003, -0.004])
@pytest.mark.parametrize("jitter_s", [0.0002, 0.004])
def test_without_a_clock_times_are_evened_out(off: float, jitter_s: float) -> None:
    rate_hz = 100.0 * (1 + off)
    at_ns = arrivals(rate_hz, 6000, jitter_s)
    events = [(b"%d\n" % i, t) for i, t in enumerate(at_ns)]
    rows, gaps, faults = placed(decoder_of(PLAIN), events)
    assert len(rows) == 6000
    assert gaps == []
    assert set(faults) <= {"jitter"}
    index, tick_us, _ = np.array(rows).T
    error_us = tick_us - index * 1e6 / rate_hz
    settled = error_us[2000:] - error_us[2000:].mean()
    assert np.abs(settled).max() < 1500  # late by up to some 30 ms, placed within 1.5 ms
    assert np.all(np.diff(tick_us) > 0)


def test_jitter_is_estimated_and_stated() -> None:
    def stated_us(jitter_s: float) -> int:
        decoder = decoder_of(PLAIN)
        for i, t in enumerate(arrivals(100.0, 300, jitter_s)):
            decoder.feed(b"%d\n" % i, t)
        return decoder.info().jitter_bound_us

    assert stated_us(0.0) == 1000
    assert 5_000 < stated_us(0.005) < 200_000
    assert decoder_of(unnumbered(jitter_us=7000)).info().jitter_bound_us == 7000


def test_a_message_far_off_its_time_is_on_record_once_per_doubling() -> None:
    at_ns = arrivals(100.0, 1000, 0.0)
    at_ns[500] += 90 * MS
    at_ns[501:509] = [max(at_ns[500], t) for t in at_ns[501:509]]
    rows, gaps, faults = placed(decoder_of(PLAIN), [(b"1\n", t) for t in at_ns])
    assert (len(rows), gaps, faults) == (1000, [], ["jitter"])


@pytest.mark.parametrize("rate_hz", [90.0, 115.0])
def test_a_rate_unlike_the_profile_is_told_and_followed(rate_hz: float) -> None:
    at_ns = arrivals(rate_hz, 3000, 0.0002)
    decoder = decoder_of(PLAIN)
    rows, gaps, faults = placed(decoder, [(b"1\n", t) for t in at_ns])
    assert faults[:1] == ["rate_differs"]
    assert (len(rows), gaps) == (3000, [])
    assert decoder.info().sample_rate_hz == pytest.approx(rate_hz, rel=0.002)


def test_without_a_sequence_a_silence_is_a_gap_by_the_hosts_clock() -> None:
    at_ns = [
        t + (2_000 * MS if i >= 300 else 0) for i, t in enumerate(arrivals(100.0, 600, 0.0002))
    ]
    rows, gaps, faults = placed(decoder_of(PLAIN), [(b"1\n", t) for t in at_ns])
    assert gaps == [200]
    assert faults == ["silent"]
    assert len(rows) == 600
    remark = decoder_of(PLAIN).info().remark
    assert "a loss shorter than 0.25 s or 10 messages cannot be seen" in remark
    assert "no check sum" in remark


def test_a_burst_after_a_stall_of_the_host_is_no_gap() -> None:
    at_ns = arrivals(100.0, 600, 0.0)
    events = [(b"1\n", t) for t in at_ns[:300]]
    events += [(b"1\n" * 100, at_ns[399])]
    events += [(b"1\n", t) for t in at_ns[400:]]
    rows, gaps, faults = placed(decoder_of(PLAIN), events)
    assert (len(rows), gaps, faults) == (600, [], [])
    assert rows[-1][1] == pytest.approx(5_990_000, abs=2000)


def test_a_full_read_tells_no_time() -> None:
    at_ns = arrivals(100.0, 3000, 0.0)
    events = [(b"1\n", t) for t in at_ns[:300]]
    events += [(b"0000001\n" * 300, at_ns[1799]), (b"1\n" * 1200, at_ns[1799])]
    events += [(b"1\n", t) for t in at_ns[1800:]]
    rows, gaps, faults = placed(decoder_of(PLAIN), events)
    assert (len(rows), gaps, faults) == (3000, [], [])


def test_a_damaged_line_without_a_sequence_is_a_gap_of_one() -> None:
    at_ns = arrivals(100.0, 300, 0.0)
    events = [(b"%s\n" % (b"x" if i in {50, 200, 201} else b"1"), t) for i, t in enumerate(at_ns)]
    rows, gaps, faults = placed(decoder_of(PLAIN), events)
    assert (len(rows), gaps, faults) == (297, [1, 2], ["bad_value"] * 3)


def numbered(wrap: int | None, **more: object) -> Profile:
    return unnumbered(line=Line(fields=("n", "v")), sequence=Sequence(field="n", wrap=wrap), **more)


@pytest.mark.parametrize("wrap", [None, 256, 10_000])
def test_a_sequence_shows_each_gap(wrap: int | None) -> None:
    at_ns = arrivals(100.0, 1200, 0.0002)
    lost = {400, 401, 402, 800}
    events = [
        (b"%d,1\n" % ((i + 9900) % (wrap or 10**9)), t)
        for i, t in enumerate(at_ns)
        if i not in lost
    ]
    rows, gaps, faults = placed(decoder_of(numbered(wrap)), events)
    assert (gaps, faults, len(rows)) == ([3, 1], [], 1196)


def test_a_silence_longer_than_the_sequence_is_bridged_by_the_hosts_clock() -> None:
    at_ns = arrivals(100.0, 2000, 0.0002)
    events = [(b"%d,1\n" % (i % 256), t) for i, t in enumerate(at_ns) if not 500 <= i < 1300]
    rows, gaps, faults = placed(decoder_of(numbered(256)), events)
    assert (gaps, faults, len(rows)) == ([800], ["silent"], 1200)


def test_a_paused_sensor_moves_the_tick_and_says_so() -> None:
    at_ns = [
        t + (3_000 * MS if i >= 500 else 0) for i, t in enumerate(arrivals(100.0, 900, 0.0002))
    ]
    events = [(b"%d,1\n" % i, t) for i, t in enumerate(at_ns)]
    rows, gaps, faults = placed(decoder_of(numbered(None)), events)
    assert (gaps, faults, len(rows)) == ([], ["silent", "index_unsure"], 900)
    assert rows[-1][1] - rows[0][1] == pytest.approx(8_990 + 3_000, rel=0.001) or (
        rows[-1][1] - rows[0][1] == pytest.approx(11_990_000, abs=3000)
    )


@pytest.mark.parametrize("wrap", [None, 10_000])
def test_a_sequence_that_begins_again_is_a_restart(wrap: int | None) -> None:
    at_ns = arrivals(100.0, 1600, 0.0002)
    events = [(b"%d,1\n" % (i if i < 900 else i - 900), t) for i, t in enumerate(at_ns)]
    _, gaps, faults = placed(decoder_of(numbered(wrap)), events)
    assert (gaps, faults) == ([], ["restart"])


def test_a_restart_inside_one_piece() -> None:
    at_ns = arrivals(100.0, 1600, 0.0)
    lines = [b"%d,1\n" % (i if i < 900 else i - 900) for i in range(1600)]
    events = [(b"".join(lines[i : i + 8]), at_ns[i + 7]) for i in range(0, 1600, 8)]
    rows, gaps, faults = placed(decoder_of(numbered(None)), events)
    assert (gaps, faults) == ([], ["restart"])
    assert len(rows) == 1599


def test_a_message_twice_is_a_duplicate() -> None:
    events = [(b"%d,1\n" % i, i * 10 * MS) for i in range(200)]
    events.insert(150, events[149])
    _, gaps, faults = placed(decoder_of(numbered(256)), events)
    assert (gaps, faults) == ([], ["not placed"])


def test_a_slow_sensor_is_not_held_back_for_ever() -> None:
    decoder = decoder_of(unnumbered(sample_rate_hz=0.5))
    decoded = [r for i in range(8) for r in decoder.feed(b"1\n", i * 2000 * MS)]
    assert len(values(decoded)) == 8
    assert decoder.info().jitter_bound_us == 1000


def test_a_clock_that_stands_still_holds_back_no_more_than_so_many() -> None:
    decoder = decoder_of(PLAIN)
    decoded = [r for _ in range(5000) for r in decoder.feed(b"1\n", 0)]
    assert len(values(decoded)) == 5000
    only_faults = decoder_of(PLAIN)
    only_faults.feed(b"1\n", 0)
    assert sum(len(only_faults.feed(b"x\n", 0)) for _ in range(5000)) > 4000


def ticked(sequence: bool, wrap: int | None = None) -> Profile:
    return unnumbered(
        line=Line(fields=("n", "t", "v")),
        tick=Tick(field="t", per_s=1000, wrap=wrap),
        sequence=Sequence(field="n", wrap=256) if sequence else None,
    )


@pytest.mark.parametrize("sequence", [False, True])
@pytest.mark.parametrize("wrap", [None, 65_536])
def test_a_tick_places_samples_and_shows_gaps(sequence: bool, wrap: int | None) -> None:
    at_ns = arrivals(100.0, 20_000, 0.003)
    lost = {400, 401, *range(9000, 12_000)}
    events = [
        (b"%d,%d,1\n" % (i % 256, (i * 10 + 60_000) % (wrap or 10**12)), t)
        for i, t in enumerate(at_ns)
        if i not in lost
    ]
    decoder = decoder_of(ticked(sequence, wrap))
    rows, gaps, faults = placed(decoder, events)
    assert (gaps, faults, len(rows)) == ([2, 3000], [], 20_000 - 3002)
    assert {tick - 10_000 * index for index, tick, _ in rows} == {60_000_000}
    assert decoder.info().jitter_bound_us == 1000
    assert ("gaps are told by its tick" in decoder.info().remark) == (not sequence)


@pytest.mark.parametrize("sequence", [False, True])
def test_a_tick_that_begins_again_is_a_restart(sequence: bool) -> None:
    events = [(b"%d,%d,1\n" % (i % 900 % 256, i % 900 * 10), i * 10 * MS) for i in range(1600)]
    _, _, faults = placed(decoder_of(ticked(sequence)), events)
    assert "restart" in faults
    assert len(faults) < 4


def test_frames_number_by_messages_or_by_samples() -> None:
    by_messages = load_profile(FRAME)
    by_samples = msgspec.structs.replace(
        by_messages, sequence=Sequence(field="number", wrap=256, counts="samples")
    )
    data = [frame_bytes(i, (1, 2, 3, 4)) for i in range(3)]
    decoded = [r for i, d in enumerate(data) for r in decoder_of(by_messages).feed(d, i * 10 * MS)]
    decoder = decoder_of(by_messages)
    decoded = [r for i, d in enumerate(data) for r in decoder.feed(d, i * 10 * MS)]
    assert [r.index16 for r in decoded if isinstance(r, SampleFrame)] == [0, 4, 8]
    decoder = decoder_of(by_samples)
    data = [
        frame_bytes(0, (1, 2, 3, 4)),
        b"\xa5\x5a"
        + (body := bytes([4]) + b"\n\0\0\0" + b"\0" * 12)
        + crc16(body).to_bytes(2, "little"),
    ]
    decoded = [r for i, d in enumerate(data) for r in decoder.feed(d, i * 10 * MS)]
    assert [r.index16 for r in decoded if isinstance(r, SampleFrame)] == [0, 4]


# --- who it is ---------------------------------------------------------------------------------


def test_it_says_who_it_is_before_its_samples_and_after_each_link() -> None:
    decoder = open_decoder(f"profile:{LINE}")
    assert isinstance(decoder, Commanded)
    assert (decoder.commands.start, decoder.commands.stop) == (b"GO\r\n", b"HALT\r\n")
    assert decoder.encode_request(1, 1) == b""
    assert decoder.feed(line_bytes(0, 1.0), 0) == []  # held back: times cannot be told yet
    first = decoder.finish(MS)
    assert [type(reading) for reading in first] == [InfoFrame, SampleFrame]
    again = decoder.feed(line_bytes(1, 1.0), 12 * MS) + decoder.feed(line_bytes(2, 1.0), 25 * MS)
    assert [type(reading) for reading in again] == [InfoFrame, SampleFrame, SampleFrame]
    assert decoder.finish(30 * MS) == []
    assert isinstance(first[0], InfoFrame)
    info = first[0].info
    assert (info.device_id, info.count_min, info.count_max) == ("checked-line", -5000, 50_000)
    assert info.n_per_count == pytest.approx(0.980665)
    assert info.firmware == f"profile {load_profile(LINE).crc:08x}"


def test_a_profile_that_is_wrong_is_no_decoder(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text("name = 1")
    with pytest.raises(SheetError):
        open_decoder(f"profile:{path}")
