"""A lowering as a figure: the whole trace, the peak from near, and a key in words.

Comes in: a :class:`~analysis.showing.picture.Picture` in SI. Goes out: a matplotlib figure,
or a PNG or SVG file. Must not: read logbooks, compute features or predictions, or touch a
screen.
"""

from __future__ import annotations

from pathlib import Path
from typing import IO, Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.text import Text
from numpy.typing import NDArray

from analysis.reading.trace import Trace
from analysis.showing.figure_key import Head, key_rows, keyed_figure, panel_axes
from analysis.showing.picture import NEAR_AFTER_S, NEAR_BEFORE_S, Picture
from analysis.showing.style import (
    BEFORE,
    DPI,
    HANG,
    INK,
    LIMIT_DASHES,
    MEDIAN,
    PALE,
    PANEL_IN,
    PEAK,
    QUIET,
    STRIP_IN,
    STYLE,
)
from logger.units import format_force, from_si

FloatArray = NDArray[np.float64]


def draw_lowering(picture: Picture) -> Figure:
    """Draw a lowering.

    Parameters
    ----------
    picture : Picture
        What to show.

    Returns
    -------
    Figure
        1080 pixels wide at 200 dots per inch; as tall as its key needs.
    """
    top = _limits_of_view(picture)
    panels_in = sum(PANEL_IN.values()) + 2 * STRIP_IN + 1.12
    head = Head(picture.title, picture.subtitle)
    with keyed_figure(head, key_rows(picture, top), panels_in) as (figure, top_in):
        whole = _panel(figure, picture, top_in, "whole", top)
        near_in = top_in - STRIP_IN - PANEL_IN["whole"] - 0.60
        near = _panel(figure, picture, near_in, "near", top)
        _outline(whole, near)
    return figure


def save_figure(figure: Figure, target: Path | IO[bytes]) -> None:
    """Write a figure as PNG or SVG, by the file's ending; the same bytes each time.

    Parameters
    ----------
    figure : Figure
        As drawn.
    target : Path or binary file
        A file's path; into an open file a PNG is written.
    """
    svg = isinstance(target, Path) and target.suffix.lower() == ".svg"
    metadata: dict[str, Any] = {"Date": None} if svg else {"Software": None}
    with mpl.rc_context(STYLE):
        figure.savefig(target, format="svg" if svg else "png", dpi=DPI, metadata=metadata)


# --- panels ------------------------------------------------------------------------


def _panel(
    figure: Figure, picture: Picture, y_in: float, which: str, top: tuple[float, float]
) -> Axes:
    """Draw one panel with its strip of phases; ``y_in`` is the strip's upper edge."""
    strip = panel_axes(figure, y_in, STRIP_IN)
    axes = panel_axes(figure, y_in - STRIP_IN, PANEL_IN[which])
    window = _whole(picture) if which == "whole" else _near(picture)
    axes.set_xlim(*window)
    axes.set_ylim(*top)
    strip.set_xlim(*window)
    _draw_strip(strip, picture)
    _draw_trace(axes, picture, window)
    _draw_levels(axes, picture, annotate=which == "near")
    axes.set_ylabel(f"force, {picture.unit}")
    axes.set_xlabel(
        "time, s" if which == "whole" else "time, s (between the thin dashed lines above)"
    )
    axes.tick_params(length=3)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def _whole(picture: Picture) -> tuple[float, float]:
    """Time from first to last sample."""
    return float(picture.trace.time_s[0]), float(picture.trace.time_s[-1])


def _near(picture: Picture) -> tuple[float, float]:
    """Time around the peak: a little before, the ring-down after; inside the trace."""
    start_s, end_s = _whole(picture)
    wanted = picture.near_s
    if wanted is None and picture.peak_time_s is not None:
        wanted = (picture.peak_time_s - NEAR_BEFORE_S, picture.peak_time_s + NEAR_AFTER_S)
    if wanted is None:
        return start_s, end_s
    low, high = max(start_s, wanted[0]), min(end_s, wanted[1])
    return (low, high) if high - low > 10 * picture.trace.period_s else (start_s, end_s)


def _limits_of_view(picture: Picture) -> tuple[float, float]:
    """Range of force in the user's unit: trace, band and those limits that fit."""
    force_n = picture.trace.force_n - picture.zero_n
    high = float(np.max(force_n))
    if picture.peak_n is not None:
        high = max(high, picture.peak_n + (picture.peak_u_n or 0.0))
    if picture.band is not None:
        high = max(high, min(picture.band.p95_n, 3.0 * high))
    high = max([high, *(line.force_n for line in picture.limits if line.force_n < 1.5 * high)])
    low = min(0.0, float(np.min(force_n)))
    room = 0.08 * (high - low or 1.0)
    scale = 1 / from_si(1.0, "force", picture.unit)
    if picture.peak_n is not None:  # the peak's value stands above it
        high = max(high, picture.peak_n + (picture.peak_u_n or 0.0) + 1.9 * room)
    return (low - room) / scale, (high + 1.2 * room) / scale


def _draw_strip(strip: Axes, picture: Picture) -> None:
    """Name the phases above a panel; a number where the name does not fit."""
    strip.set_ylim(0, 1)
    strip.axis("off")
    start_s, end_s = strip.get_xlim()
    for number, span in enumerate(picture.phases, 1):
        low, high = max(span.start_s, start_s), min(span.end_s, end_s)
        if high <= low:
            continue
        shade = ("#e4e4e0", "#cfcfca")[number % 2]
        box = Rectangle((low, 0.0), high - low, 1.0, facecolor=shade, edgecolor="white", lw=0.8)
        strip.add_patch(box)
        text = strip.text((low + high) / 2, 0.46, span.name, ha="center", va="center")
        if not _fits(text, low, high):
            text.set_text(str(number))
        if not _fits(text, low, high):
            text.remove()


def _fits(text: Text, low: float, high: float) -> bool:
    """Whether a text is narrower than a stretch of its axes, with a little air."""
    axes = text.axes
    assert axes is not None  # noqa: S101 - it was just drawn there
    left, right = axes.transData.transform([(low, 0.0), (high, 0.0)])[:, 0]
    return bool(text.get_window_extent().width <= right - left - 4)


def _draw_trace(axes: Axes, picture: Picture, window: tuple[float, float]) -> None:
    """Draw the samples, phases as faint stripes, and what is missing."""
    for number, span in enumerate(picture.phases, 1):
        if number % 2 == 0:
            axes.axvspan(span.start_s, span.end_s, color=PALE, lw=0, zorder=0)
    for gap in picture.trace.gaps:
        axes.axvspan(
            gap.start_s,
            gap.end_s,
            facecolor="white",
            edgecolor=QUIET,
            hatch="xxx",
            lw=0.6,
            zorder=1,
        )
    time_s, force_n = envelope(picture.trace, window, 1400)
    force = from_si(1.0, "force", picture.unit) * (force_n - picture.zero_n)
    axes.plot(time_s, force, color=INK, lw=1.1, zorder=4, solid_joinstyle="round")


def envelope(trace: Trace, window: tuple[float, float], bins: int) -> tuple[FloatArray, FloatArray]:
    """Thin the samples of a window to lowest and highest per bin, broken at gaps.

    Parameters
    ----------
    trace : Trace
        Samples.
    window : (start_s, end_s)
        Part to show.
    bins : int
        How many bins; up to twice that many points remain.

    Returns
    -------
    time_s, force_n : (m,) float64
        A NaN stands in each gap. No extreme is lost.
    """
    inside = slice(
        max(0, int(np.searchsorted(trace.time_s, window[0])) - 1),
        int(np.searchsorted(trace.time_s, window[1])) + 1,
    )
    time_s, force_n = trace.time_s[inside], trace.force_n[inside]
    if time_s.size > 4 * bins:
        edges = np.linspace(0, time_s.size, bins + 1).astype(int)[:-1]
        low = np.minimum.reduceat(force_n, edges)
        high = np.maximum.reduceat(force_n, edges)
        label = np.repeat(np.arange(bins), np.diff([*edges, time_s.size]))
        keep = (force_n == low[label]) | (force_n == high[label])
        time_s, force_n = time_s[keep], force_n[keep]
    ends = [gap.start_s for gap in trace.gaps]
    places = np.searchsorted(time_s, ends, side="right")
    return np.insert(time_s, places, ends), np.insert(force_n, places, np.nan)


def _draw_levels(axes: Axes, picture: Picture, *, annotate: bool) -> None:
    """Zero, hang weight, predicted band, limits and the peak."""
    unit = from_si(1.0, "force", picture.unit)
    axes.axhline(0.0, color=QUIET, lw=0.9, zorder=2)
    if picture.band is not None:
        band = picture.band
        axes.axhspan(
            band.p05_n * unit, band.p95_n * unit, facecolor=BEFORE, alpha=0.16, lw=0, zorder=1
        )
        axes.axhspan(
            band.p05_n * unit, band.p95_n * unit, facecolor="none", edgecolor=BEFORE,
            hatch="////", lw=0.0, alpha=0.35, zorder=1,
        )  # fmt: skip
        if band.p25_n is not None and band.p75_n is not None:
            axes.axhspan(
                band.p25_n * unit, band.p75_n * unit, facecolor=BEFORE, alpha=0.22, lw=0, zorder=1
            )
        axes.axhline(band.p50_n * unit, **MEDIAN, zorder=2.5)
    if picture.hang_n is not None:
        half = picture.hang_u_n or 0.0
        axes.axhspan(
            (picture.hang_n - half) * unit, (picture.hang_n + half) * unit,
            color=HANG, alpha=0.30, lw=0, zorder=2,
        )  # fmt: skip
        axes.axhline(picture.hang_n * unit, color=HANG, lw=1.3, ls="-.", zorder=3)
    for line in picture.limits:
        axes.axhline(line.force_n * unit, color=INK, lw=1.6, ls=LIMIT_DASHES[line.kind], zorder=3)
    _draw_peak(axes, picture, annotate=annotate)


def _draw_peak(axes: Axes, picture: Picture, *, annotate: bool) -> None:
    """Mark the peak; in the near view with its value beside it."""
    if picture.peak_n is None or picture.peak_time_s is None:
        return
    unit = from_si(1.0, "force", picture.unit)
    y, half = picture.peak_n * unit, (picture.peak_u_n or 0.0) * unit
    axes.errorbar(
        picture.peak_time_s, y, yerr=half, fmt="o", ms=5, color=PEAK, mfc="white", mew=1.6,
        elinewidth=1.6, capsize=5, capthick=1.6, zorder=6,
    )  # fmt: skip
    if annotate:
        low, high = axes.get_xlim()
        share = (picture.peak_time_s - low) / (high - low)
        side = "left" if share < 0.2 else "right" if share > 0.8 else "center"
        words = format_force(picture.peak_n, picture.unit, u_n=picture.peak_u_n)
        if picture.peak_is_lower_bound:
            words = f"≥ {words}"
        axes.annotate(
            words, (picture.peak_time_s, y + half), xytext=(0, 9), textcoords="offset points",
            ha=side, va="bottom", color=PEAK, weight="bold", size=11.5, zorder=7,
            bbox={"facecolor": "white", "alpha": 0.85, "edgecolor": "none", "pad": 1.5},
        )  # fmt: skip


def _outline(whole: Axes, near: Axes) -> None:
    """Show in the whole view what the near view holds."""
    start_s, end_s = near.get_xlim()
    if (start_s, end_s) != whole.get_xlim():
        for side in (start_s, end_s):
            whole.axvline(side, color=QUIET, lw=0.8, ls=(0, (4, 2)), zorder=2)
