"""A lowering as a picture: the whole trace, the peak from near, and a key in words.

Comes in: a :class:`Picture` in SI. Goes out: a matplotlib figure, or a PNG or SVG file.
Must not: read logbooks, compute features or predictions, or touch a screen.

The picture is made for a phone held upright (1080 pixels wide at 200 dots per inch, no
letter below 10.5 points) and for a printer without colour: every colour comes with a line
style, a marker or a hatch of its own. There is no green. Words stand in the key below, so
that no label can cover the trace.
"""

from __future__ import annotations

import textwrap
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.text import Text
from numpy.typing import NDArray

from analysis.reading.trace import Trace
from logger.units import ForceUnit, format_force, from_si

FloatArray = NDArray[np.float64]

WIDTH_IN: Final = 5.4
DPI: Final = 200
INK: Final = "#20242c"
QUIET: Final = "#6b7078"
PEAK: Final = "#7d2f63"
HANG: Final = "#a8640a"
BEFORE: Final = "#2c6fad"
PALE: Final = "#f1f1ee"
_PANEL_IN: Final = {"whole": 2.35, "near": 2.75}
_STRIP_IN: Final = 0.28
NEAR_BEFORE_S: Final = 0.6
NEAR_AFTER_S: Final = 1.5
_LINE_IN: Final = 0.195
_TEXT_PT: Final = 10.5
_WRAP: Final = 63
_LIMIT_DASHES: Final[dict[str, Any]] = {
    "working_limit": (0, (8, 3)),
    "peak_allowance": (0, (2, 2)),
}
_STYLE: Final[Any] = {
    "font.family": "DejaVu Sans",
    "font.size": _TEXT_PT,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "hatch.linewidth": 0.7,
    "svg.fonttype": "path",
    "svg.hashsalt": "ropetally",
}


@dataclass(frozen=True, slots=True)
class Span:
    """A named stretch of the trace, seconds on the trace's own clock."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A typed limit at the station; ``label`` says whose it is and of what kind."""

    kind: str
    force_n: float
    label: str


@dataclass(frozen=True, slots=True)
class Band:
    """Predicted peak: 5, 50 and 95 %, with words on when that was made."""

    p05_n: float
    p50_n: float
    p95_n: float
    label: str


@dataclass(frozen=True, slots=True)
class Picture:
    """What a picture shows. Forces are above zero, so that the zero line is the slack rope.

    Parameters
    ----------
    title, subtitle : str
        Two lines of words above the trace.
    trace : Trace
        Samples as read.
    zero_n : float
        Slack level, taken from every sample.
    phases : tuple of Span
        In order, from the trace's reading.
    hang_n, hang_u_n : float or None
        Hang as the station reads it and its expanded uncertainty (k = 2).
    hang_words : str
        What is said of it in the key.
    peak_n, peak_u_n, peak_time_s : float or None
        Peak, its expanded uncertainty and its time.
    peak_words : str
        What is said of the peak in the key (phase, "at least" when clipped).
    near_s : (start_s, end_s) or None
        What the near view shows; by default a little before the peak and more after it.
    band : Band or None
        Predicted peak.
    limits : tuple of LimitLine
        Never a breaking strength.
    cautions : tuple of str
        Words below the key.
    unit : str
        Unit of force.
    """

    title: str
    subtitle: str
    trace: Trace
    zero_n: float = 0.0
    phases: tuple[Span, ...] = ()
    hang_n: float | None = None
    hang_u_n: float | None = None
    hang_words: str = ""
    peak_n: float | None = None
    peak_u_n: float | None = None
    peak_time_s: float | None = None
    peak_words: str = ""
    near_s: tuple[float, float] | None = None
    band: Band | None = None
    limits: tuple[LimitLine, ...] = ()
    cautions: tuple[str, ...] = ()
    unit: ForceUnit = "kN"


@dataclass(frozen=True, slots=True)
class _KeyRow:
    """A swatch and its words."""

    swatch: Line2D | Patch | None
    words: str


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
    with mpl.rc_context(_STYLE):
        top = _limits_of_view(picture)
        key = _key_rows(picture, top)
        title = textwrap.wrap(picture.title, 46) or [""]
        subtitle = textwrap.wrap(picture.subtitle, _WRAP) or [""]
        lines = [textwrap.wrap(row.words, _WRAP - 6) or [""] for row in key]
        head_in = 0.16 + 0.25 * len(title) + _LINE_IN * len(subtitle) + 0.08
        key_in = 0.15 + sum(_LINE_IN * len(words) + 0.05 for words in lines)
        height_in = head_in + sum(_PANEL_IN.values()) + 2 * _STRIP_IN + 1.12 + key_in
        figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor="white")
        FigureCanvasAgg(figure)
        _write_head(figure, title, subtitle)
        y_in = height_in - head_in
        whole = _panel(figure, picture, y_in, "whole", top)
        y_in -= _STRIP_IN + _PANEL_IN["whole"] + 0.60
        near = _panel(figure, picture, y_in, "near", top)
        _outline(whole, near)
        _write_key(figure, key, lines, key_in)
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
    with mpl.rc_context(_STYLE):
        figure.savefig(target, format="svg" if svg else "png", dpi=DPI, metadata=metadata)


# --- panels ------------------------------------------------------------------------


def _panel(
    figure: Figure, picture: Picture, y_in: float, which: str, top: tuple[float, float]
) -> Axes:
    """Draw one panel with its strip of phases; ``y_in`` is the strip's upper edge."""
    left, right = 0.72 / WIDTH_IN, 1 - 0.14 / WIDTH_IN
    height_in = figure.get_figheight()
    box = (left, (y_in - _STRIP_IN) / height_in, right - left, _STRIP_IN / height_in)
    strip = figure.add_axes(box)
    panel_in = _PANEL_IN[which]
    box = (left, (y_in - _STRIP_IN - panel_in) / height_in, right - left, panel_in / height_in)
    axes = figure.add_axes(box)
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
        axes.axhline(band.p50_n * unit, color=BEFORE, lw=1.4, ls=(0, (1, 1.4)), zorder=3)
    if picture.hang_n is not None:
        half = picture.hang_u_n or 0.0
        axes.axhspan(
            (picture.hang_n - half) * unit, (picture.hang_n + half) * unit,
            color=HANG, alpha=0.30, lw=0, zorder=2,
        )  # fmt: skip
        axes.axhline(picture.hang_n * unit, color=HANG, lw=1.3, ls="-.", zorder=3)
    for line in picture.limits:
        axes.axhline(line.force_n * unit, color=INK, lw=1.6, ls=_LIMIT_DASHES[line.kind], zorder=3)
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


# --- words -------------------------------------------------------------------------


def _write_head(figure: Figure, title: list[str], subtitle: list[str]) -> None:
    """Write title and subtitle at the top."""
    height_in = figure.get_figheight()
    y_in = height_in - 0.14
    for line in title:
        figure.text(0.02, y_in / height_in, line, size=13.5, weight="bold", va="top")
        y_in -= 0.25
    for line in subtitle:
        figure.text(0.02, y_in / height_in, line, size=_TEXT_PT, color=INK, va="top")
        y_in -= _LINE_IN


def _key_rows(picture: Picture, top: tuple[float, float]) -> list[_KeyRow]:
    """Everything that the picture shows, in words, with what it looks like."""
    unit = picture.unit
    rows = [_KeyRow(Line2D([], [], color=INK, lw=1.4), "measured; zero is the slack rope")]
    if picture.peak_n is not None:
        marker = Line2D([], [], color=PEAK, marker="o", mfc="white", mew=1.6, lw=0, ms=6)
        peak = format_force(picture.peak_n, unit, u_n=picture.peak_u_n)
        rows.append(_KeyRow(marker, f"peak {peak}{_comma(picture.peak_words)}"))
    if picture.hang_n is not None:
        hang = format_force(picture.hang_n, unit, u_n=picture.hang_u_n)
        dashes = Line2D([], [], color=HANG, lw=1.6, ls="-.")
        rows.append(_KeyRow(dashes, f"hang {hang}{_comma(picture.hang_words)}"))
    if picture.band is not None:
        band = picture.band
        low, mid, high = (
            format_force(force, unit).removesuffix(f" {unit}")
            for force in (band.p05_n, band.p50_n, band.p95_n)
        )
        patch = Patch(facecolor="#d5e2ef", edgecolor=BEFORE, hatch="////", lw=0.8)
        words = f"predicted peak {low} to {high} {unit} (5 to 95 %), dotted: median {mid}"
        above = "; the band goes on above the picture" if _above(band.p95_n, picture, top) else ""
        rows.append(_KeyRow(patch, f"{words}{_comma(band.label)}{above}"))
    for line in picture.limits:
        swatch = Line2D([], [], color=INK, lw=1.6, ls=_LIMIT_DASHES[line.kind])
        place = "; above the picture" if _above(line.force_n, picture, top) else ""
        rows.append(_KeyRow(swatch, f"{line.label}{place}"))
    if picture.trace.gaps:
        patch = Patch(facecolor="white", edgecolor=QUIET, hatch="xxx", lw=0.8)
        rows.append(_KeyRow(patch, f"{len(picture.trace.gaps)} gap(s): samples are missing"))
    if picture.phases:
        names = "  ".join(f"{i} {span.name}" for i, span in enumerate(picture.phases, 1))
        rows.append(_KeyRow(Patch(facecolor="#cfcfca", lw=0), f"phases: {names}"))
    return rows + [_KeyRow(None, words) for words in picture.cautions]


def _above(force_n: float, picture: Picture, top: tuple[float, float]) -> bool:
    """Whether a force lies above what the panels show."""
    return from_si(force_n, "force", picture.unit) > top[1]


def _comma(words: str) -> str:
    """Words after a comma, nothing when there are none."""
    return f", {words}" if words else ""


def _write_key(figure: Figure, rows: list[_KeyRow], lines: list[list[str]], key_in: float) -> None:
    """Write the key below the panels, a swatch before each row."""
    height_in = figure.get_figheight()
    axes = figure.add_axes((0.0, 0.0, 1.0, key_in / height_in))
    axes.axis("off")
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, key_in)
    y_in = key_in
    for row, words in zip(rows, lines, strict=True):
        middle = y_in - _LINE_IN / 2
        if isinstance(row.swatch, Line2D):
            row.swatch.set_data([0.12, 0.55], [middle, middle])
            if row.swatch.get_marker() == "o":
                row.swatch.set_data([0.335], [middle])
            axes.add_line(row.swatch)
        elif row.swatch is not None:
            box = Rectangle((0.12, middle - 0.065), 0.43, 0.13)
            box.update_from(row.swatch)
            axes.add_patch(box)
        for line in words:
            axes.text(0.66 if row.swatch else 0.12, y_in, line, va="top", size=_TEXT_PT)
            y_in -= _LINE_IN
        y_in -= 0.05
