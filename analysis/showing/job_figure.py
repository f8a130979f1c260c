"""A job's peaks beside their predictions, in one figure.

Comes in: reviews that have a comparison. Goes out: a matplotlib figure. Must not: compare,
or leave out a clipped peak (it is an open arrow upwards: at least this).

Each lowering has a column: the predicted 5 to 95 % as a hatched bar, its median as the line
at 1, the measured peak with its ± U. The scale is logarithmic, so twice and half are as far
from 1. Readable without colour.
"""

from __future__ import annotations

from collections.abc import Sequence

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import FixedLocator, NullLocator

from analysis.learning.review import Review
from analysis.showing.style import BEFORE, DPI, INK, PEAK, QUIET, STYLE, WIDTH_IN

_TICKS = (0.1, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 5.0, 10.0)
_ARROW = 1.22


def draw_comparison(reviews: Sequence[Review]) -> Figure:
    """Draw measured over predicted for every lowering.

    Parameters
    ----------
    reviews : sequence of Review
        At least one, each with a comparison.

    Returns
    -------
    Figure
        As wide as a lowering's figure.
    """
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, 3.9), dpi=DPI, facecolor="white")
        FigureCanvasAgg(figure)
        axes = figure.add_axes((0.70 / WIDTH_IN, 0.34, 1 - 0.84 / WIDTH_IN, 0.63))
        axes.set_yscale("log")
        axes.axhline(1.0, color=BEFORE, lw=1.4, ls=(0, (1, 1.4)), zorder=2)
        for place, review in enumerate(reviews):
            _draw_one(axes, place, review)
        _lay_out(axes, reviews)
        _write_key(figure, reviews)
    return figure


def ratios_of(review: Review) -> tuple[float, float, float, float | None]:
    """Measured, 5 % and 95 % over the predicted median, and the measured one's ± U."""
    comparison, stored = review.comparison, review.source.prediction
    assert comparison is not None  # noqa: S101 - the caller chose those that have one
    assert stored is not None  # noqa: S101 - a comparison comes from one
    peak, median_n = stored.result["peak_n"], comparison.predicted_n
    ratio = comparison.measured_n / median_n
    u = None if comparison.log_ratio_u is None else ratio * comparison.log_ratio_u
    return ratio, peak["p05"] / median_n, peak["p95"] / median_n, u


def _draw_one(axes: Axes, place: int, review: Review) -> None:
    """Draw one lowering's band and peak."""
    ratio, low, high, u = ratios_of(review)
    axes.bar(
        place, high - low, bottom=low, width=0.56, facecolor="#d5e2ef", edgecolor=BEFORE,
        hatch="////", lw=0.8, zorder=1,
    )  # fmt: skip
    stored = review.source.prediction
    marker = "o" if stored is None or stored.made_before else "s"
    if review.features.peak_is_lower_bound:
        axes.annotate(
            "", (place, ratio * _ARROW), xytext=(place, ratio), zorder=5,
            arrowprops={"arrowstyle": "-|>", "facecolor": "white", "edgecolor": PEAK, "lw": 1.6,
                        "mutation_scale": 16, "shrinkA": 0, "shrinkB": 0},
        )  # fmt: skip
        axes.plot([place - 0.2, place + 0.2], [ratio, ratio], color=PEAK, lw=1.8, zorder=5)
        return
    fill = PEAK if marker == "o" else "white"
    axes.errorbar(
        place, ratio, yerr=u or 0.0, fmt=marker, ms=6, color=PEAK, mfc=fill, mew=1.6,
        elinewidth=1.6, capsize=4, capthick=1.4, zorder=6,
    )  # fmt: skip


def _lay_out(axes: Axes, reviews: Sequence[Review]) -> None:
    """Set range, ticks and names of the axes."""
    rows = [ratios_of(review) for review in reviews]
    low = min(min(ratio, p05) for ratio, p05, _, _ in rows) / 1.15
    high = max(max(ratio * _ARROW, p95) for ratio, _, p95, _ in rows) * 1.15
    axes.set_ylim(low, high)
    axes.set_xlim(-0.6, max(len(reviews), 4) - 0.4)
    shown = [tick for tick in _TICKS if low <= tick <= high]
    axes.yaxis.set_major_locator(FixedLocator(shown))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.set_yticklabels([f"{tick:g}" for tick in shown])
    every = 1 + (len(reviews) - 1) // 16
    places = range(0, len(reviews), every)
    axes.set_xticks(list(places), [str(reviews[place].source.number) for place in places])
    axes.set_xlabel("lowering")
    axes.set_ylabel("peak over predicted median")
    axes.tick_params(length=3)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.grid(axis="y", color=QUIET, lw=0.4, alpha=0.4, zorder=0)


def _write_key(figure: Figure, reviews: Sequence[Review]) -> None:
    """Name what the figure shows, and only that."""
    stored = [r.source.prediction for r in reviews if not r.features.peak_is_lower_bound]
    before = {prediction is None or prediction.made_before for prediction in stored}
    rows: list[Line2D | Patch] = []
    names: list[str] = []
    if True in before:
        rows.append(_dot("o", PEAK))
        names.append("measured peak ± U (k = 2)")
    if False in before:
        rows.append(_dot("s", "white"))
        names.append("measured; the prediction was made AFTER")
    if len(stored) < len(reviews):
        rows.append(_dot("^", "white"))
        names.append("at least this: clipped, or samples missing")
    rows.append(Patch(facecolor="#d5e2ef", edgecolor=BEFORE, hatch="////", lw=0.8))
    names.append("predicted, 5 to 95 %; dotted: its median")
    figure.legend(
        rows, names, loc="lower left", bbox_to_anchor=(0.02, 0.0), frameon=False,
        labelcolor=INK, handlelength=1.8, borderpad=0.2, labelspacing=0.35,
    )  # fmt: skip


def _dot(marker: str, fill: str) -> Line2D:
    """Give a marker for the key."""
    return Line2D([], [], marker=marker, mfc=fill, color=PEAK, mew=1.6, lw=0, ms=6)
