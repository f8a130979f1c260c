"""Fitted rules and the percentiles of a season's peaks as figures.

Comes in: rule results or scores. Goes out: matplotlib figures, 1080 pixels wide. Must not:
fit, score, or use a colour without a shape of its own: both are read in black and white too.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from analysis.learning.rule_result import GroupResult, RuleResult
from analysis.learning.scoring import FEWEST_FOR_KS, MethodScore
from analysis.learning.season_scores import SeasonScores
from analysis.showing.figure_key import Head, KeyRow, keyed_figure
from analysis.showing.rules_wording import CAUTIONS, adverse_bound, ks_words, number, plain
from analysis.showing.style import (
    BEFORE,
    INK,
    LINE_IN,
    PALE,
    PEAK,
    QUIET,
    TEXT_PT,
    WIDTH_IN,
)

ROW_IN: Final = 0.30
HEADING_IN: Final = 0.34
AXIS_IN: Final = 0.42
LEFT_IN: Final = 1.86
RIGHT_IN: Final = 0.66
PIT_IN: Final = 1.30
_TICKS: Final = (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.4, 2.0, 3.0, 5.0, 10.0)
_FINE_TICKS: Final = (0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.2, 1.4, 1.6, 1.8, 2.0)
_FINE_BELOW: Final = 2.2


def draw_rules(results: Sequence[RuleResult], about: str) -> Figure:
    """Draw default, constant, intervals, bound and planning number of each rule.

    Parameters
    ----------
    results : sequence of RuleResult
        In order; one without a usable piece is named and has no rows.
    about : str
        What they are fitted from.

    Returns
    -------
    Figure
    """
    rows = [*_rules_key(), *(KeyRow(None, words) for words in CAUTIONS)]
    head = Head("Rules of thumb", about)
    with keyed_figure(head, rows, sum(_panel_in(result) for result in results)) as (figure, top_in):
        y_in = top_in
        for result in results:
            _rule_panel(figure, result, y_in)
            y_in -= _panel_in(result)
    return figure


def draw_pit(scores: SeasonScores, about: str) -> Figure:
    """Draw where the measured peaks lay in the predictions stored before.

    Parameters
    ----------
    scores : SeasonScores
    about : str
        What was scored.

    Returns
    -------
    Figure
        One histogram for all methods together and one for each; uniform is the dashed line.
    """
    own = [] if scores.overall is None else [scores.overall]
    shown = [*own, *scores.methods]
    words = (
        "Share of peaks in each tenth of its stored prediction: 0 the lowest, 1 the highest "
        "predicted. All bars near the dashed line if all is well; high on the right: more "
        "was measured than predicted. A clipped peak is spread over all tenths from its own "
        "up. KS p: Kolmogorov-Smirnov test against an even spread; it needs "
        f"{FEWEST_FOR_KS} peaks, with fewer it says nothing."
    )
    rows = [shown[:1], *(shown[at : at + 2] for at in range(1, len(shown), 2))]
    head = Head("Peaks in their predictions", about)
    panels_in = len(rows) * (PIT_IN + 0.86)
    with keyed_figure(head, [KeyRow(None, words)], panels_in) as (figure, top_in):
        y_in = top_in
        for row in rows:
            for at, score in enumerate(row):
                _pit_panel(figure, score, (at, 1 if row is rows[0] else 2), y_in)
            y_in -= PIT_IN + 0.86
    return figure


def _axes(figure: Figure, left_in: float, top_in: float, width_in: float, high_in: float) -> Axes:
    tall = figure.get_figheight()
    return figure.add_axes(
        (left_in / WIDTH_IN, (top_in - high_in) / tall, width_in / WIDTH_IN, high_in / tall)
    )


def _panel_in(result: RuleResult) -> float:
    """Height of a rule's heading, rows and axis."""
    if not result.groups:
        return HEADING_IN + LINE_IN + 0.1
    return HEADING_IN + ROW_IN * len(result.groups) + AXIS_IN


def _rule_panel(figure: Figure, result: RuleResult, top_in: float) -> None:
    tall = figure.get_figheight()
    figure.text(
        0.12 / WIDTH_IN, (top_in - 0.04) / tall, f"{result.rule.title}, default "
        f"{result.rule.default:g}", size=TEXT_PT + 1, weight="bold", va="top",
    )  # fmt: skip
    if not result.groups:
        figure.text(
            0.12 / WIDTH_IN, (top_in - HEADING_IN) / tall,
            "no usable piece: the default stays", size=TEXT_PT, va="top",
        )  # fmt: skip
        return
    figure.text(
        1 - 0.12 / WIDTH_IN, (top_in - 0.05) / tall, "planning", size=TEXT_PT, va="top", ha="right",
        color=PEAK,
    )  # fmt: skip
    rows = len(result.groups)
    axes = _axes(figure, LEFT_IN, top_in - HEADING_IN, WIDTH_IN - LEFT_IN - RIGHT_IN, ROW_IN * rows)
    axes.set_ylim(rows - 0.5, -0.5)
    _scale(axes, result)
    axes.axvline(result.rule.default, color=INK, lw=1.3, ls=(0, (4, 2)), zorder=2)
    for at, group in enumerate(result.groups):
        _group_row(axes, at, group)


def _scale(axes: Axes, result: RuleResult) -> None:
    """Make the axis wide enough for everything, with round ticks."""
    shown = [result.rule.default]
    for group in result.groups:
        shown += [*group.next_interval_90, adverse_bound(group), group.planning.number]
    low, high = min(shown), max(shown)
    if result.rule.form == "ratio" and low > 0:
        low, high = low / 1.06, high * 1.06
        axes.set_xscale("log")
        ticks = _FINE_TICKS if high / low < _FINE_BELOW else _TICKS
        inside = [tick for tick in ticks if low <= tick <= high]
        axes.xaxis.set_major_locator(FixedLocator(inside))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    else:
        room = 0.06 * (high - low)
        low, high = low - room, high + room
        steps = MaxNLocator(5).tick_values(low, high)
        axes.set_xticks([tick for tick in steps if low <= tick <= high])
    axes.set_xlim(low, high)
    axes.set_yticks([])
    axes.tick_params(length=3)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)


def _group_row(axes: Axes, at: int, group: GroupResult) -> None:
    """One group: label, intervals, constant, bound, planning number."""
    if at % 2 == 0:
        axes.axhspan(at - 0.5, at + 0.5, color=PALE, lw=0, zorder=0)
    count = f"{group.n} ({group.clipped}≥)" if group.clipped else str(group.n)
    axes.annotate(
        f"{plain(group.group)}, {count}", (0, at), xycoords=("axes fraction", "data"),
        xytext=(-6, 0), textcoords="offset points", ha="right", va="center", size=TEXT_PT,
    )  # fmt: skip
    axes.annotate(
        number(group.planning.number), (1, at), xycoords=("axes fraction", "data"),
        xytext=(38, 0), textcoords="offset points", ha="right", va="center", size=TEXT_PT,
        weight="bold", color=PEAK,
    )  # fmt: skip
    low, high = group.next_interval_90
    axes.plot((low, high), (at, at), color=BEFORE, lw=1.2, marker="|", ms=7, mew=1.2, zorder=3)
    axes.plot(group.constant_interval_90, (at, at), color=BEFORE, lw=5.0, alpha=0.55,
              solid_capstyle="butt", zorder=3)  # fmt: skip
    filled = INK if not group.evidence_missing else "white"
    axes.plot(group.constant, at, "o", color=INK, mfc=filled, ms=6, mew=1.3, zorder=5)
    axes.plot(adverse_bound(group), at, marker="D", color=QUIET, mfc="white", ms=5.5, mew=1.4,
              zorder=4)  # fmt: skip
    axes.plot(group.planning.number, at - 0.24, marker="v", color=PEAK, ms=6.5, zorder=6)


def _rules_key() -> list[KeyRow]:
    """Everything in the figure of the rules, in words."""
    dashes = Line2D([], [], color=INK, lw=1.3, ls=(0, (4, 2)))
    return [
        KeyRow(dashes, "default"),
        KeyRow(
            _marker("o", INK, INK), "constant from these pieces; hollow: the evidence is not met"
        ),
        KeyRow(Line2D([], [], color=BEFORE, lw=5.0, alpha=0.55), "its 90 % interval"),
        KeyRow(
            Line2D([], [], color=BEFORE, lw=1.2, marker="|", ms=7, mew=1.2),
            "90 % interval of what the next piece, of a new job, will show",
        ),
        KeyRow(
            _marker("D", QUIET, "white"),
            "95/95: bound of 95 % of pieces with 95 % confidence, on the side that hurts",
        ),
        KeyRow(
            _marker("v", PEAK, PEAK),
            "planning number; away from caution only with evidence and a named person's acceptance",
        ),
        KeyRow(None, "Behind a group: its pieces, (k≥): k of them clipped, so only lower bounds."),
    ]


def _marker(shape: str, colour: str, face: str) -> Line2D:
    return Line2D([], [], color=colour, marker=shape, mfc=face, mew=1.4, ms=6, lw=0)


def _pit_panel(figure: Figure, score: MethodScore, place: tuple[int, int], top_in: float) -> None:
    """One histogram; ``place`` is its column and the number of columns."""
    at, columns = place
    gap_in, left_in = 0.62, 0.62
    width_in = (WIDTH_IN - left_in - 0.14 - gap_in * (columns - 1)) / columns
    left_in += at * (width_in + gap_in)
    axes = _axes(figure, left_in, top_in - 0.42, width_in, PIT_IN)
    pit = score.pit
    edges = pit.edges
    options: dict[str, Any] = {"facecolor": "#d5e2ef", "edgecolor": BEFORE, "hatch": "////"}
    axes.bar(edges[:-1], pit.share, width=edges[1] - edges[0], align="edge", lw=0.9, **options)
    axes.axhline(1 / len(pit.share), color=INK, lw=1.3, ls=(0, (4, 2)))
    axes.set_xlim(0, 1)
    axes.set_ylim(0, max(0.4, 1.08 * max(pit.share)))
    axes.set_xticks([0, 0.5, 1], ["0", "0.5", "1"])
    axes.set_yticks([0, 0.2, 0.4] if max(pit.share) < 0.55 else [0, 0.5, 1.0])
    axes.set_ylim(top=max(axes.get_ylim()[1], 0.4))
    axes.tick_params(length=3)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    count = f"{pit.n} ({pit.clipped}≥)" if pit.clipped else str(pit.n)
    chance = f"KS p {ks_words(pit)}"
    tall = figure.get_figheight()
    for line, weight, drop_in in ((f"{plain(score.method)}, {count}", "bold", 0.02),
                                  (chance, "normal", 0.21)):  # fmt: skip
        figure.text(left_in / WIDTH_IN, (top_in - drop_in) / tall, line, size=TEXT_PT,
                    weight=weight, va="top")  # fmt: skip
