"""Marks by single keys while a terminal records.

Comes in: key presses on standard input, when that is a terminal. Goes out: marks, through a
callable. Must not: hold up the recording, need a key to be pressed, or leave the terminal
changed.
"""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Iterator
from typing import Final

POLL_S: Final = 0.1

MARK_KEYS: Final[dict[str, str]] = {
    "n": "notch_done",
    "t": "tension_on",
    "m": "tip_moved",
    "b": "back_cut",
    "f": "free",
    "d": "down",
}
"""Key -> mark."""

LEGEND: Final = "Marks: " + ", ".join(
    f"{key} {kind.replace('_', ' ')}" for key, kind in MARK_KEYS.items()
)


@contextlib.contextmanager
def mark_keys(mark: Callable[[str], None]) -> Iterator[bool]:
    """Call ``mark`` with a mark's name for each key of :data:`MARK_KEYS`.

    Parameters
    ----------
    mark : callable
        Takes the mark's name; called on a thread of its own.

    Yields
    ------
    bool
        Whether keys are read: standard input is a terminal.
    """
    if not sys.stdin.isatty():
        yield False
        return
    done = threading.Event()
    with _single_keys() as read:
        thread = threading.Thread(target=_listen, args=(read, mark, done), name="keys", daemon=True)
        thread.start()
        try:
            yield True
        finally:
            done.set()
            thread.join(1.0)


def _listen(
    read: Callable[[], str | None], mark: Callable[[str], None], done: threading.Event
) -> None:
    """Pass keys on until told to stop or the terminal is gone; other keys mean nothing."""
    while not done.is_set():
        key = read()
        if key is None:
            return
        kind = MARK_KEYS.get(key.lower())
        if kind is not None:
            mark(kind)


if sys.platform == "win32":

    @contextlib.contextmanager
    def _single_keys() -> Iterator[Callable[[], str | None]]:
        """Read one key at a time; empty when none came."""
        import msvcrt
        import time

        def read() -> str:
            if msvcrt.kbhit():
                return msvcrt.getwch()
            time.sleep(POLL_S)
            return ""

        yield read

else:

    @contextlib.contextmanager
    def _single_keys() -> Iterator[Callable[[], str | None]]:
        """Read one key at a time; empty when none came, None once the terminal is gone.

        Ctrl-C keeps its meaning.
        """
        import os
        import select
        import termios
        import tty

        fd = sys.stdin.fileno()
        before = termios.tcgetattr(fd)

        def read() -> str | None:
            ready, _, _ = select.select([fd], [], [], POLL_S)
            if not ready:
                return ""
            try:
                return os.read(fd, 1).decode("ascii", "replace") or None
            except OSError:
                return None

        tty.setcbreak(fd)
        try:
            yield read
        finally:
            with contextlib.suppress(termios.error):  # the terminal may be gone
                termios.tcsetattr(fd, termios.TCSADRAIN, before)
