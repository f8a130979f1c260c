"""How well the times of a trace are known: the bound of their error, and what is in it.

Comes in: numbers of a fitted clock. Goes out: a frozen :class:`Timing`, as values and in words.
Must not: fit, or know a logbook.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


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
    drift_ppm : float
        Mean rate of the host's clock against the device's, minus one.
    wander_ppm : float
        Half the range of that rate over the recording: warming and cooling.

    Examples
    --------
    >>> Timing(0.0021, 0.0018, 12.34, 0.8).words()
    'times within ± 2.1 ms; device clock +12.3 ppm, wander ± 0.8 ppm'
    >>> Timing(0.0004, None, 0.0, 0.0).words()  # doctest: +ELLIPSIS
    'times within ± 0.4 ms of each other, all late by the latency of the link, which nothing bou...
    """

    error_s: float
    latency_s: float | None
    drift_ppm: float
    wander_ppm: float

    def words(self) -> str:
        """One line for people."""
        error = f"times within ± {self.error_s * 1e3:.2g} ms"
        if self.latency_s is None:
            error += " of each other, all late by the latency of the link, which nothing bounds"
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
