"""Measured peaks against predicted ones, many lowerings in one figure.

Comes in: compared lowerings. Goes out: a matplotlib figure, 1080 pixels wide. Must not:
score (``learning/pit.py`` does), drop a clipped peak, or tell methods apart by colour alone.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from analysis.learning.pit import Compared, PitReport
from analysis.learning.season_scores import SeasonScores
from analysis.showing.figure_key import Head, KeyRow, keyed_figure, panel_axes
from analysis.showing.style import (
    BEFORE,
    HANG,
    INK,
    PEAK,
    QUIET,
)
from logger.units import ForceUnit, from_si

PANEL_IN: Final = 4.3
_MARKS: Final = (
    ("o", PEAK),
    ("s", BEFORE),
    ("D", HANG),
    ("v", INK),
    ("P", QUIET),
    ("X", "#b0475e"),
)
_CAUTION: Final = "A measured or computed load is never permission to stand closer or cut bigger."


def draw_compared(report: PitReport, about: str, unit: ForceUnit) -> Figure:
    """Draw measured against predicted, logarithmic both ways.

    Parameters
    ----------
    report : PitReport
        With at least one point.
    about : str
        What was compared.
    unit : str
        Unit of force.

    Returns
    -------
    Figure
        Predicted median and 5 to 95 % across, measured upwards; a clipped peak has an arrow.
    """
    marks = dict(zip(sorted({p.method for p in report.points}), _MARKS, strict=False))
    head = Head("Measured against predicted peaks", about)
    with keyed_figure(head, _key(report, marks), PANEL_IN + 0.62) as (figure, top_in):
        _draw(panel_axes(figure, top_in, PANEL_IN), report.points, marks, unit)
    return figure


def _draw(
    axes: Axes, points: tuple[Compared, ...], marks: dict[str, tuple[str, str]], unit: ForceUnit
) -> None:
    scale = from_si(1.0, "force", unit)
    for point in points:
        marker, colour = marks[point.method]
        was, said = scale * point.comparison.measured_n, scale * point.comparison.predicted_n
        axes.plot(
            [scale * point.p05_n, scale * point.p95_n], [was, was], color=colour, lw=0.9, alpha=0.6
        )
        axes.plot(said, was, marker, ms=5.5, mfc="white", mec=colour, mew=1.4, zorder=4)
        if point.comparison.censored:
            axes.annotate(
                "",
                (said, 1.22 * was),
                (said, was),
                arrowprops={"arrowstyle": "->", "color": colour},
            )
    values = [
        scale * force for p in points for force in (p.p05_n, p.p95_n, p.comparison.measured_n)
    ]
    low, high = 0.85 * min(values), 1.25 * max(values)
    line = np.array([low, high])
    axes.plot(line, line, color=INK, lw=1.2, zorder=2)
    for factor in (2 / 3, 3 / 2):
        axes.plot(line, factor * line, color=QUIET, lw=0.9, ls=(0, (4, 3)), zorder=1)
    for set_scale, set_limits, axis in (
        (axes.set_xscale, axes.set_xlim, axes.xaxis),
        (axes.set_yscale, axes.set_ylim, axes.yaxis),
    ):
        set_scale("log")
        set_limits(low, high)
        axis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axis.set_minor_formatter(NullFormatter())
    axes.set_xlabel(f"predicted before the lowering, {unit}")
    axes.set_ylabel(f"measured, {unit}")
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _key(report: PitReport, marks: dict[str, tuple[str, str]]) -> list[KeyRow]:
    rows = []
    for score in report.methods:
        marker, colour = marks[score.method]
        swatch = Line2D([], [], marker=marker, color=colour, mfc="white", mew=1.4, ms=6, ls="")
        inside = next(c for c in score.coverage if c.level == 0.9)
        rows.append(
            KeyRow(
                swatch,
                f"{score.method.replace('_', ' ')}, {score.bias.n}: measured "
                f"{score.bias.ratio:.2f} × predicted; {100 * inside.share:.0f} % within 5 to 95 %",
            )
        )
    return [
        *rows,
        KeyRow(Line2D([], [], color=INK, lw=1.2), "as predicted"),
        KeyRow(
            Line2D([], [], color=QUIET, lw=0.9, ls=(0, (4, 3))),
            "1.5 times as predicted, and as much below",
        ),
        KeyRow(
            None,
            "Across: predicted 5 to 95 %. An arrow: clipped, the true peak is at least this.",
        ),
        KeyRow(None, _CAUTION),
    ]


def season_of(report: PitReport) -> SeasonScores:
    """Give the scores in the form that the figure of percentiles takes."""
    return SeasonScores(report.methods, report.overall, None, (), ())
