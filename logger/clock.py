"""Host clocks, as a parameter.

Comes in: nothing. Goes out: nanoseconds of the clock that runs through suspend, wall
time, and waiting. Must not: be called from decoders, trigger or analysis.
"""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Two clocks and a way to wait."""

    def boot_ns(self) -> int:
        """Nanoseconds that never jump and count suspend where the system offers it."""
        ...

    def wall_ns(self) -> int:
        """Nanoseconds since 1970 UTC; may jump."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


_BOOT_CLOCK: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class SystemClock:
    """The machine's own clocks.

    Notes
    -----
    ``CLOCK_BOOTTIME`` runs through suspend on Linux. On macOS ``CLOCK_MONOTONIC``
    does too; elsewhere the monotonic clock is used and a suspend shows as a gap.
    """

    __slots__ = ()

    def boot_ns(self) -> int:
        """Nanoseconds since boot."""
        return time.clock_gettime_ns(_BOOT_CLOCK)

    def wall_ns(self) -> int:
        """Nanoseconds since 1970 UTC."""
        return time.time_ns()

    def sleep(self, seconds: float) -> None:
        """Wait on the real clock."""
        time.sleep(seconds)
