"""The windows of lowerings as they hold now: the trigger's, and what people made of them.

Comes in: the trigger's windows and people's window records. Goes out: one list of windows,
whatever they come from. Must not: do I/O, or choose what a person wants to see.

How it is stored. The trigger's rows (``lowering``, ``lowering_end``) are never changed. A
correction of a window, a split and a join are versions of the record kind ``window`` under
the lowering's number, so author, time and history come as for every record:

* *corrected*: ``parts`` are all windows of that lowering, one a stream;
* *split*: the first piece keeps the number with shorter ``parts``; the rest gets the next free
  number and ``split_from``. A recorder counts on from both kinds, and a split takes the
  recorder's lock, so a number is never given twice;
* *joined*: the earlier one gets longer ``parts`` and ``joined``; the later one ``merged_into``.

What belongs together is written in one transaction.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from logger.logbook.rows import Lowering
from logger.records import Window, WindowPart


def held(triggered: Iterable[Lowering], windows: Mapping[str, Window]) -> tuple[Lowering, ...]:
    """Set people's windows in the place of the trigger's.

    Parameters
    ----------
    triggered : iterable of Lowering
        As the trigger saw them.
    windows : mapping
        Key (the lowering's number) → the version that holds. A key that is no number says
        nothing here; ``check`` tells of it.

    Returns
    -------
    tuple of Lowering
        By number, then stream.

    Examples
    --------
    >>> seen = Lowering(1, 1, 30, 10, 99, True)
    >>> first = Window(parts=(WindowPart(stream=1, first_index=10, last_index=49),))
    >>> rest = Window(parts=(WindowPart(stream=1, first_index=50, last_index=99),), split_from=1)
    >>> [(w.number, w.first_index, w.last_index) for w in held([seen], {"1": first, "2": rest})]
    [(1, 10, 49), (2, 50, 99)]
    """
    by_number: dict[int, dict[int, Lowering]] = {}
    open_ends: dict[int, int] = {}
    for seen in triggered:
        by_number.setdefault(seen.number, {})[seen.stream] = seen
        if not seen.closed and seen.last_index is not None:
            open_ends[seen.stream] = seen.last_index
    for key, window in windows.items():
        if key.isdigit():
            number = int(key)
            by_number[number] = _set(number, window, by_number.get(number, {}), open_ends)
    return tuple(
        by_number[number][stream]
        for number in sorted(by_number)
        for stream in sorted(by_number[number])
    )


def _set(
    number: int, window: Window, seen: dict[int, Lowering], open_ends: dict[int, int]
) -> dict[int, Lowering]:
    """Give the windows of one lowering that a person has set."""
    if not window.parts:
        return {
            stream: replace(
                own,
                split_from=window.split_from,
                merged_into=window.merged_into,
                joined=window.joined,
            )
            for stream, own in seen.items()
        }
    parts = {}
    for part in window.parts:
        own = seen.get(part.stream)
        at = part.first_index if own is None else own.trigger_index
        end = open_ends.get(part.stream)
        parts[part.stream] = Lowering(
            number=number,
            stream=part.stream,
            trigger_index=max(part.first_index, min(at, part.last_index)),
            first_index=part.first_index,
            last_index=part.last_index,
            closed=end is None or part.last_index < end,
            by_hand=own is None
            or (own.first_index, own.last_index) != (part.first_index, part.last_index),
            split_from=window.split_from,
            merged_into=window.merged_into,
            joined=window.joined,
        )
    return parts


def parts_of(windows: Iterable[Lowering]) -> tuple[WindowPart, ...]:
    """Windows of a lowering as parts of a record; a stream without samples has none."""
    return tuple(
        WindowPart(stream=w.stream, first_index=w.first_index, last_index=w.last_index)
        for w in windows
        if w.last_index is not None
    )
