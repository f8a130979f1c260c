"""Host clocks, as a parameter.

Comes in: nothing. Goes out: nanoseconds of the clock that runs through suspend and of one
that does not, wall time, and waiting. Must not: be called from decoders, trigger or analysis.
"""

from __future__ import annotations

import sys
import time
from typing import Protocol


class Clock(Protocol):
    """The host's clocks and a way to wait."""

    def boot_ns(self) -> int:
        """Nanoseconds that never jump and count suspend where the system offers it."""
        ...

    def wall_ns(self) -> int:
        """Nanoseconds since 1970 UTC; may jump."""
        ...

    def awake_ns(self) -> int:
        """Like ``boot_ns``, but standing still in suspend; the same where nobody can tell."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


if sys.platform == "win32":  # pragma: no cover
    _boot_ns = _awake_ns = time.monotonic_ns
else:
    _MONOTONIC = time.CLOCK_MONOTONIC
    _BOOT_CLOCK: int = getattr(time, "CLOCK_BOOTTIME", _MONOTONIC)
    _AWAKE_CLOCK: int = getattr(time, "CLOCK_UPTIME_RAW", _MONOTONIC)

    def _boot_ns() -> int:
        return time.clock_gettime_ns(_BOOT_CLOCK)

    def _awake_ns() -> int:
        return time.clock_gettime_ns(_AWAKE_CLOCK)


class SystemClock:
    """The machine's own clocks.

    Notes
    -----
    ``CLOCK_BOOTTIME`` runs through suspend on Linux, ``CLOCK_MONOTONIC`` does not. On macOS
    ``CLOCK_MONOTONIC`` does and ``CLOCK_UPTIME_RAW`` does not. Elsewhere the monotonic clock is
    used, and a suspend shows as a gap and a jump of wall time.
    """

    __slots__ = ()

    def boot_ns(self) -> int:
        """Nanoseconds since boot."""
        return _boot_ns()

    def wall_ns(self) -> int:
        """Nanoseconds since 1970 UTC."""
        return time.time_ns()

    def awake_ns(self) -> int:
        """Nanoseconds since boot without those suspended."""
        return _awake_ns()

    def sleep(self, seconds: float) -> None:
        """Wait on the real clock."""
        time.sleep(seconds)
