"""A cable of two open ends: bytes go both ways, changed on the way as a test wants.

Comes in: two file descriptors and what happens to bytes in each direction. Goes out: the same
bytes, or others, on the other end. The descriptors stay with whoever opened them.
"""

from __future__ import annotations

import os
import select
import threading
import tty
from collections.abc import Callable
from types import TracebackType
from typing import Self

QUIET_S = 0.1
Change = Callable[[bytes], bytes]
"""Bytes that came, empty after a while without any -> bytes that go on."""


def untouched(data: bytes) -> bytes:
    return data


def raw_pty() -> tuple[int, int]:
    """A pseudo-terminal's two ends that change nothing."""
    ends = os.openpty()
    for fd in ends:
        tty.setraw(fd)
    return ends


class PtyRelay:
    """A thread that carries bytes while the block lasts, or until one end is gone."""

    def __init__(
        self, one: int, other: int, *, forth: Change = untouched, back: Change = untouched
    ) -> None:
        self._ways = ((one, other, forth), (other, one, back))
        self._done, self._wake = os.pipe()
        self._thread = threading.Thread(target=self._carry, name="relay")

    def _carry(self) -> None:
        while True:
            ready, _, _ = select.select(
                [*(way[0] for way in self._ways), self._done], [], [], QUIET_S
            )
            if self._done in ready:
                return
            for source, target, change in self._ways:
                if ready and source not in ready:
                    continue
                data = _read(source) if ready else b""
                if data is None:
                    return
                rest = change(data)
                while rest:
                    rest = rest[os.write(target, rest) :]

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
        os.close(self._done)
        os.close(self._wake)


def _read(fd: int) -> bytes | None:
    """What waits; None at the end."""
    try:
        return os.read(fd, 4096) or None
    except OSError:
        return None
