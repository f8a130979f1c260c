"""A job's report as one HTML page that needs nothing else.

Comes in: a :class:`~analysis.showing.job_report.JobReport` and a unit. Goes out: a file.
Must not: read logbooks, compute what ``job_report.py`` did not, or judge gear.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from matplotlib.figure import Figure

from analysis.learning.review import Review
from analysis.reading.features import FLAG_WORDS
from analysis.showing.figures import save_figure
from analysis.showing.files import entry_of, png_of
from analysis.showing.job_figure import draw_comparison, ratios_of
from analysis.showing.job_gear import GearLimit, GearUse
from analysis.showing.job_report import JobReport, PieceLine, place_of
from analysis.showing.page import Block, page_html
from analysis.showing.wording import DOUBTED, INVENTED, KINDS, STANDING, entered, local
from logger.records import Guess
from logger.units import ForceUnit, counted, format_force, format_length

_ABOUT_COMPARISON: Final = (
    (
        "Predicted: median and 5 to 95 % at the same station, as stored. Of many lowerings, 9 in 10 "
        "should lie inside; so few say little."
    ),
)
_ABOUT_GEAR: Final = (
    (
        "What a competent inspector would ask for; nothing here says whether a piece of gear is fit "
        "for further use."
    ),
    (
        "The largest load is that of the highest peak, discarded lowerings included. Inferred: from "
        "the cell's reading through the rig, with the band that friction leaves. A working limit "
        "is static: against a peak, shock is counted twice."
    ),
)
_PLACES: Final = {
    "inside": "inside the 5 to 95 % band",
    "above": "ABOVE the 5 to 95 % band",
    "below": "below the 5 to 95 % band",
    "cannot_tell": "a lower bound: cannot tell",
}


def write_job_page(report: JobReport, path: Path, unit: ForceUnit, origin: str) -> Path:
    """Write the report of a job; give its path.

    Parameters
    ----------
    report : JobReport
        The job.
    path : Path
        The .html file.
    unit : str
        Unit of force.
    origin : str
        The logbook's name, for the footer.
    """
    path.write_text(job_html(report, unit, origin), encoding="utf-8")
    return path


def job_html(report: JobReport, unit: ForceUnit, origin: str) -> str:
    """Write the page of a job; parameters as for :func:`write_job_page`."""
    job = report.job
    about = [text for text in (INVENTED if job.invented else "", job.note) if text]
    when = f" {job.date}." if job.date else ""
    return page_html(
        f"Job {job.name}",
        f"Crew {job.crew}.{when} {counted(len(report.reviews), 'lowering')}, measured beside predicted. "
        f"Forces in {unit}; ± is the expanded uncertainty (k = 2).",
        [entry_of(review, unit, png_of(review, unit)) for review in report.reviews],
        [" ".join(words) for words in (about, STANDING) if words],
        f"Made by ropetally from {origin}.",
        before=[_pieces(report, unit), _comparison(report, unit)],
        after=[
            _gear(report, unit),
            _flags(report),
            _left_out(report),
            _corrections(report),
            _cautions(report),
        ],
    )


# --- pieces ------------------------------------------------------------------------------


def _pieces(report: JobReport, unit: ForceUnit) -> Block:
    head = (
        "piece",
        "wood",
        "length",
        "diameters",
        f"computed weight, {unit}",
        "guesses",
        "lowering",
    )
    return Block(
        "pieces",
        "Pieces",
        words=() if report.pieces else ("No piece is written down.",),
        head=head,
        rows=[_piece_row(line, unit) for line in report.pieces],
    )


def _piece_row(line: PieceLine, unit: ForceUnit) -> tuple[str, ...]:
    piece = line.piece
    condition = "" if piece.condition == "green" else f", {piece.condition.replace('_', ' ')}"
    diameters = ", ".join(
        f"{format_length(each.across_m, 'cm')} at {format_length(each.at_m)}"
        for each in piece.diameters
    )
    weight = (
        "not computed" if line.weight_n is None else _bare(line.weight_n, line.weight_u_n, unit)
    )
    return (
        piece.name,
        f"{piece.species or 'not written'}{condition}",
        format_length(piece.length_m),
        diameters,
        weight,
        "; ".join(_guess(guess, unit) for guess in line.guesses),
        ", ".join(map(str, line.lowerings)) or "none",
    )


def _guess(guess: Guess, unit: ForceUnit) -> str:
    words = [guess.by]
    if guess.weight_n is not None:
        words.append(format_force(guess.weight_n, unit))
    if guess.drop_m is not None:
        words.append(f"drop {format_length(guess.drop_m)}")
    return " ".join([*words, *([f"({guess.how})"] if guess.how else [])])


def _bare(force_n: float, u_n: float | None, unit: ForceUnit) -> str:
    return format_force(force_n, unit, u_n=u_n).removesuffix(f" {unit}")


# --- comparison ----------------------------------------------------------------------------


def _comparison(report: JobReport, unit: ForceUnit) -> Block:
    title = "Measured beside predicted"
    if not report.compared:
        return Block("comparison", title, words=("No lowering could be compared.",))
    head = (
        "no", "piece", "method", f"measured peak, {unit}", f"predicted, {unit}", "ratio", "where",
    )  # fmt: skip
    counts = {place: len(numbers) for place, numbers in report.places().items()}
    told = ", ".join(f"{count} {_PLACES[place]}" for place, count in counts.items() if count)
    return Block(
        "comparison",
        title,
        words=(f"{counted(len(report.compared), 'lowering')}: {told}.", *_ABOUT_COMPARISON),
        head=head,
        rows=[_comparison_row(review, unit) for review in report.compared],
        picture_png=_png(draw_comparison(report.compared)),
        alt=_alt(report.compared),
    )


def _comparison_row(review: Review, unit: ForceUnit) -> tuple[str, ...]:
    ratio, _, _, u = ratios_of(review)
    stored, rig, comparison = review.source.prediction, review.source.rig, review.comparison
    assert stored is not None  # noqa: S101 - ratios_of has looked
    assert comparison is not None  # noqa: S101 - ratios_of has looked
    assert review.compared is not None  # noqa: S101 - a comparison has a peak
    least = "≥ " if comparison.censored else ""
    peak = stored.result["peak_n"]
    low, mid, high = (_bare(peak[key], None, unit) for key in ("p05", "p50", "p95"))
    late = "" if stored.made_before else "; the prediction was made AFTER"
    return (
        str(review.source.number),
        review.source.tag.piece,
        rig.method.replace("_", " ") if rig is not None else "",
        least + _bare(review.compared.force_n, review.compared.u_n, unit),
        f"{mid} ({low} to {high})",
        f"{least}{ratio:.2f}" + (f" ± {u:.2f}" if u is not None else ""),
        _PLACES[place_of(review)] + late,
    )


def _alt(reviews: Sequence[Review]) -> str:
    """Say the figure in words."""
    parts = []
    for review in reviews:
        least = "at least " if review.features.peak_is_lower_bound else ""
        parts.append(f"lowering {review.source.number} {least}{ratios_of(review)[0]:.2f}")
    return f"Measured peak over the predicted median: {', '.join(parts)}."


def _png(figure: Figure) -> bytes:
    target = io.BytesIO()
    save_figure(figure, target)
    return target.getvalue()


# --- gear --------------------------------------------------------------------------------


def _gear(report: JobReport, unit: ForceUnit) -> Block:
    return Block(
        "gear",
        "Gear touched",
        words=_ABOUT_GEAR,
        head=(
            "gear",
            "lowerings",
            f"largest load, {unit}",
            "against what was entered",
            "overloads",
        ),
        rows=[_gear_row(use, unit) for use in report.gear],
        on_new_sheet=bool(report.reviews),
    )


def _gear_row(use: GearUse, unit: ForceUnit) -> tuple[str, ...]:
    least = use.largest is not None and use.largest.load.lower_bound
    limits = "; ".join(_limit(entry, unit, at_least=least) for entry in use.limits)
    return (
        use.name if use.kind == use.name else f"{use.name} ({use.kind})",
        f"{len(use.lowerings)} ({_runs(use.lowerings)})",
        _largest(use, unit),
        limits or "no limit entered",
        _overloads(use),
    )


def _largest(use: GearUse, unit: ForceUnit) -> str:
    """Show the largest load, whether inferred, and in which lowering."""
    if use.largest is None:
        return "not known"
    load = use.largest.load
    words = ("at least " if load.lower_bound else "") + _bare(load.force_n, load.u_n, unit)
    if load.inferred:
        words += f", inferred ({_bare(load.low_n, None, unit)} to {_bare(load.high_n, None, unit)})"
    else:
        words += f", measured (cell {load.cell})"
        words += f", {DOUBTED}" if load.doubted else ""
    words += f", {load.state} of lowering {use.largest.lowering}"
    return words + (f"; not known in {_runs(use.unknown)}" if use.unknown else "")


def _limit(entry: GearLimit, unit: ForceUnit, *, at_least: bool) -> str:
    """Name a limit, the share of it that was reached, who entered it and when."""
    limit = entry.limit
    name = f"{KINDS[limit.kind]} {format_force(limit.force_n, unit)} ({entered(limit)})"
    if limit.kind == "breaking_strength":
        return f"{name}: not a limit to work to; nothing is set against it"
    if entry.share is None:
        return f"{name}: the load there is not known"
    least = "at least " if at_least else ""
    return f"{least}{100 * entry.share:.0f} % of {name}"


def _overloads(use: GearUse) -> str:
    """Tell how often, and where, a limit was passed."""
    parts = [
        f"above the {KINDS[entry.limit.kind]}: {_runs(entry.above)}"
        for entry in use.limits
        if entry.above
    ]
    parts += [
        f"the band reaches above the {KINDS[entry.limit.kind]}: {_runs(entry.perhaps_above)}"
        for entry in use.limits
        if entry.perhaps_above
    ]
    if use.overloads:
        parts.append(f"the cell's overload limit passed: {_runs(use.overloads)}; re-zero and check")
    return "; ".join(parts) or "none seen"


def _runs(numbers: Sequence[int]) -> str:
    """Write numbers with runs drawn together.

    Examples
    --------
    >>> _runs([1, 2, 3, 5, 7, 8])
    '1–3, 5, 7, 8'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    parts = [f"{run[0]}–{run[-1]}" if len(run) > 2 else ", ".join(map(str, run)) for run in runs]
    return ", ".join(parts)


# --- flags, what was left out, corrections, cautions ------------------------------------------


def _flags(report: JobReport) -> Block:
    rows = [(_runs(numbers), FLAG_WORDS[flag]) for flag, numbers in report.flags().items()]
    return Block(
        "flags",
        "Flags",
        words=() if rows else ("No lowering has a flag.",),
        head=("lowerings", "what to doubt"),
        rows=rows,
    )


def _left_out(report: JobReport) -> Block:
    rows = [
        (str(entry.lowering), (entry.piece or "not tied").rpartition("/")[2], entry.reason)
        for entry in report.left_out
    ]
    return Block(
        "left-out",
        "Discarded or not compared",
        words=() if rows else ("Every lowering of the job is compared.",),
        head=("no", "piece", "reason"),
        rows=rows,
    )


def _corrections(report: JobReport) -> Block:
    rows = [
        (
            f"{entry.kind} {entry.key}",
            str(entry.version),
            local(entry.written_wall_ns),
            entry.author or "not said",
            entry.change,
        )
        for entry in report.records.corrections
    ]
    return Block(
        "corrections",
        "Corrections",
        words=("Every version is kept in the logbook: ropetally tag LOGBOOK --history KIND KEY.",)
        if rows
        else ("Nothing was corrected.",),
        head=("record", "version", "written", "by", "what changed"),
        rows=rows,
    )


def _cautions(report: JobReport) -> Block:
    return Block("cautions", "Cautions", points=report.cautions())
