"""A cable between a cell and a recorder that changes the order of whole frames.

Comes in: the port of a simulated cell. Goes out: another port with the same frames, some of
them later than they were sent; requests go through untouched.
"""

from __future__ import annotations

import os
import random
import select
import threading
import tty
from collections.abc import Callable
from types import TracebackType
from typing import Self

Disorder = Callable[[list[bytes], random.Random], list[bytes]]


def swapped(frames: list[bytes], coin: random.Random) -> list[bytes]:
    """Every so often two neighbours change places."""
    mixed = list(frames)
    for i in range(len(mixed) - 1):
        if coin.random() < 0.1:
            mixed[i], mixed[i + 1] = mixed[i + 1], mixed[i]
    return mixed


class FrameRelay:
    """Threads that carry bytes both ways while the block lasts."""

    def __init__(self, port: str, disorder: Disorder, seed: int = 1) -> None:
        self._disorder = disorder
        self._coin = random.Random(seed)
        self._cell = os.open(port, os.O_RDWR | os.O_NOCTTY)
        tty.setraw(self._cell)
        self._master, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.url = f"serial:{os.ttyname(self._slave)}"
        self.n_moved = 0
        self._done, self._wake = os.pipe()
        self._thread = threading.Thread(target=self._carry, name="relay")

    def _carry(self) -> None:
        left = b""
        while True:
            ready, _, _ = select.select([self._cell, self._master, self._done], [], [])
            if self._done in ready:
                return
            if self._master in ready:
                os.write(self._cell, os.read(self._master, 4096))
            if self._cell in ready:
                data = self._some()
                if not data:
                    return
                *frames, left = (left + data).split(b"\x00")
                mixed = self._disorder(frames, self._coin)
                self.n_moved += sum(a != b for a, b in zip(frames, mixed, strict=True))
                data = b"".join(frame + b"\x00" for frame in mixed)
                while data:
                    data = data[os.write(self._master, data) :]

    def _some(self) -> bytes:
        """Read a handful of frames at least, so that there are neighbours; nothing at the end."""
        data = b""
        while data.count(b"\x00") < 8 and select.select([self._cell], [], [], 0.1)[0]:
            try:
                more = os.read(self._cell, 4096)
            except OSError:
                more = b""
            if not more:
                return b""
            data += more
        return data

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.write(self._wake, b"x")
        self._thread.join()
        for fd in (self._cell, self._master, self._slave, self._done, self._wake):
            os.close(fd)
