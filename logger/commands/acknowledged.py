"""What is on disk for sure: told while it records, read back after a failure.

Comes in: acknowledgements of the recorder. Goes out: lines of text. Must not: hold up the
recorder, or change the logbook.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import LoggerError

if TYPE_CHECKING:
    from logger.samples import Ack


@contextlib.contextmanager
def printed_acks() -> Iterator[Callable[[Sequence[Ack]], None]]:
    """Print acknowledgements on a thread of their own: a full pipe holds up nothing.

    While it is full the newest of each stream waits, so that what waits stays small.
    """
    newest: dict[int, int] = {}
    changed = threading.Condition()
    done = False

    def put(acks: Sequence[Ack]) -> None:
        with changed:
            for ack in acks:
                newest[ack.stream_id] = ack.last_index
            changed.notify()

    def run() -> None:
        while True:
            with changed:
                changed.wait_for(lambda: newest or done)
                if not newest:
                    return
                text = "".join(f"ack {stream} {last}\n" for stream, last in newest.items())
                newest.clear()
            try:
                sys.stdout.write(text)
                sys.stdout.flush()
            except OSError:
                return

    thread = threading.Thread(target=run, name="acks", daemon=True)
    thread.start()
    try:
        yield put
    finally:
        with changed:
            done = True
            changed.notify()
        thread.join(1.0)


def read_back(logbook: Path, acknowledged: Mapping[int, int]) -> Iterator[str]:
    """Read a logbook again after its recording failed, from the disk where that can be asked.

    Parameters
    ----------
    logbook : path
        Closed by its writer.
    acknowledged : mapping
        Stream -> last index that was said to be on disk.

    Yields
    ------
    str
        What the check finds, and whether all that was acknowledged can be read.
    """
    from logger.logbook.check import check
    from logger.logbook.reader import LogbookReader

    for path in (logbook, logbook.with_name(f"{logbook.name}-wal")):
        _forget_cached(path)
    lost = 0
    try:
        for problem in check(logbook).problems:
            yield f"read back: {problem}"
        with LogbookReader(logbook) as reader:
            ends = {stream.id: stream.last_index for stream in reader.streams()}
    except LoggerError as error:
        yield f"read back: {error}"
        return
    for stream, last in acknowledged.items():
        end = ends.get(stream)
        if end is None or end < last:
            lost += 1
            yield f"read back: stream {stream} was acknowledged to {last}, on disk to {end}"
    if not lost:
        yield f"read back: {logbook} holds every sample that was acknowledged"


def _forget_cached(path: Path) -> None:
    """Ask the system to read a file from the disk next time, not from memory."""
    if hasattr(os, "posix_fadvise"):  # pragma: no branch - a wish; not on every system
        with contextlib.suppress(OSError):
            fd = os.open(path, os.O_RDONLY)
            try:
                os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
            finally:
                os.close(fd)
