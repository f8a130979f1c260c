"""``ropetally rig``: check a sheet's rigs, draw one, print the sheet's JSON Schema.

Comes in: a job sheet. Goes out: every problem in one line each; a figure; the schema. Must
not: store anything, or load matplotlib unless a figure is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from logger.commands.output import json_option, length_option, print_json, units_option
from logger.commands.targets import FIGURE
from logger.errors import InputError
from logger.records import Limit, Piece, Rig, Sheet
from logger.units import ForceUnit, LengthUnit, parse

if TYPE_CHECKING:
    from analysis.predicting.piece import PieceEstimate
    from logger.sheet_problems import CheckedSheet

FOUND = 1
"""Exit code when the check found something."""

sheet_argument = click.argument("sheet", type=click.Path(path_type=Path))


@click.group()
def command() -> None:
    """Check and draw the rigs of a job sheet; print the schema that editors use."""


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found: problems with line, remarks, what each rig carries."""

    problems: tuple[str, ...]
    remarks: tuple[str, ...]
    rigs: tuple[dict[str, Any], ...]


@command.command("check")
@sheet_argument
@units_option
@length_option
@json_option
def check(sheet: Path, units: str, lengths: str, as_json: bool) -> None:
    """Name every problem of SHEET, one line each.

    Also what the statics say: cells that cannot be where they are written, a rope too short
    or nearly tight, loads of a hanging piece past an entered limit. Exit code 1 when there is a
    problem. A sheet without problems is not thereby a rig that holds.
    """
    found = check_rigs(sheet, cast("ForceUnit", units), cast("LengthUnit", lengths))
    if as_json:
        print_json(
            {
                "sheet": str(sheet),
                "problems": list(found.problems),
                "remarks": list(found.remarks),
                "rigs": list(found.rigs),
            }
        )
    else:
        for line in found.problems:
            click.echo(line)
        for line in found.remarks:
            click.echo(f"caution: {line}")
        n = len(found.problems)
        click.echo(f"{sheet}: {n} problem(s), {len(found.remarks)} caution(s)")
    if found.problems:
        raise click.exceptions.Exit(FOUND)


@command.command("draw")
@sheet_argument
@click.option("--rig", "name", help="Which rig; may be left out when there is only one.")
@click.option("--piece", help="Which piece hangs on it; the heaviest one when left out.")
@click.option("--weight", help='Weight to draw instead of a piece, as "300 kgf".')
@click.option("--out", required=True, type=FIGURE, help="The .png or .svg file.")
@units_option
@length_option
@json_option
def draw(
    sheet: Path,
    name: str | None,
    piece: str | None,
    weight: str | None,
    out: Path,
    units: str,
    lengths: str,
    as_json: bool,
) -> None:
    """Draw a rig of SHEET to scale: legs, angles, loads at every leg, sling and station."""
    from logger.sheet import read_sheet

    read = read_sheet(sheet)
    rig = rig_of(read, name, sheet)
    hung = None if weight is not None else piece_on(read, rig, piece, sheet)
    from analysis.showing.figures import save_figure
    from analysis.showing.page_units import Units
    from analysis.showing.rig_figure import rig_figure

    given_n = None if weight is None else parse(weight, "force")
    figure, loads = rig_figure(
        rig,
        read,
        Units(cast("ForceUnit", units), cast("LengthUnit", lengths)),
        piece=hung,
        weight_n=given_n,
    )
    save_figure(figure, out)
    if as_json:
        print_json({"rig": rig.name, "loads": loads, "files": [str(out)]})
        return
    click.echo(f"written: {out}")


@command.command("schema")
@click.option(
    "--out",
    type=click.Path(dir_okay=False, path_type=Path),
    help="Write it into this file; printed when left out.",
)
def schema(out: Path | None) -> None:
    """Print the JSON Schema of a job sheet, for an editor that checks TOML while you write."""
    from logger.sheet_schema import schema_text

    if out is None:
        click.echo(schema_text(), nl=False)
        return
    out.write_text(schema_text(), encoding="utf-8")
    click.echo(f"written: {out}")


def rig_of(sheet: Sheet, name: str | None, path: Path) -> Rig:
    """Find the rig that was asked for."""
    names = ", ".join(rig.name for rig in sheet.rig) or "none"
    if name is None and len(sheet.rig) == 1:
        return sheet.rig[0]
    for rig in sheet.rig:
        if rig.name == name:
            return rig
    if name is None:
        raise InputError(f"{path}: say which rig: --rig NAME (its rigs: {names})")
    raise InputError(f"{path}: no rig {name!r}; its rigs: {names}")


def piece_on(sheet: Sheet, rig: Rig, name: str | None, path: Path) -> Piece | None:
    """Find the piece that was asked for, else the heaviest one of a rig; None without any."""
    here = [piece for piece in sheet.piece if piece.rig == rig.name]
    if name is not None:
        for piece in here:
            if piece.name == name:
                return piece
        names = ", ".join(piece.name for piece in here) or "none"
        raise InputError(f"{path}: no piece {name!r} on rig {rig.name}; its pieces: {names}")
    from analysis.errors import PredictionError
    from analysis.predicting.piece import estimate

    weights: list[tuple[float, Piece]] = []
    for piece in here:
        try:
            weights.append((estimate(piece).weight_n, piece))
        except PredictionError:
            continue
    return max(weights, key=lambda one: one[0])[1] if weights else None


# --- the check ---------------------------------------------------------------------------


def check_rigs(path: Path, force: ForceUnit, length: LengthUnit) -> Checked:
    """Find every problem of a sheet, also those that only the statics see."""
    from logger.sheet_problems import check_sheet

    found = check_sheet(path)
    problems = [str(problem) for problem in found.problems]
    remarks: list[str] = []
    rigs: list[dict[str, Any]] = []
    if found.sheet is not None:
        for i, rig in enumerate(found.sheet.rig):
            _check_rig(found, i, rig, problems, remarks)
        for i, piece in enumerate(found.sheet.piece):
            rigs += _check_piece(found, i, piece, (force, length), problems, remarks)
    return Checked(tuple(dict.fromkeys(problems)), tuple(dict.fromkeys(remarks)), tuple(rigs))


def _check_rig(
    found: CheckedSheet, i: int, rig: Rig, problems: list[str], remarks: list[str]
) -> None:
    """Ask the statics whether a rig can be computed, and what is doubtful about it."""
    from analysis.errors import PredictionError
    from analysis.predicting.hanging import geometry_warnings
    from analysis.predicting.place_loads import place_loads

    try:
        place_loads(rig, 1000.0)
        remarks += [found.problem(("rig", i), said) for said in geometry_warnings(rig)]
    except PredictionError as error:
        problems.append(found.problem(("rig", i), str(error)))


def _check_piece(
    found: CheckedSheet,
    i: int,
    piece: Piece,
    units: tuple[ForceUnit, LengthUnit],
    problems: list[str],
    remarks: list[str],
) -> list[dict[str, Any]]:
    """Set what a hanging piece brings against the limits; give its loads."""
    from analysis.errors import PredictionError
    from analysis.predicting.piece import estimate
    from analysis.predicting.place_loads import as_dicts, margins, place_loads
    from analysis.showing.page_units import Units
    from analysis.showing.rig_wording import margin_words

    assert found.sheet is not None  # noqa: S101 - looked at before
    rig = next((one for one in found.sheet.rig if one.name == piece.rig), None)
    if rig is None:
        return []
    try:
        known: PieceEstimate = estimate(piece)
    except PredictionError as error:
        problems.append(found.problem(("piece", i), str(error)))
        return []
    remarks += [found.problem(("piece", i), said) for said in known.warnings]
    try:
        loads = place_loads(rig, known.weight_n, known.weight_u_n)
    except PredictionError:
        return []
    entered: tuple[Limit, ...] = found.sheet.limit
    past = [one for one in margins(rig, loads, entered) if one.margin_n < 0]
    words = [f"{piece.name}: {margin_words(one, Units(*units))}" for one in past]
    problems += [found.problem(("piece", i), said) for said in words]
    return [{"rig": rig.name, "piece": piece.name, "loads": as_dicts(loads)}]
