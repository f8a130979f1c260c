"""Real processes for capture tests: simulated cells behind pseudo-terminals, recorders.

Comes in: options of the public commands. Goes out: what the cell says it sent, what the
logbook holds, and where the two differ.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from types import TracebackType
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from logger.logbook.check import Report, check
from logger.logbook.reader import LogbookReader
from logger.simcell.sent import Fate, SentRecord, read_sent

PROGRAM = str(Path(sys.executable).with_name("ropetally"))
CALIBRATION = ("--calibration", "0:0 N,2000000:20 kN")
QUIET_WORLD = '[signal]\nkind = "sine"\nlevel_n = 400.0\namplitude_n = 300.0\nperiod_s = 0.8\n'
LATENCY_NS = 2_000_000


def wait_until(passed: Callable[[], bool], limit_s: float = 60.0, pause_s: float = 0.005) -> None:
    """Ask again and again; fail when the limit is over."""
    deadline = time.monotonic() + limit_s
    while not passed():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(pause_s)


class Child:
    """A process of ours that ends with the block."""

    def __init__(self, arguments: Iterable[str], **more: Any) -> None:
        self.process = subprocess.Popen([*arguments], text=True, **more)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout, self.process.stderr):
            if pipe is not None:
                pipe.close()


class Cell(Child):
    """``ropetally simcell`` with its own record of what it sent."""

    def __init__(self, folder: Path, *options: str, name: str = "cell", world: str = "") -> None:
        self.link = folder / name
        self.sent_path = folder / f"{name}.sent"
        scenario = folder / f"{name}.toml"
        scenario.write_text(world or QUIET_WORLD)
        super().__init__(
            [PROGRAM, "simcell", "--link", str(self.link), "--scenario", str(scenario),
             "--sent", str(self.sent_path), "--device-id", name, *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )  # fmt: skip
        assert self.process.stdout is not None
        assert self.process.stdout.readline().startswith("ready")

    @property
    def url(self) -> str:
        return f"serial:{self.link}"

    def lost(self, fate: Fate) -> int:
        """Samples of that fate in the record as far as it is written."""
        return read_sent(self.sent_path).lost(fate)

    def say(self, word: str) -> None:
        assert self.process.stdin is not None
        self.process.stdin.write(f"{word}\n")
        self.process.stdin.flush()

    def kill(self) -> None:
        """Kill -9, and nobody finds another cell behind its link.

        A link left behind names a pseudo-terminal that the system gives to the next process that
        asks for one: a recorder that waits for this cell would open that, and keep it.
        """
        self.link.unlink()
        self.process.kill()
        self.process.wait()

    def end(self) -> SentRecord:
        """End the cell; what it says it sent."""
        self.process.terminate()
        assert self.process.wait(60) == 0
        return read_sent(self.sent_path)


class Recorder(Child):
    """``ropetally record`` with its acknowledgements in a file."""

    def __init__(self, logbook: Path, *options: str, limit_bytes: int = 0) -> None:
        self.logbook = logbook
        self.acks_path = logbook.with_suffix(".acks")
        self.errors_path = logbook.with_suffix(".errors")

        def limit() -> None:
            import resource

            resource.setrlimit(resource.RLIMIT_FSIZE, (limit_bytes, limit_bytes))

        with self.acks_path.open("w") as acks, self.errors_path.open("w") as errors:
            super().__init__(
                [PROGRAM, "record", str(logbook), "--acks", *options],
                stdin=subprocess.DEVNULL,
                stdout=acks,
                stderr=errors,
                preexec_fn=limit if limit_bytes else None,
            )

    def acks(self) -> dict[int, int]:
        """Last acknowledged index of each stream, whole lines only."""
        lines = self.acks_path.read_text().split("\n")[:-1]
        return {int(s): int(i) for _, s, i in (x.split() for x in lines if x.startswith("ack "))}

    def errors(self) -> str:
        return self.errors_path.read_text()

    def wait_for_samples(self, n: int, streams: int = 1) -> None:
        """Wait until each of so many streams has so many samples on disk."""

        def enough() -> bool:
            assert self.process.poll() is None, self.errors()
            done = [last for last in self.acks().values() if last + 1 >= n]
            return len(done) >= streams

        wait_until(enough)

    def stop(self) -> int:
        """SIGTERM; the exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(60)

    def end(self) -> int:
        """Let it end by itself; the exit code."""
        return self.process.wait(120)

    def kill(self) -> None:
        """Kill -9."""
        self.process.kill()
        self.process.wait()

    def freeze(self, passed: Callable[[], bool]) -> None:
        """Stop the whole process, so that nobody reads the port, until something has come to pass."""
        os.kill(self.process.pid, signal.SIGSTOP)
        try:
            wait_until(passed, pause_s=0.05)
        finally:
            os.kill(self.process.pid, signal.SIGCONT)


def frames_of(sent: SentRecord, boot: int = 0, fate: Fate | None = Fate.SENT) -> NDArray[np.int64]:
    """Positions in the record of the frames of the boot of that number, with a fate."""
    boots = list(dict.fromkeys(sent.heads["boot_id"].tolist()))
    of_boot = sent.heads["boot_id"] == boots[boot]
    chosen = of_boot if fate is None else of_boot & (sent.heads["fate"] == fate)
    return np.flatnonzero(chosen)


def samples_of(
    sent: SentRecord, frames: NDArray[np.int64], rate_hz: float = 1000.0
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int32]]:
    """Index, host time at which it was taken, and counts of each sample of some frames."""
    heads = sent.heads[frames]
    n = heads["n"].astype(np.int64)
    within = np.arange(n.sum()) - np.repeat(np.cumsum(n) - n, n)
    index = np.repeat(heads["first_index"].astype(np.int64), n) + within
    taken_ns = np.repeat(heads["taken_ns"], n) + np.rint(within * 1e9 / rate_hz).astype(np.int64)
    return index, taken_ns, np.concatenate([sent.counts[i] for i in frames])


def well(logbook: Path) -> Report:
    """Report of the check, which must find nothing wrong."""
    report = check(logbook)
    assert report.ok, report.problems
    return report


def assert_same(logbook: Path, stream: int, sent: SentRecord, *, boot: int = 0) -> int:
    """Every sample that was sent is stored once, in order; how many."""
    index, _, counts = samples_of(sent, frames_of(sent, boot))
    with LogbookReader(logbook) as reader:
        stored = reader.samples(stream)
    assert np.array_equal(stored.index, index)
    assert np.array_equal(stored.counts, counts)
    return len(index)


def worst_time_error_ns(
    logbook: Path, stream: int, sent: SentRecord, rate_hz: float, *, boot: int = 0
) -> int:
    """Largest difference between a sample's fitted time and when the cell took it."""
    _, taken_ns, _ = samples_of(sent, frames_of(sent, boot), rate_hz)
    with LogbookReader(logbook) as reader:
        fitted_ns = reader.time_fit(stream).host_ns(reader.samples(stream).tick_us)
    return int(np.abs(fitted_ns - taken_ns).max())


def assert_none_wrong(logbook: Path, stream: int, sent: SentRecord, *, boot: int = 0) -> int:
    """Every stored sample was made just so, and every hole is a gap row; how many stored.

    A stream that begins in the middle counts from the low 16 bits of its first index.
    """
    index, _, counts = samples_of(sent, frames_of(sent, boot, fate=None))
    with LogbookReader(logbook) as reader:
        stored = reader.samples(stream)
        gaps = reader.gaps(stream)
    shifts = range(0, int(index[-1]) + 1, 65536)
    assert any(
        np.array_equal(
            counts[shift:][stored.index[stored.index < len(counts) - shift]], stored.counts
        )
        for shift in shifts
    )
    assert np.all(np.diff(stored.index) > 0)
    held = np.zeros(int(stored.index[-1]) + 1, dtype=int)
    held[stored.index] += 1
    for gap in gaps:
        held[gap.first_index : gap.first_index + gap.n_missing] += 1
    assert np.all(held[stored.index[0] :] == 1), "each sample is stored or in one gap"
    return len(stored.index)
