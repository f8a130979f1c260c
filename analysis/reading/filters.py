"""Plain array filters that the reading of a trace is built from.

Comes in: times and forces as arrays. Goes out: noise, block means, smoothed forces,
still stretches. Must not: know about phases, or loop over samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from analysis.reading.trace import BoolArray, FloatArray

_QUARTILE_OF_ABS_NORMAL = 0.3186
_MAD_TO_SD = 1.4826
_CHUNK = 32
_QUARTILE_TO_SD = 1.09


@dataclass(frozen=True, slots=True, eq=False)
class Blocks:
    """Means over equal stretches of time; NaN where a gap left none.

    Parameters
    ----------
    start_s : float
        Where block 0 begins.
    width_s : float
        Length of a block.
    mean_n : (m,) float64
        Mean force, NaN without samples.
    noise_n : float
        Standard deviation of a block mean while nothing moves.
    """

    start_s: float
    width_s: float
    mean_n: FloatArray
    noise_n: float

    def time_s(self, index: int) -> float:
        """Begin of a block."""
        return self.start_s + index * self.width_s

    def index(self, time_s: float) -> int:
        """Block that holds a time."""
        return min(max(int((time_s - self.start_s) / self.width_s), 0), self.mean_n.size)


def smallest_step(force_n: FloatArray) -> float:
    """Smallest step between neighbouring samples that is not zero; 0 when constant.

    Examples
    --------
    >>> smallest_step(np.array([0.0, 2.0, 2.0, 3.5]))
    1.5
    """
    steps = np.abs(np.diff(force_n))
    steps = steps[steps > 0]
    return float(steps.min()) if steps.size else 0.0


def noise_sd(force_n: FloatArray) -> float:
    """Measure the standard deviation of the sample noise where the record is calm.

    Parameters
    ----------
    force_n : (n,) float64
        Newtons, evenly sampled.

    Returns
    -------
    float
        Newtons.

    Notes
    -----
    The steps of the calmest quarter of the record count, so that three quarters of it may
    move; rounding is part of the noise.
    """
    steps = np.diff(force_n)
    if steps.size < 2 * _CHUNK:
        return _MAD_TO_SD * float(np.median(np.abs(steps))) / math.sqrt(2.0) if steps.size else 0.0
    chunks = steps[: steps.size // _CHUNK * _CHUNK].reshape(-1, _CHUNK)
    return _QUARTILE_TO_SD * float(np.percentile(chunks.std(axis=1), 25.0)) / math.sqrt(2.0)


def block_means(time_s: FloatArray, force_n: FloatArray, width_s: float, noise_n: float) -> Blocks:
    """Average a record over equal stretches of time.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        The record.
    width_s : float
        Length of a block.
    noise_n : float
        Standard deviation of one sample; the blocks' own is never taken smaller than
        that of an average.

    Returns
    -------
    Blocks
    """
    start = float(time_s[0])
    index = ((time_s - start) / width_s).astype(np.int64)
    count = np.bincount(index)
    total = np.bincount(index, weights=force_n)
    mean = np.full(count.size, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    usual = max(float(np.median(count[count > 0])), 1.0)
    steps = np.abs(np.diff(mean))
    steps = steps[np.isfinite(steps)]
    quiet = float(np.percentile(steps, 25.0)) if steps.size >= 4 else 0.0
    spread = quiet / (_QUARTILE_OF_ABS_NORMAL * math.sqrt(2.0))
    floor = noise_n / math.sqrt(usual)
    return Blocks(start, width_s, mean, min(max(spread, floor), max(3.0 * floor, 1e-12)))


def moving_mean(force_n: FloatArray, n: int) -> FloatArray:
    """Centred mean over ``n`` samples (made odd), shorter at both ends.

    Examples
    --------
    >>> moving_mean(np.array([0.0, 3.0, 0.0, 3.0]), 3).tolist()
    [1.5, 1.0, 2.0, 1.5]
    """
    half = n // 2
    if half == 0:
        return force_n
    run = np.cumsum(force_n)
    total = np.concatenate((np.zeros(half + 1), run, run[-1:].repeat(half)))
    at = np.arange(force_n.size)
    held = np.minimum(at + half + 1, force_n.size) - np.maximum(at - half, 0)
    out: FloatArray = (total[2 * half + 1 :] - total[: -2 * half - 1]) / held
    return out


def window_range(values: FloatArray, n: int) -> tuple[FloatArray, FloatArray]:
    """Range and middle of every window of ``n`` values; infinite range over a gap.

    Returns
    -------
    range, middle : (m - n + 1,) float64
    """
    if values.size < n:
        return np.empty(0), np.empty(0)
    windows = np.lib.stride_tricks.sliding_window_view(values, n)
    low, high = windows.min(axis=1), windows.max(axis=1)
    span = np.where(np.isfinite(low), high - low, np.inf)
    return span, np.where(np.isfinite(low), (high + low) / 2.0, 0.0)


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """First index and one past the last of every run of true values.

    Examples
    --------
    >>> runs(np.array([True, True, False, True]))
    [(0, 2), (3, 4)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def shorth(values: FloatArray) -> FloatArray:
    """Return the half of the values that lies closest together.

    Examples
    --------
    >>> shorth(np.array([1.0, 9.0, 1.1, 5.0, 1.2])).tolist()
    [1.0, 1.1, 1.2]
    """
    ordered = np.sort(values)
    half = ordered.size // 2 + 1
    widths = ordered[half - 1 :] - ordered[: ordered.size - half + 1]
    first = int(np.argmin(widths))
    return ordered[first : first + half]


def robust_sd(values: FloatArray) -> float:
    """Estimate a standard deviation from the median absolute deviation."""
    if values.size == 0:
        return 0.0
    return _MAD_TO_SD * float(np.median(np.abs(values - np.median(values))))


@dataclass(frozen=True, slots=True, eq=False)
class Swings:
    """Stretches in which a record stays on one side of a level.

    ``amplitude_n`` is the largest distance of each stretch; ``first`` the sample where it
    leaves the level by more than the hysteresis, ``peak`` the sample farthest away,
    ``above`` its side.
    """

    first: tuple[int, ...]
    peak: tuple[int, ...]
    amplitude_n: tuple[float, ...]
    above: tuple[bool, ...]


def swings_about(force_n: FloatArray, level_n: float, hysteresis_n: float) -> Swings:
    """Split a record into its swings above and below a level.

    Examples
    --------
    >>> swings_about(np.array([0.0, 5.0, 2.0, -3.0, 0.1]), 0.0, 1.0).amplitude_n
    (5.0, 3.0)
    """
    away = force_n - level_n
    outside = np.flatnonzero(np.abs(away) > hysteresis_n)
    if outside.size == 0:
        return Swings((), (), (), ())
    side = away[outside] > 0
    starts = np.concatenate(([0], np.flatnonzero(side[1:] != side[:-1]) + 1))
    ends = np.concatenate((starts[1:], [outside.size]))
    size = np.abs(away[outside])
    peaks = [int(outside[a + int(np.argmax(size[a:b]))]) for a, b in zip(starts, ends, strict=True)]
    return Swings(
        tuple(int(outside[a]) for a in starts),
        tuple(peaks),
        tuple(float(abs(away[p])) for p in peaks),
        tuple(bool(side[a]) for a in starts),
    )
