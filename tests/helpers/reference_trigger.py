"""Slow, obvious twin of the trigger: one sample at a time, plain numbers, whole list at once.

Written from the rules in the trigger's docstring; shares none of its code.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from logger.samples import Scaling
from logger.trigger import TriggerSettings


@dataclass
class Bin:
    first: int
    last: int
    counts: list[int] = field(default_factory=list)
    end_seen: int = 0

    def mean_n(self, scaling: Scaling) -> float:
        mean = sum(self.counts) / len(self.counts)
        return (mean - scaling.zero_counts) * scaling.n_per_count


def bins_of(samples: Iterable[tuple[int, int]], size: int) -> list[Bin]:
    found: list[Bin] = []
    for index, count in samples:
        start = index - index % size
        if not found or found[-1].first != start:
            found.append(Bin(start, start + size - 1))
        found[-1].counts.append(count)
        found[-1].end_seen = index
    return found


def reference_windows(  # noqa: C901, PLR0912 - one plain loop, to be read from top to bottom
    samples: list[tuple[int, int]], scaling: Scaling, rate_hz: float, settings: TriggerSettings
) -> list[tuple[int, int, int]]:
    """(trigger, first, last) of every window in ``(index, count)`` samples."""
    if not samples:
        return []
    size = max(1, round(settings.bin_s * rate_hz))
    width_s = size / rate_hz
    bins = bins_of(samples, size)
    means = [b.mean_n(scaling) for b in bins]
    zero_bins = 1
    while zero_bins * width_s < 1.0:
        zero_bins += 1

    windows: list[tuple[int, int, int]] = []
    first_free = samples[0][0]
    slack = 0.0
    run: list[int] = []
    opened: tuple[int, int] | None = None
    peak = level = quiet_s = still_s = 0.0
    for i, (b, mean) in enumerate(zip(bins, means, strict=True)):
        if i < zero_bins:
            lowest = min(means[: i + 1])
            slack = lowest if abs(lowest) <= settings.zero_limit_n else min(lowest, 0.0)
        above = mean - slack
        if opened is None:
            if above > settings.open_n:
                run.append(max(b.first, first_free))
                if len(run) == settings.bins_to_open:
                    history = -int(-(settings.history_s / width_s * size) // 1)
                    opened = (run[0], max(run[0] - history, first_free))
                    run, peak, level, quiet_s, still_s = [], above, mean, 0.0, 0.0
            else:
                run = []
                time_s = settings.drift_s if above > 0 else settings.drift_s / 60
                slack += above * min(1.0, width_s / time_s)
            continue
        peak = max(peak, above)
        quiet_s = quiet_s + width_s if above < settings.close_n else 0.0
        if abs(mean - level) < settings.close_n / 2:
            still_s += width_s
        else:
            still_s, level = 0.0, mean
        low = max(peak * settings.settle_share, 2 * settings.open_n)
        settled = still_s >= settings.settle_s and above < low
        long_s = (b.last - opened[0]) / size * width_s
        quiet = quiet_s >= settings.hold_s - 1e-9
        if not quiet and (settled or long_s >= settings.longest_s):
            slack = mean
            quiet = True
        if quiet:
            windows.append((*opened, b.end_seen))
            first_free = b.end_seen + 1
            opened = None
    if opened is not None:
        windows.append((*opened, bins[-1].end_seen))
    return windows
