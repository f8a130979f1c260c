"""The device model: samples, clock, commands, FIFO, misbehaviour. No ports, no time."""

from __future__ import annotations

import struct
import zlib
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cobs import cobs
from numpy.typing import NDArray

from logger.simcell import wire
from logger.simcell.device import COUNTER_MODULO, Converter, Device, DeviceOptions, Misbehaviour
from logger.simcell.scenario import Scenario, Signal, load_scenario
from logger.simcell.sent import HEAD, Fate, read_sent, write_frame
from logger.simcell.world import World, make_world

SECOND_NS = 1_000_000_000
QUIET = Converter(noise_n=0.0, drift_n_per_min=0.0, clock_ppm=0.0)


def constant(force_n: float = 500.0) -> World:
    return make_world(Scenario(signal=Signal("constant", force_n)))


def request(opcode: int, request_id: int = 1, arguments: bytes = b"") -> bytes:
    return b"\x00" + wire.on_serial(bytes([opcode, request_id]) + arguments)


def payloads(stream: bytes) -> list[bytes]:
    """Payloads of undamaged frames."""
    found = []
    for part in stream.split(b"\x00"):
        if not part:
            continue
        try:
            raw = cobs.decode(part)
        except cobs.DecodeError:
            continue
        if len(raw) > 4 and zlib.crc32(raw[:-4]).to_bytes(4, "little") == raw[-4:]:
            found.append(bytes(raw[:-4]))
    return found


def of_kind(stream: bytes, kind: int) -> list[bytes]:
    return [p for p in payloads(stream) if p[0] == 0x10 | kind]


class Bench:
    """A device on a link that is emptied after each frame unless told otherwise."""

    def __init__(self, options: DeviceOptions, world: World) -> None:
        self.heads: list[NDArray[np.void]] = []
        self.counts: list[NDArray[np.int32]] = []
        self.device = Device(options, world, self._note)
        self.stream = bytearray()

    def _note(self, head: NDArray[np.void], counts: NDArray[np.int32]) -> None:
        self.heads.append(head)
        self.counts.append(counts)

    def empty(self) -> None:
        self.stream += self.device.fifo
        self.device.fifo.clear()

    def ask(self, data: bytes, at_ns: int = 0) -> bytes:
        self.empty()
        self.device.receive(data, at_ns)
        answer = bytes(self.device.fifo)
        self.empty()
        return answer

    def run(self, until_s: float, *, drain: bool = True) -> None:
        until_ns = round(until_s * SECOND_NS)
        while (due := self.device.next_frame_ns()) is not None and due <= until_ns:
            self.device.advance(due)
            if drain:
                self.empty()

    def data(self) -> list[tuple[int, int, NDArray[np.int32]]]:
        found = []
        for payload in of_kind(bytes(self.stream), wire.KIND_DATA):
            _, n, index, tick = struct.unpack_from("<BBHI", payload)
            counts = np.frombuffer(payload, "<i4", offset=8).astype(np.int32)
            assert counts.size == n
            found.append((index, tick, counts))
        return found


def started(options: DeviceOptions | None = None, world: World | None = None) -> Bench:
    bench = Bench(options or DeviceOptions(converter=QUIET), world or constant())
    bench.ask(request(wire.OP_START))
    return bench


def test_it_introduces_itself_after_boot_and_waits() -> None:
    bench = Bench(DeviceOptions(), constant())
    bench.empty()
    (info,) = of_kind(bytes(bench.stream), wire.KIND_INFO)
    assert info[1] == 0
    assert bench.device.next_frame_ns() is None
    bench.run(5.0)
    assert bench.data() == []


def test_info_says_what_it_is() -> None:
    bench = Bench(DeviceOptions(converter=replace(QUIET, rate_hz=320.0)), constant())
    (info,) = of_kind(bench.ask(request(wire.OP_INFO, 9)), wire.KIND_INFO)
    _, request_id, boot, ticks, rate, low, high, delay, jitter = struct.unpack_from(
        "<BBIIdiiII", info
    )
    assert (request_id, boot, ticks, rate) == (9, bench.device.boot_id, 1_000_000, 320.0)
    assert (low, high, delay, jitter) == (-2_097_152, 2_097_151, 1562, 1)
    assert info.endswith(b"\x09simcell-1\x0bsimcell 1.0")


def test_every_request_is_answered() -> None:
    bench = Bench(DeviceOptions(converter=QUIET), constant())
    for opcode, arguments, status in (
        (wire.OP_START, b"", wire.ACCEPTED),
        (wire.OP_START, b"", wire.ACCEPTED),
        (wire.OP_STOP, b"x", wire.BAD_ARGUMENTS),
        (77, b"", wire.UNKNOWN_OPCODE),
    ):
        (reply,) = payloads(bench.ask(request(opcode, 5, arguments)))
        assert reply == bytes([0x12, opcode, 5, status])
    (reply,) = payloads(bench.ask(request(wire.OP_TIME, 6), 3 * SECOND_NS))
    assert reply[4:] == (3_000_000).to_bytes(4, "little")


def test_a_stop_is_answered_behind_a_status_with_the_index_that_would_come() -> None:
    bench = started()
    bench.run(70.0)
    made = bench.device.next_index
    assert made > 2**16
    *_, status, reply = payloads(bench.ask(request(wire.OP_STOP, 9), 70 * SECOND_NS))
    assert status[0] == 0x13
    assert reply == bytes([0x12, wire.OP_STOP, 9, 0]) + (made % 2**16).to_bytes(2, "little")
    again = payloads(bench.ask(request(wire.OP_STOP, 9), 71 * SECOND_NS))
    assert again[-1] == reply


def test_a_stop_is_not_answered_while_there_is_no_room_for_its_status() -> None:
    bench = started()
    bench.device.advance(10 * SECOND_NS)
    room = bench.device.options.fifo_bytes
    full = len(bench.device.fifo)
    assert room - full < 20
    bench.device.receive(request(wire.OP_STOP, 9), 10 * SECOND_NS)
    assert len(bench.device.fifo) == full
    assert not bench.device.running
    bench.device.fifo.clear()
    bench.device.receive(request(wire.OP_STOP, 9), 11 * SECOND_NS)
    status, reply = payloads(bytes(bench.device.fifo))
    assert struct.unpack("<BBhIII", status)[4] == bench.device.overruns > 0
    assert reply[4:] == (bench.device.next_index % 2**16).to_bytes(2, "little")


def test_samples_run_on_without_a_break() -> None:
    bench = started()
    bench.run(80.0)
    data = bench.data()
    assert len(data) == 5000
    assert [i for i, _, _ in data] == [16 * k & 0xFFFF for k in range(5000)]
    assert [t for _, t, _ in data] == [16_000 * k for k in range(5000)]
    assert all((c == 50_000).all() for _, _, c in data)


def test_starting_twice_changes_nothing_and_starting_anew_counts_from_zero() -> None:
    bench = started()
    bench.run(0.5)
    made = bench.device.next_index
    bench.ask(request(wire.OP_START, 2), SECOND_NS // 2)
    assert bench.device.next_index == made
    bench.ask(request(wire.OP_STOP), SECOND_NS // 2)
    bench.run(2.0)
    assert bench.device.next_index == made
    bench.ask(request(wire.OP_START), 2 * SECOND_NS)
    bench.run(2.1)
    assert bench.data()[-6][0] == 0
    assert bench.data()[-6][1] == 2_000_000


def test_status_comes_each_second() -> None:
    bench = started()
    bench.run(10.5)
    status = of_kind(bytes(bench.stream), wire.KIND_STATUS)
    assert len(status) == 10
    assert struct.unpack_from("<BBhIII", status[0])[1:3] == (87, 1850)


def test_its_clock_is_off_by_what_was_asked() -> None:
    fast = DeviceOptions(converter=replace(QUIET, clock_ppm=200.0), first_tick_us=2**32 - 1000)
    bench = started(fast)
    bench.run(30.0)
    last = bench.heads[-1]
    device_s = (int(last["tick_us"]) - (2**32 - 1000)) * 1e-6
    assert device_s / (int(last["taken_ns"]) * 1e-9) == pytest.approx(1.0002, abs=1e-7)
    assert bench.data()[1][1] == 15_000  # the 32-bit tick has wrapped


def test_a_full_fifo_loses_whole_frames_and_counts_them() -> None:
    bench = started()
    bench.run(1.0)
    frame_bytes = len(wire.on_serial(wire.data_payload(0, 0, bench.counts[0])))
    before = bench.device.next_index
    bench.run(2.0, drain=False)
    fates = np.array([int(h["fate"]) for h in bench.heads if int(h["first_index"]) >= before])
    fit = int((fates == Fate.SENT).sum())
    assert fit in {1024 // frame_bytes, 1024 // frame_bytes - 1}  # a status may take one's room
    assert bench.device.overruns == 16 * int((fates == Fate.OVERRUN).sum())
    assert bench.device.overruns == 16 * (fates.size - fit)
    bench.empty()
    bench.run(3.0)
    index = np.concatenate([i + np.arange(16) for i, _, _ in bench.data()])
    missing = np.setdiff1d(np.arange(bench.device.next_index), index)
    assert missing.size == bench.device.overruns
    assert np.ptp(missing) == missing.size - 1
    last = of_kind(bytes(bench.stream), wire.KIND_STATUS)[-1]
    assert struct.unpack_from("<BBhIII", last)[4] == bench.device.overruns


def test_noise_drift_and_zero_are_as_told() -> None:
    noisy = replace(QUIET, noise_n=3.0, drift_n_per_min=60.0, zero_counts=1234)
    bench = started(DeviceOptions(converter=noisy), constant(0.0))
    bench.run(20.0)
    counts = np.concatenate(bench.counts).astype(float)
    slope, zero = np.polyfit(np.arange(counts.size), counts, 1)
    rest = counts - slope * np.arange(counts.size) - zero
    assert slope * 1000.0 == pytest.approx(100.0, rel=0.02)
    assert zero == pytest.approx(1234, abs=15)
    assert rest.std() == pytest.approx(300.0, rel=0.03)


def test_it_clips_at_its_limits_and_says_how_often() -> None:
    small = DeviceOptions(converter=replace(QUIET, count_limit=1000))
    bench = started(small, constant(50.0))
    bench.run(0.1)
    assert set(np.concatenate(bench.counts).tolist()) == {999}
    assert bench.device.clipped == bench.device.next_index


def test_the_filter_delays_by_what_info_says() -> None:
    ramp = make_world(Scenario(signal=Signal("ramp", 0.0, 10_000.0, 1000.0)))
    slow = DeviceOptions(converter=replace(QUIET, averaging_s=0.02, counts_per_n=1e5))
    bench = started(slow, ramp)
    bench.run(1.0)
    force = np.concatenate(bench.counts)[100:] / 1e5
    time_s = np.arange(100, 100 + force.size) / 1000.0
    assert np.allclose(force, 10.0 * (time_s - 0.01), atol=1e-4)
    assert bench.device.identity().filter_delay_us == 10_000


def test_a_counter_sends_its_own_index() -> None:
    bench = started(world=make_world(Scenario(signal=Signal("counter"))))
    bench.run(2.0)
    sent = np.concatenate(bench.counts)
    assert np.array_equal(sent, np.arange(sent.size) % COUNTER_MODULO)


def test_lines_instead_of_frames() -> None:
    bench = Bench(DeviceOptions(converter=QUIET, form="ascii", per_frame=4), constant())
    bench.ask(wire.line("Q1,2,7,"))
    bench.run(0.01)
    lines = bytes(bench.stream).decode().split("\r\n")
    assert lines[0].startswith("$I1,0,")
    assert lines[1].startswith("$R1,2,7,0,*")
    assert lines[2].startswith("$D1,0,0,50000,50000,50000,50000*")


# --- misbehaviour --------------------------------------------------------------------


def misbehaving(seed: int = 1, **wrong: Any) -> Bench:
    options = DeviceOptions(converter=QUIET, misbehaviour=Misbehaviour(**wrong), seed=seed)
    bench = started(options)
    bench.run(10.0)
    return bench


@pytest.mark.parametrize("wrong", [{"corrupt": 0.001}, {"drop": 0.05}, {"duplicate": 0.05}])
def test_misbehaviour_follows_its_seed(wrong: dict[str, float]) -> None:
    first, same, other = misbehaving(1, **wrong), misbehaving(1, **wrong), misbehaving(2, **wrong)
    assert first.stream == same.stream
    assert [int(h["fate"]) for h in first.heads] == [int(h["fate"]) for h in same.heads]
    assert first.stream != other.stream


def test_damaged_bytes_are_as_many_as_told() -> None:
    bench = misbehaving(corrupt=0.01)
    damaged = sum(int(h["damaged_bytes"]) for h in bench.heads)
    assert damaged == pytest.approx(0.01 * len(bench.stream), rel=0.15)
    assert len(bench.data()) < len(bench.heads)


def test_dropped_frames_are_not_overruns() -> None:
    bench = misbehaving(drop=0.1)
    dropped = sum(int(h["fate"]) == Fate.DROPPED for h in bench.heads)
    assert dropped == pytest.approx(0.1 * len(bench.heads), rel=0.3)
    assert bench.device.overruns == 0
    assert len(bench.data()) == len(bench.heads) - dropped


def test_duplicates_are_exact_copies() -> None:
    bench = misbehaving(duplicate=0.1)
    twice = sum(int(h["times"]) == 2 for h in bench.heads)
    assert twice > 30
    assert len(bench.data()) == len(bench.heads) + twice


def test_a_reset_gives_a_new_boot_and_waits_for_start_while_the_world_goes_on() -> None:
    ramp = make_world(Scenario(signal=Signal("ramp", 0.0, 1000.0, 100.0)))
    options = DeviceOptions(converter=QUIET, misbehaviour=Misbehaviour(reset_at_s=2.0))
    bench = started(options, ramp)
    boot = bench.device.boot_id
    bench.run(9.0)
    bench.empty()
    assert bench.device.boot_id != boot
    assert of_kind(bytes(bench.stream), wire.KIND_INFO)[-1][1] == 0
    assert not bench.device.running
    bench.ask(request(wire.OP_START), 5 * SECOND_NS)
    bench.run(6.0)
    assert bench.counts[-1][-1] == pytest.approx(6000, abs=20)
    assert int(bench.heads[-1]["boot_id"]) == bench.device.boot_id


def test_it_can_fall_silent() -> None:
    bench = misbehaving(stop_at_s=3.0)
    assert 2900 < bench.device.next_index <= 3000
    assert payloads(bench.ask(request(wire.OP_INFO, 4)))


def test_unplugged_nothing_is_heard_and_nothing_overruns() -> None:
    bench = started()
    bench.run(1.0)
    bench.device.plugged = False
    bench.run(2.0)
    assert bench.ask(request(wire.OP_INFO)) == b""
    bench.device.plugged = True
    bench.run(3.0)
    lost = sum(int(h["n"]) for h in bench.heads if int(h["fate"]) == Fate.UNPLUGGED)
    assert 950 < lost < 1050
    assert bench.device.overruns == 0


# --- what it saw, what it sent -------------------------------------------------------


def test_it_knows_the_largest_reading_of_each_lowering() -> None:
    world = make_world(load_scenario("demo"))
    bench = started(DeviceOptions(), world)
    bench.run(38.5)
    counts = np.concatenate(bench.counts)
    for truth, seen in zip(world.lowerings, bench.device.seen, strict=True):
        assert seen.filtered_n == pytest.approx(truth.peak_n, rel=2e-3)
        assert seen.counts / 100.0 == pytest.approx(truth.peak_n, abs=25.0)
        assert counts[seen.counts_index] == seen.counts
        inside = counts[seen.first_index : seen.last_index + 1]
        assert inside.max() == seen.counts
        assert seen.first_index == pytest.approx(1000 * truth.start_s, abs=3)


def test_20_percent_more_weight_reads_20_percent_more() -> None:
    scenario, reading = load_scenario("demo"), []
    scenario = replace(scenario, lowering=scenario.lowering[:1])
    for factor in (1.0, 1.2):
        world = make_world(scenario, factor)
        bench = started(DeviceOptions(), world)
        bench.run(7.0)
        down = round(1000 * world.lowerings[0].down_s)
        reading.append(np.concatenate(bench.counts)[down - 800 : down].mean())
    assert reading[1] / reading[0] == pytest.approx(1.2, rel=5e-3)


def test_the_record_of_what_was_sent_can_be_read_back(tmp_path: Path) -> None:
    bench = misbehaving(drop=0.1)
    path = tmp_path / "sent.bin"
    with path.open("wb") as file:
        for head, counts in zip(bench.heads, bench.counts, strict=True):
            write_frame(file, head, counts)
    record = read_sent(path)
    assert record.heads.size == len(bench.heads)
    assert np.array_equal(record.samples(every=True), np.concatenate(bench.counts))
    assert record.samples().size + record.lost(Fate.DROPPED) == record.samples(every=True).size
    assert int(record.heads["crc32"][3]) == zlib.crc32(record.counts[3].astype("<i4").tobytes())
    path.write_bytes(path.read_bytes()[:-7])
    assert read_sent(path).heads.size == len(bench.heads) - 1
    path.write_bytes(b"")
    assert read_sent(path).samples().size == 0
    assert HEAD.itemsize == 40
