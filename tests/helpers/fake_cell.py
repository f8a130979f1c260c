"""A cell without a link: answers requests at once, sends what a test tells it to.

Comes in: calls of a test. Goes out: bytes of the real wire format, built by the device's
side, delivered as a transport would. No thread, no time of its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from logbook_items import StillClock

from logger.cell_line import CellPlan, ScalingOf
from logger.errors import TransportError
from logger.pipeline import ByteQueue, Pipeline, TransportEvent
from logger.samples import CellInfo, Fault, RecordItem, SamplesPlaced, Scaling
from logger.simcell import wire
from logger.transports import Deliver, Notice

SCALING = Scaling(0.0, 0.1, 0.005, 0.0, "invented")


def calibrated(_info: CellInfo) -> tuple[Scaling | None, float | None]:
    return SCALING, 20_000.0


def uncalibrated(_info: CellInfo) -> tuple[Scaling | None, float | None]:
    return None, None


class FakeCell:
    """A transport and the device behind it."""

    decoder = "binary"

    def __init__(
        self, clock: StillClock, *, answers: bool = True, rate_hz: float = 1000.0, boot: int = 7
    ) -> None:
        self.url = "fake:cell"
        self.answers = answers
        self.ended = False
        self.silent = False
        self.deaf = False
        self.requests: list[wire.Request] = []
        self.next_index = 0
        self.rate_hz = rate_hz
        self.boot = boot
        self.device_id = "fake-1"
        self._clock = clock
        self._booted_ns = clock.boot_ns()
        self._reader = wire.RequestReader("binary")
        self._talk = wire.BinaryTalk()
        self._deliver: Deliver | None = None
        self._notice: Notice | None = None

    # --- a transport ---------------------------------------------------------------

    def start(self, deliver: Deliver, notice: Notice) -> None:
        self._deliver, self._notice = deliver, notice
        self.notice("connected")

    def write(self, data: bytes) -> None:
        if self.deaf:
            raise TransportError("write_failed", "deaf")
        for request in self._reader.feed(data):
            self.requests.append(request)
            if not self.silent:
                self._answer(request)

    def stop(self) -> None:
        self.ended = True

    # --- a device --------------------------------------------------------------------

    def _answer(self, request: wire.Request) -> None:
        if request.opcode == wire.OP_INFO:
            self.info(request.request_id)
        else:
            tick = self.tick_us().to_bytes(4, "little") if request.opcode == wire.OP_TIME else b""
            self.give(self._talk.reply(request, 0, tick))

    def tick_us(self) -> int:
        return (self._clock.boot_ns() - self._booted_ns) // 1000 % 2**32

    def give(self, data: bytes) -> None:
        assert self._deliver is not None
        self._deliver(data, self._clock.boot_ns())

    def notice(self, kind: str) -> None:
        assert self._notice is not None
        self._notice(Fault(kind, self._clock.boot_ns(), 1, "fake"))

    def info(self, request_id: int = 0) -> None:
        self.give(
            self._talk.info(
                request_id,
                wire.Identity(
                    self.device_id, "1", self.boot, self.rate_hz, -(2**23), 2**23 - 1, 0, 2
                ),
            )
        )

    def reboot(self, *, say: bool = True) -> None:
        """Boot again: another boot id, index and tick from 0."""
        self.boot += 1
        self.next_index = 0
        self._booted_ns = self._clock.boot_ns()
        if say:
            self.info()

    def status(self, overruns: int = 0, clipped: int = 0) -> None:
        health = wire.Health(80, 21.5, self.tick_us(), overruns, clipped)
        self.give(self._talk.status(health))

    def frame(self, counts: Sequence[int]) -> bytes:
        """The next data frame; time goes on by its length."""
        first, n = self.next_index, len(counts)
        tick = round(first * 1e6 / self.rate_hz)
        self.next_index += n
        self._clock.sleep(n / self.rate_hz)
        return self._talk.data(first, tick, np.array(counts, dtype=np.int32))

    def samples(self, n: int, level: int = 0, per_frame: int = 50) -> None:
        """Send ``n`` samples of one level."""
        for _ in range(0, n, per_frame):
            self.give(self.frame([level] * per_frame))

    def lose(self, n: int) -> None:
        """Let samples pass that never arrive."""
        self.next_index += n
        self._clock.sleep(n / self.rate_hz)


class PipelineBench:
    """A pipeline turned by hand, with its cells and what it recorded."""

    def __init__(
        self,
        *cells: FakeCell,
        clock: StillClock,
        scaling: ScalingOf = calibrated,
        room_bytes: int = 1_000_000,
    ) -> None:
        self.items: list[RecordItem] = []
        self.queue = ByteQueue(room_bytes)
        self.cells = cells
        self.pipeline = Pipeline(
            self.items.append,
            [(CellPlan(f"c{i}", cell.url, scaling), cell) for i, cell in enumerate(cells)],
            self.queue,
            clock=clock,
            first_stream=4,
            first_lowering=9,
        )
        for number, cell in enumerate(cells):
            cell.start(*self._sink(number))
        self.turn()

    def _sink(self, number: int) -> tuple[Deliver, Notice]:
        def deliver(data: bytes, received_ns: int) -> None:
            self.queue.put(TransportEvent(number, data, received_ns))

        def notice(fault: Fault) -> None:
            self.queue.put(TransportEvent(number, b"", fault.received_ns, fault))

        return deliver, notice

    def turn(self, times: int = 4) -> None:
        """Take what waits, and what is answered to it."""
        for _ in range(times):
            self.pipeline._turn()

    def of(self, kind: type) -> list[RecordItem]:
        return [item for item in self.items if isinstance(item, kind)]

    def stored(self, stream: int) -> list[int]:
        """Indices recorded of a stream, in order."""
        return [
            index
            for item in self.items
            if isinstance(item, SamplesPlaced) and item.stream_id == stream
            for index in range(item.first_index, item.first_index + len(item.counts))
        ]
