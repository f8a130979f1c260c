"""Errors of the capture side, one tree.

Comes in: nothing. Goes out: exception classes that say what, where and what to do.
Must not: print, exit, or know about the command line (``commands/main.py`` maps
classes to exit codes in one place).

::

    LoggerError
    ├── InputError (ValueError)         something a person typed or a file they wrote
    │   ├── UnitError                   a quantity that does not parse
    │   └── SheetError                  a job sheet or profile: file, line, key, expected
    ├── FrameError (ValueError)         a frame that cannot be built (never for bad bytes: those are Fault records)
    ├── TransportError (OSError)        a port or radio; carries ``reason``
    ├── RecordingError (RuntimeError)   the session had to stop: the recorder or pipeline failed
    └── LogbookError (RuntimeError)     the logbook file
        ├── NotALogbookError            foreign, damaged or newer file
        ├── LogbookBusyError            another recorder holds the lock
        ├── LogbookWriteError           disk full, size limit, failed sync
        └── LogbookMissingError         no such file, lowering, piece, stream
"""

from __future__ import annotations

from typing import Literal

TransportReason = Literal[
    "not_found",
    "no_permission",
    "in_use",
    "disconnected",
    "bad_url",
    "no_adapter",
    "radio_off",
    "write_failed",
]


class LoggerError(Exception):
    """Root of every error that ``logger`` raises on purpose."""


class InputError(LoggerError, ValueError):
    """Something a person typed, or a file they wrote, cannot be used."""


class UnitError(InputError):
    """A quantity whose number or unit does not parse."""


class SheetError(InputError):
    """A job sheet or profile with a wrong value.

    Parameters
    ----------
    path : str
        File as the user named it.
    line : int or None
        1-based line, None when it cannot be located.
    key : str
        Dotted key, for example ``piece[2].length_m``.
    expected : str
        What would have been accepted.
    found : str, optional
        What stands there.
    """

    def __init__(
        self, path: str, line: int | None, key: str, expected: str, found: str = ""
    ) -> None:
        where = f"{path}:{line}" if line is not None else path
        got = f", found {found}" if found else ""
        super().__init__(f"{where}: {key}: expected {expected}{got}")
        self.path = path
        self.line = line
        self.key = key
        self.expected = expected
        self.found = found


class FrameError(LoggerError, ValueError):
    """A frame that we were asked to build cannot be built."""


class TransportError(LoggerError, OSError):
    """A port or radio link cannot be opened or used; ``reason`` is for programs."""

    def __init__(self, reason: TransportReason, message: str) -> None:
        super().__init__(message)
        self.reason: TransportReason = reason


class RecordingError(LoggerError, RuntimeError):
    """The recording session had to stop."""


class LogbookError(LoggerError, RuntimeError):
    """Something about the logbook file."""


class NotALogbookError(LogbookError):
    """The file is foreign, damaged, or written by a newer version."""


class LogbookBusyError(LogbookError):
    """Another recorder holds the logbook's lock."""


class LogbookWriteError(LogbookError):
    """The disk did not take a write: full, size limit, or failed sync."""


class LogbookMissingError(LogbookError):
    """The named logbook, lowering, piece or stream does not exist."""
