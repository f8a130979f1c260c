"""``ropetally review``: one lowering or all, measured beside predicted.

Comes in: a logbook and which lowering. Goes out: a table, JSON, figures, a page. Must not:
load matplotlib unless a figure is asked for, or write into the logbook.
"""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from logger.commands.output import (
    WIDTH,
    json_option,
    logbook_argument,
    print_json,
    table,
    units_option,
)
from logger.commands.selecting import lowering_number
from logger.commands.targets import figure_option, page_option
from logger.errors import InputError
from logger.logbook.reader import LogbookReader
from logger.units import ForceUnit

if TYPE_CHECKING:
    from analysis.learning.review import Review

_NAME_WIDTH = 18


@click.command()
@logbook_argument
@click.argument("which", metavar="[N|last|all]", default="last")
@figure_option("Draw the lowering")
@figure_option("Draw its ring-down and the fit", "--ring")
@click.option(
    "--what-if",
    "ask",
    is_flag=True,
    help="Also say what another run, pretension, drop, rope or piece size would have changed.",
)
@page_option
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for a figure of each lowering, the page, and with all: measured against predicted.",
)
@units_option
@json_option
def command(
    logbook: Path,
    which: str,
    figure: Path | None,
    ring: Path | None,
    ask: bool,
    page: Path | None,
    out: Path | None,
    units: str,
    as_json: bool,
) -> None:
    """Review a lowering of LOGBOOK: measured beside predicted, with guesses and limits.

    WHICH is a lowering's number, last, or all. A number from a review is never a
    permission.
    """
    unit = cast("ForceUnit", units)
    if which == "all":
        _check_single(figure, ring, ask=ask)
    reviews, refused = _reviews(logbook, which)
    written = _write_files(logbook, reviews, unit, figure, page, out)
    written += _write_more(logbook, reviews, unit, ring, out if which == "all" else None)
    if as_json:
        found = _as_json(logbook, reviews, refused, written, which)
        print_json({**found, **({"what_if": _what_if(reviews[0])} if ask else {})})
        return
    if which == "all":
        click.echo(_overview(reviews, unit, logbook))
    else:
        click.echo("\n".join(lines_of(reviews[0], unit)))
        if ask:
            click.echo("\n".join(_what_if_lines(reviews[0], unit)))
    for reason in refused:
        click.echo(f"caution: {reason}")
    for path in written:
        click.echo(f"written: {path}")


def _check_single(figure: Path | None, ring: Path | None, *, ask: bool) -> None:
    """Refuse what is about one lowering before anything is read."""
    for option, path in (("--figure", figure), ("--ring", ring)):
        if path is not None:
            raise InputError(
                f"{option} takes one lowering; for all of them give a folder: --out DIR"
            )
    if ask:
        raise InputError("--what-if takes one lowering: give its number")


def _reviews(logbook: Path, which: str) -> tuple[list[Review], list[str]]:
    """Review what was asked for; with ``all``, what cannot be read is told and left out."""
    from analysis.errors import AnalysisError
    from analysis.learning.review import review_lowering
    from analysis.source import load_lowering, lowering_numbers

    with LogbookReader(logbook) as reader:
        if which != "all":
            number = lowering_number(reader, which)
            return [review_lowering(load_lowering(reader, number))], []
        lowering_number(reader, "last")
        reviews: list[Review] = []
        refused: list[str] = []
        for number in lowering_numbers(reader):
            try:
                reviews.append(review_lowering(load_lowering(reader, number)))
            except AnalysisError as error:
                refused.append(str(error))
                last = error
        if not reviews:
            raise last
    return reviews, refused


def lines_of(review: Review, unit: ForceUnit) -> list[str]:
    """Lay a review out for a terminal, in at most 80 columns."""
    from analysis.showing.wording import groups_of, remarks_of, title_of

    lines = [title_of(review)]
    for heading, rows in groups_of(review, unit):
        if rows:
            lines.append(heading)
        for name, value in rows:
            start = f"  {name:<{_NAME_WIDTH}}"
            lines += textwrap.wrap(
                value, WIDTH, initial_indent=start, subsequent_indent=" " * len(start)
            )
    lines.append("Remarks")
    for remark in remarks_of(review):
        lines += textwrap.wrap(remark, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return lines


def _what_if(review: Review) -> dict[str, Any]:
    """Give the table of changes for JSON."""
    from analysis.showing.what_if_wording import what_if_of

    return what_if_of(review).to_dict()


def _what_if_lines(review: Review, unit: ForceUnit) -> list[str]:
    """Lay the table of changes out for a terminal, cautions last."""
    from analysis.predicting.predict import CAUTIONS
    from analysis.showing.what_if_wording import HEADING, what_if_of, what_if_rows

    lines = [HEADING]
    for name, value in what_if_rows(what_if_of(review), review.station, unit):
        start = f"  {name:<{_NAME_WIDTH}}"
        lines += textwrap.wrap(
            value, WIDTH, initial_indent=start, subsequent_indent=" " * len(start)
        )
    for caution in CAUTIONS:
        lines += textwrap.wrap(caution, WIDTH, initial_indent="  - ", subsequent_indent="    ")
    return lines


def _overview(reviews: list[Review], unit: ForceUnit, logbook: Path) -> str:
    """Lay several reviews out in one table."""
    from analysis.showing.wording import OVERVIEW, STANDING, overview_row

    rows = [overview_row(review, unit) for review in reviews]
    about = (
        f"Forces in {unit}, ± U (k = 2). Predicted: peak, 5 to 95 %. Ratio: measured peak over "
        "the predicted median; at: its percentile (0 to 100)."
    )
    more = f"One in full: ropetally review {logbook} N"
    words = [line for text in (about, STANDING[0], more) for line in textwrap.wrap(text, WIDTH)]
    return "\n".join([table(OVERVIEW, rows), "", *words])


def _write_files(
    logbook: Path,
    reviews: list[Review],
    unit: ForceUnit,
    figure: Path | None,
    page: Path | None,
    out: Path | None,
) -> list[Path]:
    """Write figures and page; give what was written."""
    if figure is None and page is None and out is None:
        return []
    from analysis.showing.files import write_figure, write_figures, write_page

    written = []
    pictures: dict[Path, bytes] = {}
    if figure is not None:
        written.append(write_figure(reviews[0], figure, unit))
    if out is not None:
        out.mkdir(parents=True, exist_ok=True)
        pictures = write_figures(reviews, out, unit)
        written += pictures
        page = page or out / "lowerings.html"
    if page is not None:
        written.append(write_page(reviews, page, unit, logbook.name, list(pictures.values())))
    return written


def _write_more(
    logbook: Path, reviews: list[Review], unit: ForceUnit, ring: Path | None, out: Path | None
) -> list[Path]:
    """Write the ring-down of one lowering, and the comparison of all; give what was written."""
    if ring is None and out is None:
        return []
    from analysis.showing.files import write_compared, write_ring_figure

    written = []
    if ring is not None:
        written.append(write_ring_figure(reviews[0], ring, unit))
    if out is not None:
        written += write_compared(reviews, out, unit, logbook.name)
    return written


def _as_json(
    logbook: Path, reviews: list[Review], refused: list[str], written: list[Path], which: str
) -> dict[str, Any]:
    """One review as it is; all of them in a list."""
    files = {"logbook": str(logbook), "files": [str(path) for path in written]}
    if which != "all":
        return {**reviews[0].as_json(), **files}
    return {**files, "lowerings": [review.as_json() for review in reviews], "refused": refused}
