"""Record items for tests of the logbook: plain, small, with known counts."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from logger.logbook.writer import LogbookWriter
from logger.samples import (
    CellInfo,
    CountArray,
    GapNoted,
    SamplesPlaced,
    Scaling,
    StreamClosed,
    StreamOpened,
    placed_frame,
)

SCALING = Scaling(1000.0, 0.05, 0.005, 4.0, "two known loads, by A, 2026-05-01")
START_NS = 5_000_000_000
WALL_NS = 1_780_000_000_000_000_000


class StillClock:
    """A clock that moves only when told."""

    def __init__(self) -> None:
        self.now_ns = START_NS

    def boot_ns(self) -> int:
        return self.now_ns

    def awake_ns(self) -> int:
        return self.now_ns

    def wall_ns(self) -> int:
        return WALL_NS + self.now_ns

    def sleep(self, seconds: float) -> None:
        self.now_ns += round(seconds * 1e9)


def info(rate_hz: float = 1000.0, device_id: str = "cell-1") -> CellInfo:
    return CellInfo(1, device_id, 77, "1.0", 1_000_000, rate_hz, -(2**23), 2**23 - 1, 500, 2)


def opened(stream: int, rate_hz: float = 1000.0, scaling: Scaling | None = SCALING) -> StreamOpened:
    return StreamOpened(
        stream,
        f"cell-{stream}",
        "serial:cell",
        "anchor",
        info(rate_hz),
        scaling,
        20_000.0,
        START_NS,
        WALL_NS,
    )


def closed(stream: int) -> StreamClosed:
    return StreamClosed(stream, START_NS + 10**9, "stopped")


def gap(stream: int, first: int, n: int) -> GapNoted:
    return GapNoted(stream, first, n, START_NS, "lost")


def counts_at(first: int, n: int, stream: int = 1) -> CountArray:
    """Counts that tell their own index and stream, so that a misplaced one shows."""
    index = np.arange(first, first + n, dtype=np.int64)
    return ((index * 2654435761 + stream * 97) % 2**32 - 2**31).astype(np.int32)


def frame(
    stream: int, first: int, n: int = 16, *, rate_hz: float = 1000.0, late_ns: int = 2_000_000
) -> SamplesPlaced:
    tick_us = round(first * 1e6 / rate_hz)
    return placed_frame(
        stream, first, tick_us, counts_at(first, n, stream), START_NS + tick_us * 1000 + late_ns
    )


def small(path: Path) -> Path:
    """A closed logbook with one stream of 64 samples, a gap of 8, then 32 more."""
    with LogbookWriter(path, clock=StillClock()) as writer:
        writer.write(
            [opened(1), *(frame(1, i) for i in (0, 16, 32, 48)), gap(1, 64, 8), frame(1, 72),
             frame(1, 88), closed(1)]
        )  # fmt: skip
    return path
