"""A recording without waiting: device model → bytes → our capture → logbook, in its own time.

Comes in: a simulated device, what is known of its cell, a logbook, a clock. Goes out: one
more recording in the logbook. Must not: write a row itself, or read the machine's clocks.

The parts are those of a real recording: :class:`~logger.cell_line.CellLine` (handshake,
decoder, time base, trigger) and :class:`~logger.logbook.writer.LogbookWriter`. Only the
threads between them are missing, so that the same seed always gives the same rows.
"""  # noqa: INP001 - a script's module, not a package

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from logger.cell_line import CellLine, CellPlan
from logger.decoders import open_decoder
from logger.logbook.writer import LogbookWriter
from logger.pipeline import HostClocks, Lowerings
from logger.recorder import BATCH_S
from logger.samples import Fault, MarkMade, RecordItem
from logger.simcell.device import Device
from logger.trigger import DEFAULT_SETTINGS

STEP_NS: Final = 10_000_000
"""How often the host reads the port."""
STOP_STEPS: Final = 300


@dataclass(slots=True)
class SeasonClock:
    """Host clocks that move only when told: ``wall = boot + offset``."""

    offset_ns: int
    now_ns: int = 0

    def boot_ns(self) -> int:
        """Nanoseconds since the invented boot."""
        return self.now_ns

    def awake_ns(self) -> int:
        """Give the same: the invented laptop never sleeps."""
        return self.now_ns

    def wall_ns(self) -> int:
        """Nanoseconds since 1970 UTC."""
        return self.now_ns + self.offset_ns

    def sleep(self, seconds: float) -> None:
        """Move on."""
        self.now_ns += round(seconds * 1e9)

    def move_to_wall(self, wall_ns: int) -> None:
        """Let time pass until a moment of the invented day."""
        if wall_ns < self.wall_ns():
            raise ValueError("the invented clock cannot go back")
        self.now_ns = wall_ns - self.offset_ns


@dataclass(frozen=True, slots=True)
class Stall:
    """A time during which the host does not read, so that the device's FIFO overflows."""

    start_s: float
    end_s: float

    def covers(self, since_start_s: float) -> bool:
        """Whether the host is away."""
        return self.start_s <= since_start_s < self.end_s


@dataclass(frozen=True, slots=True)
class KeyPress:
    """A mark that somebody makes, in seconds of the device's world."""

    kind: str
    at_s: float


@dataclass(slots=True)
class _Hub:
    """Stands where the pipeline stands: collects record items, counts streams and lowerings."""

    host: HostClocks
    next_stream: int
    lowerings: Lowerings
    items: list[RecordItem] = field(default_factory=list)

    def record(self, item: RecordItem) -> None:
        self.items.append(item)

    def new_stream(self) -> int:
        self.next_stream += 1
        return self.next_stream - 1

    def anchor(self) -> tuple[int, int]:
        return self.host.anchor()

    def open_lowering(self, stream_id: int) -> int:
        return self.lowerings.open(stream_id)

    def close_lowering(self, stream_id: int) -> None:
        self.lowerings.close(stream_id)


class _Link:
    """The cable: the device's bytes to the line, the line's requests to the device."""

    def __init__(self, device: Device, line: CellLine, clock: SeasonClock) -> None:
        self.device, self.line, self.clock = device, line, clock
        self.started_ns = clock.boot_ns()

    @property
    def elapsed_ns(self) -> int:
        return self.clock.boot_ns() - self.started_ns

    @property
    def scenario_s(self) -> float:
        """Seconds since the device was told to start; negative before."""
        start_ns = self.device.scenario_ns
        return -1.0 if start_ns is None else (self.elapsed_ns - start_ns) * 1e-9

    def step(self, stall: Stall | None = None) -> None:
        """Let one host turn pass."""
        self.clock.now_ns += STEP_NS
        now_ns = self.clock.boot_ns()
        self.device.advance(self.elapsed_ns)
        if stall is None or not stall.covers(self.scenario_s):
            data = bytes(self.device.fifo)
            self.device.fifo.clear()
            if data:
                self.line.feed(((data, now_ns),))
        for request in self.line.poll(now_ns):
            self.device.receive(request, self.elapsed_ns)


def record(
    logbook: Path,
    cell: CellPlan,
    device: Device,
    clock: SeasonClock,
    stall: Stall | None = None,
    presses: Sequence[KeyPress] = (),
) -> None:
    """Record from the device's start to the end of its world, then stop in order.

    Parameters
    ----------
    logbook : Path
        Gets one more session and stream; made when it does not exist.
    cell : CellPlan
        Name, station and calibration.
    device : Device
        Fresh from its boot.
    clock : SeasonClock
        Moves on by what the recording takes.
    stall : Stall, optional
        When the host is away.
    presses : sequence of KeyPress
        In order.
    """
    waiting = list(presses)
    with LogbookWriter(logbook, clock=clock) as writer:
        hub = _Hub(HostClocks(clock), writer.next_stream_id, Lowerings(writer.next_lowering))
        line = CellLine(cell, open_decoder("binary"), hub, asks=True, trigger=DEFAULT_SETTINGS)
        line.link_up(Fault("connected", clock.boot_ns(), 1, f"{cell.url}: opened"))
        link = _Link(device, line, clock)
        steps_per_batch = round(BATCH_S * 1e9 / STEP_NS)
        n = 0
        while link.scenario_s < device.world.duration_s:
            link.step(stall)
            if waiting and link.scenario_s >= waiting[0].at_s:
                hub.record(MarkMade(waiting.pop(0).kind, clock.boot_ns(), ""))
            n += 1
            if n % steps_per_batch == 0:
                _commit(writer, hub, line)
        for _ in range(STOP_STEPS):
            line.stop(clock.boot_ns())
            link.step()
            if line.is_stopped:
                break
        line.finish(clock.boot_ns(), "stopped")
        _commit(writer, hub, line)


def _commit(writer: LogbookWriter, hub: _Hub, line: CellLine) -> None:
    """Show the trigger what came, then put all of it on disk in one batch."""
    line.follow()
    batch, hub.items = hub.items, []
    if batch:
        writer.write(batch)
