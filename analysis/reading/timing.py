"""How well the times of a trace are known: the bound of their error, and what is in it.

Comes in: numbers of a fitted clock. Goes out: a frozen :class:`Timing`, as values and in words.
Must not: fit, or know a logbook.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from logger.units import format_seconds


@dataclass(frozen=True, slots=True)
class Timing:
    """Error of a trace's times on the host's time line, which aligns several cells.

    Parameters
    ----------
    error_s : float
        Bound of the error within the window, a half-width, seconds; with the latency of the
        link where that is bounded.
    latency_s : float or None
        Half the shortest round trip to the device, seconds; None when it was never asked for
        its time (an older recording, a sensor without a clock): all times are late by the
        least latency of the link, which nothing bounds.
    drift_ppm : float or None
        Mean rate of the host's clock against the device's, minus one; None of a sensor without
        a clock, whose messages the host timed.
    wander_ppm : float or None
        Half the range of that rate over the recording: warming and cooling.

    Examples
    --------
    >>> Timing(0.0021, 0.0018, 12.34, 0.8).words()
    'within ± 2.1 ms; device clock +12.3 ppm, wander ± 0.8 ppm'
    >>> Timing(0.017, None, None, None).words()  # doctest: +ELLIPSIS
    'within ± 17 ms of each other, all late by the latency of the link, which nothing bounds; ti...
    """

    error_s: float
    latency_s: float | None
    drift_ppm: float | None
    wander_ppm: float | None

    def words(self) -> str:
        """Say in one line how far the times can be off, and what the clocks did."""
        error = f"within ± {format_seconds(self.error_s)}"
        if self.latency_s is None:
            error += " of each other, all late by the latency of the link, which nothing bounds"
        if self.drift_ppm is None or self.wander_ppm is None:
            return f"{error}; timed by the host as messages came"
        return (
            f"{error}; device clock {self.drift_ppm:+.1f} ppm, wander ± {self.wander_ppm:.1f} ppm"
        )

    def to_dict(self) -> dict[str, Any]:
        """Plain values under stable keys, SI."""
        return {
            "time_error_s": self.error_s,
            "latency_bound_s": self.latency_s,
            "clock_drift_ppm": self.drift_ppm,
            "clock_wander_ppm": self.wander_ppm,
        }
