"""A process that records as fast as the disk takes it, to be killed or starved.

Run as a script: ``recording_child.py LOGBOOK [options]``. It prints ``ack STREAM LAST``
after each batch that the writer has acknowledged; a parent compares that with the file.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from logbook_items import counts_at, frame, gap, opened

from logger.errors import LogbookError
from logger.logbook import writer as writer_module
from logger.logbook.check import check
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Note
from logger.samples import Ack, RecordItem, SamplesPlaced, WindowClosed, WindowOpened

STREAMS = 3
GAP_EVERY = 7


def batches(first_stream: int, first_lowering: int, n: int) -> Iterator[list[RecordItem]]:
    """Batches of several streams at different rates, with gaps and windows, made when asked for."""
    streams = range(first_stream, first_stream + STREAMS)
    yield [opened(stream) for stream in streams]
    at = dict.fromkeys(streams, 0)
    for number in range(n):
        items: list[RecordItem] = []
        for stream in streams:
            size = 5 + 11 * (stream - first_stream)
            if number % GAP_EVERY == GAP_EVERY - 1:
                items.append(gap(stream, at[stream], 3))
                at[stream] += 3
            for _ in range(3):
                items.append(frame(stream, at[stream], size))
                at[stream] += size
        start = at[first_stream] - 5
        if number % 4 == 0:
            items.append(WindowOpened(first_lowering + number // 4, first_stream, start, start))
        if number % 4 == 2:
            items.append(WindowClosed(first_lowering + number // 4, first_stream, start))
        yield items


def main(arguments: Sequence[str] | None = None) -> int:
    """Record until done, killed, or told by the disk."""
    parser = argparse.ArgumentParser()
    parser.add_argument("logbook", type=Path)
    parser.add_argument("--batches", type=int, default=3000)
    parser.add_argument("--checkpoint-s", type=float, default=0.02)
    parser.add_argument("--largest-file", type=int, default=0)
    parser.add_argument("--ack-early", action="store_true", help="break the promise, for a test")
    parser.add_argument("--no-wal", action="store_true", help="remove the protection, for a test")
    parser.add_argument("--sync-normal", action="store_true", help="likewise")
    parser.add_argument("--notes", type=int, default=0, help="write notes, record nothing")
    chosen = parser.parse_args(arguments)
    writer_module.CHECKPOINT_S = chosen.checkpoint_s  # type: ignore[misc]
    os.write(1, b"begin\n")
    if chosen.notes:
        return write_notes(chosen.logbook, chosen.notes)
    try:
        with LogbookWriter(chosen.logbook) as writer:
            if chosen.no_wal:
                writer._connection.execute("PRAGMA journal_mode = DELETE")
            if chosen.sync_normal:
                writer._connection.execute("PRAGMA synchronous = NORMAL")
            limit_file_size(chosen.largest_file)
            for items in batches(writer.next_stream_id, writer.next_lowering, chosen.batches):
                early = [i for i in items if isinstance(i, SamplesPlaced)]
                if chosen.ack_early and early:
                    tell(Ack(i.stream_id, i.first_index + len(i.counts) - 1) for i in early[2::3])
                    os.read(0, 1)  # killed here
                tell(writer.write(items))
    except LogbookError as error:
        print(f"{type(error).__name__}: {error}", flush=True)
        return 4
    return 0


def write_notes(logbook: Path, n: int) -> int:
    """Write notes 1 to ``n``, each in a short write of its own; ``ack 0 NUMBER`` after each."""
    for number in range(1, n + 1):
        with LogbookEntries(logbook) as entries:
            entries.put_record(str(number), Note(text=f"note {number}", by="A"))
        tell([Ack(0, number)])
    return 0


def limit_file_size(n_bytes: int) -> None:
    """Let no file grow beyond ``n_bytes``; 0 leaves it."""
    if n_bytes:
        import resource

        resource.setrlimit(resource.RLIMIT_FSIZE, (n_bytes, n_bytes))


def tell(acks: Iterable[Ack]) -> None:
    """Print acknowledgements, in one write."""
    text = "".join(f"ack {ack.stream_id} {ack.last_index}\n" for ack in acks)
    if text:
        os.write(1, text.encode())


# --- the parent's side ------------------------------------------------------------------


class Recording:
    """The child, seen from the test; killed when the block ends."""

    def __init__(self, logbook: Path, *options: str, env: Mapping[str, str] | None = None) -> None:
        self.logbook = logbook
        self.acks: dict[int, int] = {}
        self.n_acks = 0
        self.last_line = ""
        self.process = subprocess.Popen(
            [sys.executable, __file__, str(logbook), *options],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env=env,
        )

    def wait_for_begin(self) -> None:
        """Wait until the child is about to open the logbook."""
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "begin\n"

    def read_acks(self, n: int) -> bool:
        """Read ``n`` more acknowledgements; False when the child ended before."""
        wanted = self.n_acks + n
        while self.n_acks < wanted:
            assert self.process.stdout is not None
            line = self.process.stdout.readline()
            if not line.endswith("\n"):
                return False
            self.last_line = line.strip()
            if line.startswith("ack "):
                _, stream, last = line.split()
                self.acks[int(stream)] = int(last)
                self.n_acks += 1
        return True

    def kill(self, after_s: float = 0.0) -> None:
        """Kill -9 now or a moment later, then read what it still said."""
        try:
            self.process.wait(after_s)
        except subprocess.TimeoutExpired:
            self.process.kill()
        while self.read_acks(1):
            pass
        self.process.wait()

    def end(self) -> int:
        """Let it run to its end; its exit code."""
        while self.read_acks(1):
            pass
        return self.process.wait()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.process.kill()
        self.process.wait()
        for pipe in (self.process.stdin, self.process.stdout):
            if pipe is not None:
                pipe.close()


def losses(logbook: Path, acks: dict[int, int]) -> list[str]:
    """What the logbook does not hold as it must: empty when all acknowledged is there."""
    found = [str(problem) for problem in check(logbook).problems]
    with LogbookReader(logbook) as reader:
        ends = {stream.id: stream.last_index for stream in reader.streams()}
        for stream, last in acks.items():
            end = ends.get(stream)
            if end is None or end < last:
                found.append(f"stream {stream}: acknowledged to {last}, stored to {end}")
        for stream in ends:
            found += wrong_samples(reader, stream)
    return found


def wrong_samples(reader: LogbookReader, stream: int) -> list[str]:
    """Stored samples that are not what was given, and holes that are no noted gap."""
    samples = reader.samples(stream)
    if not len(samples.index):
        return []
    found: list[str] = []
    oracle = counts_at(0, int(samples.index[-1]) + 1, stream)[samples.index]
    if not np.array_equal(samples.counts, oracle):
        found.append(f"stream {stream}: counts are not those given")
    missing = samples.index[-1] + 1 - len(samples.index)
    inside = sum(g.n_missing for g in reader.gaps(stream) if g.first_index < samples.index[-1])
    if missing != inside:
        found.append(f"stream {stream}: {missing} samples missing, gaps say {inside}")
    return found


def wait_until(passed: Callable[[], bool], limit_s: float = 20.0) -> bool:
    """Ask again and again until ``passed()`` is true; False when the limit is over."""
    deadline = time.monotonic() + limit_s
    while time.monotonic() < deadline:
        if passed():
            return True
        time.sleep(0.005)
    return False


if __name__ == "__main__":
    sys.exit(main())
