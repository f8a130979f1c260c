"""A recording whose disk may stall, that measures how long its port reader ever waited.

Run as a script, under the shim: ``stalled_child.py LOGBOOK URL SECONDS ROOM RECORDER_ROOM``.
Prints one JSON object at the end.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from logger.cell_line import CellPlan
from logger.clock import Clock
from logger.samples import CellInfo, Fault, Scaling
from logger.session import Session, SessionPlan
from logger.transports import Deliver, Notice, Transport, open_transport


class Watched:
    """A transport that notes how long handing on took, and the longest silence of its reader."""

    def __init__(self, inner: Transport) -> None:
        self.inner = inner
        self.url, self.decoder, self.answers = inner.url, inner.decoder, inner.answers
        self.write, self.stop = inner.write, inner.stop
        self.longest_put_s = self.longest_silence_s = 0.0
        self._last_s = 0.0

    @property
    def ended(self) -> bool:
        return self.inner.ended

    def start(self, deliver: Deliver, notice: Notice) -> None:
        def timed(data: bytes, received_ns: int) -> None:
            began_s = time.monotonic()
            if self._last_s and len(data) > 50:  # data, not an answer before START
                self.longest_silence_s = max(self.longest_silence_s, began_s - self._last_s)
            deliver(data, received_ns)
            self._last_s = time.monotonic() if len(data) > 50 else self._last_s
            self.longest_put_s = max(self.longest_put_s, time.monotonic() - began_s)

        def noted(fault: Fault) -> None:
            notice(fault)

        self.inner.start(timed, noted)


def scaling(_info: CellInfo) -> tuple[Scaling, None]:
    return Scaling(0.0, 0.01, 0.005, 0.0, "invented"), None


def main() -> None:
    logbook, url, seconds, room, recorder_room = sys.argv[1:]
    watched: list[Watched] = []

    def opener(text: str, clock: Clock) -> Transport:
        watched.append(Watched(open_transport(text, clock)))
        return watched[0]

    plan = SessionPlan(
        Path(logbook),
        (CellPlan("cell", url, scaling),),
        room_bytes=int(room) or None,
        recorder_room_bytes=int(recorder_room),
    )
    session = Session(plan, opener=opener)
    session.start()
    end_s = time.monotonic() + float(seconds)
    most_waiting = most_queued = 0
    while time.monotonic() < end_s and not session.wait(0.02):
        assert session._running is not None
        most_waiting = max(most_waiting, session._running.recorder.waiting_bytes)
        most_queued = max(most_queued, session._queue.waiting_bytes)
    session.stop()
    said = {
        "longest_put_s": watched[0].longest_put_s,
        "longest_silence_s": watched[0].longest_silence_s,
        "most_waiting_bytes": most_waiting,
        "most_queued_bytes": most_queued,
    }
    print(json.dumps(said))


if __name__ == "__main__":
    main()
