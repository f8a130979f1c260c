"""A rig's drawing: to scale, every load there, no label on another, the same in grey."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.testing import assert_allclose

from analysis.errors import PredictionError
from analysis.predicting.piece import estimate
from analysis.predicting.span import solve_span
from analysis.showing.figure_key import Head
from analysis.showing.label_places import Box, Label, overlap, place_labels
from analysis.showing.page_units import Units
from analysis.showing.rig_drawing import LEG_LINES, draw_rig
from analysis.showing.rig_figure import rig_figure
from analysis.showing.rig_picture import from_plumb_rad, rig_picture
from logger.records import Node, Rig, Sheet, Station
from logger.sheet import read_sheet

RIGS = sorted((Path(__file__).parents[3] / "sample_logs" / "rigs").glob("*.toml"))
LEAD = Station(name="tie", mount="end", leg="lead")


def sheet_of(name: str) -> Sheet:
    """One of the invented sheets."""
    return read_sheet(next(path for path in RIGS if path.stem == name))


def boxes_of(axes: Axes) -> dict[str, Box]:
    """Labels of a panel with their boxes in pixels."""
    found = {}
    for text in axes.texts:
        if text.get_text():
            box = text.get_window_extent()
            found[text.get_text()] = (box.x0, box.y0, box.x1, box.y1)
    return found


def check_labels(figure: Figure) -> None:
    """No label on another, none outside its panel."""
    panels = [axes for axes in figure.axes if axes.axison]
    assert panels
    for axes in panels:
        boxes = boxes_of(axes)
        for (one, a), (other, b) in itertools.combinations(boxes.items(), 2):
            assert overlap(a, b) == 0.0, f"{one!r} on {other!r}"
        frame = axes.get_window_extent()
        for name, box in boxes.items():
            area = (box[2] - box[0]) * (box[3] - box[1])
            inside = overlap(box, (frame.x0, frame.y0, frame.x1, frame.y1))
            assert inside == pytest.approx(area), name


@pytest.mark.parametrize("path", RIGS, ids=lambda path: path.stem)
def test_no_label_lies_on_another_and_the_drawing_is_to_scale(path: Path) -> None:
    sheet = read_sheet(path)
    units = Units("kgf", "ft") if path.stem == "span" else Units()
    figure, _ = rig_figure(sheet.rig[0], sheet, units, piece=sheet.piece[0])
    check_labels(figure)
    for axes in (one for one in figure.axes if one.axison):
        box = axes.get_window_extent()
        wide, high = np.ptp(axes.get_xlim()), np.ptp(axes.get_ylim())
        assert box.width / wide == pytest.approx(box.height / high, rel=1e-9)


def test_every_leg_node_and_cell_has_its_load_beside_it() -> None:
    sheet = sheet_of("span")
    figure, loads = rig_figure(sheet.rig[0], sheet, Units(), piece=sheet.piece[0])
    text = "\n".join(boxes_of(figure.axes[0]))
    for load in loads:
        if load["kind"] == "leg" or load["name"] in {"oak block", "ash sling", "bollard"}:
            assert f"{load['high_n'] / 1e3:.2f} kN" in text, load["name"]
            assert load["name"] in text
    for name in ("cell: standing end", "cell: block sling"):
        assert name in text


def test_the_piece_hangs_where_the_statics_say() -> None:
    sheet = sheet_of("span")
    rig = sheet.rig[0]
    picture = rig_picture(rig, 2000.0)
    by_role = {node.role: node for node in rig.nodes}
    top, end = by_role["high_block"], by_role["anchor"]
    state = solve_span(end.x_m - top.x_m, top.z_m - end.z_m, rig.rope_length_m or 0.0)
    assert picture.tie[0] == pytest.approx(top.x_m + float(state.from_high_block_m), abs=1e-9)
    assert picture.tie[2] == pytest.approx(top.z_m - float(state.depth_m), abs=1e-9)
    lead = next(leg for leg in picture.legs if leg.leg == "lead")
    assert from_plumb_rad(lead) == pytest.approx(float(state.lead_angle_rad), abs=1e-9)
    rope = sum(leg.length_m for leg in picture.legs if leg.leg != "fall")
    assert rope == pytest.approx(rig.rope_length_m)


def test_a_rig_in_space_is_drawn_twice_and_its_plane_follows_the_nodes() -> None:
    sheet = sheet_of("in_space")
    figure, _ = rig_figure(sheet.rig[0], sheet, Units(), piece=sheet.piece[0])
    assert [axes.get_title(loc="left") for axes in figure.axes if axes.axison] == ["", "from above"]
    flat = sheet_of("span").rig[0]
    turned = msgspec.structs.replace(
        flat,
        nodes=tuple(
            msgspec.structs.replace(n, x_m=0.6 * n.x_m, y_m=0.8 * n.x_m) for n in flat.nodes
        ),
    )
    picture = rig_picture(turned, 1000.0)
    assert picture.flat
    assert_allclose(picture.across, [0.6, 0.8, 0.0], atol=1e-6)


def test_legs_differ_without_colour() -> None:
    styles = {(str(style["ls"]), style["lw"]) for style in LEG_LINES.values()}
    assert len(styles) == len(LEG_LINES)


def test_what_is_not_written_is_said() -> None:
    bare = Rig(name="R", method="butt_tied", rope="blue", station=LEAD)
    said = " ".join(rig_picture(bare, 1000.0).assumed)
    assert "no high block" in said
    assert "no device" in said
    assert "lead's length is not written" in said
    nodes = (Node(name="A", role="high_block"), Node(name="D", role="device"))
    sketch = rig_picture(msgspec.structs.replace(bare, nodes=nodes), 1000.0)
    assert "a sketch, not to scale" in " ".join(sketch.assumed)
    assert sketch.legs[0].length_m > 1.0
    check_labels(draw_rig(sketch, Units(), head=Head("sketch")))


def test_a_drop_shows_where_the_piece_stood() -> None:
    sheet = sheet_of("drop")
    figure, _ = rig_figure(sheet.rig[0], sheet, Units(), piece=sheet.piece[0])
    assert "before the cut:\ntie 0.40 m above block" in boxes_of(figure.axes[0])


def test_a_rope_too_short_is_refused() -> None:
    rig = msgspec.structs.replace(sheet_of("span").rig[0], rope_length_m=6.9)
    with pytest.raises(PredictionError, match="cannot reach a piece"):
        rig_picture(rig, 1000.0)


@settings(max_examples=4, deadline=None)
@given(
    apart=st.floats(1.0, 25.0),
    slack=st.floats(1.1, 2.0),
    drop=st.floats(-2.0, 2.0),
    base=st.floats(-6.0, 6.0),
    aside=st.floats(-4.0, 4.0),
)
def test_any_span_is_drawn_with_its_labels_apart(
    apart: float, slack: float, drop: float, base: float, aside: float
) -> None:
    flat = sheet_of("span").rig[0]
    places = {
        "bollard": (base, aside, 1.0),
        "oak block": (0.0, 0.0, 11.0),
        "piece block": (apart / 2.0, 0.0, 7.0),
        "ash sling": (apart, 0.0, 11.0 - drop),
    }
    nodes = tuple(
        msgspec.structs.replace(n, **dict(zip(("x_m", "y_m", "z_m"), places[n.name], strict=True)))
        for n in flat.nodes
    )
    rope = slack * math.hypot(apart, drop)
    rig = msgspec.structs.replace(flat, nodes=nodes, rope_length_m=rope)
    check_labels(draw_rig(rig_picture(rig, 3000.0), Units(), head=Head("any")))


def test_the_weight_is_the_piece_s_with_its_uncertainty() -> None:
    sheet = sheet_of("drop")
    known = estimate(sheet.piece[0])
    figure, _ = rig_figure(sheet.rig[0], sheet, Units("N"), piece=sheet.piece[0])
    said = next(text for text in boxes_of(figure.axes[0]) if text.startswith("piece"))
    assert f"± {known.weight_u_n:.0f} N" in said


def test_a_label_without_room_still_gets_a_place() -> None:
    both = place_labels([Label((1, 1), (4, 4))] * 3, (0, 0, 4, 4))
    assert len(both) == 3


def test_labels_keep_off_lines_and_boxes_where_they_can() -> None:
    frame = (0.0, 0.0, 100.0, 100.0)
    line, mark = (50.0, 0.0, 50.0, 100.0), (40.0, 40.0, 60.0, 60.0)
    (box,) = place_labels([Label((50.0, 50.0), (20.0, 6.0))], frame, [mark], [line])
    assert overlap(box, mark) == 0.0
    assert box[2] < 50.0 or box[0] > 50.0
