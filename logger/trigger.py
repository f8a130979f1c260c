"""Detection of lowerings in one cell's counts; the only window detector.

Comes in: counts with their index, in order, in any blocking. Goes out: windows that
open (with history before the trigger) and close. Must not: do I/O, look at host time, or
depend on how the counts were cut into blocks: analysis runs it again on stored counts
and must find the same windows.

How it decides. Counts are averaged over bins that lie on a fixed grid of the index (sums
of integers, so exact). The *slack level* follows the bins slowly while no window is
open: a cell with a zero offset or a slow drift neither triggers nor holds a window open.
A window opens when ``bins_to_open`` bins in a row lie above slack + ``open_n``; it closes
when every bin for ``hold_s`` lay below slack + ``close_n``. Two more rules end a window
whose slack level moved while it was open (rope left hanging in the cell, a cell
re-mounted): still for ``settle_s`` at a low level, or open longer than ``longest_s``. Either takes the level found as the new slack.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from logger.errors import InputError
from logger.samples import CountArray, Scaling


@dataclass(frozen=True, slots=True)
class TriggerSettings:
    """When a window opens and closes.

    Parameters
    ----------
    open_n, close_n : float
        Newtons above slack; ``close_n`` is smaller (hysteresis).
    hold_s : float
        How long it must be quiet before a window closes.
    history_s : float
        What a window includes before its trigger.
    bin_s : float
        Length of an averaging bin.
    bins_to_open : int
        How many bins in a row must lie above ``open_n``.
    zero_limit_n : float
        Largest reading that is believed to be a zero offset when a stream begins; beyond
        it the cell is taken to be under load already and slack to read 0.
    drift_s : float
        Time constant with which slack follows upward; downward sixty times as fast, as a
        rope cannot push.
    settle_s, settle_share : float
        A level held this still for so long, under this share of the window's highest
        bin or under twice ``open_n``, is slack.
    longest_s : float
        A window never lasts longer.
    """

    open_n: float = 150.0
    close_n: float = 75.0
    hold_s: float = 5.0
    history_s: float = 10.0
    bin_s: float = 0.05
    bins_to_open: int = 2
    zero_limit_n: float = 1000.0
    drift_s: float = 60.0
    settle_s: float = 30.0
    settle_share: float = 0.1
    longest_s: float = 1200.0

    def __post_init__(self) -> None:
        if not 0 < self.close_n < self.open_n:
            raise InputError(
                f"trigger: close_n ({self.close_n:g}) must lie between 0 and open_n ({self.open_n:g})"
            )
        if min(self.hold_s, self.bin_s, self.drift_s, self.settle_s, self.longest_s) <= 0:
            raise InputError("trigger: times must be above 0")
        if self.history_s < 0 or self.bins_to_open < 1:
            raise InputError("trigger: history_s must not be negative, bins_to_open at least 1")


DEFAULT_SETTINGS: Final = TriggerSettings()
UNCALIBRATED: Final = Scaling(0.0, 0.01, 0.0, 0.0, "not calibrated: 0.01 N per count assumed")
"""Stands in for a cell without calibration, so that windows are found at all."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A window begins: ``first_index`` includes the history, ``trigger_index`` does not."""

    trigger_index: int
    first_index: int


@dataclass(frozen=True, slots=True)
class Closed:
    """The open window ends with ``last_index``, inclusive."""

    last_index: int


@dataclass(frozen=True, slots=True)
class Window:
    """A whole window, ends inclusive."""

    trigger_index: int
    first_index: int
    last_index: int


class Trigger:
    """Finds the windows of one stream, as its counts come.

    Parameters
    ----------
    scaling : Scaling or None
        Of the cell; None stands for :data:`UNCALIBRATED`.
    sample_rate_hz : float
        Of the cell.
    settings : TriggerSettings
        Thresholds and times.
    """

    __slots__ = (
        "_above", "_bin", "_bin_n", "_bin_sum", "_candidate", "_first_free", "_level",
        "_next", "_open", "_peak", "_quiet", "_settings", "_size", "_slack", "_start",
        "_still", "_width", "_zero",
    )  # fmt: skip

    def __init__(
        self,
        scaling: Scaling | None,
        sample_rate_hz: float,
        settings: TriggerSettings = DEFAULT_SETTINGS,
    ) -> None:
        used = scaling or UNCALIBRATED
        self._settings = settings
        self._size = max(1, round(settings.bin_s * sample_rate_hz))
        self._width = self._size / sample_rate_hz
        self._zero = (used.zero_counts, used.n_per_count)
        self._bin, self._bin_sum, self._bin_n = 0, 0, 0
        self._next: int | None = None
        self._first_free = 0
        self._start: list[float] | None = []
        self._slack = 0.0
        self._above, self._candidate = 0, 0
        self._open: int | None = None
        self._quiet, self._still, self._level, self._peak = 0.0, 0.0, 0.0, 0.0

    @property
    def is_open(self) -> bool:
        """Whether a window is open."""
        return self._open is not None

    @property
    def slack_n(self) -> float:
        """Level that is taken for slack, newtons."""
        return self._slack

    @property
    def history_samples(self) -> int:
        """How many samples before its trigger a window includes at most."""
        return math.ceil(self._settings.history_s / self._width * self._size)

    def feed(self, first_index: int, counts: CountArray) -> list[Opened | Closed]:
        """Take the next counts; a jump of the index is a gap.

        Parameters
        ----------
        first_index : int
            Index of the first of them, never below the last one seen.
        counts : (n,) int32
            What the converter gave.

        Raises
        ------
        ValueError
            The index goes back: samples must come in order, once.
        """
        if self._next is None:
            self._next = self._first_free = first_index
            self._bin = first_index // self._size
        if first_index < self._next:
            raise ValueError(f"index {first_index} after {self._next - 1}: counts must be in order")
        found: list[Opened | Closed] = []
        if not len(counts):
            return found
        size, end = self._size, first_index + len(counts)
        number, last = first_index // size, (end - 1) // size
        sums = _bins(first_index, counts, size)
        if number != self._bin:
            self._finish_bin(found)
            self._bin, self._bin_sum, self._bin_n = number, 0, 0
        self._next = min((number + 1) * size, end)
        self._bin_sum += sums[0]
        self._bin_n += self._next - first_index
        if last > number:
            self._finish_bin(found)
            self._next = last * size
            self._judge(number + 1, [total / size for total in sums[1:-1]], found)
            self._bin, self._bin_sum, self._bin_n = last, sums[-1], end - last * size
        self._next = end
        return found

    def finish(self) -> list[Opened | Closed]:
        """End the stream: judge the unfinished bin, close an open window at the last sample."""
        found: list[Opened | Closed] = []
        self._finish_bin(found)
        self._bin_sum, self._bin_n = 0, 0
        if self._open is not None and self._next is not None:
            found.append(self._close(self._next - 1))
        return found

    def _finish_bin(self, found: list[Opened | Closed]) -> None:
        if self._bin_n:
            self._judge(self._bin, [self._bin_sum / self._bin_n], found)

    def _judge(self, number: int, means: list[float], found: list[Opened | Closed]) -> None:
        """Judge whole bins in a row by their mean counts, beginning with bin ``number``."""
        zero_counts, n_per_count = self._zero
        means_n = [(mean - zero_counts) * n_per_count for mean in means]
        at = 0
        while at < len(means_n):
            if self._start is not None:
                self._find_zero(means_n[at])
            last = at + 1 if self._start is not None else len(means_n)
            judge = self._watch if self._open is None else self._follow
            at = judge(number, means_n, at, last, found)

    def _find_zero(self, mean_n: float) -> None:
        """Take the lowest of the first second's bins for slack, if it can be a zero offset."""
        assert self._start is not None  # noqa: S101
        self._start.append(mean_n)
        lowest = min(self._start)
        self._slack = lowest if abs(lowest) <= self._settings.zero_limit_n else min(lowest, 0.0)
        if len(self._start) * self._width >= 1.0:
            self._start = None

    def _watch(
        self, number: int, means_n: list[float], at: int, last: int, found: list[Opened | Closed]
    ) -> int:
        """No window is open: let slack follow until one opens; the place of the next bin."""
        open_n, slack = self._settings.open_n, self._slack
        up = min(1.0, self._width / self._settings.drift_s)
        down = min(1.0, self._width / (self._settings.drift_s / 60))
        for place in range(at, last):
            above_n = means_n[place] - slack
            if above_n <= open_n:
                slack += above_n * (up if above_n > 0 else down)
                self._above = 0
            elif self._begins(number + place):
                self._slack = slack
                self._level, self._peak = means_n[place], above_n
                found.append(Opened(self._candidate, self._first_of_history()))
                return place + 1
        self._slack = slack
        return last

    def _begins(self, number: int) -> bool:
        """Take note of a bin above the threshold; whether it opens a window."""
        if self._above == 0:
            self._candidate = max(number * self._size, self._first_free)
        self._above += 1
        if self._above < self._settings.bins_to_open:
            return False
        self._open = self._candidate
        self._above, self._quiet, self._still = 0, 0.0, 0.0
        return True

    def _first_of_history(self) -> int:
        return max(self._candidate - self.history_samples, self._first_free)

    def _follow(
        self, number: int, means_n: list[float], at: int, last: int, found: list[Opened | Closed]
    ) -> int:
        """Note how long it has been quiet, or still, until that is long enough to close."""
        settings, slack, width = self._settings, self._slack, self._width
        close_n, half_n = settings.close_n, settings.close_n / 2
        hold_s, settle_s = settings.hold_s - 1e-9, settings.settle_s
        quiet, still, level, peak = self._quiet, self._still, self._level, self._peak
        too_long = self._too_long_from()
        for place in range(at, last):
            mean_n = means_n[place]
            above_n = mean_n - slack
            peak = max(peak, above_n)
            quiet = quiet + width if above_n < close_n else 0.0
            if -half_n < mean_n - level < half_n:
                still += width
            else:
                still, level = 0.0, mean_n
            if quiet < hold_s and still < settle_s and number + place < too_long:
                continue
            end = (number + place + 1) * self._size - 1
            settled = still >= settle_s and above_n < self._low_n(peak)
            if quiet >= hold_s or settled or self._is_too_long(end):
                if quiet < hold_s:
                    self._slack = mean_n
                found.append(self._close(end))
                return place + 1
        self._quiet, self._still, self._level, self._peak = quiet, still, level, peak
        return last

    def _low_n(self, peak_n: float) -> float:
        """Level under which a still load can be slack."""
        return max(peak_n * self._settings.settle_share, 2 * self._settings.open_n)

    def _too_long_from(self) -> int:
        """Give a bin before which the window cannot be too long."""
        assert self._open is not None  # noqa: S101
        return int(self._open / self._size + self._settings.longest_s / self._width) - 2

    def _is_too_long(self, last_index: int) -> bool:
        assert self._open is not None  # noqa: S101
        long_s = (last_index - self._open) / self._size * self._width
        return long_s >= self._settings.longest_s

    def _close(self, last_index: int) -> Closed:
        last_index = last_index if self._next is None else min(last_index, self._next - 1)
        self._open = None
        self._first_free = last_index + 1
        return Closed(last_index)


def _bins(first_index: int, counts: CountArray, size: int) -> list[int]:
    """Sum of the ``(n,)`` counts, n > 0, in each bin of the grid that they reach into."""
    starts = np.arange(-(first_index % size), len(counts), size)
    starts[0] = 0
    sums: list[int] = np.add.reduceat(counts.astype(np.int64), starts).tolist()
    return sums


def find_windows(
    blocks: Iterable[tuple[int, CountArray]],
    scaling: Scaling | None,
    sample_rate_hz: float,
    settings: TriggerSettings = DEFAULT_SETTINGS,
) -> list[Window]:
    """All windows of a stored stream.

    Parameters
    ----------
    blocks : iterable of (first_index, counts)
        In order, any blocking; a jump of the index is a gap.
    scaling, sample_rate_hz, settings
        As for :class:`Trigger`.

    Examples
    --------
    >>> counts = np.zeros(60_000, np.int32)
    >>> counts[20_000:30_000] = 10_000
    >>> find_windows([(0, counts)], Scaling(0.0, 0.1, 0.0, 0.0, "example"), 1000.0)
    [Window(trigger_index=20000, first_index=10000, last_index=34999)]
    """
    trigger = Trigger(scaling, sample_rate_hz, settings)
    events = [event for first, counts in blocks for event in trigger.feed(first, counts)]
    events += trigger.finish()
    opened = [event for event in events if isinstance(event, Opened)]
    closed = [event for event in events if isinstance(event, Closed)]
    return [
        Window(begin.trigger_index, begin.first_index, end.last_index)
        for begin, end in zip(opened, closed, strict=True)
    ]
