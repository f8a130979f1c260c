"""What capture costs: our path beside line reading, on the same samples in one run.

Run ``python tests/benchmarks/capture_path.py [--samples N] [--seconds S] [--repeat K] [--json]``.
Each reader is a process of its own behind a pseudo-terminal; only its own processor time counts,
from the open port to the last sample stored and, for ours, the logbook closed. All readers take
turns, K times over, and the least time of each counts, as other work on the machine only adds.
The sender answers requests as a cell does, so that ours stops as it stops in the field. The
plain path gets a tenth of the samples: it has no costs but those of its lines, and takes long.

*flood*: the sender writes as fast as the port takes it: samples per processor second.
*paced*: 4000 samples/s in real time: processor time per second of recording.

drain     pyserial, ``read(1)`` then ``in_waiting``, bytes thrown away
ours      the whole session: reader, decoder with CRC, placing, trigger, live state, logbook
          with synchronous FULL
buffered  lines through ``io.BufferedReader``, csv, flush every 0.25 s
plain     pyserial's ``readline``, csv, flush after every line

A row of csv holds what the logbook keeps of a sample: host time, tick, counts.
"""

from __future__ import annotations

import argparse
import csv
import io
import json
import os
import select
import struct
import subprocess
import sys
import tempfile
import time
import tty
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np
import serial
from cobs import cobs

RATE_HZ: Final = 4000
SLICE: Final = 4096
BINARY: Final = ("drain", "ours")
PATHS: Final = (*BINARY, "buffered", "plain")


def counts_of(n: int) -> np.ndarray[Any, np.dtype[np.int32]]:
    """Counts as a loaded cell gives them: a slow swing, noise of 300 counts."""
    index = np.arange(n)
    noise = np.random.default_rng(7).normal(0.0, 300.0, n)
    return np.rint(240_000 + 40_000 * np.sin(index / 900.0) + noise).astype(np.int32)


def on_serial(payload: bytes) -> bytes:
    return bytes(cobs.encode(payload + struct.pack("<I", zlib.crc32(payload)))) + b"\x00"


def binary_pieces(n: int, per_frame: int) -> list[bytes]:
    """Data frames of ``n`` samples, as they travel."""
    pieces = []
    counts = counts_of(n)
    for first in range(0, n, per_frame):
        part = counts[first : first + per_frame]
        tick = round(first * 1e6 / RATE_HZ)
        head = struct.pack("<BBHI", 0x10, len(part), first & 0xFFFF, tick & 0xFFFFFFFF)
        pieces.append(on_serial(head + part.tobytes()))
    return pieces


class Answers:
    """A cell's answers to requests; bytes that are no request get none."""

    def __init__(self) -> None:
        self._begun = time.monotonic()
        self._tail = b""

    def to(self, data: bytes) -> bytes:
        """Answer what the bytes complete."""
        *whole, self._tail = (self._tail + data).split(b"\x00")
        return b"".join(self._answer(cobs.decode(part)) for part in whole if part)

    def _answer(self, request: bytes) -> bytes:
        opcode, number = request[:2]
        if opcode == 1:
            limits = -(2**23), 2**23 - 1
            info = struct.pack("<BBIIdiiII", 0x11, number, 7, 1_000_000, RATE_HZ, *limits, 0, 2)
            return on_serial(info + b"\x05bench\x011")
        reply = struct.pack("<BBBB", 0x12, opcode, number, 0)
        tick_us = round((time.monotonic() - self._begun) * 1e6)
        return on_serial(reply + (struct.pack("<I", tick_us) if opcode == 4 else b""))


def line_pieces(n: int, per_frame: int) -> list[bytes]:
    """The same samples as lines of tick and counts."""
    ticks = np.rint(np.arange(n) * 1e6 / RATE_HZ).astype(int).tolist()
    lines = [b"%d,%d\r\n" % pair for pair in zip(ticks, counts_of(n).tolist(), strict=True)]
    return [b"".join(lines[i : i + per_frame]) for i in range(0, n, per_frame)]


# --- readers, each in a process of its own -------------------------------------------


def measured(work: Callable[[], None], out: Path) -> None:
    """Print processor seconds of the work and what it left on disk."""
    before = time.process_time()
    work()
    spent = time.process_time() - before
    print(json.dumps({"cpu_s": spent, "bytes": out.stat().st_size if out.exists() else 0}))


def read_drain(link: str, out: Path, n_bytes: int, _n: int) -> None:
    port = serial.Serial(link, 115_200, timeout=5)

    def work() -> None:
        port.write(b"go")
        left = n_bytes
        while left > 0:
            data = port.read(1)
            waiting = port.in_waiting
            data = data + port.read(waiting) if waiting else data
            left -= len(data)

    measured(work, out)


def read_ours(link: str, out: Path, _n_bytes: int, n: int) -> None:
    from logger.cell_line import CellPlan
    from logger.samples import CellInfo, Scaling
    from logger.session import Session, SessionPlan

    def scaling(_info: CellInfo) -> tuple[Scaling, None]:
        return Scaling(0.0, 0.01, 0.005, 0.0, "invented"), None

    session = Session(SessionPlan(out, (CellPlan("cell", f"serial:{link}", scaling),)))

    session.start()

    def work() -> None:
        while not session.wait(0.05):
            if session.snapshot.cells and session.snapshot.cells[0].n_samples >= n:
                break
        last = session.stop().cells[0]
        assert (last.n_samples, last.n_gaps) == (n, 0), last

    measured(work, out)


def write_lines(read: Callable[[], bytes], out: Path, n: int, flush_s: float) -> None:
    with out.open("w", newline="") as file:
        writer = csv.writer(file)
        due = time.monotonic() + flush_s
        for _ in range(n):
            tick_us, counts = read().decode().strip().split(",")
            writer.writerow((f"{time.time():.6f}", int(tick_us), int(counts)))
            if flush_s == 0.0:
                file.flush()
            elif time.monotonic() > due:
                file.flush()
                due += flush_s


def read_buffered(link: str, out: Path, _n_bytes: int, n: int) -> None:
    port = serial.Serial(link, 115_200, timeout=5)
    lines = io.BufferedReader(port, SLICE)

    def work() -> None:
        port.write(b"go")
        port.timeout = 0.05
        write_lines(lines.readline, out, n, 0.25)

    measured(work, out)


def read_plain(link: str, out: Path, _n_bytes: int, n: int) -> None:
    port = serial.Serial(link, 115_200, timeout=5)

    def work() -> None:
        port.write(b"go")
        write_lines(port.readline, out, n, 0.0)

    measured(work, out)


READERS: Final = {
    "drain": read_drain, "ours": read_ours, "buffered": read_buffered, "plain": read_plain,
}  # fmt: skip


# --- the sender and the table ---------------------------------------------------------


def run(path: str, pieces: list[bytes], n: int, *, paced_s: float = 0.0) -> dict[str, float]:
    """Send the pieces to a reader; what it says of itself."""
    master, slave = os.openpty()
    tty.setraw(slave)
    answers = Answers()
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "out"
        child = subprocess.Popen(
            [sys.executable, __file__, "--reader", path, os.ttyname(slave), str(out),
             str(sum(map(len, pieces))), str(n)],
            stdout=subprocess.PIPE,
            text=True,
        )  # fmt: skip
        answer(master, answers, 60.0)
        begin = time.monotonic()
        for number, piece in enumerate(pieces):
            if paced_s:
                time.sleep(max(0.0, begin + number * paced_s - time.monotonic()))
            answer(master, answers, 0.0)
            send(master, piece)
        while child.poll() is None:
            answer(master, answers, 0.05)
        said, _ = child.communicate()
        os.close(slave)
        os.close(master)
    assert child.returncode == 0, path
    result: dict[str, float] = json.loads(said)
    return result


def send(fd: int, data: bytes) -> None:
    while data:
        data = data[os.write(fd, data) :]


def answer(fd: int, answers: Answers, wait_s: float) -> None:
    """Answer what was asked, or is asked within so long."""
    if select.select([fd], [], [], wait_s)[0]:
        send(fd, answers.to(os.read(fd, SLICE)))


def batched(pieces: list[bytes]) -> list[bytes]:
    """Join whole pieces into writes that fill the port."""
    writes = [b""]
    for piece in pieces:
        if len(writes[-1]) + len(piece) > SLICE:
            writes.append(b"")
        writes[-1] += piece
    return writes


def compare(samples: int, seconds: float, per_frame: int, repeat: int) -> dict[str, Any]:
    """Run every path so many times; figures and ratios of the least time of each."""
    binary, lines = binary_pieces(samples, per_frame), line_pieces(samples, per_frame)
    n_of = dict.fromkeys(PATHS, samples)
    n_of["plain"] = max(samples // 10 // per_frame, 1) * per_frame
    n_paced = int(seconds * RATE_HZ)
    pieces = binary_pieces(n_paced, per_frame)
    flood: dict[str, dict[str, float]] = {}
    paced: dict[str, dict[str, float]] = {}
    for _ in range(repeat):
        for path in PATHS:
            sent = batched(binary if path in BINARY else lines[: -(-n_of[path] // per_frame)])
            keep_least(flood, path, run(path, sent, n_of[path]))
        for path in BINARY:
            keep_least(paced, path, run(path, pieces, n_paced, paced_s=per_frame / RATE_HZ))
    rate = {path: n_of[path] / flood[path]["cpu_s"] for path in PATHS}
    csv_bytes = flood["buffered"]["bytes"] / samples
    return {
        "samples": samples,
        "per_frame": per_frame,
        "repeat": repeat,
        "samples_per_cpu_s": rate,
        "ours_over_buffered": rate["ours"] / rate["buffered"],
        "ours_over_plain": rate["ours"] / rate["plain"],
        "paced_cpu_share": {path: paced[path]["cpu_s"] / seconds for path in paced},
        "paced_ours_over_drain": paced["ours"]["cpu_s"] / paced["drain"]["cpu_s"],
        "flood_ours_over_drain": flood["ours"]["cpu_s"] / flood["drain"]["cpu_s"],
        "bytes_per_sample": {"logbook": flood["ours"]["bytes"] / samples, "csv": csv_bytes},
        "csv_over_logbook": csv_bytes * samples / flood["ours"]["bytes"],
    }


def keep_least(kept: dict[str, dict[str, float]], path: str, told: dict[str, float]) -> None:
    """Keep the run that took the least processor time."""
    if path not in kept or told["cpu_s"] < kept[path]["cpu_s"]:
        kept[path] = told


def table(result: dict[str, Any]) -> Iterator[str]:
    """Lines for people."""
    yield f"{result['samples']} samples, {result['per_frame']} in a frame, least of {result['repeat']} runs each"
    for path, rate in result["samples_per_cpu_s"].items():
        yield f"  {path:<9} {rate:>12,.0f} samples per processor second"
    yield f"  ours / buffered   {result['ours_over_buffered']:8.1f}   (target 15 or more)"
    yield f"  ours / plain      {result['ours_over_plain']:8.1f}   (target 300 or more)"
    share = result["paced_cpu_share"]
    yield f"  at 4 kHz: drain {100 * share['drain']:.1f} %, ours {100 * share['ours']:.1f} % of one core"
    yield f"  ours / drain      {result['paced_ours_over_drain']:8.1f}   (target 6 or less)"
    size = result["bytes_per_sample"]
    yield f"  bytes per sample: logbook {size['logbook']:.2f}, csv {size['csv']:.1f}"
    yield f"  csv / logbook     {result['csv_over_logbook']:8.1f}   (target 8 or more)"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--samples", type=int, default=200_000)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--per-frame", type=int, default=64)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--reader", nargs=5, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.reader:
        path, link, out, n_bytes, n = chosen.reader
        READERS[path](link, Path(out), int(n_bytes), int(n))
        return
    result = compare(chosen.samples, chosen.seconds, chosen.per_frame, chosen.repeat)
    print(json.dumps(result, indent=2) if chosen.json else "\n".join(table(result)))


if __name__ == "__main__":
    main()
