"""A trace: newtons against time at one station, with what is known of its making.

Comes in: arrays of times and forces, gaps, count limits and uncertainties as numbers.
Goes out: one frozen :class:`Trace` with read-only arrays. Must not: read files or
logbooks, fill gaps, or filter.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import TraceError
from analysis.reading.place import NOWHERE, Place
from analysis.reading.timing import Timing

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

_GAP_PERIODS = 1.9
"""A step longer than this many median sample periods is a gap."""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without samples: the last time before it and the first after it."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Chain:
    """What is known of the measuring chain, as standard uncertainties (k = 1).

    Parameters
    ----------
    calibration_rel_u : float
        Relative standard uncertainty of the calibration's slope.
    zero_u_n : float
        Standard uncertainty of the calibration's own zero, newtons.
    resolution_n : float
        One count in newtons; 0 takes the smallest step seen in the trace.
    filter_delay_s : float
        Delay of the converter's filter; it averages over about twice that.
    clip_low_n, clip_high_n : float or None
        Readings at or beyond these are at the converter's limit.
    overload_n : float or None
        The cell's entered overload limit.
    gain : float
        Vertical load of the hanging piece per newton read at the station.
    gain_rel_u : float
        Relative standard uncertainty of ``gain`` (the friction band).
    gain_low, gain_high : float or None
        Ends of the friction band; None where ``gain`` has none.
    temperature_rel_u, temperature_u_n : float
        Standard uncertainties of slope and zero from the temperature, when it was sent
        and the cell's figures are known; else 0.
    """

    calibration_rel_u: float = 0.0
    zero_u_n: float = 0.0
    resolution_n: float = 0.0
    filter_delay_s: float = 0.0
    clip_low_n: float | None = None
    clip_high_n: float | None = None
    overload_n: float | None = None
    gain: float = 1.0
    gain_rel_u: float = 0.0
    gain_low: float | None = None
    gain_high: float | None = None
    temperature_rel_u: float = 0.0
    temperature_u_n: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Newtons against time at one station; build it with :func:`make_trace`.

    Parameters
    ----------
    time_s : (n,) float64, read-only
        Strictly increasing, seconds.
    force_n : (n,) float64, read-only
        Newtons as read, zero not yet taken; finite; may be negative.
    gaps : tuple of Gap
        Stretches without samples, in order.
    period_s : float
        Median sample period.
    chain : Chain
        Uncertainties and limits of the measuring chain.
    station : str
        Where the cell sat.
    tag_line_tight, touched : bool
        What a person noted on the lowering.
    place : Place
        What the station reads, and the rope in play.
    timing : Timing or None
        How well the times are known; None where nobody says (a CSV file).
    """

    time_s: FloatArray
    force_n: FloatArray
    gaps: tuple[Gap, ...]
    period_s: float
    chain: Chain = field(default_factory=Chain)
    station: str = ""
    tag_line_tight: bool = False
    touched: bool = False
    place: Place = NOWHERE
    timing: Timing | None = None

    @property
    def n(self) -> int:
        """Number of samples."""
        return int(self.time_s.size)

    @property
    def rate_hz(self) -> float:
        """Samples per second from the median period."""
        return 1.0 / self.period_s

    @property
    def duration_s(self) -> float:
        """From the first to the last sample."""
        return float(self.time_s[-1] - self.time_s[0])

    def with_chain(self, chain: Chain) -> Trace:
        """Give the same samples another measuring chain."""
        return replace(self, chain=chain)


def _frozen(values: FloatArray) -> FloatArray:
    out = np.array(values, dtype=np.float64)
    out.setflags(write=False)
    return out


def _checked(time_s: ArrayLike, force_n: ArrayLike) -> tuple[FloatArray, FloatArray]:
    time = np.asarray(time_s, dtype=np.float64)
    force = np.asarray(force_n, dtype=np.float64)
    if time.ndim != 1 or time.shape != force.shape:
        raise TraceError(f"times {time.shape} and forces {force.shape} must be equally long rows")
    if not np.all(np.isfinite(time)):
        where = int(np.flatnonzero(~np.isfinite(time))[0])
        raise TraceError(f"sample {where}: its time is not a finite number")
    if time.size < 2:
        raise TraceError(f"{time.size} sample(s); at least 2 are needed to know the rate")
    steps = np.diff(time)
    if np.any(steps <= 0):
        where = int(np.flatnonzero(steps <= 0)[0]) + 1
        raise TraceError(
            f"sample {where}: time {time[where]:g} s does not come after the one before"
        )
    return time, force


def find_gaps(time_s: FloatArray, period_s: float) -> tuple[Gap, ...]:
    """Gaps where the step of time is longer than nearly two sample periods.

    Parameters
    ----------
    time_s : (n,) float64
        Strictly increasing, seconds.
    period_s : float
        Sample period.

    Returns
    -------
    tuple of Gap

    Examples
    --------
    >>> find_gaps(np.array([0.0, 0.1, 0.2, 0.5]), 0.1)
    (Gap(start_s=0.2, end_s=0.5),)
    """
    after = np.flatnonzero(np.diff(time_s) > _GAP_PERIODS * period_s)
    return tuple(Gap(float(time_s[i]), float(time_s[i + 1])) for i in after)


def make_trace(
    time_s: ArrayLike,
    force_n: ArrayLike,
    *,
    chain: Chain | None = None,
    gaps: tuple[Gap, ...] = (),
    period_s: float | None = None,
    station: str = "",
    tag_line_tight: bool = False,
    touched: bool = False,
    place: Place = NOWHERE,
) -> Trace:
    """Check times and forces and freeze them; samples that are not numbers become gaps.

    Parameters
    ----------
    time_s : (n,) array_like
        Seconds, strictly increasing, finite.
    force_n : (n,) array_like
        Newtons; a value that is not finite is left out and leaves a gap.
    chain : Chain, optional
        Uncertainties and limits of the measuring chain.
    gaps : tuple of Gap
        Gaps on record, added to those that the times show.
    period_s : float, optional
        Sample period; the median step when not given.
    place : Place
        What the station reads, and the rope in play.

    Returns
    -------
    Trace

    Raises
    ------
    TraceError
        Unequal lengths, fewer than two samples, or times that do not increase.

    Examples
    --------
    >>> make_trace([0.0, 0.1, 0.2, 0.3], [1.0, float("nan"), 3.0, 4.0]).gaps
    (Gap(start_s=0.0, end_s=0.2),)
    """
    time, force = _checked(time_s, force_n)
    period = float(np.median(np.diff(time))) if period_s is None else period_s
    good = np.isfinite(force)
    if not np.all(good):
        time, force = time[good], force[good]
    if time.size < 2:
        raise TraceError(f"only {time.size} sample(s) carry a finite force; at least 2 are needed")
    found = sorted({*gaps, *find_gaps(time, period)}, key=lambda gap: gap.start_s)
    return Trace(
        time_s=_frozen(time),
        force_n=_frozen(force),
        gaps=tuple(found),
        period_s=period,
        chain=chain or Chain(),
        station=station,
        tag_line_tight=tag_line_tight,
        touched=touched,
        place=place,
    )


def is_clipped(trace: Trace) -> bool:
    """Whether samples stand at the converter's limit.

    Parameters
    ----------
    trace : Trace
        With ``chain.clip_high_n`` when the limit is known.

    Returns
    -------
    bool

    Notes
    -----
    Without a known limit a flat top tells: at least four equal samples at the maximum,
    entered or left by a step larger than the finest step of the record would allow.
    """
    chain, force = trace.chain, trace.force_n
    top = float(force.max())
    if chain.clip_high_n is not None:
        low = chain.clip_low_n is not None and bool(np.any(force <= chain.clip_low_n))
        return top >= chain.clip_high_n or low
    at_top = np.flatnonzero(force == top)
    if at_top.size < 4 or at_top.size == force.size:
        return False
    first = int(at_top[0])
    run = 1
    while first + run < force.size and force[first + run] == top:
        run += 1
    if run < 4:
        return False
    steps = np.abs(np.diff(force))
    finest = float(steps[steps > 0].min())
    sides = [float(top - force[i]) for i in (first - 1, first + run) if 0 <= i < force.size]
    return max(sides, default=0.0) > 3.0 * finest
