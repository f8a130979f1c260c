"""``ropetally piece``: how heavy a piece is, where its weight acts, what would narrow it.

Comes in: a sheet, a logbook, or measures as options. Goes out: weight ± U, centre of mass,
parts of the uncertainty, guesses beside. Must not: store anything, or load more of the
analysis than numpy needs.
"""

from __future__ import annotations

import re
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import click

from logger.commands.output import (
    WIDTH,
    json_option,
    length_option,
    listed,
    print_json,
    table,
    units_option,
)
from logger.corrections import as_record
from logger.errors import InputError, UnitError
from logger.logbook.reader import LogbookReader
from logger.records import Guess, Piece
from logger.sheet import read_sheet
from logger.units import ForceUnit, LengthUnit, format_force, format_length, parse

if TYPE_CHECKING:
    from analysis.predicting.narrowing import Narrowing
    from analysis.predicting.piece import PieceEstimate

_SQLITE: Final = b"SQLite format 3\x00"
_AT: Final = re.compile(r"^\s*([^:]+?)\s*:\s*(.+?)\s*$")
_PLACES: Final = {"butt": 0.0, "mid": 0.5, "tip": 1.0}
_NOT_MEASURES: Final = {"by", "diameters", "girths"}
_NOT_RIGGED: Final = "none"
_CAUTION: Final = (
    "An estimate, never a permission: local codes and competent persons decide what may be cut and "
    "how."
)
_WORDS: Final = {
    "form": "shape between diameters",
    "brush": "brush share",
    "cavity": "cavity ratio",
}


@click.command("piece")
@click.argument("source", required=False, type=click.Path(path_type=Path))
@click.option("--piece", "name", help="Which piece of SOURCE; all of them when not given.")
@click.option("--species", default="", help="Common or Latin name.")
@click.option("--length", help="With its unit: '4 m', '14 ft'.")
@click.option(
    "--diameter",
    "diameters",
    multiple=True,
    metavar="AT:SIZE",
    help="Over bark, at a distance from the butt (or butt, mid, tip): '0:40cm', '6 ft:14 in'.",
)
@click.option(
    "--girth", "girths", multiple=True, metavar="AT:SIZE", help="As --diameter, by tape around."
)
@click.option("--density", help="Your own, with unit: '900 kg/m3', '56 lb/ft3'.")
@click.option(
    "--density-u", type=click.FloatRange(0.1, 50.0), help="Its standard uncertainty in per cent."
)
@click.option(
    "--condition",
    type=click.Choice(["green", "standing_dead", "decayed"]),
    help="State of the wood; green when not given.",
)
@click.option("--brush", type=click.FloatRange(0.0, 90.0), help="Brush, per cent of the whole.")
@click.option("--cavity", help="Cavity across over diameter, 0 to 1: '0.4'.")
@click.option("--sapwood", help="Thickness of the sapwood, with unit: '3 cm'.")
@click.option("--decay", type=click.FloatRange(0.2, 1.0), help="Density over that of sound wood.")
@click.option("--guess", help="Somebody's guess, with unit: '300 kgf'.")
@click.option("--by", default="guess", show_default=True, help="Who guesses.")
@length_option
@units_option
@json_option
def command(
    source: Path | None, name: str | None, lengths: str, units: str, as_json: bool, **given: Any
) -> None:
    """Estimate the weight of a piece of SOURCE (a sheet or a logbook), or of measures given.

    Prints weight ± U (k = 2), where it acts, what makes the uncertainty, what would narrow
    it most, and a person's guess beside it. A number from here is never a permission.
    """
    pieces = _pieces(source, name, given)
    units_ = (cast("ForceUnit", units), cast("LengthUnit", lengths))
    results = [(title, piece, *_estimated(piece)) for title, piece in pieces]
    if as_json:
        print_json({"pieces": [_as_json(*result) for result in results]})
        return
    for i, result in enumerate(results):
        if i:
            click.echo("")
        click.echo("\n".join(_lines(*result, *units_)))
    click.echo("")
    click.echo("\n".join(_wrap(_CAUTION, "", "")))


# --- where the piece comes from ----------------------------------------------------------


def _pieces(
    source: Path | None, name: str | None, given: dict[str, Any]
) -> list[tuple[str, Piece]]:
    given = {**given, "diameter": given["diameters"], "girth": given["girths"]}
    used = [key for key, value in given.items() if value and key not in _NOT_MEASURES]
    if source is None:
        if name is not None:
            raise InputError("--piece: it needs a sheet or a logbook before it")
        return [("piece as given", _plain(given))]
    if used:
        raise InputError(
            f"--{used[0].replace('_', '-')}: not together with {source}; correct the sheet, or give all "
            "measures without a file"
        )
    return _chosen(source, _held(source), name)


def _held(source: Path) -> dict[str, Piece]:
    """Pieces of a logbook by ``job/piece``, or of a sheet."""
    if _is_logbook(source):
        with LogbookReader(source) as reader:
            return dict(reader.all_records(Piece))
    sheet = read_sheet(source)
    return {f"{sheet.job.name}/{piece.name}": piece for piece in sheet.piece}


def _is_logbook(source: Path) -> bool:
    try:
        with source.open("rb") as file:
            return file.read(len(_SQLITE)) == _SQLITE
    except FileNotFoundError as error:
        raise InputError(f"{source}: no such sheet or logbook; check the name") from error
    except OSError as error:
        raise InputError(f"{source}: cannot read it: {error.strerror}") from error


def _chosen(source: Path, held: dict[str, Piece], name: str | None) -> list[tuple[str, Piece]]:
    if not held:
        raise InputError(f"{source}: it holds no pieces; write them into a sheet under [[piece]]")
    if name is None:
        return list(held.items())
    found = [(key, piece) for key, piece in held.items() if name in {key, piece.name}]
    if len(found) == 1:
        return found
    what = f"no piece {name!r}" if not found else f"more than one piece {name!r}; write job/piece"
    raise InputError(f"{source}: {what}; it holds {listed(held)}")


def _plain(given: dict[str, Any]) -> Piece:
    """Build a piece from options."""
    if given["length"] is None:
        raise InputError("--length: write one with its unit, e.g. --length '4 m', or name a sheet")
    length_m = _quantity("length", given["length"], "length")
    taken = [
        *(_placed("diameter", text, length_m) for text in given["diameters"]),
        *(_placed("girth", text, length_m) for text in given["girths"]),
    ]
    if not taken:
        raise InputError("--diameter: write at least one, e.g. --diameter '0:40cm', or --girth")
    body: dict[str, Any] = {
        "name": "as given",
        "rig": _NOT_RIGGED,
        "length_m": length_m,
        "species": given["species"],
        "diameters": sorted(taken, key=lambda one: one["at_m"]),
        **_wood(given),
    }
    if given["guess"] is not None:
        weight_n = _quantity("guess", given["guess"], "force")
        body["guesses"] = [{"by": given["by"], "weight_n": weight_n}]
    return as_record(body, Piece, "piece")


def _wood(given: dict[str, Any]) -> dict[str, Any]:
    wood: dict[str, Any] = {}
    if given["density"] is not None:
        wood["density_kg_per_m3"] = _quantity("density", given["density"], "density")
    elif given["density_u"] is not None:
        raise InputError("--density-u: it needs --density, whose uncertainty it is")
    if given["density_u"] is not None:
        wood["density_rel_u"] = given["density_u"] / 100.0
    if given["sapwood"] is not None:
        wood["sapwood_m"] = _quantity("sapwood", given["sapwood"], "length")
    if given["cavity"] is not None:
        wood["cavity_ratio"] = _ratio(given["cavity"])
    if given["brush"] is not None:
        wood["brush_share"] = given["brush"] / 100.0
    if given["decay"] is not None:
        wood["decay_factor"] = given["decay"]
    return wood | ({} if given["condition"] is None else {"condition": given["condition"]})


def _ratio(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise InputError(f"--cavity: {text!r} is no share; write 0 to 1, e.g. 0.4") from None


def _quantity(option: str, text: str, dimension: Any) -> float:
    try:
        return parse(text, dimension)
    except UnitError as error:
        raise InputError(f"--{option}: {error}") from error


def _placed(option: str, text: str, length_m: float) -> dict[str, float]:
    """Read ``AT:SIZE``; the place may be a plain number of metres, or butt, mid, tip."""
    match = _AT.match(text)
    if match is None:
        raise InputError(
            f"--{option}: {text!r}: write place:size, e.g. '0:40cm' (place from the butt)"
        )
    place, size = match.groups()
    if place in _PLACES:
        at_m = _PLACES[place] * length_m
    else:
        at_m = _quantity(option, f"{place} m" if _is_number(place) else place, "length")
    return {"at_m": at_m, f"{option}_m": _quantity(option, size, "length")}


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


# --- what is said of it --------------------------------------------------------------------


def _estimated(piece: Piece) -> tuple[PieceEstimate, tuple[Narrowing, ...]]:
    from analysis.predicting.narrowing import narrowings
    from analysis.predicting.piece import estimate

    return estimate(piece), narrowings(piece)


def _as_json(
    title: str, piece: Piece, found: PieceEstimate, narrow: tuple[Narrowing, ...]
) -> dict[str, Any]:
    low_n, high_n = found.weight_band_n
    return {
        "piece": title,
        "species": piece.species,
        "length_m": piece.length_m,
        **found.to_dict(),
        "weight_p05_n": low_n,
        "weight_p95_n": high_n,
        "density_rel_u_by_input": dict(found.density_parts),
        "narrowing": [one.to_dict() for one in narrow],
        "guesses": [
            {"by": g.by, "weight_n": g.weight_n, "how": g.how, "ratio": g.weight_n / found.weight_n}
            for g in piece.guesses
            if g.weight_n is not None
        ],
        "basis": list(found.basis),
        "warnings": list(found.warnings),
        "caution": _CAUTION,
    }


def _lines(
    title: str,
    piece: Piece,
    found: PieceEstimate,
    narrow: tuple[Narrowing, ...],
    unit: ForceUnit,
    length: LengthUnit,
) -> list[str]:
    species = f", {piece.species}" if piece.species else ""
    said = [f"{title}{species}", *_weight_rows(found, unit, length)]
    for guess in piece.guesses:
        said += _guess_line(guess, found, unit)
    said += ["", "What makes the ± (standard, of the weight)", _parts_table(found)]
    said += ["", "What would narrow it most (estimated again with that measurement)"]
    for one in narrow:
        words = f"{one.measure}: {one.effect} (to ± {format_force(one.weight_u_n, unit)})"
        said += _wrap(words, "  ", "    ")
    if not narrow:
        said.append("  nothing on this list takes 3 % off")
    said += ["", "On what it rests"]
    for words in (*found.basis, *(f"caution: {words}" for words in found.warnings)):
        said += _wrap(words, "  ", "    ")
    return said


def _weight_rows(found: PieceEstimate, unit: ForceUnit, length: LengthUnit) -> list[str]:
    low, high = (format_force(force, unit) for force in found.weight_band_n)
    kg_u = found.mass_kg * 2.0 * found.rel_u
    centre = format_length(found.centre_from_butt_m, length)
    centre_u = format_length(found.centre_u_m, length)
    rows = [
        ("weight", f"{format_force(found.weight_n, unit, u_n=found.weight_u_n)} (k = 2)"),
        ("", f"5 to 95 %: {low} to {high}"),
        ("mass", f"{found.mass_kg:.0f} ± {kg_u:.0f} kg"),
        ("centre of mass", f"{centre} ± {centre_u} from the butt"),
        ("gyration", f"{format_length(found.gyration_m, length)} about it"),
        ("wood", f"{found.volume_m3:.3f} m³ ({found.rule}), {found.density_kg_per_m3:.0f} kg/m³"),
    ]
    return [f"  {name:<16}{value}" for name, value in rows]


def _guess_line(guess: Guess, found: PieceEstimate, unit: ForceUnit) -> list[str]:
    if guess.weight_n is None:
        return []
    part = guess.weight_n / found.weight_n
    place = "within" if abs(guess.weight_n - found.weight_n) <= found.weight_u_n else "outside"
    how = f" by {guess.how}" if guess.how else ""
    words = (
        f"{guess.by}{how}: {format_force(guess.weight_n, unit)}, {part:.2f} of the estimate, "
        f"{place} its ±"
    )
    return _wrap(words, f"  {'guess':<16}", " " * 18)


def _parts_table(found: PieceEstimate) -> str:
    total = found.rel_u**2
    ordered = sorted(found.parts.items(), key=lambda item: -item[1])
    made_of = listed(f"{name} {100 * u:.0f} %" for name, u in found.density_parts.items())
    names = {**_WORDS, "density": f"density ({made_of})"}
    rows = [
        (f"  {names.get(name, name)}", f"{100 * part:.1f} %", f"{100 * part**2 / total:.0f} %")
        for name, part in ordered
    ]
    return table(("  input", "±", "of the variance"), rows)


def _wrap(words: str, first: str, other: str) -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent=first, subsequent_indent=other)
