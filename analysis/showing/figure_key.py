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
from functools import lru_cache
from typing import Final

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
    BIG_PT,
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

_WIDE_IN: Final = WIDTH_IN - 0.2
_LINES_IN: Final = {TEXT_PT: LINE_IN, TITLE_PT: 0.25, BIG_PT: 0.44}
"""Height of a line, inches, by its size."""


@dataclass(frozen=True, slots=True)
class KeyRow:
    """A swatch and its words."""

    swatch: Line2D | Patch | None
    words: str


@dataclass(frozen=True, slots=True)
class Head:
    """What stands above the panels.

    Parameters
    ----------
    title, subtitle : str
        The latter may be empty; each of its lines begins a new one.
    numbers : tuple of (label, number)
        Numbers written large, under the title.
    """

    title: str
    subtitle: str = ""
    numbers: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class _Words:
    """Head and key as lines, and how high they stand."""

    head: list[tuple[str, float, str]]
    key: list[list[str]]
    head_in: float
    key_in: float


def wrapped(
    words: str, width_in: float, size_pt: float = TEXT_PT, weight: str = "normal"
) -> list[str]:
    """Break words into lines that fit a width, measured in the font that draws them."""
    return list(_wrapped(words, width_in, size_pt, weight))


@lru_cache(maxsize=512)
def _wrapped(words: str, width_in: float, size_pt: float, weight: str) -> tuple[str, ...]:
    font = FontProperties(family="DejaVu Sans", size=size_pt, weight=weight)
    measure = TextToPath().get_text_width_height_descent
    chars = int(width_in * 72 / (0.45 * size_pt))
    while True:
        lines = textwrap.wrap(words, chars) or [""]
        if chars < 12 or max(measure(line, font, False)[0] for line in lines) <= width_in * 72:  # noqa: FBT003 - matplotlib's own signature
            return tuple(lines)
        chars -= 1


def _laid_out(head: Head, rows: Sequence[KeyRow]) -> _Words:
    """Break head and key into lines."""
    lines = [(line, TITLE_PT, "bold") for line in wrapped(head.title, _WIDE_IN, TITLE_PT, "bold")]
    for label, number in head.numbers:
        lines += [(line, TEXT_PT, "normal") for line in wrapped(label, _WIDE_IN)]
        lines += [(line, BIG_PT, "bold") for line in wrapped(number, _WIDE_IN, BIG_PT, "bold")]
    for said in head.subtitle.splitlines():
        lines += [(line, TEXT_PT, "normal") for line in wrapped(said, _WIDE_IN)]
    key = [wrapped(row.words, WIDTH_IN - (0.76 if row.swatch else 0.22)) for row in rows]
    return _Words(
        head=lines,
        key=key,
        head_in=0.24 + sum(_LINES_IN[size_pt] for _, size_pt, _ in lines),
        key_in=0.15 + sum(LINE_IN * len(words) + 0.05 for words in key),
    )


def words_in(head: Head, rows: Sequence[KeyRow]) -> float:
    """Height of head and key together, inches."""
    words = _laid_out(head, rows)
    return words.head_in + words.key_in


@contextmanager
def keyed_figure(
    head: Head, rows: Sequence[KeyRow], panels_in: float
) -> Iterator[tuple[Figure, float]]:
    """Make a figure with its head; its key is written when the panels are drawn.

    Parameters
    ----------
    head : Head
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
        words = _laid_out(head, rows)
        height_in = words.head_in + panels_in + words.key_in
        figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DPI, facecolor="white")
        FigureCanvasAgg(figure)
        _write_head(figure, words.head)
        yield figure, height_in - words.head_in
        _write_key(figure, list(rows), words.key, words.key_in)


def panel_axes(figure: Figure, top_in: float, high_in: float) -> Axes:
    """Give axes as wide as the figure allows; ``top_in`` is their upper edge above its foot."""
    height_in = figure.get_figheight()
    left = 0.72 / WIDTH_IN
    return figure.add_axes(
        (left, (top_in - high_in) / height_in, 1 - 0.14 / WIDTH_IN - left, high_in / height_in)
    )


def _write_head(figure: Figure, lines: list[tuple[str, float, str]]) -> None:
    """Write the head's lines at the top: words, size, weight."""
    height_in = figure.get_figheight()
    y_in = height_in - 0.14
    for line, size_pt, weight in lines:
        figure.text(0.02, y_in / height_in, line, size=size_pt, weight=weight, color=INK, va="top")
        y_in -= _LINES_IN[size_pt]


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


def _write_key(figure: Figure, rows: list[KeyRow], lines: list[list[str]], key_in: float) -> None:
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
            if row.swatch.get_linestyle() == "None" or not row.swatch.get_linewidth():
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
