"""The simulated cell as a process: a pseudo-terminal behind a symlink, in real time.

Comes in: options, a world; signals and control lines. Goes out: bytes on the port, the
sender's own record and the truth file. Must not: be imported by capture or analysis.

Control lines on standard input: ``unplug``, ``replug``, ``reset``, ``stop`` (goes silent),
``quit``. SIGUSR1 unplugs, SIGUSR2 plugs in again; SIGTERM and SIGINT end it and remove
the link.
"""

from __future__ import annotations

import errno
import json
import math
import os
import select
import signal
import sys
import time
import tty
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from types import FrameType
from typing import Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from logger.simcell.device import CountArray, Device, DeviceOptions
from logger.simcell.sent import write_frame
from logger.simcell.world import World, truth_dict

BOOT_CLOCK: int = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
IDLE_WAIT_S = 0.05
DRAIN_WAIT_S = 0.002
STDIN_FD = 0


@dataclass(frozen=True, slots=True)
class ProcessOptions:
    """Where the cell appears, what it writes, how fast its link is, when it ends.

    ``baud`` 0 is a link as fast as the port takes it; ``exit_after_s`` ends the process
    that many seconds after the scenario, None never.
    """

    link: Path
    sent: Path | None = None
    truth: Path | None = None
    baud: int = 0
    exit_after_s: float | None = None


class Port:
    """A raw pseudo-terminal reached through a symlink; can be pulled and put back.

    Raises
    ------
    OSError
        Another file bears the link's name (it is left alone), or there is no such folder.
    """

    def __init__(self, link: Path) -> None:
        if os.path.lexists(link) and not link.is_symlink():
            problem = "is there already and is no link to a simulated cell"
            raise FileExistsError(errno.EEXIST, problem, str(link))
        if not link.parent.is_dir():
            raise FileNotFoundError(errno.ENOENT, "no such folder", str(link.parent))
        self.link = link
        self.master_fd: int | None = None
        self._slave_fd = -1

    def plug(self) -> None:
        """Open a new pseudo-terminal and point the link at it."""
        if self.master_fd is not None:
            return
        self.master_fd, self._slave_fd = os.openpty()
        tty.setraw(self._slave_fd)
        os.set_blocking(self.master_fd, False)
        fresh = self.link.with_name(f"{self.link.name}.{os.getpid()}")
        fresh.symlink_to(os.ttyname(self._slave_fd))
        fresh.replace(self.link)

    def unplug(self) -> None:
        """Close the pseudo-terminal and remove the link."""
        if self.master_fd is None:
            return
        with suppress(OSError):
            self.link.unlink()
        os.close(self._slave_fd)
        os.close(self.master_fd)
        self.master_fd = None

    def write(self, data: bytes) -> int:
        """Write what the port takes without waiting; returns how many bytes it took."""
        if self.master_fd is None:
            return 0
        try:
            return os.write(self.master_fd, data)
        except OSError:
            return 0

    def read(self) -> bytes:
        """Read what the host has sent."""
        if self.master_fd is None:
            return b""
        try:
            return os.read(self.master_fd, 4096)
        except OSError:
            return b""


class CellProcess:
    """Joins device, port and clock."""

    def __init__(self, options: ProcessOptions, device: DeviceOptions, world: World) -> None:
        self.options = options
        self.world = world
        self.port = Port(options.link)
        self._sent_file: BinaryIO | None = options.sent.open("wb") if options.sent else None
        self._origin_ns = time.clock_gettime_ns(BOOT_CLOCK)
        self.device = Device(device, world, self._note if self._sent_file else None)
        self._budget_bytes = 0.0
        self._drained_ns = 0
        self._ending = False
        self._truth_written = False
        self._wake_r, self._wake_w = os.pipe()
        self._poll = select.poll()
        self._handlers: dict[signal.Signals, Any] = {}

    def elapsed_ns(self) -> int:
        """Return the true time since the process began."""
        return time.clock_gettime_ns(BOOT_CLOCK) - self._origin_ns

    def _note(self, head: NDArray[np.void], counts: CountArray) -> None:
        head["taken_ns"] += self._origin_ns
        if self._sent_file is not None:
            write_frame(self._sent_file, head, counts)

    # --- control -----------------------------------------------------------------

    def do(self, word: str) -> None:
        """Carry out one control word; unknown ones are ignored."""
        if word == "unplug":
            self._forget_port()
            self.port.unplug()
            self.device.plugged = False
            self.device.fifo.clear()
        elif word == "replug":
            self.port.plug()
            self._watch_port()
            self.device.plugged = True
        elif word == "reset":
            self.device.reset(self.elapsed_ns())
        elif word == "stop":
            self.device.silent = True
        elif word == "quit":
            self._ending = True

    def _on_signal(self, number: int, _frame: FrameType | None) -> None:
        words = {signal.SIGUSR1: b"u", signal.SIGUSR2: b"r"}
        with suppress(OSError):
            os.write(self._wake_w, words.get(signal.Signals(number), b"q"))

    def _watch_port(self) -> None:
        if self.port.master_fd is not None:
            self._poll.register(self.port.master_fd, select.POLLIN)

    def _forget_port(self) -> None:
        if self.port.master_fd is not None:
            self._poll.unregister(self.port.master_fd)

    def _watch(self) -> None:
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGUSR1, signal.SIGUSR2):
            self._handlers[number] = signal.signal(number, self._on_signal)
        self._poll.register(self._wake_r, select.POLLIN)
        self._watch_port()
        with suppress(OSError, PermissionError):
            if not os.isatty(STDIN_FD):
                self._poll.register(STDIN_FD, select.POLLIN)

    def _read_control(self) -> None:
        try:
            data = os.read(STDIN_FD, 4096)
        except OSError:
            data = b""
        if not data:
            self._poll.unregister(STDIN_FD)
        for word in data.decode("utf-8", errors="replace").split():
            self.do(word)

    def _serve(self, ready: list[tuple[int, int]]) -> None:
        names = {ord("u"): "unplug", ord("r"): "replug", ord("q"): "quit"}
        for fd, _event in ready:
            if fd == self._wake_r:
                for byte in os.read(fd, 64):
                    self.do(names[byte])
            elif fd == STDIN_FD:
                self._read_control()
            elif fd == self.port.master_fd:
                self.device.receive(self.port.read(), self.elapsed_ns())

    # --- running -----------------------------------------------------------------

    def _drain(self, now_ns: int) -> None:
        """Move bytes from the FIFO to the port, no faster than the link."""
        fifo = self.device.fifo
        room = len(fifo)
        if self.options.baud:
            rate = self.options.baud / 10.0 * 1e-9
            self._budget_bytes = min(
                self._budget_bytes + (now_ns - self._drained_ns) * rate, max(1.0, 0.02e9 * rate)
            )
            room = min(room, int(self._budget_bytes))
        self._drained_ns = now_ns
        if room:
            taken = self.port.write(bytes(fifo[:room]))
            del fifo[:taken]
            self._budget_bytes -= taken

    def _wait_ms(self) -> int:
        due_ns = self.device.next_frame_ns()
        wait_s = IDLE_WAIT_S
        if due_ns is not None:
            wait_s = min(wait_s, max(0.0, (due_ns - self.elapsed_ns()) * 1e-9))
        if self.device.fifo and self.device.plugged:
            wait_s = min(wait_s, DRAIN_WAIT_S)
        return math.ceil(wait_s * 1000.0)

    def _is_over(self, now_ns: int) -> bool:
        start_ns = self.device.scenario_ns
        if start_ns is None:
            return False
        past_s = (now_ns - start_ns) * 1e-9 - self.world.duration_s
        if past_s > 0.0 and not self._truth_written:
            self._truth_written = True
            self.write_truth()
        limit_s = self.options.exit_after_s
        return limit_s is not None and past_s >= limit_s

    def turn(self) -> None:
        """Wait for the next thing to do, and do it."""
        self._serve(self._poll.poll(self._wait_ms()))
        now_ns = self.elapsed_ns()
        self._drain(now_ns)
        while (due_ns := self.device.next_frame_ns()) is not None and due_ns <= now_ns:
            self.device.advance(due_ns)
            self._drain(now_ns)
        self._ending = self._ending or self._is_over(now_ns)

    def run(self) -> None:
        """Plug in, say so, and run until told to end."""
        try:
            self.open()
            sys.stdout.write(f"ready {self.options.link}\n")
            sys.stdout.flush()
            while not self._ending:
                self.turn()
        finally:
            self.close()

    def open(self) -> None:
        """Plug in and listen to port, control lines and signals."""
        self.port.plug()
        self._watch()
        self.write_truth()

    def close(self) -> None:
        """Remove the link, finish the files, give the signals back."""
        self.port.unplug()
        self.write_truth()
        if self._sent_file is not None:
            self._sent_file.close()
        for number, handler in self._handlers.items():
            signal.signal(number, handler)
        os.close(self._wake_r)
        os.close(self._wake_w)

    def write_truth(self) -> None:
        """Write the truth file, whole or not at all."""
        path = self.options.truth
        if path is None:
            return
        device, start_ns = self.device, self.device.scenario_ns
        converter = device.options.converter
        truth: dict[str, Any] = truth_dict(self.world)
        truth["started_boot_ns"] = None if start_ns is None else start_ns + self._origin_ns
        truth["overruns"] = device.overruns
        truth["clipped"] = device.clipped
        truth["converter"] = asdict(converter) | {"window_s": converter.window_s}
        for entry, seen in zip(truth["lowerings"], device.seen, strict=True):
            entry["seen"] = None
            if seen.counts_index >= 0:
                peak_n = (seen.counts - converter.zero_counts) / converter.counts_per_n
                entry["seen"] = {
                    "peak_filtered_n": seen.filtered_n,
                    "peak_counts": seen.counts,
                    "peak_n": peak_n,
                    "peak_index": seen.counts_index,
                    "first_index": seen.first_index,
                    "last_index": seen.last_index,
                }
        fresh = path.with_name(path.name + ".part")
        fresh.write_text(json.dumps(truth, indent=1), encoding="utf-8")
        fresh.replace(path)
