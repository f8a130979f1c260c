"""One recorder at a time: an operating-system lock on ``<LOGBOOK>.lock``.

Comes in: the logbook's path. Goes out: a held lock. Must not: touch the logbook itself.

The system drops the lock when its process dies, however it dies, so a left-over lock file
means nothing. Where an open file can be removed (POSIX) the holder removes it on release;
elsewhere it stays, empty of meaning. Only recorders take it: readers and short tag writes
rely on SQLite's own locks.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
from pathlib import Path

from logger.errors import LogbookBusyError, LogbookError, LogbookWriteError


class RecorderLock:
    """The lock, held from construction to :meth:`release`.

    Raises
    ------
    LogbookBusyError
        Another process records into this logbook.
    LogbookWriteError
        The folder does not take the lock file.
    """

    def __init__(self, logbook: Path) -> None:
        self.path = logbook.with_name(logbook.name + ".lock")
        while True:
            fd = self._open()
            try:
                _lock(fd)
            except OSError as error:
                refused = self._refused(logbook, fd, error)
                os.close(fd)
                raise refused from error
            if self._still_there(fd):
                break
            os.close(fd)  # its holder removed it between our open and our lock
        self._fd: int | None = fd
        os.ftruncate(fd, 0)
        os.write(fd, f" {os.getpid()}\n".encode())

    def _open(self) -> int:
        try:
            return os.open(self.path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
        except OSError as error:
            raise LogbookWriteError(
                f"{self.path}: cannot make the lock file ({error.strerror}); "
                "record into a folder that you may write to"
            ) from error

    def _refused(self, logbook: Path, fd: int, error: OSError) -> LogbookError:
        if error.errno not in {errno.EWOULDBLOCK, errno.EACCES, errno.EDEADLK}:
            return LogbookWriteError(
                f"{self.path}: cannot be locked ({error.strerror}); "
                "record onto a disk of this machine, not over a network"
            )
        os.lseek(fd, 1, os.SEEK_SET)  # on Windows the first byte is the locked one
        holder = os.read(fd, 20).decode("ascii", "replace").strip()
        by = f" (process {holder})" if holder else ""
        return LogbookBusyError(
            f"{logbook}: another recorder{by} is writing to it; stop that one first, "
            "or record into another logbook"
        )

    def _still_there(self, fd: int) -> bool:
        try:
            named = self.path.stat()
        except FileNotFoundError:
            return False
        ours = os.fstat(fd)
        return (named.st_ino, named.st_dev) == (ours.st_ino, ours.st_dev)

    def release(self) -> None:
        """Give the lock back; does nothing the second time."""
        if self._fd is None:
            return
        with contextlib.suppress(OSError):
            self.path.unlink()
        os.close(self._fd)
        self._fd = None


if sys.platform == "win32":  # pragma: no cover
    import msvcrt

    def _lock(fd: int) -> None:
        msvcrt.locking(fd, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _lock(fd: int) -> None:
        fcntl.flock(fd, fcntl.LOCK_EX | fcntl.LOCK_NB)
