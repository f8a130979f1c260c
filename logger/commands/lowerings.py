"""``ropetally lowerings``: one line for each lowering of a logbook, filtered and sorted.

Comes in: a logbook, also one that is being recorded. Goes out: a table, CSV or JSON. Must
not: read features (``review`` does), or load more than numpy.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any, cast, get_args

import click

from logger.commands.lowering_rows import (
    FLAGS,
    SORT_KEYS,
    Row,
    Rows,
    Wanted,
    as_csv,
    check_wanted,
    chosen,
    moment_ns,
    ordered,
)
from logger.commands.output import (
    json_option,
    listed,
    local_time,
    logbook_argument,
    print_json,
    table,
    units_option,
)
from logger.errors import InputError, LogbookWriteError
from logger.logbook.reader import LogbookReader
from logger.records import Method
from logger.units import ForceUnit, format_force


@click.command()
@logbook_argument
@click.option("--job", help="Only this job's.")
@click.option("--method", type=click.Choice(get_args(Method)), help="Only this method's.")
@click.option("--piece", help="Only this piece's: JOB/PIECE, or its bare name.")
@click.option("--species", help="Only species whose name holds this.")
@click.option(
    "--flag", "flags", multiple=True, type=click.Choice(FLAGS), help="Only with this flag; repeat."
)
@click.option("--since", metavar="DATE", help="Begun on this date or later.")
@click.option("--until", metavar="DATE", help="Begun on this date or earlier.")
@click.option("--untagged", is_flag=True, help="Only those not tied to a piece.")
@click.option("--discarded", is_flag=True, help="Only the discarded ones.")
@click.option("--all", "merged", is_flag=True, help="Also those merged into another.")
@click.option(
    "--sort", default="lowering", show_default=True, metavar="KEY[,KEY]",
    help=f"By {', '.join(SORT_KEYS)}.",
)  # fmt: skip
@click.option("--reverse", is_flag=True, help="Sort the other way round.")
@click.option("--csv", "target", metavar="FILE|-", help="Write CSV, in SI, to a file or here.")
@units_option
@json_option
def command(
    logbook: Path,
    sort: str,
    reverse: bool,
    target: str | None,
    units: str,
    as_json: bool,
    **asked: Any,
) -> None:
    """List the lowerings of LOGBOOK: when, which piece, how large.

    The peak is the largest reading above the slack rope, without its uncertainty; review
    states that. Discarded lowerings are listed and marked.
    """
    if target is not None and as_json:
        raise InputError("--csv or --json, not both")
    asked["since_ns"] = _moment(asked.pop("since"), end=False)
    asked["until_ns"] = _moment(asked.pop("until"), end=True)
    wanted = Wanted(**asked)
    with LogbookReader(logbook) as reader:
        every = Rows(reader).all()
    if every:
        check_wanted(every, wanted, logbook)
    rows = ordered(chosen(every, wanted), sort, reverse=reverse)
    if target is not None:
        _write_csv(rows, target)
    elif as_json:
        print_json({"logbook": str(logbook), "lowerings": rows})
    else:
        click.echo(_text(rows, every, cast("ForceUnit", units), logbook))


def _moment(text: str | None, *, end: bool) -> int | None:
    return None if text is None else moment_ns(text, end=end)


def _write_csv(rows: list[Row], target: str) -> None:
    """Write CSV to a file, or to standard output."""
    text = as_csv(rows)
    if target == "-":
        click.echo(text.encode(), nl=False)
        return
    path = Path(target)
    if path.suffix.lower() != ".csv":
        raise InputError(f"{path}: give a file that ends in .csv, or - for standard output")
    try:
        path.write_bytes(text.encode())
    except OSError as error:
        raise LogbookWriteError(f"{path}: cannot be written ({error.strerror})") from error
    click.echo(f"written: {path} ({len(rows)} lowerings)")


def _text(rows: list[Row], every: list[Row], unit: ForceUnit, logbook: Path) -> str:
    """Lay the rows out for people; say what is hidden."""
    if not every:
        return f"{logbook}: no lowerings yet; record some with: ropetally record {logbook}"
    head = ("no", "start", "s", "piece", "method", "peak", "notes")
    lines = [table(head, [_cells(row, unit, several=_several(rows)) for row in rows])]
    if not rows:
        lines = [f"none of the {len(every)} lowerings is so"]
    merged = {row["lowering"] for row in every if row["merged_into"] is not None}
    hidden = sorted(merged - {row["lowering"] for row in rows})
    if hidden:
        lines.append(f"merged into others, listed with --all: {listed(hidden)}")
    return "\n".join(lines)


def _several(rows: list[Row]) -> bool:
    """Whether more than one cell was recorded."""
    return len({row["cell"] for row in rows}) > 1


def _cells(row: Row, unit: ForceUnit, *, several: bool) -> tuple[str, ...]:
    """Lay a row out for people."""
    peak = "not calibrated" if row["peak_n"] is None else format_force(row["peak_n"], unit)
    if "clipped" in row["flags"]:
        peak = f"≥ {peak}"
    return (
        str(row["lowering"]),
        "" if row["start_wall_ns"] is None else local_time(row["start_wall_ns"])[5:],
        "" if row["duration_s"] is None else f"{row['duration_s']:.0f}",
        row["piece"] or "not tied",
        (row["method"] or "").replace("_", " "),
        peak,
        "; ".join(_notes(row, several=several)),
    )


def _notes(row: Row, *, several: bool) -> list[str]:
    """Say flags, links and note in words."""
    reason = row["discard_reason"]
    by_hand = f"split from {row['split_from']}" if row["split_from"] else "window set by hand"
    if row["joined"] and not row["split_from"]:
        by_hand = f"joined with {listed(row['joined'])}"
    words = {
        "discarded": f"discarded: {reason}" if reason else "discarded",
        "by_hand": by_hand,
        "merged": f"merged into {row['merged_into']}",
    }
    notes = [words.get(flag, flag.replace("_", " ")) for flag in row["flags"]]
    if several:
        notes.insert(0, f"cell {row['cell']}")
    return [*notes, *([row["note"]] if row["note"] else [])]
