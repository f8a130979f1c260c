"""A plan's figure serves a ground hand with gloves on: numbers first, about one screen, cautions."""

from __future__ import annotations

import itertools
from functools import cache
from pathlib import Path

import pytest
from matplotlib.figure import Figure

from analysis.predicting.plan import Plan, plan_piece
from analysis.showing.page_units import Units
from analysis.showing.plan_page import SCREEN_IN, plan_figure
from analysis.showing.plan_wording import remarks_of
from analysis.showing.rig_wording import margin_words
from analysis.showing.style import BIG_PT
from logger.sheet import read_sheet
from logger.units import format_force

RIGS = Path(__file__).parents[3] / "sample_logs" / "rigs"


@cache
def card(name: str) -> tuple[Plan, Figure]:
    """The first piece of one of the invented sheets, planned and drawn."""
    sheet = read_sheet(RIGS / f"{name}.toml")
    piece = sheet.piece[0]
    rig = next(one for one in sheet.rig if one.name == piece.rig)
    rope = next(one for one in sheet.rope if one.name == rig.rope)
    plan = plan_piece(piece, rig, rope, sheet.limit)
    return plan, plan_figure(plan, sheet.job, Units())


def all_words(figure: Figure) -> str:
    """Every word of the figure, lines run together."""
    texts = [*figure.texts, *(text for axes in figure.axes for text in axes.texts)]
    return " ".join(" ".join(text.get_text().split()) for text in texts)


def large(figure: Figure) -> list[str]:
    """What is written large, from the top."""
    found = [text for text in figure.texts if text.get_fontsize() == BIG_PT]
    return [text.get_text() for text in sorted(found, key=lambda text: -text.get_position()[1])]


def test_the_ground_hands_numbers_are_large_and_above_the_drawing() -> None:
    plan, figure = card("span")
    assert plan.pretension is not None
    bands = [band for band in (plan.pretension.reading, plan.pretension.band) if band is not None]
    assert len(bands) == 2
    assert large(figure) == [
        f"{band.low_n / 1e3:.2f} to {format_force(band.high_n, 'kN')}" for band in bands
    ]
    drawing = figure.axes[0].get_position().y1
    numbers = [text for text in figure.texts if text.get_fontsize() == BIG_PT]
    for text in numbers:
        below_top_in = (1.0 - text.get_position()[1]) * figure.get_figheight()
        assert below_top_in < 0.2 * SCREEN_IN
        assert text.get_position()[1] > drawing
    labels = [text.get_text() for text in figure.texts if "estimate" in text.get_text()]
    assert labels[0].startswith(f"Reading at {plan.pretension.station}")
    assert labels[1].startswith("Pull at the winch")


def test_without_a_band_nothing_large_could_be_aimed_at() -> None:
    assert large(card("in_space")[1]) == ["No band"]
    plan, figure = card("drop")
    peak = plan.told["peak_n"]
    (number,) = large(figure)
    assert number == f"{peak['p05'] / 1e3:.2f} to {peak['p95'] / 1e3:.2f} kN"
    assert "(5 to 95 %), nothing to aim at" in all_words(figure)


@pytest.mark.parametrize("name", ["span", "in_space", "drop"])
def test_a_card_is_about_a_screen_and_keeps_every_caution(name: str) -> None:
    plan, figure = card(name)
    assert figure.get_figheight() <= 1.2 * SCREEN_IN
    words = all_words(figure)
    for remark in remarks_of(plan):
        assert f"! {remark}" in words
    assert "INVENTED" in words
    assert "on the page (--page)" in words


def test_the_nearest_limits_are_told_and_every_one_that_is_passed() -> None:
    plan, figure = card("drop")
    words = all_words(figure)
    passed = [margin for margin in plan.margins if margin.margin_n < 0]
    assert passed
    for margin in passed:
        assert margin_words(margin, Units()) in words
    assert f"{len(plan.margins) - 2} more on the page" in words


def test_no_line_of_the_head_lies_on_another() -> None:
    figure = card("span")[1]
    boxes = [text.get_window_extent() for text in figure.texts]
    for one, other in itertools.combinations(boxes, 2):
        assert not one.shrunk(1.0, 0.8).overlaps(other.shrunk(1.0, 0.8))
    assert all(box.x1 <= figure.bbox.x1 for box in boxes)
