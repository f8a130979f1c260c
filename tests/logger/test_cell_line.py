"""A cell's line over a link that is gone for longer than its tick takes to wrap."""

from __future__ import annotations

import numpy as np
import pytest
from fake_cell import FakeCell, PipelineBench

from logger.samples import (
    ExchangeNoted,
    FaultNoted,
    GapNoted,
    SamplesPlaced,
    StreamClosed,
    StreamOpened,
)
from logger.timebase import Exchanges, fit_times

pytest_plugins = ("bench_fixtures",)

WRAP_S = 2**32 / 1e6
BEFORE, AFTER = 15_000, 2_000


def send(bench: PipelineBench, cell: FakeCell, n: int) -> None:
    for _ in range(0, n, 500):
        cell.samples(500)
        bench.turn(1)


def away(bench: PipelineBench, cell: FakeCell, samples: int, *, rebooted: bool = False) -> None:
    """Send, lose the link while the device goes on or boots again, send again."""
    send(bench, cell, BEFORE)
    cell.notice("disconnected")
    bench.turn()
    cell.lose(samples)
    if rebooted:
        cell.reboot(say=False)
    cell.notice("connected")
    bench.turn()
    send(bench, cell, AFTER)


def frames_of(bench: PipelineBench, stream: int) -> tuple[np.ndarray, np.ndarray]:
    """Last ticks of a stream's frames and when they came."""
    items = [i for i in bench.items if isinstance(i, SamplesPlaced) and i.stream_id == stream]
    ticks = np.concatenate([item.frames.tick_us + (item.frames.n - 1) * 1000 for item in items])
    return ticks, np.concatenate([item.frames.received_ns for item in items])


@pytest.mark.parametrize("gone_s", [WRAP_S - 20, WRAP_S + 20, 1.5 * WRAP_S, 3 * WRAP_S, 30_000])
def test_a_link_gone_for_longer_than_a_wrap_is_one_gap_of_the_same_stream(
    bench: PipelineBench, cell: FakeCell, gone_s: float
) -> None:
    """The boot id says that it is the same boot, the host's clock how often the tick wrapped."""
    booted_ns, gone = cell._booted_ns, round(gone_s * 1000)
    away(bench, cell, gone)
    assert [type(item) for item in bench.items].count(StreamOpened) == 1
    (gap,) = [item for item in bench.items if isinstance(item, GapNoted)]
    assert (gap.first_index, gap.n_missing, gap.reason) == (BEFORE, gone, "disconnected")
    stored = bench.stored(4)
    assert stored == [*range(BEFORE), *range(BEFORE + gone, BEFORE + gone + AFTER)]
    faults = [item.kind for item in bench.items if isinstance(item, FaultNoted)]
    assert faults == ["disconnected", "connected"]

    ticks, received = frames_of(bench, 4)
    assert np.array_equal(ticks // 1000, np.array(stored)[49::50])
    asked = [item for item in bench.items if isinstance(item, ExchangeNoted)]
    assert max(answer.tick_us for answer in asked) > (BEFORE + gone) * 1000
    columns = [(answer.tick_us, answer.sent_ns, answer.received_ns) for answer in asked]
    (opened,) = [item for item in bench.items if isinstance(item, StreamOpened)]
    fit = fit_times(opened.info, ticks, received, Exchanges(*np.array(columns).T))
    off_ns = np.abs(fit.host_ns(ticks) - (booted_ns + ticks * 1000))
    assert (off_ns <= fit.error_ns(ticks)).all()
    assert off_ns.max() < 2e6


@pytest.mark.parametrize("gone_s", [WRAP_S - 20, WRAP_S + 20, 1.5 * WRAP_S, 30_000])
def test_a_device_that_booted_while_the_link_was_gone_begins_a_new_stream(
    bench: PipelineBench, cell: FakeCell, gone_s: float
) -> None:
    """Another boot id: nobody counts what was measured meanwhile, and ticks begin again."""
    away(bench, cell, round(gone_s * 1000), rebooted=True)
    assert bench.of(GapNoted) == []
    assert bench.stored(4) == list(range(BEFORE))
    assert bench.stored(5) == list(range(AFTER))
    (closed,) = [item for item in bench.items if isinstance(item, StreamClosed)]
    assert (closed.stream_id, closed.reason) == (4, "reset")
    ticks, _ = frames_of(bench, 5)
    assert ticks.max() < AFTER * 1000
    asked = [i for i in bench.items if isinstance(i, ExchangeNoted) and i.stream_id == 5]
    assert asked
    assert max(answer.tick_us for answer in asked) <= AFTER * 1000


def test_a_boot_that_looks_like_going_on_is_told_by_its_id(
    bench: PipelineBench, cell: FakeCell
) -> None:
    """After one whole wrap of a device that booted at once, index and tick would fit."""
    send(bench, cell, BEFORE)
    cell.notice("disconnected")
    bench.turn()
    cell.lose(round(WRAP_S * 1000) - BEFORE)
    cell.boot += 1
    cell.notice("connected")
    bench.turn()
    send(bench, cell, AFTER)
    assert bench.stored(4) == list(range(BEFORE))
    assert len(bench.stored(5)) == AFTER
    assert bench.of(GapNoted) == []
