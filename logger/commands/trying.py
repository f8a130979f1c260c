"""``ropetally cells try``: what a profile makes of what a sensor sends.

Comes in: a profile and a link. Goes out: decoded values, what did not parse, and what would
be recorded. Must not: write a logbook.
"""

from __future__ import annotations

import contextlib
import queue
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from logger.clock import Clock, SystemClock
from logger.commands.output import json_option, print_json

if TYPE_CHECKING:
    from logger.decoders import Decoded
    from logger.handshake import Handshake, SilentHandshake
    from logger.samples import CellInfo, Fault, SampleFrame

TRY_S: Final = 10.0
SHOWN: Final = 20
_POLL_S: Final = 0.05


@dataclass(slots=True)
class Trial:
    """What came of it."""

    seconds: float
    n_bytes: int = 0
    n_samples: int = 0
    info: CellInfo | None = None
    frames: list[SampleFrame] = field(default_factory=list)
    faults: Counter[str] = field(default_factory=Counter)
    examples: dict[str, str] = field(default_factory=dict)

    def take(self, decoded: list[Decoded]) -> None:
        """Count what a decoder gave."""
        from logger.samples import Fault, InfoFrame, SampleFrame

        for reading in decoded:
            if isinstance(reading, SampleFrame):
                self.n_samples += len(reading.counts)
                self.frames.append(reading)
            elif isinstance(reading, Fault):
                self.note(reading)
            elif isinstance(reading, InfoFrame):
                self.info = reading.info

    def note(self, fault: Fault) -> None:
        """Count a fault; keep the first of its kind."""
        self.faults[fault.kind] += fault.n
        self.examples.setdefault(fault.kind, fault.detail)


class _Link:
    """A link, its decoder, and what stands for a conversation."""

    def __init__(self, url: str, clock: Clock, trial: Trial) -> None:
        from logger.decoders import open_decoder
        from logger.handshake import handshake_of
        from logger.transports import open_transport

        self.transport = open_transport(url, clock)
        self._decoder = open_decoder(self.transport.decoder)
        self.handshake: Handshake | SilentHandshake = handshake_of(self._decoder)
        self._arrived: queue.SimpleQueue[tuple[bytes, int] | Fault] = queue.SimpleQueue()
        self._clock = clock
        self._trial = trial

    def start(self) -> None:
        """Open it."""
        put = self._arrived.put
        self.transport.start(lambda data, received_ns: put((data, received_ns)), put)

    def turn(self) -> None:
        """Take one thing that came, if one comes soon; send what is due."""
        with contextlib.suppress(queue.Empty):
            self._take(self._arrived.get(timeout=_POLL_S))
        self.send()

    def send(self) -> None:
        """Send what is due."""
        from logger.errors import TransportError

        for request in self.handshake.poll(self._clock.boot_ns()):
            with contextlib.suppress(TransportError):
                self.transport.write(request)

    def finish(self) -> None:
        """Take all that came, the end too."""
        while not self._arrived.empty():
            self._take(self._arrived.get())
        self._trial.take(self._decoder.finish(self._clock.boot_ns()))

    def _take(self, event: tuple[bytes, int] | Fault) -> None:
        if isinstance(event, tuple):
            self._trial.n_bytes += len(event[0])
            self._trial.take(self._decoder.feed(*event))
        elif event.kind == "connected":
            self.handshake.link_up(event.received_ns)
        else:
            if event.kind == "disconnected":
                self._trial.take(self._decoder.finish(event.received_ns))
                self.handshake.link_down()
            if event.kind != "disconnected" or self.transport.answers:
                self._trial.note(event)


def try_link(url: str, seconds: float, clock: Clock) -> Trial:
    """Open a link, start the sensor, decode for a while, stop it.

    Raises
    ------
    TransportError
        The link cannot be opened.
    InputError
        The profile cannot be used.
    """
    trial = Trial(seconds)
    link = _Link(url, clock, trial)
    link.start()
    begun_ns = clock.boot_ns()
    try:
        while clock.boot_ns() - begun_ns < seconds * 1e9 and not link.transport.ended:
            link.turn()
        link.handshake.stop(clock.boot_ns())
        link.send()
    finally:
        link.transport.stop()
    link.finish()
    return trial


def lines(trial: Trial) -> list[str]:
    """Text about a trial."""
    told = []
    info, frames = trial.info, trial.frames
    if info is not None and frames:
        told += _value_lines(trial)
        told.append(
            f"{trial.n_samples} samples; states {info.sample_rate_hz:.4g} samples/s, times within "
            f"±{info.jitter_bound_us / 1000:.1f} ms (estimate)"
        )
        if info.remark:
            told.append(f"{info.device_id}: {info.remark}")
    for kind, n in sorted(trial.faults.items()):
        told.append(f"not used: {kind} × {n}, first: {trial.examples[kind]}")
    if not frames:
        told.append(_nothing(trial))
    return told


def _value_lines(trial: Trial) -> list[str]:
    """Lines of values, evenly over the time."""
    step = max(1, -(-len(trial.frames) // SHOWN))
    begun_ns = trial.frames[0].received_ns
    return [
        f"{(frame.received_ns - begun_ns) / 1e9:8.3f} s  index {frame.index16:5d}  "
        + ", ".join(_value(int(count), trial.info) for count in frame.counts[:4])
        + (" …" if len(frame.counts) > 4 else "")
        for frame in trial.frames[::step]
    ]


def _value(count: int, info: CellInfo | None) -> str:
    if info is None or info.n_per_count is None:
        return f"{count} counts"
    return f"{count} counts = {count * info.n_per_count:.1f} N ± {100 * info.rel_u:.2g} %"


def _nothing(trial: Trial) -> str:
    """Say what to do when there were no values."""
    if trial.n_bytes:
        return (
            f"{trial.n_bytes} bytes came, none of them a value. Compare what was not used with the "
            "sensor's papers: baud and parity under [link], then fields, then [check]."
        )
    return (
        "Nothing came. Check power, cable and port, baud and parity under [link], and whether the "
        "sensor waits for a command to start: [commands]."
    )


def told_as_json(trial: Trial) -> dict[str, Any]:
    """Give the same for programs, forces in newtons."""
    info = trial.info
    per_count = None if info is None else info.n_per_count
    return {
        "seconds_s": trial.seconds,
        "bytes": trial.n_bytes,
        "samples": trial.n_samples,
        "sample_rate_hz": None if info is None else info.sample_rate_hz,
        "jitter_bound_us": None if info is None else info.jitter_bound_us,
        "force_rel_u": info.rel_u if info is not None and per_count is not None else None,
        "remark": "" if info is None else info.remark,
        "not_used": {
            kind: {"n": n, "first": trial.examples[kind]}
            for kind, n in sorted(trial.faults.items())
        },
        "values": [
            {
                "received_ns": frame.received_ns,
                "counts": frame.counts.tolist(),
                "force_n": None if per_count is None else (frame.counts * per_count).tolist(),
            }
            for frame in trial.frames
        ],
    }


@click.command("try")
@click.argument("profile", type=click.Path(path_type=Path))
@click.argument("url")
@click.option(
    "--seconds",
    default=TRY_S,
    show_default=True,
    type=click.FloatRange(0.0, 600.0, min_open=True),
    help="How long to listen.",
)
@json_option
def command(profile: Path, url: str, seconds: float, as_json: bool) -> None:
    """Show what PROFILE makes of what the sensor behind URL sends.

    URL: serial:PORT, modbus:PORT, ble:NAME or file:RECORDING. Nothing is recorded.
    """
    from urllib.parse import quote

    joined = f"{url}{'&' if '?' in url else '?'}profile={quote(str(profile))}"
    trial = try_link(joined, seconds, SystemClock())
    if as_json:
        print_json(told_as_json(trial))
        return
    for line in lines(trial):
        click.echo(line)
