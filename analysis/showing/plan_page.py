"""Plans on paper: one HTML page that needs nothing else, or one figure.

Comes in: plans, units, the job's words. Goes out: files. Must not: compute, read logbooks.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from matplotlib.figure import Figure

from analysis.predicting.plan import Plan
from analysis.predicting.pretension_plan import PretensionPlan
from analysis.showing.figure_key import Head, KeyRow
from analysis.showing.figures import save_figure
from analysis.showing.page import Block, Entry, page_html
from analysis.showing.page_units import Units
from analysis.showing.plan_wording import (
    ground_hand_words,
    groups_of,
    nearest_limits,
    numbers_of,
    remarks_of,
    title_of,
)
from analysis.showing.pretension_figure import draw_pretension
from analysis.showing.rig_drawing import draw_rig, swatch
from analysis.showing.rig_picture import RigPicture, rig_picture
from analysis.showing.rig_wording import METHODS, STANDING, place_line, place_words
from analysis.showing.style import WIDTH_IN
from logger.records import Job
from logger.units import counted, format_force

SCREEN_IN: Final = WIDTH_IN * 19.5 / 9.0
"""Height of a phone's screen that is as wide as a figure."""
ON_THE_PAGE: Final = (
    "Every limit, hinge window, smaller or bigger, the piece: on the page (--page)."
)
_PRINT_CSS: Final = """
@media print {
  section { display: block; column-count: 2; column-gap: 6mm; }
  section h2, section ul { column-span: all; }
  section li { display: inline; }
  section li::before { content: "\\2022  "; }
  section img { max-width: 66mm; margin: 0 auto; }
  tr { break-inside: avoid; }
  body { font-size: 7.2pt; line-height: 1.1; }
  h1 { font-size: 11pt; }
  section h2 { font-size: 10pt; margin: 0; padding-top: 1mm; }
  th, td { padding: .2mm 1.5mm .2mm 0; }
  th[colspan] { padding-top: 1mm; }
  .notice { padding: .5mm 1.5mm; margin: 1mm 0; }
  section.block { display: none; }
}
"""
"""A plan on one sheet of paper: its tables in two columns, its cautions run on, no picture of pulls."""


def plan_figure(plan: Plan, job: Job, units: Units) -> Figure:
    """Draw a plan for one screen of a phone: the ground hand's numbers, the rig, cautions.

    The whole plan is on the page; the drawing takes what the words leave of a screen, and no
    word that warns is left out for it.
    """
    weight = format_force(plan.estimate.weight_n, units.force, u_n=plan.estimate.weight_u_n)
    made_up = " INVENTED." if job.invented else ""
    about = f"Piece {weight} (k = 2), estimate.{made_up}"
    said = "\n".join([*ground_hand_words(plan, units), about])
    head = Head(title_of(plan, job.name), said, numbers_of(plan, units))
    return draw_rig(
        _picture(plan),
        units,
        head=head,
        key=[
            KeyRow(None, "Hanging, if heavy, 95 % predicted peak:"),
            *(KeyRow(swatch(_kind(x.kind, x.name)), place_line(x, units)) for x in plan.loads),
            *(KeyRow(None, words) for words in nearest_limits(plan, units)),
            KeyRow(None, " ".join(f"!\u00a0{words}" for words in remarks_of(plan))),
            KeyRow(None, ON_THE_PAGE),
        ],
        within_in=SCREEN_IN,
    )


def write_plan_figure(plan: Plan, job: Job, path: Path, units: Units) -> Path:
    """Write a plan as .png or .svg; give its path."""
    save_figure(plan_figure(plan, job, units), path)
    return path


def write_plan_page(plans: Sequence[Plan], job: Job, path: Path, units: Units, origin: str) -> Path:
    """Write plans as one .html, a sheet of paper each; give its path.

    Parameters
    ----------
    plans : sequence of Plan
        In the sheet's order.
    job : Job
        Whose pieces they are.
    path : Path
        The .html file.
    units : Units
        Of the reader.
    origin : str
        Name of the sheet or logbook, for the footer.
    """
    about = [f"INVENTED: {job.note}"] if job.invented else []
    text = page_html(
        f"Before the cut: {job.name}",
        f"{counted(len(plans), 'piece')}. Estimates made before the cut; ± is the expanded uncertainty (k = 2).",
        [_entry(plan, job, units) for plan in plans],
        [*about, STANDING],
        f"Made by ropetally from {origin}.",
        after=[
            _pulls(plan.piece.name, plan.pretension, units)
            for plan in plans
            if plan.pretension is not None
        ],
    )
    path.write_text(text.replace("</style>", f"{_PRINT_CSS}</style>", 1), encoding="utf-8")
    return path


def _entry(plan: Plan, job: Job, units: Units) -> Entry:
    target = io.BytesIO()
    figure = draw_rig(
        _picture(plan), units, head=Head(f"{plan.rig.name}: {METHODS[plan.rig.method]}")
    )
    save_figure(figure, target)
    alt = "; ".join(place_words(load, units) for load in plan.loads)
    return Entry(
        anchor=f"piece-{plan.piece.name}",
        title=title_of(plan, job.name),
        picture_png=target.getvalue(),
        alt=f"The rig to scale. {alt}",
        groups=groups_of(plan, units),
        remarks=remarks_of(plan),
        link=plan.piece.name,
    )


def _pulls(name: str, pretension: PretensionPlan, units: Units) -> Block:
    """Draw what a pull at the winch does to a piece and its hinge."""
    target = io.BytesIO()
    save_figure(draw_pretension(pretension, name, units.force), target)
    return Block(
        anchor=f"pull-{name}",
        title=f"Pull at the winch, {name}",
        picture_png=target.getvalue(),
        alt=(
            "Share carried and hinge balance against the pull at the winch, with the band and "
            "the limits entered; the hinge window below where a hinge is written."
        ),
    )


def _picture(plan: Plan) -> RigPicture:
    return rig_picture(
        plan.rig, plan.estimate.weight_n, plan.estimate.weight_u_n, plan.piece, plan.loads
    )


def _kind(kind: str, name: str) -> str:
    return name if kind == "leg" else kind
