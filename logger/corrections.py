"""Corrections from the command line: ``FIELD=VALUE`` applied to a record.

Comes in: a record and assignments as typed. Goes out: a new record, or one line that says
which field, what was expected and what was typed. Must not: store anything.

A field may lie deeper (``release.share_carried=0.9``, ``diameters[0].diameter_m="31 cm"``).
A value of a text field is taken as it was typed; any other is read as TOML where that is
possible, else as text. An empty value takes an optional field away.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

from logger.errors import InputError
from logger.records import Record, convert, to_body, to_si
from logger.sheet import Finding, KeyPath, dotted, explain, explain_unit, steps, type_at

R = TypeVar("R", bound=Record)


def corrected(record: R, assignments: Iterable[str], where: str) -> R:
    """Apply assignments to a record.

    Parameters
    ----------
    record : Record
        As it stands.
    assignments : iterable of str
        ``field=value``, in order.
    where : str
        What the record is called in messages.

    Returns
    -------
    Record
        The corrected one; the given one stays as it is.

    Raises
    ------
    InputError
        A field that does not exist, a value that does not fit.

    Examples
    --------
    >>> from logger.records import Job
    >>> corrected(Job(name="orchard", crew="Wren"), ["note=windy"], "job orchard").note
    'windy'
    """
    kind = type(record)
    return as_record(
        built(assignments, kind, where, msgspec.json.decode(to_body(record))), kind, where
    )


def built(
    assignments: Iterable[str],
    kind: type[Record],
    where: str,
    body: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Apply assignments to the plain table of a kind of record, by default an empty one.

    Raises
    ------
    InputError
        Not of the form ``field=value``, or no such place in the table.
    """
    body = body or {}
    for assignment in assignments:
        field, equals, text = assignment.partition("=")
        path = steps(f".{field.strip()}")
        if not equals or not path or dotted(path) != field.strip():
            raise InputError(
                f"{where}: {assignment!r} is not FIELD=VALUE; write for example length_m='3.1 m'"
            )
        _assign(body, path, text if _is_text(path, kind) else _value(text), where)
    return body


def as_record(body: dict[str, Any], kind: type[R], where: str) -> R:
    """Build a record from a plain table; text with a unit becomes SI.

    Raises
    ------
    InputError
        A value that does not fit, an unknown or missing field.
    """
    try:
        return convert(to_si(body), kind)
    except msgspec.ValidationError as error:
        raise _refusal(where, explain(error, body, kind)) from error
    except InputError as error:
        raise _refusal(where, explain_unit(error, body)) from error


def _refusal(where: str, finding: Finding) -> InputError:
    """Make one line of a finding."""
    path, expected, found = finding
    return InputError(f"{where}: {dotted(path)}: expected {expected}, found {found}")


def _is_text(path: KeyPath, kind: type[Record]) -> bool:
    """Whether a field holds text."""
    try:
        return isinstance(type_at(path, kind), inspect.StrType)
    except (StopIteration, AttributeError):  # no such field; said when the record is built
        return False


def _assign(body: dict[str, Any], path: KeyPath, value: Any, where: str) -> None:
    """Set, or with an empty text remove, what stands at a path."""
    *parents, last = path
    place: Any = body
    try:
        for step in parents:
            place = place.setdefault(step, {}) if isinstance(place, dict) else place[step]
        if value == "":
            del place[last]
        elif isinstance(place, list) and last == len(place):
            place.append(value)
        else:
            place[last] = value
    except (KeyError, IndexError, TypeError) as error:
        raise InputError(f"{where}: there is no {dotted(path)} to change") from error


def _value(text: str) -> Any:
    """Read a value as TOML, else as the text itself."""
    if not text:
        return text
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except tomllib.TOMLDecodeError:
        return text
