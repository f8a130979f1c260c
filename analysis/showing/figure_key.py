"""The words of a figure: head, and a key that names everything in it.

Comes in: a :class:`~analysis.showing.picture.Picture` and a figure. Goes out: texts and
swatches drawn on it. Must not: draw on the panels; words stand beside them, so that no
label can cover the trace.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import matplotlib as mpl
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle
from matplotlib.textpath import TextToPath

from analysis.showing.picture import Picture
from analysis.showing.style import (
    BEFORE,
    DPI,
    HANG,
    INK,
    LIMIT_DASHES,
    LINE_IN,
    MEDIAN,
    PEAK,
    QUIET,
    STYLE,
    TEXT_PT,
    TITLE_PT,
    WIDTH_IN,
)
from logger.units import format_force, from_si


@dataclass(frozen=True, slots=True)
class KeyRow:
    """A swatch and its words."""

    swatch: Line2D | Patch | None
    words: str


def wrapped(
    words: str, width_in: float, size_pt: float = TEXT_PT, weight: str = "normal"
) -> list[str]:
    """Break words into lines that fit a width, measured in the font that draws them."""
    font = FontProperties(family="DejaVu Sans", size=size_pt, weight=weight)
    measure = TextToPath().get_text_width_height_descent
    chars = int(width_in * 72 / (0.45 * size_pt))
    while True:
        lines = textwrap.wrap(words, chars) or [""]
        if chars < 12 or max(measure(line, font, False)[0] for line in lines) <= width_in * 72:  # noqa: FBT003 - matplotlib's own signature
            return lines
        chars -= 1


@contextmanager
def keyed_figure(
    title: str, subtitle: str, rows: Sequence[KeyRow], panels_in: float
) -> Iterator[tuple[Figure, float]]:
    """Make a figure with its head; its key is written when the panels are drawn.

    Parameters
    ----------
    title, subtitle : str
        The latter may be empty; each of its lines begins a new one.
    rows : sequence of KeyRow
        The key.
    panels_in : float
        Height of all that the caller draws, inches.

    Yields
    ------
    Figure
        As wide as all figures, as tall as its words need.
    float
        Where the panels begin, inches above the figure's foot.
    """
    with mpl.rc_context(STYLE):
        top = wrapped(title, WIDTH_IN - 0.2, TITLE_PT, "bold")
        below = [line for said in subtitle.splitlines() for line in wrapped(said, WIDTH_IN - 0.2)]
        lines = [wrapped(row.words, WIDTH_IN - (0.76 if row.swatch else 0.22)) for row in rows]
        head_in = 0.24 + 0.25 * len(top) + LINE_IN * len(below)
        key_in = 0.15 + sum(LINE_IN * len(words) + 0.05 for words in lines)
        height_in = head_in + panels_in + key_in
        figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor="white")
        FigureCanvasAgg(figure)
        write_head(figure, top, below)
        yield figure, height_in - head_in
        write_key(figure, list(rows), lines, key_in)


def panel_axes(figure: Figure, top_in: float, high_in: float) -> Axes:
    """Give axes as wide as the figure allows; ``top_in`` is their upper edge above its foot."""
    height_in = figure.get_figheight()
    left = 0.72 / WIDTH_IN
    return figure.add_axes(
        (left, (top_in - high_in) / height_in, 1 - 0.14 / WIDTH_IN - left, high_in / height_in)
    )


def write_head(figure: Figure, title: list[str], subtitle: list[str]) -> None:
    """Write title and subtitle at the top."""
    height_in = figure.get_figheight()
    y_in = height_in - 0.14
    for line in title:
        figure.text(0.02, y_in / height_in, line, size=TITLE_PT, weight="bold", va="top")
        y_in -= 0.25
    for line in subtitle:
        figure.text(0.02, y_in / height_in, line, size=TEXT_PT, color=INK, va="top")
        y_in -= LINE_IN


def key_rows(picture: Picture, top: tuple[float, float]) -> list[KeyRow]:
    """Everything that the picture shows, in words, with what it looks like."""
    unit = picture.unit
    rows = [KeyRow(Line2D([], [], color=INK, lw=1.4), "measured; zero is the slack rope")]
    if picture.peak_n is not None:
        marker = Line2D([], [], color=PEAK, marker="o", mfc="white", mew=1.6, lw=0, ms=6)
        peak = format_force(picture.peak_n, unit, u_n=picture.peak_u_n)
        rows.append(KeyRow(marker, f"peak {peak}{_comma(picture.peak_words)}"))
    if picture.hang_n is not None:
        hang = format_force(picture.hang_n, unit, u_n=picture.hang_u_n)
        dashes = Line2D([], [], color=HANG, lw=1.6, ls="-.")
        rows.append(KeyRow(dashes, f"hang {hang}{_comma(picture.hang_words)}"))
    if picture.band is not None:
        band = picture.band
        low, mid, high = (
            format_force(force, unit).removesuffix(f" {unit}")
            for force in (band.p05_n, band.p50_n, band.p95_n)
        )
        patch = Patch(facecolor="#d5e2ef", edgecolor=BEFORE, hatch="////", lw=0.8)
        words = f"predicted peak {low} to {high} {unit} (5 to 95 %)"
        words += ", darker: middle half" if band.p25_n is not None else ""
        above = "; the band goes on above the picture" if _above(band.p95_n, picture, top) else ""
        rows.append(KeyRow(patch, f"{words}{_comma(band.label)}{above}"))
        rows.append(KeyRow(Line2D([], [], **MEDIAN), f"predicted peak, median {mid} {unit}"))
    for line in picture.limits:
        swatch = Line2D([], [], color=INK, lw=1.6, ls=LIMIT_DASHES[line.kind])
        place = "; above the picture" if _above(line.force_n, picture, top) else ""
        rows.append(KeyRow(swatch, f"{line.label}{place}"))
    if picture.trace.gaps:
        patch = Patch(facecolor="white", edgecolor=QUIET, hatch="xxx", lw=0.8)
        rows.append(KeyRow(patch, f"{len(picture.trace.gaps)} gap(s): samples are missing"))
    if picture.phases:
        names = "  ".join(f"{i}\u00a0{span.name}" for i, span in enumerate(picture.phases, 1))
        rows.append(KeyRow(Patch(facecolor="#cfcfca", lw=0), f"phases: {names}"))
    return rows + [KeyRow(None, words) for words in picture.cautions]


def _above(force_n: float, picture: Picture, top: tuple[float, float]) -> bool:
    """Whether a force lies above what the panels show."""
    return from_si(force_n, "force", picture.unit) > top[1]


def _comma(words: str) -> str:
    """Words after a comma, nothing when there are none."""
    return f", {words}" if words else ""


def write_key(figure: Figure, rows: list[KeyRow], lines: list[list[str]], key_in: float) -> None:
    """Write the key below the panels, a swatch before each row."""
    height_in = figure.get_figheight()
    axes = figure.add_axes((0.0, 0.0, 1.0, key_in / height_in))
    axes.axis("off")
    axes.set_xlim(0, WIDTH_IN)
    axes.set_ylim(0, key_in)
    y_in = key_in
    for row, words in zip(rows, lines, strict=True):
        middle = y_in - LINE_IN / 2
        if isinstance(row.swatch, Line2D):
            row.swatch.set_data([0.12, 0.55], [middle, middle])
            if row.swatch.get_linestyle() == "None" or row.swatch.get_marker() == "o":
                row.swatch.set_data([0.335], [middle])
            axes.add_line(row.swatch)
        elif row.swatch is not None:
            box = Rectangle((0.12, middle - 0.065), 0.43, 0.13)
            box.update_from(row.swatch)
            axes.add_patch(box)
        for line in words:
            axes.text(0.66 if row.swatch else 0.12, y_in, line, va="top", size=TEXT_PT)
            y_in -= LINE_IN
        y_in -= 0.05
