"""What comes after recording, for one stream: lowerings, live state, how well its times are known.

Comes in: samples and answers to TIME that are already with the recorder. Goes out: windows on
record, the cell's live state. Must not: be needed for a sample to be stored. Whoever calls it
isolates what it raises, by :class:`Failures`.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Final, Protocol

import numpy as np

from logger.errors import RecordingError
from logger.live import CellState
from logger.samples import (
    CellInfo,
    CountArray,
    ExchangeNoted,
    Fault,
    RecordItem,
    SamplesPlaced,
    Scaling,
    WindowClosed,
    WindowOpened,
)
from logger.timebase import SLOPE_AFTER_US, Exchanges, fit_times, last_ticks
from logger.trigger import Opened, Trigger, TriggerSettings

FIT_EVERY_NS: Final = 5_000_000_000
FIT_BIN_NS: Final = 250_000_000
FIT_POINTS: Final = 1200
FIT_ANSWERS: Final = 16
FAILED_EVERY_NS: Final = 1_000_000_000


class LoweringHub(Protocol):
    """What a follower needs of the pipeline around it."""

    def record(self, item: RecordItem) -> None:
        """Hand an item to the recorder."""
        ...

    def open_lowering(self, stream_id: int) -> int:
        """Give the number of the lowering that this stream takes part in from now on."""
        ...

    def close_lowering(self, stream_id: int) -> None:
        """Take note that the stream's part of the lowering has ended."""
        ...


class Follower:
    """Follows one stream.

    Parameters
    ----------
    stream_id : int
        The stream.
    info : CellInfo
        Of its device.
    scaling : Scaling or None
        Without one there is no trigger: its thresholds are newtons.
    state : CellState
        Of the cell, brought up to date.
    hub : LoweringHub
        Numbers lowerings and takes windows.
    settings : TriggerSettings
        When a lowering opens and closes.
    """

    def __init__(
        self,
        stream_id: int,
        info: CellInfo,
        scaling: Scaling | None,
        state: CellState,
        hub: LoweringHub,
        settings: TriggerSettings,
    ) -> None:
        self._stream_id = stream_id
        self._info = info
        self._rate_hz = info.sample_rate_hz
        self._sees_peaks = not info.no_peaks
        self._scaling = scaling
        self._state = state
        self._hub = hub
        self._settings = settings
        self._trigger = self._new_trigger()
        self._lowering: int | None = None
        self._quickest: deque[tuple[int, int, int, int]] = deque(maxlen=FIT_POINTS)
        self._answers: deque[tuple[int, int, int]] = deque(maxlen=FIT_ANSWERS)
        self._fit_due_ns = 0

    def see(self, items: list[SamplesPlaced]) -> None:
        """Take in frames in the order of their stream."""
        for first_index, counts in _joined(items):
            if self._trigger is not None and self._scaling is not None:
                self._watch(self._trigger, self._scaling, first_index, counts)
            self._state.samples(counts, items[-1].received_ns, self._rate_hz, self._scaling)
        self._note_delay(items[-1])

    def answered(self, answer: ExchangeNoted) -> None:
        """Take an answer to TIME: it bounds the times from now on."""
        self._answers.append((answer.tick_us, answer.sent_ns, answer.received_ns))
        self._fit_due_ns = 0

    def end(self, last_index: int) -> None:
        """Close the open window, if there is one, at the stream's last sample."""
        if self._lowering is not None:
            lowering, self._lowering = self._lowering, None
            self._hub.record(WindowClosed(lowering, self._stream_id, last_index))
            self._hub.close_lowering(self._stream_id)
            self._state.window_open = False

    def finish(self, last_index: int) -> None:
        """End with the stream: judge its last samples as a later run of the trigger does."""
        for event in self._trigger.finish() if self._trigger is not None else ():
            if isinstance(event, Opened):
                self._begin(event)
            else:
                self.end(event.last_index)
        self.end(last_index)

    def start_afresh(self, last_index: int) -> None:
        """Forget a trigger that failed: close its window, begin with a new one."""
        self.end(last_index)
        self._trigger = self._new_trigger()

    def _new_trigger(self) -> Trigger | None:
        if self._scaling is None or not self._sees_peaks:
            return None
        return Trigger(self._scaling, self._rate_hz, self._settings)

    def _watch(
        self, trigger: Trigger, scaling: Scaling, first_index: int, counts: CountArray
    ) -> None:
        """Open and close windows; keep the peak between the two."""
        begin = 0
        for event in trigger.feed(first_index, counts):
            if isinstance(event, Opened):
                begin = max(0, event.trigger_index - first_index)
                self._begin(event)
            else:
                self._state.loaded(counts[begin : event.last_index + 1 - first_index], scaling)
                self.end(event.last_index)
        self._state.zero_n = trigger.slack_n
        if self._lowering is not None:
            self._state.loaded(counts[begin:], scaling)

    def _begin(self, event: Opened) -> None:
        self._lowering = self._hub.open_lowering(self._stream_id)
        self._hub.record(
            WindowOpened(self._lowering, self._stream_id, event.trigger_index, event.first_index)
        )
        self._state.window_opened(self._lowering)

    def _note_delay(self, item: SamplesPlaced) -> None:
        """Keep the quickest frame of each quarter second; fit the clocks now and then."""
        frames = item.frames
        tick_us = int(last_ticks(frames.tick_us[-1:], frames.n[-1:], self._rate_hz)[0])
        received_ns = item.received_ns
        point = (received_ns // FIT_BIN_NS, received_ns - tick_us * 1000, tick_us, received_ns)
        if self._quickest and self._quickest[-1][0] == point[0]:
            self._quickest[-1] = min(self._quickest[-1], point)
        else:
            self._quickest.append(point)
        if received_ns >= self._fit_due_ns:
            self._fit_due_ns = received_ns + FIT_EVERY_NS
            self._fit_times()

    def _fit_times(self) -> None:
        """Say how well the newest sample's time is known, as a reader of the logbook would."""
        _, _, ticks, received = zip(*self._quickest, strict=True)
        answers = np.array(self._answers, dtype=np.int64).reshape(len(self._answers), 3).T
        fit = fit_times(self._info, ticks, received, Exchanges(*answers))
        self._state.time_error_s = float(fit.error_ns(ticks[-1])) / 1e9
        self._state.latency_s = None if fit.latency_ns is None else fit.latency_ns / 1e9
        if ticks[-1] - ticks[0] >= SLOPE_AFTER_US:
            self._state.drift_ppm = fit.drift_ppm


class Failures:
    """What a follower raised: it costs no sample, and is told at most once a second."""

    __slots__ = ("_due_ns", "_n", "_why")

    def __init__(self) -> None:
        self._n, self._why, self._due_ns = 0, "", 0

    def guard(
        self, work: Callable[[], None], start_afresh: Callable[[], None], now_ns: int
    ) -> Fault | None:
        """Do work that may fail; a fault when something has to be told now.

        Raises
        ------
        RecordingError
            The recorder has ended: no failure of the follower.
        """
        try:
            work()
        except RecordingError:
            raise
        except Exception as error:  # noqa: BLE001 - on record as a fault, the recording goes on
            self._n += 1
            self._why = f"trigger or live state: {type(error).__name__}: {error}"
            start_afresh()
        if not self._n or now_ns < self._due_ns:
            return None
        n, self._n = self._n, 0
        self._due_ns = now_ns + FAILED_EVERY_NS
        return Fault("consumer_failed", now_ns, n, self._why)


def _joined(items: list[SamplesPlaced]) -> list[tuple[int, CountArray]]:
    """Join frames that follow each other without a missing sample."""
    runs: list[list[SamplesPlaced]] = []
    next_index = -1
    for item in items:
        if item.first_index != next_index:
            runs.append([])
        runs[-1].append(item)
        next_index = item.next_index
    return [(run[0].first_index, np.concatenate([item.counts for item in run])) for run in runs]
