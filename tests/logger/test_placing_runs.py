"""Frames that come in one piece are placed as they would be one by one."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from decoded_frames import singly
from fake_cell import FakeCell, calibrated
from hypothesis import given, settings
from hypothesis import strategies as st
from logbook_items import StillClock

from logger.cell_line import CellLine, CellPlan
from logger.decoders import open_decoder
from logger.placing import Placed, Placer
from logger.samples import (
    FaultNoted,
    GapNoted,
    RecordItem,
    SampleFrame,
    SampleRun,
    SamplesPlaced,
    StreamClosed,
)
from logger.simcell import wire
from logger.trigger import DEFAULT_SETTINGS


class Taken:
    """Stands where the pipeline stands."""

    def __init__(self) -> None:
        self.items: list[RecordItem] = []
        self.streams = 0

    def record(self, item: RecordItem) -> None:
        self.items.append(item)

    def new_stream(self) -> int:
        self.streams += 1
        return self.streams

    def anchor(self) -> tuple[int, int]:
        return 0, 0

    def open_lowering(self, stream_id: int) -> int:
        return stream_id

    def close_lowering(self, stream_id: int) -> None:
        pass


def recorded(pieces: list[bytes]) -> list[object]:
    """What goes on record of a replayed link, frame by frame, without times of arrival."""
    hub = Taken()
    plan = CellPlan("c", "file:x", calibrated)
    line = CellLine(plan, open_decoder("binary"), hub, asks=False, trigger=DEFAULT_SETTINGS)
    line.feed([(piece, 1_000_000_000) for piece in pieces])
    line.finish(1_000_000_000, "stopped")
    rows: list[object] = []
    faults: dict[str, int] = {}
    for item in hub.items:
        if isinstance(item, SamplesPlaced):
            ends = np.cumsum(item.frames.n)
            for n, end, tick in zip(item.frames.n, ends, item.frames.tick_us, strict=True):
                counts = item.counts[end - n : end].tolist()
                rows.append((item.stream_id, item.first_index + end - n, tick, counts))
        elif isinstance(item, FaultNoted):
            faults[item.kind] = faults.get(item.kind, 0) + item.n
        elif isinstance(item, GapNoted):
            rows.append((item.stream_id, item.first_index, item.n_missing, item.reason))
        elif isinstance(item, StreamClosed):
            rows.append((item.stream_id, item.reason))
    return [*rows, sorted(faults.items())]


STEP = st.sampled_from(["on", "on", "on", "on", "lost", "twice", "late", "damaged", "boot", "odd"])


def link_bytes(steps: list[str], sizes: list[int]) -> bytes:
    """A link with every kind of trouble."""
    cell = FakeCell(StillClock(), answers=False)
    sent: list[bytes] = []
    cell.start(lambda data, _: sent.append(data), lambda _: None)
    cell.info()
    for step, n in zip(steps, sizes, strict=True):
        frame = cell.frame(list(range(n)))
        if step == "lost":
            continue
        if step == "boot":
            cell.reboot(say=n % 2 == 0)
            frame = cell.frame([1] * n)
        if step == "odd":
            frame = wire.BinaryTalk().data(cell.next_index, 77 * n, np.zeros(n, np.int32))
        if step == "damaged":
            frame = frame[:5] + bytes([frame[5] ^ 0x40 or 1]) + frame[6:]
        if step == "late":
            frame = cell.frame([2] * n) + frame
        sent.append(frame * (2 if step == "twice" else 1))
    return b"".join(sent)


@pytest.mark.no_cover
@settings(max_examples=150, deadline=None)
@given(
    steps=st.lists(STEP, min_size=1, max_size=60),
    size=st.sampled_from([16, 50, 255]),
    other=st.integers(1, 255),
    at=st.lists(st.integers(0, 200_000), max_size=60),
)
def test_any_chunking_gives_the_same_record(
    steps: list[str], size: int, other: int, at: list[int]
) -> None:
    data = link_bytes(steps, [other if i % 11 == 7 else size for i in range(len(steps))])
    places = sorted({0, len(data), *(i % (len(data) + 1) for i in at)})
    cut = [data[a:b] for a, b in pairwise(places)]
    frames = [part + b"\x00" for part in data.split(b"\x00") if part]
    whole = recorded([data])
    assert recorded(cut) == whole
    assert recorded(frames) == whole


@pytest.mark.parametrize("rate_error", [0.0, 0.005])
def test_a_long_run_is_placed_at_once_and_as_one_by_one(rate_error: float) -> None:
    """Past ten seconds the measured rate decides, also in the middle of a run."""
    said = wire.BinaryTalk()
    ticks = [round(i * 16_000 / (1 + rate_error)) for i in range(1200)]
    ticks[900] += 2500
    data = b"".join(
        said.data(i * 16 % 2**16, tick, np.full(16, i, np.int32)) for i, tick in enumerate(ticks)
    )
    runs = open_decoder("binary").feed(data, 5)
    assert [run.n_frames for run in runs if isinstance(run, SampleRun)] == [256] * 4 + [176]
    one_by_one, at_once = Placer(1000.0), Placer(1000.0)
    expected = [one_by_one.place(frame) for frame in singly(runs)]  # type: ignore[arg-type]
    found: list[int] = []
    for run in runs:
        assert isinstance(run, SampleRun)
        begin = 0
        while begin < run.n_frames:
            rest = run.part(begin, run.n_frames)
            at_once.place(rest.frame(0))
            found += at_once.place_on(rest).tolist()
            begin = len(found) - sum(
                r.n_frames for r in runs[: runs.index(run)] if isinstance(r, SampleRun)
            )
    assert found == [placed.tick_us for placed in expected]  # type: ignore[union-attr]
    assert at_once.measured_rate_hz == one_by_one.measured_rate_hz


@pytest.mark.no_cover
def test_more_frames_than_wait_lose_the_oldest_whatever_the_pieces() -> None:
    cell = FakeCell(StillClock(), answers=False)
    frames = [cell.frame([i] * 10) for i in range(5000)]
    said: list[bytes] = []
    cell.start(lambda data, _: said.append(data), lambda _: None)
    cell.info()
    whole = recorded([b"".join(frames), said[0]])
    assert recorded([*frames, said[0]]) == whole
    assert whole[-1] == [("no_reply", 9040)]


@settings(max_examples=150, deadline=None)
@given(
    size=st.sampled_from([1, 16, 255]),
    jitter_us=st.sampled_from([0, 900]),
    before_s=st.sampled_from([0, 9, 400]),
    first=st.integers(0, 2**32 - 1),
    off_us=st.lists(
        st.sampled_from([0, 0, 0, 0, 1999, 2001, -1999, -2001, 2900, 2950, -(10**6), 10**8]),
        min_size=1, max_size=12,
    ),
    came_s=st.lists(st.sampled_from([0.0, 0.0, 0.02, -0.1, 40.0, 95.0, 5000.0]), min_size=12),
)  # fmt: skip
def test_a_run_over_many_reads_is_placed_as_one_by_one(
    size: int, jitter_us: int, before_s: int, first: int, off_us: list[int], came_s: list[float]
) -> None:
    """Steps at the edges of what is believed, arrivals far apart, before and after ten seconds."""
    placers = Placer(1000.0, jitter_us), Placer(1000.0, jitter_us)
    for placer in placers if before_s else ():
        placer.place(SampleFrame(-before_s * 1000 % 2**16, (first - before_s * 10**6) % 2**32,
                                 np.zeros(1000, np.int32), -before_s * 10**9))  # fmt: skip
    steps = np.cumsum([size * 1000 + off for off in off_us])
    tick_us = (first + np.concatenate([[0], steps])) % 2**32
    received = np.cumsum(np.array([0.0, *came_s[: len(off_us)]]) * 1e9).astype(np.int64)
    counts = np.zeros(size * len(tick_us), np.int32)
    run = SampleRun(0, tick_us.astype(np.int64), counts, received)
    placed = placers[0].place(run.frame(0))
    assert placers[1].place(run.frame(0)) == placed
    if not isinstance(placed, Placed):
        return
    at_once = placers[0].place_on(run).tolist()
    one_by_one = [placed.tick_us]
    for number in range(1, run.n_frames):
        found = placers[1].place(run.frame(number))
        if not isinstance(found, Placed) or found.n_missing or found.fault:
            break
        one_by_one.append(found.tick_us)
    assert at_once == one_by_one
