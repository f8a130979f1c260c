"""The device model: converter, clock, commands, FIFO, and ways to misbehave.

Comes in: elapsed true time, bytes of the host, a ``World``. Goes out: bytes for the link
through a FIFO of stated size. Must not: know about ports, processes or the host's clock.

The link empties the FIFO without waiting; what does not fit is lost in whole frames and
counted, as a UART's would be, and the sample index runs on.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.simcell import wire
from logger.simcell.sent import HEAD, Fate
from logger.simcell.world import World

CountArray = NDArray[np.int32]
FrameNote = Callable[[NDArray[np.void], CountArray], None]

TICK_MASK = 0xFFFF_FFFF
COUNTER_MODULO = 1 << 20
SUBSAMPLES = 4


@dataclass(frozen=True, slots=True)
class Converter:
    """How force becomes counts.

    ``averaging_s`` is the window over which the converter averages; half of it is the
    filter delay that INFO reports. ``clock_ppm`` is how fast the device's clock runs.
    """

    rate_hz: float = 1000.0
    counts_per_n: float = 100.0
    zero_counts: int = 0
    noise_n: float = 3.0
    drift_n_per_min: float = 2.0
    averaging_s: float | None = None
    count_limit: int = 2_097_152
    clock_ppm: float = 12.0

    @property
    def window_s(self) -> float:
        """Averaging window, one sample interval unless stated."""
        return 1.0 / self.rate_hz if self.averaging_s is None else self.averaging_s


@dataclass(frozen=True, slots=True)
class Misbehaviour:
    """What the device or its link does wrong; fractions in 0…1, times since START."""

    corrupt: float = 0.0
    drop: float = 0.0
    duplicate: float = 0.0
    reset_at_s: float | None = None
    stop_at_s: float | None = None


@dataclass(frozen=True, slots=True)
class DeviceOptions:
    """Everything about one device."""

    converter: Converter = Converter()
    misbehaviour: Misbehaviour = Misbehaviour()
    device_id: str = "simcell-1"
    firmware: str = "simcell 1.0"
    form: wire.Format = "binary"
    per_frame: int = 16
    fifo_bytes: int = 1024
    first_tick_us: int = 0
    seed: int = 1
    battery_pct: int | None = 87
    temperature_c: float | None = 18.5


@dataclass(slots=True)
class Seen:
    """Largest reading that the converter made during one lowering."""

    filtered_n: float = -np.inf
    counts: int = -(2**31)
    first_index: int = -1
    last_index: int = -1
    counts_index: int = -1


class Device:
    """One simulated cell.

    Parameters
    ----------
    options : DeviceOptions
        How it is built.
    world : World
        Where its force comes from; scenario time 0 is the first sample after START.
    note_frame : callable, optional
        Told of every frame: its head (``taken_ns`` holds elapsed ns) and counts.
    """

    def __init__(
        self, options: DeviceOptions, world: World, note_frame: FrameNote | None = None
    ) -> None:
        self.options = options
        self.world = world
        self.fifo = bytearray()
        self.plugged = True
        self.running = False
        self.silent = False
        self.overruns = 0
        self.clipped = 0
        self.next_index = 0
        self.seen = [Seen() for _ in world.lowerings]
        self.scenario_ns: int | None = None
        self.boot_id = 0
        self._note = note_frame
        self._talk = wire.talk(options.form)
        self._noise = np.random.default_rng([options.seed, 1])
        self._mischief = np.random.default_rng([options.seed, 2])
        self._boots = np.random.default_rng([options.seed, 3])
        self._period_ns = 1e9 / options.converter.rate_hz / (1 + options.converter.clock_ppm * 1e-6)
        self._started_ns = 0
        self._booted_ns = 0
        self._start_tick_us = 0
        self._status_ns = 0
        self._has_reset = False
        self.boot(0)

    # --- clock -------------------------------------------------------------------

    def tick_us(self, elapsed_ns: int) -> int:
        """Device tick, not wrapped, at a moment of true time."""
        ppm = self.options.converter.clock_ppm
        age_us = (elapsed_ns - self._booted_ns) * (1.0 + ppm * 1e-6) / 1000.0
        return self.options.first_tick_us + round(age_us)

    def next_frame_ns(self) -> int | None:
        """When the next frame is complete, None while nothing is measured."""
        if not self.running or self.silent:
            return None
        last = self.next_index + self.options.per_frame - 1
        return self._started_ns + int(last * self._period_ns) + 1

    # --- boot and commands -------------------------------------------------------

    def boot(self, elapsed_ns: int) -> None:
        """Start afresh: new boot id, counters at zero, not running."""
        self.boot_id = int(self._boots.integers(1, 2**32))
        self._booted_ns = elapsed_ns
        self.running = False
        self.silent = False
        self.overruns = self.clipped = self.next_index = 0
        self.fifo.clear()
        self._requests = wire.RequestReader(self.options.form)
        if self.options.form == "binary":
            self._send(b"\x00")
        self._send(self._talk.info(0, self.identity()))

    def identity(self) -> wire.Identity:
        """Tell who this is, as INFO does."""
        converter = self.options.converter
        return wire.Identity(
            device_id=self.options.device_id,
            firmware=self.options.firmware,
            boot_id=self.boot_id,
            sample_rate_hz=converter.rate_hz,
            count_min=-converter.count_limit,
            count_max=converter.count_limit - 1,
            filter_delay_us=round(converter.window_s * 0.5e6),
            jitter_us=1,
        )

    def receive(self, data: bytes, elapsed_ns: int) -> None:
        """Take bytes from the host and answer the requests in them."""
        for request in self._requests.feed(data):
            self._answer(request, elapsed_ns)

    def _answer(self, request: wire.Request, elapsed_ns: int) -> None:
        status, answer = wire.ACCEPTED, b""
        if request.arguments and request.opcode in range(wire.OP_INFO, wire.OP_TIME + 1):
            status = wire.BAD_ARGUMENTS
        elif request.opcode == wire.OP_INFO:
            self._send(self._talk.info(request.request_id, self.identity()))
            return
        elif request.opcode == wire.OP_START:
            self._start(elapsed_ns)
        elif request.opcode == wire.OP_STOP:
            self.running = False
            if not self._send_status(elapsed_ns):
                return  # the host asks again, and then there is room for both
            answer = (self.next_index & 0xFFFF).to_bytes(2, "little")
        elif request.opcode == wire.OP_TIME:
            answer = (self.tick_us(elapsed_ns) & TICK_MASK).to_bytes(4, "little")
        else:
            status = wire.UNKNOWN_OPCODE
        self._send(self._talk.reply(request, status, answer))

    def _start(self, elapsed_ns: int) -> None:
        if self.running:
            return
        self.running = True
        self.next_index = 0
        self._started_ns = self._status_ns = elapsed_ns
        self._start_tick_us = self.tick_us(elapsed_ns)
        if self.scenario_ns is None or not self._has_reset:
            self.scenario_ns = elapsed_ns
        self._has_reset = False

    def reset(self, elapsed_ns: int) -> None:
        """Boot again in the middle of things; the world goes on meanwhile."""
        self.boot(elapsed_ns)
        self._has_reset = True

    # --- measuring ---------------------------------------------------------------

    def advance(self, elapsed_ns: int) -> None:
        """Make every frame that is complete by now."""
        while (due_ns := self.next_frame_ns()) is not None and due_ns <= elapsed_ns:
            if self._misbehaves(due_ns):
                return
            self._make_frame()
            if due_ns - self._status_ns >= 1_000_000_000:
                self._status_ns += 1_000_000_000
                self._send_status(due_ns)

    def _misbehaves(self, now_ns: int) -> bool:
        wrong, since_s = self.options.misbehaviour, (now_ns - self._started_ns) * 1e-9
        if wrong.stop_at_s is not None and since_s >= wrong.stop_at_s:
            self.silent = True
        elif wrong.reset_at_s is not None and since_s >= wrong.reset_at_s and self._first_boot():
            self.reset(now_ns)
        else:
            return False
        return True

    def _first_boot(self) -> bool:
        return self._booted_ns == 0

    def _make_frame(self) -> None:
        n, first = self.options.per_frame, self.next_index
        index = np.arange(first, first + n, dtype=np.int64)
        taken_ns = self._started_ns + index.astype(np.float64) * self._period_ns
        counts = self._counter(index) if self.world.counter else self._convert(index, taken_ns)
        tick = self._start_tick_us + round(first * 1e6 / self.options.converter.rate_hz)
        self.next_index += n
        fate, times, damaged = self._transmit(self._talk.data(first, tick, counts))
        if fate is Fate.OVERRUN:
            self.overruns += n
        if self._note is not None:
            head = np.zeros((), HEAD)
            for name, value in (
                ("first_index", first),
                ("tick_us", tick),
                ("taken_ns", round(taken_ns[0])),
                ("boot_id", self.boot_id),
                ("crc32", zlib.crc32(counts.astype("<i4").tobytes())),
                ("n", n),
                ("fate", fate),
                ("times", times),
                ("damaged_bytes", damaged),
            ):
                head[name] = value
            self._note(head, counts)

    @staticmethod
    def _counter(index: NDArray[np.int64]) -> CountArray:
        counts: CountArray = (index % COUNTER_MODULO).astype(np.int32)
        return counts

    def _convert(self, index: NDArray[np.int64], taken_ns: NDArray[np.float64]) -> CountArray:
        """Average over the converter's window, add noise and drift, quantise, clip."""
        converter = self.options.converter
        start_ns = self.scenario_ns if self.scenario_ns is not None else self._started_ns
        time_s = (taken_ns - start_ns) * 1e-9
        within: NDArray[np.float64] = (
            converter.window_s * (np.arange(SUBSAMPLES) + 0.5) / SUBSAMPLES
        )
        force = self.world.force_n((time_s[:, None] - within[None, :]).ravel())
        true_n = force.reshape(-1, SUBSAMPLES).mean(axis=1)
        drift_n = converter.drift_n_per_min / 60.0 * time_s
        noisy_n = true_n + drift_n + converter.noise_n * self._noise.standard_normal(index.size)
        raw = np.rint(noisy_n * converter.counts_per_n) + converter.zero_counts
        low, high = -converter.count_limit, converter.count_limit - 1
        counts: CountArray = np.clip(raw, low, high).astype(np.int32)
        self.clipped += int(np.count_nonzero(raw != counts))
        self._look(index, time_s - 0.5 * converter.window_s, true_n, counts)
        return counts

    def _look(
        self,
        index: NDArray[np.int64],
        time_s: NDArray[np.float64],
        true_n: NDArray[np.float64],
        counts: CountArray,
    ) -> None:
        """Keep the largest reading of each lowering."""
        for lowering, seen in zip(self.world.lowerings, self.seen, strict=True):
            if time_s[-1] < lowering.start_s or time_s[0] > lowering.end_s:
                continue
            inside = np.flatnonzero((time_s >= lowering.start_s) & (time_s <= lowering.end_s))
            if inside.size == 0:
                continue
            seen.filtered_n = max(seen.filtered_n, float(true_n[inside].max()))
            seen.first_index = int(index[inside[0]]) if seen.first_index < 0 else seen.first_index
            seen.last_index = int(index[inside[-1]])
            top = inside[np.argmax(counts[inside])]
            if counts[top] > seen.counts:
                seen.counts, seen.counts_index = int(counts[top]), int(index[top])

    # --- link --------------------------------------------------------------------

    def _send_status(self, now_ns: int) -> bool:
        options = self.options
        return self._send(
            self._talk.status(
                wire.Health(
                    battery_pct=options.battery_pct,
                    temperature_c=options.temperature_c,
                    tick_us=self.tick_us(now_ns),
                    overruns=self.overruns,
                    clipped=self.clipped,
                )
            )
        )

    def _send(self, frame: bytes) -> bool:
        """Put a frame into the FIFO, whole or not at all."""
        if not self.plugged:
            return False
        if len(self.fifo) + len(frame) > self.options.fifo_bytes:
            return False
        self.fifo += frame
        return True

    def _transmit(self, frame: bytes) -> tuple[Fate, int, int]:
        """Send a data frame as well or badly as told: fate, how often, damaged bytes."""
        wrong = self.options.misbehaviour
        if not self.plugged:
            return Fate.UNPLUGGED, 0, 0
        if wrong.drop and self._mischief.random() < wrong.drop:
            return Fate.DROPPED, 0, 0
        frame, damaged = self._damage(frame)
        if not self._send(frame):
            return Fate.OVERRUN, 0, 0
        again = bool(wrong.duplicate) and self._mischief.random() < wrong.duplicate
        return Fate.SENT, 1 + int(again and self._send(frame)), damaged

    def _damage(self, frame: bytes) -> tuple[bytes, int]:
        fraction = self.options.misbehaviour.corrupt
        if fraction == 0.0:
            return frame, 0
        data = np.frombuffer(frame, np.uint8)
        hit = self._mischief.random(data.size) < fraction
        flips = self._mischief.integers(1, 256, data.size, dtype=np.uint8)
        return np.where(hit, data ^ flips, data).astype(np.uint8).tobytes(), int(hit.sum())
