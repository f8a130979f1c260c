"""A ring-down and its fit as a figure.

Comes in: a review, a unit. Goes out: a matplotlib figure, 1080 pixels wide. Must not: fit
anything, or use a colour without a line style or marker of its own.
"""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from analysis.errors import TraceError
from analysis.learning.review import Review
from analysis.reading.ringdown import RingDown
from analysis.showing.figure_key import Head, KeyRow, keyed_figure, panel_axes
from analysis.showing.reading_wording import identified_rows
from analysis.showing.style import (
    BEFORE,
    HANG,
    INK,
    PEAK,
    QUIET,
)
from analysis.showing.why_wording import small_force
from analysis.showing.wording import STANDING, title_of
from logger.units import ForceUnit, format_force, from_si

PANEL_IN = 2.9
LEFT_OVER_IN = 1.0
_BEFORE_CYCLES = 1.2
_SHOWN = {"ring-down", "rope EA, dynamic", "hang, by cycles"}


def draw_ringdown(review: Review, unit: ForceUnit) -> Figure:
    """Draw samples, fit and envelope, and what the fit leaves.

    Parameters
    ----------
    review : Review
        Of a lowering with a fitted ring-down.
    unit : str
        Unit of force.

    Returns
    -------
    Figure

    Raises
    ------
    TraceError
        No ring-down was fitted in this lowering.
    """
    ring = review.features.ring
    if ring is None:
        raise TraceError(
            f"lowering {review.source.number}: no ring-down was fitted; nothing to draw"
        )
    head, panels_in = Head(f"Ring-down. {title_of(review)}"), PANEL_IN + LEFT_OVER_IN + 1.0
    with keyed_figure(head, _key(review, unit), panels_in) as (figure, top_in):
        upper = _axes(figure, top_in, PANEL_IN)
        lower = _axes(figure, top_in - PANEL_IN - 0.30, LEFT_OVER_IN)
        _draw(upper, lower, review, ring, unit)
    return figure


def _axes(figure: Figure, top_in: float, high_in: float) -> Axes:
    axes = panel_axes(figure, top_in, high_in)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=3)
    return axes


def _draw(upper: Axes, lower: Axes, review: Review, ring: RingDown, unit: ForceUnit) -> None:
    trace, zero_n = review.source.trace, review.features.zero_n
    scale = from_si(1.0, "force", unit)
    start_s = ring.start_s - _BEFORE_CYCLES / ring.frequency_hz
    end_s = min(ring.end_s, ring.start_s + 8.0 / ring.frequency_hz)
    first, last = (int(i) for i in np.searchsorted(trace.time_s, (start_s, end_s)))
    time_s, force_n = trace.time_s[first:last], trace.force_n[first:last] - zero_n
    upper.plot(time_s, scale * force_n, ".", ms=2.6, color=INK, zorder=3)
    fine = np.linspace(ring.start_s, end_s, 900)
    upper.plot(fine, scale * ring.force_n(fine), color=PEAK, lw=1.6, zorder=4)
    envelope = ring.amplitude_n * np.exp(-ring.decay_per_s * (fine - ring.start_s))
    for side in (-1.0, 1.0):
        upper.plot(
            fine, scale * (ring.level_n + side * envelope), color=BEFORE, lw=1.1, ls=(0, (4, 2))
        )
    upper.axhline(scale * ring.level_n, color=HANG, lw=1.2, ls="-.", zorder=2)
    upper.set_ylabel(f"force, {unit}")
    upper.tick_params(labelbottom=False)
    inside = (time_s >= ring.start_s) & (time_s <= ring.end_s)
    left = force_n[inside] - ring.force_n(time_s[inside])
    lower.axhline(0.0, color=QUIET, lw=0.8)
    lower.plot(time_s[inside], scale * left, ".", ms=2.2, color=INK)
    lower.text(0.01, 1.0, f"left over by the fit, {unit}", transform=lower.transAxes, va="bottom")
    lower.yaxis.set_major_locator(MaxNLocator(2))
    lower.set_xlabel("time, s")
    for axes in (upper, lower):
        axes.set_xlim(start_s, end_s)


def _key(review: Review, unit: ForceUnit) -> list[KeyRow]:
    features = review.features
    ring = features.ring
    assert ring is not None  # noqa: S101 - the caller has looked
    rows = [
        KeyRow(Line2D([], [], color=INK, marker="o", ms=3, ls=""), "samples, zero taken"),
        KeyRow(
            Line2D([], [], color=PEAK, lw=1.6),
            f"decaying sinusoid, fitted over {ring.cycles:.1f} cycles; it leaves "
            f"{small_force(ring.residual_n, unit)} RMS",
        ),
        KeyRow(Line2D([], [], color=BEFORE, lw=1.1, ls=(0, (4, 2))), "its envelope"),
        KeyRow(
            Line2D([], [], color=HANG, lw=1.2, ls="-."),
            f"level {format_force(ring.level_n, unit, u_n=features.hang_cycles_n_u)}",
        ),
    ]
    told = [(name, words) for name, words in identified_rows(features, unit) if name in _SHOWN]
    return [
        *rows,
        *(KeyRow(None, f"{name}: {words}") for name, words in told),
        KeyRow(None, STANDING[0]),
    ]
