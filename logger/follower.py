"""What comes after recording, for one stream: lowerings, live state, drift of the clock.

Comes in: samples that are already with the recorder. Goes out: windows on record, the
cell's live state. Must not: be needed for a sample to be stored. Whoever calls it
isolates what it raises.
"""

from __future__ import annotations

from collections import deque
from typing import Final, Protocol

import numpy as np

from logger.live import CellState
from logger.samples import (
    CellInfo,
    CountArray,
    RecordItem,
    SamplesPlaced,
    Scaling,
    WindowClosed,
    WindowOpened,
)
from logger.timebase import SLOPE_AFTER_US, fit_envelope, last_ticks
from logger.trigger import Opened, Trigger, TriggerSettings

DRIFT_EVERY_NS: Final = 5_000_000_000
DRIFT_BIN_NS: Final = 250_000_000
DRIFT_POINTS: Final = 1200


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
        self._rate_hz = info.sample_rate_hz
        self._sees_peaks = not info.no_peaks
        self._scaling = scaling
        self._state = state
        self._hub = hub
        self._settings = settings
        self._trigger = self._new_trigger()
        self._lowering: int | None = None
        self._quickest: deque[tuple[int, int, int, int]] = deque(maxlen=DRIFT_POINTS)
        self._drift_due_ns = 0

    def see(self, items: list[SamplesPlaced]) -> None:
        """Take in frames in the order of their stream."""
        for first_index, counts in _joined(items):
            if self._trigger is not None and self._scaling is not None:
                self._watch(self._trigger, self._scaling, first_index, counts)
            self._state.samples(counts, items[-1].received_ns, self._rate_hz, self._scaling)
        self._note_delay(items[-1])

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
        point = (received_ns // DRIFT_BIN_NS, received_ns - tick_us * 1000, tick_us, received_ns)
        if self._quickest and self._quickest[-1][0] == point[0]:
            self._quickest[-1] = min(self._quickest[-1], point)
        else:
            self._quickest.append(point)
        if received_ns >= self._drift_due_ns:
            self._drift_due_ns = received_ns + DRIFT_EVERY_NS
            _, _, ticks, received = zip(*self._quickest, strict=True)
            if ticks[-1] - ticks[0] >= SLOPE_AFTER_US:
                self._state.drift_ppm = fit_envelope(ticks, received).drift_ppm


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
