"""Labels of a rig's drawing: what stands beside what, none on another.

Comes in: a rig's picture and a panel. Goes out: texts in the panel. Must not: draw the rig.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.text import Text
from numpy.typing import NDArray

from analysis.showing.label_places import Box, Label, Line, place_labels
from analysis.showing.page_units import Units
from analysis.showing.rig_picture import DrawnLeg, RigPicture, from_plumb_rad
from analysis.showing.rig_shape import View, arrow_of, aside, outline, scale_of, shows_angle, top_m
from analysis.showing.style import QUIET, TEXT_PT
from logger.units import format_force, format_length, from_si

FloatArray = NDArray[np.float64]
Words = list[tuple[str, FloatArray]]


def side_words(picture: RigPicture, units: Units, view: View) -> list[tuple[str, FloatArray]]:
    """Say what stands beside what: the most loaded first."""
    words: Words = [
        (f"{node.name}\n{units.band(node.low_n, node.high_n)}", node.at) for node in picture.nodes
    ]
    for leg in _labelled(picture.legs):
        turned = from_plumb_rad(leg)
        angle = f" {math.degrees(turned):.0f}°" if turned > math.radians(2) else ""
        middle = 0.5 * (leg.start + leg.end)
        words.append((f"{leg.leg}{angle}\n{units.band(leg.low_n, leg.high_n)}", middle))
    weight = format_force(picture.weight_n, units.force, u_n=picture.weight_u_n or None)
    words.append((f"piece\n{weight}", outline(picture).mean(axis=0)))
    for station in picture.stations:
        read = f"\n{units.band(station.low_n, station.high_n)}"
        said = any(np.allclose(node.at, station.at) for node in picture.nodes)
        words.append((f"cell: {station.name}{'' if said else read}", station.at))
    if picture.tag is not None:
        pull = format_force(float(np.linalg.norm(picture.tag)), units.force)
        reach = 0.18 * scale_of(view) * picture.tag / np.linalg.norm(picture.tag)
        reach *= from_si(1.0, "length", units.length) ** -1
        words.append((f"tag line\n{pull}", picture.tie + reach))
    for node in picture.nodes:
        if node.legs_rad is not None and shows_angle(node):
            way = node.bisector / max(float(np.linalg.norm(node.bisector)), 1e-9)
            reach = 0.06 * scale_of(view) / from_si(1.0, "length", units.length) * way
            words.append((f"{math.degrees(node.legs_rad):.0f}°", node.at + reach))
    if picture.ghost is not None and picture.piece is not None:
        before = outline(picture, picture.ghost, up=True).mean(axis=0)
        above = format_length(max(float(picture.ghost[2] - top_m(picture)), 0.0), units.length)
        words.append((f"before the cut:\ntie {above} above block", before))
    return words


def _labelled(legs: Sequence[DrawnLeg]) -> list[DrawnLeg]:
    """Give the stretches that get a label.

    Not the last one to a device beyond a redirect, whose load stands at the device, and none
    that is short beside another of its leg.
    """
    longest: dict[str, float] = {}
    for leg in legs:
        longest[leg.leg] = max(longest.get(leg.leg, 0.0), leg.length_m)
    falls = [leg for leg in legs if leg.leg == "fall"]
    told = {id(falls[0])} if len(falls) > 1 else set()
    return [leg for leg in legs if leg.length_m > 0.25 * longest[leg.leg] and id(leg) not in told]


def write_labels(view: View, picture: RigPicture, words: Sequence[tuple[str, FloatArray]]) -> None:
    """Write each label where nothing else stands, with a thin line to what it names."""
    axes = view.axes
    renderer = axes.figure.canvas.get_renderer()  # type: ignore[attr-defined]
    texts = [
        axes.text(0, 0, text, size=TEXT_PT, va="center", ha="center", zorder=8, linespacing=1.05)
        for text, _ in words
    ]
    labels = [
        Label(_pixels(axes, view.at(at)), _size(text, renderer))
        for text, (_, at) in zip(texts, words, strict=True)
    ]
    frame = axes.get_window_extent(renderer)
    inside = (frame.x0 + 4, frame.y0 + 4, frame.x1 - 4, frame.y1 - 4)
    boxes = place_labels(labels, inside, _marks(view, picture), _ropes(view, picture))
    back = axes.transData.inverted()
    for text, label, box in zip(texts, labels, boxes, strict=True):
        middle = ((box[0] + box[2]) / 2.0, (box[1] + box[3]) / 2.0)
        text.set_position(tuple(back.transform(middle)))
        text.set_bbox({"fc": "white", "ec": "none", "alpha": 0.85, "pad": 0.8})
        near = (min(max(label.at[0], box[0]), box[2]), min(max(label.at[1], box[1]), box[3]))
        if math.dist(near, label.at) > 22:
            ends = back.transform([near, label.at])
            axes.plot(ends[:, 0], ends[:, 1], color=QUIET, lw=0.7, zorder=2.5)


def _pixels(axes: Axes, at: tuple[float, float]) -> tuple[float, float]:
    x, y = axes.transData.transform(at)
    return float(x), float(y)


def _size(text: Text, renderer: Any) -> tuple[float, float]:
    box = text.get_window_extent(renderer)
    return box.width + 8.0, box.height + 6.0


def _marks(view: View, picture: RigPicture) -> list[Box]:
    """Boxes around nodes and cells, in pixels."""
    found = []
    for at in [*(node.at for node in picture.nodes), *(one.at for one in picture.stations)]:
        x, y = _pixels(view.axes, view.at(at))
        found.append((x - 20, y - 20, x + 20, y + 20))
    return found


def _ropes(view: View, picture: RigPicture) -> list[Line]:
    """Give the legs and the piece's sides, in pixels."""
    found = []
    for leg in picture.legs:
        moved = aside(view, leg, picture)
        (x0, y0), (x1, y1) = view.at(leg.start), view.at(leg.end)
        ends = (
            _pixels(view.axes, (x0 + moved[0], y0)),
            _pixels(view.axes, (x1 + moved[1], y1)),
        )
        found.append((*ends[0], *ends[1]))
    for node in picture.nodes:
        arrow = arrow_of(view, node)
        if arrow is not None:
            start, end = (_pixels(view.axes, at) for at in arrow)
            found.append((*start, *end))
    corners = [_pixels(view.axes, view.at(point)) for point in outline(picture)]
    found += [(*a, *b) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)]
    return found
