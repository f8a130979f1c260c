"""Figures and pages of reviews, written to files.

Comes in: reviews, a path, a unit. Goes out: files. Must not: read logbooks.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path

from analysis.learning.pit import Compared, report_on
from analysis.learning.review import Review
from analysis.showing.compare_figure import draw_compared, season_of
from analysis.showing.figures import draw_lowering, save_figure
from analysis.showing.page import Entry, page_html
from analysis.showing.picture import alt_text, picture_of
from analysis.showing.ring_figure import draw_ringdown
from analysis.showing.rules_figure import draw_pit
from analysis.showing.wording import INVENTED, STANDING, groups_of, remarks_of, title_of
from logger.units import ForceUnit, counted


def write_figure(review: Review, path: Path, unit: ForceUnit) -> Path:
    """Draw a lowering into a .png or .svg; give its path."""
    save_figure(draw_lowering(picture_of(review, unit)), path)
    return path


def write_figures(reviews: Sequence[Review], folder: Path, unit: ForceUnit) -> dict[Path, bytes]:
    """Draw ``lowering-N.png`` of each review into a folder; give paths and pictures."""
    pictures = {
        folder / f"lowering-{review.source.number}.png": png_of(review, unit) for review in reviews
    }
    for path, picture in pictures.items():
        path.write_bytes(picture)
    return pictures


def write_ring_figure(review: Review, path: Path, unit: ForceUnit) -> Path:
    """Draw a lowering's ring-down and its fit into a .png or .svg; give its path.

    Raises
    ------
    TraceError
        No ring-down was fitted.
    """
    save_figure(draw_ringdown(review, unit), path)
    return path


def write_compared(
    reviews: Sequence[Review], folder: Path, unit: ForceUnit, about: str
) -> list[Path]:
    """Draw measured against predicted, and the percentiles; give the paths.

    Parameters
    ----------
    reviews : sequence of Review
        Those discarded, without comparison or predicted afterwards are passed over.
    folder : Path
        Where ``measured-predicted.png`` and ``percentiles.png`` go.
    unit : str
        Unit of force.
    about : str
        What was compared.

    Returns
    -------
    list of Path
        Empty when nothing can be compared.
    """
    report = report_on(one for review in reviews if (one := _compared(review)) is not None)
    if report.overall is None:
        return []
    said = f"{about}: {counted(len(report.points), 'lowering')}"
    drawn = {
        folder / "measured-predicted.png": draw_compared(report, said, unit),
        folder / "percentiles.png": draw_pit(season_of(report), said),
    }
    for path, figure in drawn.items():
        save_figure(figure, path)
    return list(drawn)


def _compared(review: Review) -> Compared | None:
    """Give a review's comparison with a prediction stored before it."""
    stored, source = review.source.prediction, review.source
    if review.comparison is None or stored is None or source.rig is None:
        return None
    if not stored.made_before or source.tag.discarded:
        return None
    peak = stored.result["peak_n"]
    return Compared(source.rig.method, review.comparison, peak["p05"], peak["p95"])


def write_page(
    reviews: Sequence[Review],
    path: Path,
    unit: ForceUnit,
    origin: str,
    pictures: Sequence[bytes] = (),
) -> Path:
    """Write one page of all reviews; give its path.

    Parameters
    ----------
    reviews : sequence of Review
        In order.
    path : Path
        The .html file.
    unit : str
        Unit of force.
    origin : str
        The logbook's name, for the footer.
    pictures : sequence of bytes, optional
        The reviews' figures as PNG, when they are drawn already.
    """
    drawn = pictures or [png_of(review, unit) for review in reviews]
    jobs = dict.fromkeys(review.source.job for review in reviews if review.source.job is not None)
    about = [f"Job {job.name}: {job.note}" for job in jobs if job.note]
    if any(review.invented for review in reviews):
        about.insert(0, INVENTED)
    names = ", ".join(job.name for job in jobs) or "no job"
    text = page_html(
        f"Lowerings: {names}",
        f"{counted(len(reviews), 'lowering')}, measured beside predicted. Forces in {unit}; "
        "± is the expanded uncertainty (k = 2).",
        [entry_of(review, unit, png) for review, png in zip(reviews, drawn, strict=True)],
        [" ".join(words) for words in (about, STANDING) if words],
        f"Made by ropetally from {origin}.",
    )
    path.write_text(text, encoding="utf-8")
    return path


def entry_of(review: Review, unit: ForceUnit, picture_png: bytes) -> Entry:
    """One lowering for the page; the cautions that stand at its top are not repeated."""
    return Entry(
        anchor=f"lowering-{review.source.number}",
        title=title_of(review),
        picture_png=picture_png,
        alt=alt_text(review, unit),
        groups=groups_of(review, unit),
        remarks=[remark for remark in remarks_of(review) if remark not in STANDING],
    )


def png_of(review: Review, unit: ForceUnit) -> bytes:
    """Draw a lowering's figure as PNG bytes."""
    target = io.BytesIO()
    save_figure(draw_lowering(picture_of(review, unit)), target)
    return target.getvalue()
