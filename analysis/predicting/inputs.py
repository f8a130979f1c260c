"""Numbers in records that no prediction can use, named with record and key.

Comes in: any record. Goes out: nothing, or a :class:`PredictionError`. Must not: judge
more than whether a number is one, and not negative where only a position may be.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

from analysis.errors import PredictionError
from logger.records import Record

_SIGNED: Final = frozenset(
    {"x_m", "y_m", "z_m", "wood_axis", "down_rad", "bearing_rad", "inclination_rad"}
)


def name_of(record: Record) -> str:
    """How to name a record in an error: its type and name.

    Examples
    --------
    >>> from logger.records import Rope
    >>> name_of(Rope(name="blue", stiffness_n=1e5))
    "rope 'blue'"
    """
    kind = type(record).__name__.lower()
    name = getattr(record, "name", "")
    return f"{kind} {name!r}" if name else kind


def missing(record: Record, key: str, write: str) -> PredictionError:
    """Build the error for a key that is needed and not written.

    Examples
    --------
    >>> from logger.records import Rope
    >>> print(missing(Rope(name="blue", stiffness_n=1e5), "diameter_m", "write 12 mm"))
    rope 'blue': diameter_m is missing; write 12 mm
    """
    return PredictionError(f"{name_of(record)}: {key} is missing; {write}")


@lru_cache(maxsize=1024)
def check_numbers(record: Record) -> None:
    """Refuse values that are not finite, or negative where that means nothing.

    Parameters
    ----------
    record : Record
        Any record, with the records inside it.

    Raises
    ------
    PredictionError
        Names the record, the dotted key and the value.
    """
    _check(record, name_of(record), "")


def _check(value: object, owner: str, key: str) -> None:
    if isinstance(value, Record):
        for field in value.__struct_fields__:
            _check(getattr(value, field), owner, f"{key}.{field}" if key else field)
    elif isinstance(value, tuple):
        for i, item in enumerate(value):
            _check(item, owner, f"{key}[{i}]")
    elif isinstance(value, float | int):
        signed = key.rsplit(".", 1)[-1].partition("[")[0] in _SIGNED
        if not math.isfinite(value) or (value < 0 and not signed):
            wanted = "a finite number" if signed else "a finite number, not negative"
            raise PredictionError(f"{owner}: {key} is {value}; write {wanted}")
