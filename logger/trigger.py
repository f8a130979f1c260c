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
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

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
        for number, total, n in _bins(first_index, counts, self._size):
            if number != self._bin:
                self._finish_bin(found)
                self._bin, self._bin_sum, self._bin_n = number, 0, 0
            self._bin_sum += total
            self._bin_n += n
            self._next = min((number + 1) * self._size, first_index + len(counts))
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
        if self._bin_n == 0:
            return
        zero_counts, n_per_count = self._zero
        mean_n = (self._bin_sum / self._bin_n - zero_counts) * n_per_count
        if self._start is not None:
            self._find_zero(mean_n)
        if self._open is None:
            self._watch(mean_n, found)
        else:
            self._follow(mean_n, found)

    def _find_zero(self, mean_n: float) -> None:
        """Take the lowest of the first second's bins for slack, if it can be a zero offset."""
        assert self._start is not None  # noqa: S101
        self._start.append(mean_n)
        lowest = min(self._start)
        self._slack = lowest if abs(lowest) <= self._settings.zero_limit_n else min(lowest, 0.0)
        if len(self._start) * self._width >= 1.0:
            self._start = None

    def _watch(self, mean_n: float, found: list[Opened | Closed]) -> None:
        """No window is open: let slack follow, or open one."""
        settings = self._settings
        above_n = mean_n - self._slack
        if above_n > settings.open_n:
            if self._above == 0:
                self._candidate = max(self._bin * self._size, self._first_free)
            self._above += 1
            if self._above >= settings.bins_to_open:
                self._open = self._candidate
                first = max(self._candidate - self.history_samples, self._first_free)
                self._above, self._quiet, self._still = 0, 0.0, 0.0
                self._level, self._peak = mean_n, above_n
                found.append(Opened(self._candidate, first))
            return
        self._above = 0
        time_s = settings.drift_s if above_n > 0 else settings.drift_s / 60
        self._slack += above_n * min(1.0, self._width / time_s)

    def _follow(self, mean_n: float, found: list[Opened | Closed]) -> None:
        """Note how long it has been quiet, or still; close when that is long enough."""
        assert self._open is not None  # noqa: S101
        settings = self._settings
        above_n = mean_n - self._slack
        self._peak = max(self._peak, above_n)
        self._quiet = self._quiet + self._width if above_n < settings.close_n else 0.0
        if abs(mean_n - self._level) < settings.close_n / 2:
            self._still += self._width
        else:
            self._still, self._level = 0.0, mean_n
        last = (self._bin + 1) * self._size - 1
        if self._quiet >= settings.hold_s - 1e-9:
            found.append(self._close(last))
            return
        low_n = max(self._peak * settings.settle_share, 2 * settings.open_n)
        settled = self._still >= settings.settle_s and above_n < low_n
        too_long = (last - self._open) / self._size * self._width >= settings.longest_s
        if settled or too_long:
            self._slack = mean_n
            found.append(self._close(last))

    def _close(self, last_index: int) -> Closed:
        last_index = last_index if self._next is None else min(last_index, self._next - 1)
        self._open = None
        self._first_free = last_index + 1
        return Closed(last_index)


def _bins(first_index: int, counts: CountArray, size: int) -> Iterator[tuple[int, int, int]]:
    """Give number, sum and length of the part of ``counts`` in each bin of the grid."""
    n = len(counts)
    if n == 0:
        return
    first_bin, last_bin = first_index // size, (first_index + n - 1) // size
    starts = np.arange(first_bin, last_bin + 1, dtype=np.int64) * size - first_index
    starts[0] = 0
    sums: NDArray[np.int64] = np.add.reduceat(counts.astype(np.int64), starts)
    ends = np.append(starts[1:], n)
    yield from zip(
        range(first_bin, last_bin + 1), sums.tolist(), (ends - starts).tolist(), strict=True
    )


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
