"""What the commands share on the way out: JSON, local times, plain tables.

Comes in: plain values. Goes out: text. Must not: compute, or load what only some
commands need.
"""

from __future__ import annotations

import datetime as dt
import json
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import click

WIDTH: Final = 80
"""Columns that every table keeps to."""

logbook_argument = click.argument("logbook", type=click.Path(path_type=Path))
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, in SI.")
units_option = click.option(
    "--units",
    type=click.Choice(["N", "kN", "kgf", "lbf"]),
    default="kN",
    show_default=True,
    help="Unit of force to print.",
)
length_option = click.option(
    "--lengths",
    type=click.Choice(["m", "cm", "mm", "ft", "in"]),
    default="m",
    show_default=True,
    help="Unit of length to print.",
)


def print_json(value: Any) -> None:
    """Print a value as JSON that any reader of JSON takes (no NaN)."""
    click.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def listed(values: Iterable[object]) -> str:
    """Join values with commas.

    Examples
    --------
    >>> listed([1, 2])
    '1, 2'
    """
    return ", ".join(map(str, values))


def local_time(wall_ns: int, *, seconds: bool = True) -> str:
    """Wall time in this machine's time zone, for people.

    Examples
    --------
    >>> len(local_time(1_780_000_000_000_000_000)), len(local_time(0, seconds=False))
    (19, 16)
    """
    moment = dt.datetime.fromtimestamp(wall_ns / 1e9).astimezone()
    return moment.strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")


def iso_time(wall_ns: int) -> str:
    """Wall time in UTC, for programs.

    Examples
    --------
    >>> iso_time(1_500_000_000)
    '1970-01-01T00:00:01.500+00:00'
    """
    return dt.datetime.fromtimestamp(wall_ns / 1e9, dt.UTC).isoformat(timespec="milliseconds")


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Left-aligned columns, as wide as their widest cell; the last one wraps.

    Examples
    --------
    >>> print(table(("no", "piece"), [("1", "orchard/P1")]))
    no  piece
    1   orchard/P1
    """
    columns = list(zip(head, *rows, strict=True))
    widths = [max(map(len, column)) for column in columns[:-1]]
    indent = sum(widths) + 2 * len(widths)
    lines: list[str] = []
    for row in (head, *rows):
        start = "".join(cell.ljust(width + 2) for cell, width in zip(row, widths, strict=False))
        wrapped = textwrap.wrap(row[-1], max(20, WIDTH - indent)) or [""]
        lines.append((start + wrapped[0]).rstrip())
        lines.extend(" " * indent + line for line in wrapped[1:])
    return "\n".join(lines)
