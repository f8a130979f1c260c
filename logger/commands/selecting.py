"""Which lowering or job a person means.

Comes in: an open logbook and a word from the command line. Goes out: a number or a name, or
one line that lists what there is. Must not: write.
"""

from __future__ import annotations

from logger.commands.output import listed
from logger.errors import InputError, LogbookMissingError
from logger.logbook.reader import LogbookReader


def lowering_number(reader: LogbookReader, word: str) -> int:
    """Find which lowering ``N`` or ``last`` is; ``last`` is never one merged into another.

    Raises
    ------
    InputError
        Neither a number nor ``last``.
    LogbookMissingError
        The logbook holds no such lowering; the message says which it holds.
    """
    windows = reader.lowerings()
    numbers = sorted({window.number for window in windows})
    if not word.isdigit() and word != "last":
        raise InputError(f"{word!r}: give a lowering's number, or last")
    if not numbers:
        raise LogbookMissingError(
            f"{reader.path}: it holds no lowerings yet; record some with: ropetally record"
        )
    if word == "last":
        return max(window.number for window in windows if window.merged_into is None)
    if int(word) not in numbers:
        raise LogbookMissingError(f"{reader.path}: no lowering {word}; it holds {listed(numbers)}")
    return int(word)


def job_name(reader: LogbookReader, name: str | None) -> str:
    """Find which job is meant; without a name the only one.

    Raises
    ------
    LogbookMissingError
        None, or more than one; the message says which there are.
    """
    names = list(reader.keys("job"))
    if name in names:
        return str(name)
    if name is None and len(names) == 1:
        return names[0]
    there_are = listed(names) or "none yet; store a sheet with: ropetally tag LOGBOOK --sheet SHEET"
    what = "say which job with --job" if name is None else f"no job {name!r}"
    raise LogbookMissingError(f"{reader.path}: {what}; there are: {there_are}")
