"""What is on disk for sure: told while it records, read back after a failure.

Comes in: acknowledgements of the recorder. Goes out: lines of text. Must not: hold up the
recorder, or change the logbook.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Final, Self

from logger.errors import LoggerError

if TYPE_CHECKING:
    from logger.samples import Ack

LAST_S: Final = 1.0
"""For the last lines to be read, once the recording has ended."""

STDOUT: Final = 1
"""Written to by its number: a thread that waits in ``sys.stdout`` would hold its lock to the end."""


class PrintedAcks:
    """Print acknowledgements on a thread of their own: a full pipe holds up nothing.

    While it is full the newest of each stream waits, so that what waits stays small.

    Attributes
    ----------
    unread : bool
        After the end: standard output is full and nobody reads it.
    """

    def __init__(self) -> None:
        self.unread = False
        self._newest: dict[int, int] = {}
        self._changed = threading.Condition()
        self._done = False
        self._thread = threading.Thread(target=self._run, name="acks", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __call__(self, acks: Sequence[Ack]) -> None:
        """Take acknowledgements; never waits for who reads them."""
        with self._changed:
            for ack in acks:
                self._newest[ack.stream_id] = ack.last_index
            self._changed.notify()

    def __exit__(self, *_: object) -> None:
        with self._changed:
            self._done = True
            self._changed.notify()
        self._thread.join(LAST_S)
        self.unread = self._thread.is_alive()

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._newest or self._done)
                if not self._newest:
                    return
                lines = "".join(f"ack {stream} {last}\n" for stream, last in self._newest.items())
                self._newest.clear()
            rest = lines.encode()
            try:
                while rest:
                    rest = rest[os.write(STDOUT, rest) :]
            except OSError:
                return


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
