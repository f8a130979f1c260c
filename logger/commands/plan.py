"""``ropetally plan``: one page before the cut, from a sheet.

Comes in: a job sheet; a logbook, which then holds the prediction. Goes out: text, JSON, a
page, a figure. Must not: compute, or predict again what the logbook holds.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from logger.commands.output import WIDTH, json_option, length_option, print_json, units_option
from logger.commands.planning import store_sheet
from logger.commands.targets import figure_option, page_option
from logger.errors import InputError
from logger.logbook.reader import LogbookReader
from logger.records import Limit, Piece, Rig, Rope, Sheet, Tag, piece_key
from logger.sheet import read_sheet
from logger.units import ForceUnit, LengthUnit

if TYPE_CHECKING:
    from analysis.predicting.longest_result import RangeSeen
    from analysis.predicting.plan import Plan
    from analysis.showing.page_units import Units

_NAME_WIDTH = 20


@click.command()
@click.argument("sheet", type=click.Path(path_type=Path))
@click.option("--piece", "wanted", help="Its name or its number on the sheet; all when left out.")
@click.option("--limb", help="The piece on the sheet that is the whole limb it is cut from.")
@click.option(
    "--logbook",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Store sheet and prediction there, and use what it holds.",
)
@page_option
@figure_option("Draw one piece for a phone, the ground hand's numbers first,")
@units_option
@length_option
@json_option
def command(
    sheet: Path,
    wanted: str | None,
    limb: str | None,
    logbook: Path | None,
    page: Path | None,
    figure: Path | None,
    units: str,
    lengths: str,
    as_json: bool,
) -> None:
    """Plan the pieces of SHEET: weight, loads against limits, band, hinge, cautions.

    With --logbook the prediction is stored as the one made before the cut. A number from a plan
    is never a permission.
    """
    from analysis.showing.page_units import Units

    read = _read(sheet, logbook)
    pieces = _pieces(read, wanted, sheet)
    if figure is not None and len(pieces) != 1:
        raise InputError("--figure takes one piece; say which: --piece NAME")
    whole = _limb(read, limb, sheet)
    chosen = Units(cast("ForceUnit", units), cast("LengthUnit", lengths))
    plans, refused = _plans(read, pieces, whole, logbook)
    written = _write(read, plans, page, figure, chosen, sheet)
    if as_json:
        print_json(
            {
                "job": read.job.name,
                "plans": [plan.to_dict() for plan in plans],
                "refused": refused,
                "logbook": None if logbook is None else str(logbook),
                "files": [str(path) for path in written],
            }
        )
        return
    for plan in plans:
        click.echo("\n".join(lines_of(plan, read.job.name, chosen)) + "\n")
    for reason in refused:
        click.echo(f"caution: {reason}")
    for path in written:
        click.echo(f"written: {path}")
    if logbook is not None:
        click.echo(f"stored before the cut: {logbook}")


def _read(path: Path, logbook: Path | None) -> Sheet:
    """Read the sheet, which may lean on rigs and ropes that the logbook holds."""
    if logbook is None or not logbook.exists():
        return read_sheet(path)
    with LogbookReader(logbook) as reader:
        rigs, ropes = reader.all_records(Rig), reader.all_records(Rope)
    return read_sheet(path, known_rigs=rigs, known_ropes=ropes)


def _pieces(sheet: Sheet, wanted: str | None, path: Path) -> list[Piece]:
    """Find the pieces that were asked for."""
    if not sheet.piece:
        raise InputError(f"{path}: no piece to plan; write one under [[piece]]")
    if wanted is None:
        return list(sheet.piece)
    for piece in sheet.piece:
        if piece.name == wanted:
            return [piece]
    if wanted.isdigit() and 1 <= int(wanted) <= len(sheet.piece):
        return [sheet.piece[int(wanted) - 1]]
    names = ", ".join(piece.name for piece in sheet.piece)
    raise InputError(
        f"{path}: no piece {wanted!r}; its pieces: {names} (or 1 to {len(sheet.piece)})"
    )


def _limb(sheet: Sheet, name: str | None, path: Path) -> Piece | None:
    return None if name is None else _pieces(sheet, name, path)[0]


def _plans(
    sheet: Sheet, pieces: list[Piece], limb: Piece | None, logbook: Path | None
) -> tuple[list[Plan], list[str]]:
    """Plan each piece; what cannot be planned is told and left out."""
    from analysis.errors import PredictionError
    from analysis.predicting.plan import plan_piece, with_search

    rigs: Mapping[str, Rig] = {rig.name: rig for rig in sheet.rig}
    ropes: Mapping[str, Rope] = {rope.name: rope for rope in sheet.rope}
    limits = sheet.limit
    told: dict[str, dict[str, Any]] = {}
    seen: dict[str, RangeSeen] = {}
    if logbook is not None:
        store_sheet(logbook, sheet)
        with LogbookReader(logbook) as reader:
            rigs, ropes = {**reader.all_records(Rig), **rigs}, {**reader.all_records(Rope), **ropes}
            for piece in pieces:
                stored = reader.predictions(piece_key(sheet.job.name, piece.name))
                if stored:
                    told[piece.name] = stored[-1].result
            seen, limits = _ranges(reader), tuple(reader.all_records(Limit).values())
    plans, refused = [], []
    for piece in pieces:
        rig = rigs[piece.rig]
        try:
            plan = plan_piece(piece, rig, ropes[rig.rope], limits, told=told.get(piece.name))
        except PredictionError as error:
            refused.append(f"{piece.name} is not planned: {error}")
            last = error
            continue
        plans.append(with_search(plan, limb=limb, range_seen=seen.get(rig.method)))
    if not plans:
        raise last
    return plans, refused


def _ranges(reader: LogbookReader) -> dict[str, RangeSeen]:
    """Gather the computed weights of the pieces that were lowered, by method."""
    from analysis.predicting.longest_result import RangeSeen

    weights: dict[str, list[float]] = {}
    for tag in reader.all_records(Tag).values():
        key = piece_key(tag.job, tag.piece)
        made = reader.predictions(key) if tag.piece and not tag.discarded else ()
        if made:
            result = made[-1].result
            weights.setdefault(result["method"], []).append(result["weight"]["weight_n"])
    return {
        method: RangeSeen(min(found), max(found), len(found), "pieces lowered in this logbook")
        for method, found in weights.items()
    }


def _write(
    sheet: Sheet,
    plans: list[Plan],
    page: Path | None,
    figure: Path | None,
    units: Units,
    origin: Path,
) -> list[Path]:
    """Write page and figure; give what was written."""
    if page is None and figure is None:
        return []
    from analysis.showing.plan_page import write_plan_figure, write_plan_page

    written = []
    if page is not None:
        written.append(write_plan_page(plans, sheet.job, page, units, origin.name))
    if figure is not None:
        written.append(write_plan_figure(plans[0], sheet.job, figure, units))
    return written


def lines_of(plan: Plan, job: str, units: Units) -> list[str]:
    """Lay a plan out for a terminal, in at most 80 columns."""
    from analysis.showing.plan_wording import groups_of, remarks_of, title_of

    lines = [title_of(plan, job)]
    for heading, rows in groups_of(plan, units):
        if rows:
            lines.append(heading)
        for name, value in rows:
            start = f"  {name:<{_NAME_WIDTH}} " if name else " " * (_NAME_WIDTH + 3)
            after = " " * (_NAME_WIDTH + 3)
            lines += textwrap.wrap(value, WIDTH, initial_indent=start, subsequent_indent=after)
    lines.append("Remarks")
    for remark in remarks_of(plan):
        lines += textwrap.wrap(remark, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return lines
