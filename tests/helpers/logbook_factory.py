"""Logbooks made from forces, through the real writer; times and numbers are known.

``make_logbook`` writes one stream with any number of lowerings. Each lowering is an array
of newtons; between two of them the rope is slack. Calibration: 1000 counts per kN, zero
at 500 counts.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from logger.logbook.writer import LogbookWriter
from logger.samples import (
    CellInfo,
    GapNoted,
    RecordItem,
    Scaling,
    StreamClosed,
    StreamOpened,
    WindowClosed,
    WindowOpened,
    placed_frame,
)

N_PER_COUNT = 0.1
ZERO_COUNTS = 500.0
START_WALL_NS = 1_777_890_000_000_000_000
"""2026-05-04 10:20 UTC: the stream's first sample."""
START_BOOT_NS = 5_000_000_000_000
LATENCY_NS = 3_000_000
FRAME = 64
SLACK_S = 3.0

FloatArray = NDArray[np.float64]


@dataclass
class FakeClock:
    """A clock that stands at a moment until told otherwise."""

    wall: int = START_WALL_NS - 3_600_000_000_000
    boot: int = START_BOOT_NS - 3_600_000_000_000

    def boot_ns(self) -> int:
        return self.boot

    def awake_ns(self) -> int:
        return self.boot

    def wall_ns(self) -> int:
        return self.wall

    def sleep(self, seconds: float) -> None:
        self.wall += int(seconds * 1e9)
        self.boot += int(seconds * 1e9)


@dataclass(frozen=True)
class Made:
    """Where the lowerings are; ``force_n`` is what the cell saw at each index."""

    path: Path
    rate_hz: float
    force_n: FloatArray
    windows: list[tuple[int, int]] = field(default_factory=list)

    def start_wall_ns(self, number: int) -> int:
        """Wall time of the first sample of a lowering's window."""
        return START_WALL_NS + round(self.windows[number - 1][0] / self.rate_hz * 1e9)


def drop_force(
    weight_n: float = 1500.0,
    peak_n: float = 4200.0,
    rate_hz: float = 1000.0,
    seed: int = 1,
    *,
    noise_n: float = 4.0,
) -> FloatArray:
    """Slack, a catch at ``peak_n``, ring-down about ``weight_n``, hang, lowering, slack."""
    t = np.arange(0.0, 16.0, 1.0 / rate_hz)
    tau = t - 3.0
    omega, damping = 2 * np.pi * 1.5, 0.08
    swing = (peak_n - weight_n) * np.exp(-damping * omega * tau) * np.sin(omega * tau)
    top = np.max(np.where(tau > 0, swing, 0.0))
    force = np.where(tau > 0, weight_n * (1 - np.exp(-tau * 30)), 0.0)
    force = np.where(tau > 0, np.maximum(force + swing * (peak_n - weight_n) / top, 0.0), 0.0)
    force[t > 13.0] = 0.0
    return force + np.random.default_rng(seed).normal(0.0, noise_n, t.size)


def release_force(
    weight_n: float = 2000.0,
    share: float = 0.8,
    rate_hz: float = 1000.0,
    seed: int = 2,
) -> FloatArray:
    """Slack, pretension to ``share`` of the weight in three strokes, release, hang, slack."""
    t = np.arange(0.0, 22.0, 1.0 / rate_hz)
    force = np.zeros_like(t)
    for stroke in range(3):
        force += share * weight_n / 3 * np.clip((t - 2.0 - 1.2 * stroke) / 0.3, 0, 1)
    tau = t - 8.0
    omega, damping = 2 * np.pi * 1.4, 0.08
    after = weight_n - (1 - share) * weight_n * np.exp(-damping * omega * tau) * np.cos(omega * tau)
    force = np.where(tau > 0, after, force)
    force[t > 19.0] = 0.0
    return force + np.random.default_rng(seed).normal(0.0, 4.0, t.size)


def make_logbook(
    path: Path,
    lowerings: Sequence[FloatArray],
    *,
    rate_hz: float = 1000.0,
    gaps: Sequence[tuple[int, int]] = (),
    scaling: bool = True,
    count_limits: tuple[int, int] = (-8_388_608, 8_388_607),
    filter_delay_us: int = 0,
    overload_n: float | None = None,
    station: str | None = "block sling",
    cell: str = "red",
    leave_open: bool = False,
) -> Made:
    """Write a logbook.

    Parameters
    ----------
    path : Path
        May exist (a sheet may have been stored before).
    lowerings : sequence of (n,) float64
        Newtons of each lowering; its whole array is its window.
    gaps : sequence of (first_index, n_missing)
        Samples left out.
    scaling : bool
        Whether the stream has a calibration.
    leave_open : bool
        Leave the last window open, as a killed recorder does.
    """
    slack = np.zeros(int(SLACK_S * rate_hz))
    parts = [slack]
    windows: list[tuple[int, int]] = []
    for force in lowerings:
        first = sum(map(len, parts))
        windows.append((first, first + len(force) - 1))
        parts += [force, slack]
    force_n = np.concatenate(parts)
    counts = np.rint(force_n / N_PER_COUNT + ZERO_COUNTS)
    counts = np.clip(counts, *count_limits).astype(np.int32)
    info = CellInfo(
        1, "test-cell", 7, "1.0", 1_000_000, rate_hz, *count_limits, filter_delay_us, 100
    )
    clock = FakeClock(START_WALL_NS, START_BOOT_NS)
    with LogbookWriter(path, clock=clock) as writer:
        stream, number = writer.next_stream_id, writer.next_lowering
        line = Scaling(ZERO_COUNTS, N_PER_COUNT, 0.005, 2.0, "two points, test bench")
        items: list[RecordItem] = [
            StreamOpened(
                stream, cell, "serial:test", station, info, line if scaling else None,
                overload_n, START_BOOT_NS, START_WALL_NS,
            )
        ]  # fmt: skip
        items += _frames(stream, counts, rate_hz, gaps)
        for first, missing in gaps:
            at_ns = START_BOOT_NS + round(first / rate_hz * 1e9)
            items.append(GapNoted(stream, first, missing, at_ns, "lost"))
        for offset, (first, last) in enumerate(windows):
            items.append(WindowOpened(number + offset, stream, first + int(2 * rate_hz), first))
            if not (leave_open and offset == len(windows) - 1):
                items.append(WindowClosed(number + offset, stream, last))
        end_ns = START_BOOT_NS + round(len(counts) / rate_hz * 1e9)
        items.append(StreamClosed(stream, end_ns, "stopped"))
        for batch in _batches(items, 200):
            writer.write(batch)
    return Made(path, rate_hz, force_n, windows)


def _frames(
    stream: int, counts: NDArray[np.int32], rate_hz: float, gaps: Sequence[tuple[int, int]]
) -> list[RecordItem]:
    """Frames of at most ``FRAME`` samples; none spans a gap."""
    cuts = sorted({0, len(counts), *itertools.chain(*((f, f + n) for f, n in gaps))})
    missing = {first for first, _ in gaps}
    frames: list[RecordItem] = []
    for low, high in itertools.pairwise(cuts):
        if low in missing:
            continue
        for first in range(low, high, FRAME):
            part = counts[first : min(first + FRAME, high)]
            tick_us = round(first / rate_hz * 1e6)
            last_us = round((first + len(part) - 1) / rate_hz * 1e6)
            received = START_BOOT_NS + last_us * 1000 + LATENCY_NS
            frames.append(placed_frame(stream, first, tick_us, part, received))
    return frames


def _batches(items: list[RecordItem], size: int) -> list[list[RecordItem]]:
    return [items[i : i + size] for i in range(0, len(items), size)]
