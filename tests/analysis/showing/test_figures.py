"""The figure shows what it is given, readable on a phone and without colour."""

from __future__ import annotations

import colorsys
import itertools
from dataclasses import replace
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import matplotlib.colors
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from logbook_factory import START_WALL_NS, FakeClock, drop_force, make_logbook, release_force
from matplotlib.figure import Figure
from matplotlib.image import imread
from matplotlib.text import Text
from numpy.typing import NDArray
from reviews import prepared, review
from sheets import SHEET

from analysis.reading.trace import Gap, make_trace
from analysis.showing.figures import draw_lowering, envelope, save_figure
from analysis.showing.picture import Band, LimitLine, Picture, Span, alt_text, picture_of
from logger.units import ForceUnit


def busy(unit: ForceUnit = "kN", **more: Any) -> Picture:
    """A picture with everything in it."""
    force_n = drop_force()
    time_s = np.arange(force_n.size) / 1000.0
    keep = (time_s < 7.0) | (time_s > 7.4)
    given: dict[str, Any] = {
        "title": "Lowering 12: a job with a long name/P12, snubbed drop",
        "subtitle": "northern red oak, 1.20 m · cell at rope end · 2026-05-04 10:20",
        "trace": make_trace(time_s[keep], force_n[keep]),
        "phases": (
            Span("slack", 0.0, 3.0), Span("catch", 3.0, 3.2), Span("ring-down", 3.2, 8.0),
            Span("hang", 8.0, 13.0), Span("touchdown", 13.0, 13.05), Span("after", 13.05, 16.0),
        ),
        "hang_n": 1500.0, "hang_u_n": 15.0, "hang_words": "at the cell; weight 0.75 kN",
        "peak_n": 4200.0, "peak_u_n": 45.0, "peak_time_s": 3.16, "peak_words": "in catch",
        "band": Band(3000.0, 4000.0, 5500.0, "stored before the lowering"),
        "limits": (
            LimitLine("working_limit", 4600.0, "blue 14: working limit 4.60 kN (Wren, 2026-05-03)"),
            LimitLine("peak_allowance", 9e4, "block: peak allowance 90.00 kN (Wren, 2026-05-03)"),
        ),
        "cautions": ("A measured or computed load is never permission to stand closer.",),
        "unit": unit,
    }  # fmt: skip
    return Picture(**{**given, **more})


def texts(figure: Figure) -> list[Text]:
    """All texts that are drawn, tick labels included."""
    figure.draw_without_rendering()
    found = [text for text in figure.findobj(Text) if isinstance(text, Text)]
    return [text for text in found if text.get_visible() and text.get_text().strip()]


def words(figure: Figure) -> str:
    return " ".join(text.get_text() for text in texts(figure))


def boxes(figure: Figure) -> list[tuple[str, Any]]:
    """Where each text is; labels of ticks outside their axes are not drawn."""
    page = figure.bbox
    placed = []
    for text in texts(figure):
        if not _in_view(text, figure):
            continue
        box = text.get_window_extent()
        assert page.x0 - 1 <= box.x0 <= box.x1 <= page.x1 + 1, text.get_text()
        assert page.y0 - 1 <= box.y0 <= box.y1 <= page.y1 + 1, text.get_text()
        placed.append((text.get_text(), box.padded(-1.0)))
    return placed


def _in_view(text: Text, figure: Figure) -> bool:
    """Whether a text is drawn: every one but labels of ticks that are spare or out of view."""
    x, y = text.get_position()
    for axes in figure.axes:
        for place, axis, limits in (
            (x, axes.xaxis, axes.get_xlim()),
            (y, axes.yaxis, axes.get_ylim()),
        ):
            if any(text in (tick.label1, tick.label2) for tick in axis.majorTicks):
                return text in axis.get_ticklabels() and min(limits) <= place <= max(limits)
    return True


CASES = {
    "busy": busy(),
    "plain": busy(band=None, limits=(), hang_n=None, phases=()),
    "nothing": busy(peak_n=None, peak_time_s=None, hang_n=None, band=None, limits=()),
    "peak at the left": busy(peak_time_s=0.01),
    "peak at the right": busy(peak_time_s=15.99),
    "pounds": busy("lbf"),
    "newtons": busy("N"),
    "one long word": busy(title="Lowering 1: " + "x" * 120),
}


@pytest.mark.parametrize("name", CASES)
def test_it_is_readable_at_the_width_of_a_phone(name: str) -> None:
    figure = draw_lowering(CASES[name])
    assert round(figure.get_figwidth() * figure.dpi) == 1080
    smallest = min(float(text.get_fontsize()) for text in texts(figure))
    px_at_360 = smallest / 72 * figure.dpi * 360 / 1080
    assert px_at_360 >= 9.5
    for (one, a), (other, b) in itertools.combinations(boxes(figure), 2):
        assert not a.overlaps(b), f"{one!r} covers {other!r}"


def test_levels_stand_where_they_belong() -> None:
    figure = draw_lowering(busy())
    whole, near = (axes for axes in figure.axes if axes.get_ylabel())
    for axes in (whole, near):
        levels = sorted(
            float(np.asarray(line.get_ydata())[0])
            for line in axes.lines
            if len(np.asarray(line.get_ydata())) == 2 and np.ptp(np.asarray(line.get_ydata())) == 0
        )
        for wanted in (0.0, 1.5, 4.0, 4.6, 90.0):
            assert wanted in [pytest.approx(level) for level in levels]
        low, high = axes.get_ylim()
        assert low < 0.0
        assert 5.5 < high < 90.0
    start_s, end_s = near.get_xlim()
    assert start_s < 3.16 < end_s
    assert end_s - start_s < 3.0


def test_the_key_says_everything_in_words() -> None:
    said = words(draw_lowering(busy()))
    for part in (
        "peak 4.20 ± 0.04 kN, in catch",
        "hang 1.500 ± 0.015 kN, at the cell; weight 0.75 kN",
        "3.00 to 5.50 kN (5 to 95 %)",
        "median 4.00",
        "working limit 4.60 kN (Wren, 2026-05-03)",
        "above the picture",
        "1 gap(s)",
        "1\u00a0slack  2\u00a0catch  3\u00a0ring-down  4\u00a0hang  5\u00a0touchdown",
        "never permission",
    ):
        assert part in said.replace("\n", " "), part


def test_a_band_beyond_the_picture_is_told() -> None:
    said = words(draw_lowering(busy(band=Band(9e3, 4e4, 9e4, "stored before"))))
    assert "goes on above the" in said


def test_each_kind_has_a_line_style_of_its_own_and_nothing_is_green() -> None:
    figure = draw_lowering(busy())
    (whole, *_) = (axes for axes in figure.axes if axes.get_ylabel())
    flat = [line for line in whole.lines if len(np.asarray(line.get_ydata())) == 2]
    horizontal = [line for line in flat if np.ptp(np.asarray(line.get_ydata())) == 0]
    styles = [(str(line.get_linestyle()), str(line._unscaled_dash_pattern)) for line in horizontal]  # type: ignore[attr-defined]
    assert len(set(styles)) == len(styles)
    for artist in figure.findobj():
        for get in ("get_color", "get_facecolor", "get_edgecolor", "get_markerfacecolor"):
            for colour in _colours(getattr(artist, get, lambda: None)()):
                hue, lightness, saturation = colorsys.rgb_to_hls(*colour[:3])
                grey = saturation < 0.15 or lightness > 0.95
                assert grey or not 0.2 < hue < 0.47, (artist, colour)


def _colours(value: Any) -> list[tuple[float, ...]]:
    if value is None or (isinstance(value, str) and value in {"none", "auto"}):
        return []
    return [tuple(row) for row in matplotlib.colors.to_rgba_array(value)]


def test_a_limit_upon_the_median_leaves_both_to_be_seen() -> None:
    """A peak allowance may be entered at just what is predicted."""
    picture = busy()
    band = picture.band
    assert band is not None
    limit = LimitLine("peak_allowance", band.p50_n, "rope end: peak allowance")
    figure = draw_lowering(replace(picture, limits=(limit,)))
    (whole, *_) = (axes for axes in figure.axes if axes.get_ylabel())
    level = [
        line for line in whole.lines if set(np.asarray(line.get_ydata())) == {band.p50_n / 1e3}
    ]
    below, above = sorted(level, key=lambda line: line.get_zorder())
    assert below.get_linewidth() >= above.get_linewidth() + 0.9
    assert below.get_color() != above.get_color()
    said = words(figure).replace("\n", " ")
    assert "predicted peak, median 4.00 kN" in said
    assert "rope end: peak allowance" in said


def test_png_and_svg_are_the_same_each_time(tmp_path: Path) -> None:
    for name in ("a.png", "a.svg"):
        first, second = tmp_path / name, tmp_path / f"again-{name}"
        save_figure(draw_lowering(busy()), first)
        save_figure(draw_lowering(busy()), second)
        assert first.read_bytes() == second.read_bytes()
    assert imread(tmp_path / "a.png").shape[1] == 1080
    root = ET.parse(tmp_path / "a.svg").getroot()
    assert root.tag.endswith("svg")
    links = [v for e in root.iter() for k, v in e.attrib.items() if k.endswith("href")]
    assert all(link.startswith(("#", "data:")) for link in links)


def test_without_colour_the_band_still_shows(tmp_path: Path) -> None:
    def grey(picture: Picture) -> NDArray[np.float64]:
        path = tmp_path / "grey.png"
        save_figure(draw_lowering(picture), path)
        return np.asarray(imread(path)[..., :3] @ [0.299, 0.587, 0.114])

    moved = busy(band=Band(3100.0, 4000.0, 5500.0, "stored before the lowering"))
    assert np.count_nonzero(np.abs(grey(busy()) - grey(moved)) > 0.02) > 1000


# --- thinning ------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(
    n=st.integers(2, 3000),
    seed=st.integers(0, 10_000),
    bins=st.integers(5, 200),
    holes=st.lists(st.integers(1, 2990), max_size=4),
)
def test_thinning_loses_no_extreme_and_bridges_no_gap(
    n: int, seed: int, bins: int, holes: list[int]
) -> None:
    force_n = np.random.default_rng(seed).normal(size=n)
    time_s = np.arange(n) / 1000.0
    for hole in sorted({h for h in holes if h < n}):
        time_s[hole:] += 0.5
    trace = make_trace(time_s, force_n, period_s=0.001)
    seen_s, seen_n = envelope(trace, (time_s[0], time_s[-1]), bins)
    assert np.nanmax(seen_n) == force_n.max()
    assert np.nanmin(seen_n) == force_n.min()
    assert np.all(np.diff(seen_s) >= 0)
    assert np.count_nonzero(np.isnan(seen_n)) == len(trace.gaps)
    for gap in trace.gaps:
        inside = (seen_s >= gap.start_s) & (seen_s <= gap.end_s)
        assert np.isnan(seen_n[inside]).any()
    if n > 4 * bins:
        assert seen_n.size <= 2 * bins + len(trace.gaps) + bins


def test_a_window_keeps_a_sample_on_either_side() -> None:
    trace = make_trace([0.0, 1.0, 2.0, 3.0, 4.0], [0.0, 1.0, 2.0, 3.0, 4.0])
    assert envelope(trace, (1.5, 2.5), 10)[0].tolist() == [1.0, 2.0, 3.0]


def test_a_gap_on_record_that_the_times_do_not_show_is_drawn() -> None:
    trace = make_trace([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 2.0, 3.0], gaps=(Gap(1.0, 2.0),))
    assert np.isnan(envelope(trace, (0.0, 3.0), 10)[1]).sum() == 1


# --- from a review ---------------------------------------------------------------------


def test_a_review_becomes_a_picture_at_the_station(tmp_path: Path) -> None:
    picture = picture_of(review(prepared(tmp_path)), "kN")
    assert [span.name for span in picture.phases][:3] == ["slack", "catch", "ring-down"]
    assert picture.band is not None
    assert picture.band.label.startswith("stored before the lowering")
    assert [line.kind for line in picture.limits] == ["working_limit", "peak_allowance"]
    allowance = picture.limits[1]
    assert allowance.force_n == pytest.approx(12_000 / 1.9, rel=0.01)
    assert "reached at about 6.3" in allowance.label
    assert "(Wren, 2026-05-03)" in allowance.label
    assert "shock is counted twice" in picture.limits[0].label
    assert "an\u00a0invented\u00a0job" in picture.subtitle


def test_a_sling_names_the_weight_beside_its_own_reading(tmp_path: Path) -> None:
    sheet = SHEET.replace(
        'station = {name = "rope end", mount = "end", leg = "lead"}\nnodes',
        'station = {name = "block sling", mount = "sling", node = "high block"}\nnodes',
    )
    picture = picture_of(review(prepared(tmp_path, sheet=sheet)), "kN")
    assert picture.hang_n == pytest.approx(1500.0, rel=0.005)
    assert picture.hang_words.startswith("at the cell; weight 0.75 ± ")


def test_pretension_and_release_are_seen_together(tmp_path: Path) -> None:
    found = review(prepared(tmp_path, [release_force(share=1.25)], pieces=["P2"]))
    picture = picture_of(found, "kN")
    assert picture.near_s is None or picture.near_s[0] < 8.0 < picture.near_s[1]


def test_a_peak_far_from_the_release_is_seen_alone(tmp_path: Path) -> None:
    force = release_force()
    t = np.arange(force.size) / 1000.0
    force = force + 1200.0 * np.exp(-(((t - 16.0) / 0.05) ** 2))
    picture = picture_of(review(prepared(tmp_path, [force], pieces=["P2"])), "kN")
    assert picture.near_s is None


def test_what_is_not_known_is_not_drawn(tmp_path: Path) -> None:
    found = review(make_logbook(tmp_path / "job.logbook", [np.zeros(9000)]))
    picture = picture_of(found, "kN")
    assert (picture.band, picture.limits, picture.peak_n, picture.near_s) == (None, (), None, None)
    assert "nothing was loaded" in alt_text(found, "kN")
    draw_lowering(picture)


def test_a_late_prediction_and_a_lower_bound_are_told(tmp_path: Path) -> None:
    late = FakeClock(START_WALL_NS + 3_600_000_000_000)
    made = prepared(
        tmp_path, [drop_force(peak_n=9000.0)], clock=late, count_limits=(-32_768, 32_767)
    )
    picture = picture_of(review(made), "kN")
    assert picture.band is not None
    assert "made AFTER the lowering" in picture.band.label
    assert "at least this" in picture.peak_words
    assert "3.23" in alt_text(review(made), "kN")
