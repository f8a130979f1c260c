"""What is happening now: rolling state of each cell, published as an immutable snapshot.

Comes in: what the pipeline has placed and noted. Goes out: a :class:`Snapshot`, replaced
by assignment, handed to consumers that each run on a thread of their own and see only the
newest. Must not: block the pipeline, or be needed for recording: a consumer that raises
is counted, one that stalls misses snapshots, and neither costs a sample.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from logger.samples import CountArray, Scaling

RATE_SPAN_NS: Final = 2_000_000_000
FORCE_SPAN_S: Final = 0.1
STALE_AFTER_NS: Final = 1_000_000_000


@dataclass(frozen=True, slots=True)
class CellView:
    """One cell at one moment.

    ``force_n`` is the mean of what came last, 0.1 s at most, newtons above ``zero_n``
    (the level that the trigger takes for slack); None without calibration. ``counts`` is
    that mean before scaling. ``peak_n`` belongs to ``lowering``: the newest one, still
    open when ``window_open``. ``received_ns`` is the host time of the newest sample.
    ``time_error_s`` bounds the error of its time; without ``latency_s``, the bound of the link's
    latency in it, all times are late by one that nothing bounds.
    """

    cell: str
    connected: bool
    stream_id: int | None
    force_n: float | None
    counts: float | None
    rate_hz: float
    n_samples: int
    n_gaps: int
    n_missing: int
    n_faults: int
    overruns: int
    battery_pct: int | None
    temperature_c: float | None
    drift_ppm: float | None
    time_error_s: float | None
    latency_s: float | None
    zero_n: float | None
    lowering: int | None
    window_open: bool
    peak_n: float | None
    received_ns: int | None


@dataclass(frozen=True, slots=True)
class Snapshot:
    """All cells at one moment; ``at_ns`` is host time, ``lowerings`` the closed ones."""

    at_ns: int
    cells: tuple[CellView, ...]
    lowerings: int
    free_bytes: int | None
    queued_bytes: int

    def stale(self, view: CellView) -> bool:
        """Whether the cell's number is too old to be shown as now."""
        return view.received_ns is None or self.at_ns - view.received_ns > STALE_AFTER_NS


@dataclass(slots=True)
class CellState:
    """Rolling state of one cell, owned by the pipeline thread."""

    cell: str
    connected: bool = False
    stream_id: int | None = None
    n_samples: int = 0
    n_gaps: int = 0
    n_missing: int = 0
    n_faults: int = 0
    overruns: int = 0
    battery_pct: int | None = None
    temperature_c: float | None = None
    drift_ppm: float | None = None
    time_error_s: float | None = None
    latency_s: float | None = None
    zero_n: float | None = None
    lowering: int | None = None
    window_open: bool = False
    peak_n: float | None = None
    received_ns: int | None = None
    _counts: float | None = None
    _force_n: float | None = None
    _arrivals: deque[tuple[int, int]] = field(default_factory=deque)

    def opened(self, stream_id: int) -> None:
        """Begin a stream; what belonged to the stream before is forgotten."""
        self.stream_id = stream_id
        self.window_open = False
        self.drift_ppm = self.time_error_s = self.latency_s = None
        self.zero_n = None

    def samples(
        self, counts: CountArray, received_ns: int, rate_hz: float, scaling: Scaling | None
    ) -> None:
        """Take in a placed frame of ``(n,)`` counts."""
        n = len(counts)
        self.n_samples += n
        self.received_ns = received_ns
        self._arrivals.append((received_ns, n))
        newest = counts[-max(1, round(rate_hz * FORCE_SPAN_S)) :]
        self._counts = float(np.add.reduce(newest, dtype=np.int64)) / len(newest)
        self._force_n = None
        if scaling is not None:
            self._force_n = _newtons(self._counts, scaling) - (self.zero_n or 0.0)

    def loaded(self, counts: CountArray, scaling: Scaling) -> None:
        """Take in ``(n,)`` counts of the open lowering: its peak so far."""
        if len(counts):
            top = counts.max() if scaling.n_per_count > 0 else counts.min()
            highest_n = _newtons(float(top), scaling) - (self.zero_n or 0.0)
            self.peak_n = highest_n if self.peak_n is None else max(self.peak_n, highest_n)

    def gap(self, n_missing: int) -> None:
        """Count samples that are known to be missing."""
        self.n_gaps += 1
        self.n_missing += n_missing

    def window_opened(self, lowering: int) -> None:
        """Begin a lowering whose peak is not known yet."""
        self.lowering = lowering
        self.window_open = True
        self.peak_n = None

    def view(self, now_ns: int) -> CellView:
        """Freeze."""
        return CellView(
            cell=self.cell,
            connected=self.connected,
            stream_id=self.stream_id,
            force_n=self._force_n,
            counts=self._counts,
            rate_hz=self._rate_hz(now_ns),
            n_samples=self.n_samples,
            n_gaps=self.n_gaps,
            n_missing=self.n_missing,
            n_faults=self.n_faults,
            overruns=self.overruns,
            battery_pct=self.battery_pct,
            temperature_c=self.temperature_c,
            drift_ppm=self.drift_ppm,
            time_error_s=self.time_error_s,
            latency_s=self.latency_s,
            zero_n=self.zero_n,
            lowering=self.lowering,
            window_open=self.window_open,
            peak_n=self.peak_n,
            received_ns=self.received_ns,
        )

    def _rate_hz(self, now_ns: int) -> float:
        """Give samples per second over the last two seconds of arrivals."""
        arrivals = self._arrivals
        while arrivals and now_ns - arrivals[0][0] > RATE_SPAN_NS:
            arrivals.popleft()
        if len(arrivals) < 2:
            return 0.0
        span_ns = max(arrivals[-1][0] - arrivals[0][0], 1)
        return (sum(n for _, n in arrivals) - arrivals[0][1]) * 1e9 / span_ns


def _newtons(counts: float, scaling: Scaling) -> float:
    """Force of one reading."""
    return (counts - scaling.zero_counts) * scaling.n_per_count


class Consumer:
    """A function that shows snapshots, on a thread of its own.

    Parameters
    ----------
    name : str
        Named in faults and as the thread.
    show : callable
        Called with the newest snapshot; may raise or stall.
    """

    def __init__(self, name: str, show: Callable[[Snapshot], None]) -> None:
        self.name = name
        self.n_failed = 0
        self.last_error = ""
        self._show = show
        self._changed = threading.Condition()
        self._newest: Snapshot | None = None
        self._closing = False
        self._thread = threading.Thread(target=self._run, name=f"live-{name}", daemon=True)

    def start(self) -> None:
        """Begin to show."""
        self._thread.start()

    def offer(self, snapshot: Snapshot) -> None:
        """Replace the snapshot that waits; never waits itself."""
        with self._changed:
            self._newest = snapshot
            self._changed.notify()

    def stop(self, timeout_s: float = 0.5) -> bool:
        """Show what waits, end the thread; False when it is stuck and was left behind."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while True:
            with self._changed:
                while self._newest is None:
                    if self._closing:
                        return
                    self._changed.wait()
                snapshot, self._newest = self._newest, None
            try:
                self._show(snapshot)
            except Exception as error:  # noqa: BLE001 - counted, and on record as a fault
                self.last_error = f"{type(error).__name__}: {error}"
                self.n_failed += 1
