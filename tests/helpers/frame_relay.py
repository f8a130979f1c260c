"""A cable between a cell and a recorder that changes the order of whole frames.

Comes in: the port of a simulated cell. Goes out: another port with the same frames, some of
them later than they were sent; requests go through untouched.
"""

from __future__ import annotations

import os
import random
import tty
from collections.abc import Callable
from types import TracebackType

from pty_relay import PtyRelay, raw_pty

AT_LEAST = 8
Disorder = Callable[[list[bytes], random.Random], list[bytes]]


def swapped(frames: list[bytes], coin: random.Random) -> list[bytes]:
    """Every so often two neighbours change places."""
    mixed = list(frames)
    for i in range(len(mixed) - 1):
        if coin.random() < 0.1:
            mixed[i], mixed[i + 1] = mixed[i + 1], mixed[i]
    return mixed


class FrameRelay(PtyRelay):
    """The cable, while the block lasts."""

    def __init__(self, port: str, disorder: Disorder, seed: int = 1) -> None:
        self._disorder = disorder
        self._coin = random.Random(seed)
        self._left = b""
        self._cell = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._cell)
        self._master, self._slave = raw_pty()
        self.url = f"serial:{os.ttyname(self._slave)}"
        self.n_moved = 0
        super().__init__(self._cell, self._master, forth=self._mix)

    def _mix(self, data: bytes) -> bytes:
        """Hold a handful of frames back, so that there are neighbours; let go when it is quiet."""
        self._left += data
        if data and self._left.count(b"\x00") < AT_LEAST:
            return b""
        *frames, self._left = self._left.split(b"\x00")
        mixed = self._disorder(frames, self._coin)
        self.n_moved += sum(a != b for a, b in zip(frames, mixed, strict=True))
        return b"".join(frame + b"\x00" for frame in mixed)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        super().__exit__(kind, error, trace)
        for fd in (self._cell, self._master, self._slave):
            os.close(fd)
