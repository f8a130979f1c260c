"""The sender's own record of what it sent, for tests.

Comes in: every frame the device built, and what became of it. Goes out: a file of fixed
heads, each followed by its counts. Must not: be read by capture or analysis.

Layout, little-endian, repeated to the end of the file: a head of 40 bytes (``HEAD``),
then ``n`` × i32 counts as they were before any damage.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from pathlib import Path
from typing import BinaryIO

import numpy as np
from numpy.typing import NDArray

HEAD = np.dtype(
    [
        ("first_index", "<u8"),
        ("tick_us", "<u8"),
        ("taken_ns", "<i8"),
        ("boot_id", "<u4"),
        ("crc32", "<u4"),
        ("n", "<u2"),
        ("fate", "u1"),
        ("times", "u1"),
        ("damaged_bytes", "<u4"),
    ]
)
"""``taken_ns``: host clock (CLOCK_BOOTTIME) at which the first sample was taken; ``crc32``:
of the counts' bytes; ``times``: how often the frame went out (2 when duplicated)."""


class Fate(IntEnum):
    """What became of a frame."""

    SENT = 0
    OVERRUN = 1
    DROPPED = 2
    UNPLUGGED = 3


@dataclass(frozen=True, slots=True, eq=False)
class SentRecord:
    """A whole record: ``heads : (frames,) HEAD`` and the counts of each frame."""

    heads: NDArray[np.void]
    counts: list[NDArray[np.int32]]

    def samples(self, *, every: bool = False) -> NDArray[np.int32]:
        """Join the counts of all frames that went out (or that were made), one after the other."""
        chosen = [
            c
            for head, c in zip(self.heads, self.counts, strict=True)
            if every or head["fate"] == Fate.SENT
        ]
        return np.concatenate(chosen) if chosen else np.zeros(0, np.int32)

    def lost(self, fate: Fate) -> int:
        """Count the samples with this fate."""
        return int(self.heads["n"][self.heads["fate"] == fate].sum())


def write_frame(file: BinaryIO, head: NDArray[np.void], counts: NDArray[np.int32]) -> None:
    """Append one frame."""
    file.write(head.tobytes() + counts.astype("<i4").tobytes())


def read_sent(path: str | Path) -> SentRecord:
    """Read a record; a torn last frame is left out."""
    data = Path(path).read_bytes()
    heads, counts, at = [], [], 0
    while at + HEAD.itemsize <= len(data):
        head = np.frombuffer(data, HEAD, 1, at)
        end = at + HEAD.itemsize + 4 * int(head["n"][0])
        if end > len(data):
            break
        heads.append(head)
        body = np.frombuffer(data, "<i4", int(head["n"][0]), at + HEAD.itemsize)
        counts.append(body.astype(np.int32))
        at = end
    return SentRecord(np.concatenate(heads) if heads else np.zeros(0, HEAD), counts)
