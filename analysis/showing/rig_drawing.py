"""A rig drawn to scale: legs, angles, loads at every leg, sling and station.

Comes in: a :class:`~analysis.showing.rig_picture.RigPicture`, units, words. Goes out: a
matplotlib figure. Must not: compute loads, read files, or touch a screen.

Legs differ by line style as well as by colour, so that the print without colour reads the
same. A rig that is not flat is drawn twice: from the side and from above.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Arc, Polygon
from numpy.typing import NDArray

from analysis.showing.figure_key import Head, KeyRow, keyed_figure, words_in
from analysis.showing.page_units import Units
from analysis.showing.rig_labels import side_words, write_labels
from analysis.showing.rig_picture import DrawnLeg, DrawnNode, RigPicture
from analysis.showing.rig_shape import View, arrow_of, aside, outline, scale_of, shows_angle
from analysis.showing.style import (
    BEFORE,
    HANG,
    INK,
    PALE,
    PEAK,
    QUIET,
    TEXT_PT,
    WIDTH_IN,
)

FloatArray = NDArray[np.float64]

LEG_LINES: Final[dict[str, dict[str, Any]]] = {
    "lead": {"color": BEFORE, "lw": 3.0, "ls": "-"},
    "fall": {"color": INK, "lw": 2.0, "ls": "-"},
    "standing": {"color": HANG, "lw": 3.0, "ls": (0, (4, 1.2))},
}
_ARROW: Final = {"color": PEAK, "lw": 1.8}
_SIDE_IN: Final = (3.1, 5.4)
_PLAN_IN: Final = 2.3
_ABOVE_IN: Final = 0.67
_AXIS_IN: Final = 0.5
_MARGIN: Final = 0.16
_WOOD_SHARE: Final = 0.07
_BLOCK_SHARE: Final = 0.012


def draw_rig(
    picture: RigPicture,
    units: Units,
    *,
    head: Head,
    key: Sequence[KeyRow] = (),
    within_in: float | None = None,
) -> Figure:
    """Draw a rig.

    Parameters
    ----------
    picture : RigPicture
        What to show.
    units : Units
        Of forces and lengths.
    head : Head
        Above it.
    key : sequence of KeyRow
        What stands below, see :func:`swatch`.
    within_in : float, optional
        Height of the whole figure, inches, if its words leave room for a drawing: it is made
        smaller, and a rig that is not flat is drawn from the side alone.

    Returns
    -------
    Figure
        1080 pixels wide at 200 dots per inch, as tall as it needs.
    """
    side_in = _side_in(picture)
    plan_in = 0.0 if picture.flat or within_in is not None else _PLAN_IN + _ABOVE_IN
    if within_in is not None:
        left_in = within_in - words_in(head, key) - _AXIS_IN
        side_in = min(side_in, max(left_in, _SIDE_IN[0]))
    with keyed_figure(head, key, side_in + plan_in + _AXIS_IN) as (figure, top_in):
        _side(figure, picture, units, top_in - side_in, side_in)
        if plan_in:
            _plan(figure, picture, units, top_in - side_in - plan_in)
    return figure


def swatch(kind: str) -> Line2D:
    """Give what a leg, a sling or a station looks like, for the key."""
    if kind in LEG_LINES:
        return Line2D([], [], **LEG_LINES[kind])
    if kind == "sling":
        return Line2D([], [], marker="o", mfc="white", mec=INK, mew=1.8, ms=8, lw=0)
    return Line2D([], [], marker="s", mfc=INK, mec=INK, ms=7, ls="None")


# --- panels ------------------------------------------------------------------------------


def _points(picture: RigPicture) -> FloatArray:
    """Give every corner that has to be in the picture."""
    points = [picture.tie, *(node.at for node in picture.nodes), *outline(picture)]
    if picture.ghost is not None:
        points.append(picture.ghost)
    return np.array(points)


def _side_in(picture: RigPicture) -> float:
    """Height of the side view: a wide rig needs less."""
    points = _points(picture)
    wide, high = np.ptp(points @ picture.across), np.ptp(points[:, 2])
    wanted = (WIDTH_IN - 0.9) * (high + 0.1) / max(float(wide), 1e-6) * 1.25
    return float(np.clip(wanted, *_SIDE_IN))


def _side(
    figure: Figure, picture: RigPicture, units: Units, bottom_in: float, high_in: float
) -> None:
    """Draw the rig from the side."""
    view = _view(figure, picture, units, (bottom_in, high_in), np.array([0.0, 0.0, 1.0]))
    view.axes.set_ylabel(f"height, {units.length}")
    _wood(view, picture)
    _body(view, picture)
    for leg in picture.legs:
        _leg(view, leg, picture)
    scale = scale_of(view)
    for node in picture.nodes:
        _node(view, node, scale)
    for station in picture.stations:
        view.axes.plot(*view.at(station.at), "s", color=INK, ms=8, mec="white", mew=1.0, zorder=6)
    _tag(view, picture, scale)
    write_labels(view, picture, side_words(picture, units, view))


def _plan(figure: Figure, picture: RigPicture, units: Units, bottom_in: float) -> None:
    """Draw the rig from above, with names alone."""
    up = np.cross([0.0, 0.0, 1.0], picture.across)
    view = _view(figure, picture, units, (bottom_in, _PLAN_IN), up)
    view.axes.set_ylabel(f"across, {units.length}")
    view.axes.set_title("from above", loc="left", size=TEXT_PT, pad=4)
    for leg in picture.legs:
        _leg(view, leg, picture)
    for node in picture.nodes:
        view.axes.plot(*view.at(node.at), "o", mfc="white", mec=INK, mew=1.6, ms=7, zorder=5)
    view.axes.plot(*view.at(picture.tie), "D", mfc=PALE, mec=INK, mew=1.4, ms=8, zorder=5)
    named: list[tuple[str, FloatArray]] = [(node.name, node.at) for node in picture.nodes]
    write_labels(view, picture, [*named, ("piece", picture.tie)])


def _view(
    figure: Figure,
    picture: RigPicture,
    units: Units,
    place_in: tuple[float, float],
    up: FloatArray,
) -> View:
    """Make a panel to scale that holds every point, with room for labels around."""
    left_in, right_in = 0.62, 0.12
    height_in = figure.get_figheight()
    bottom_in, high_in = place_in
    wide_in = WIDTH_IN - left_in - right_in
    box = (left_in / WIDTH_IN, bottom_in / height_in, wide_in / WIDTH_IN, high_in / height_in)
    axes = figure.add_axes(box)
    view = View(axes, picture.across, up, units.length)
    places = np.array([view.at(point) for point in _points(picture)])
    low, high = places.min(axis=0), places.max(axis=0)
    span = np.maximum(high - low, 1e-9)
    per_in = float(np.max(span / (1.0 - 2.0 * _MARGIN) / np.array([wide_in, high_in])))
    half = 0.5 * per_in * np.array([wide_in, high_in])
    middle = 0.5 * (low + high)
    axes.set_xlim(middle[0] - half[0], middle[0] + half[0])
    axes.set_ylim(middle[1] - half[1], middle[1] + half[1])
    axes.grid(color="#e3e3df", lw=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(length=2, labelsize=TEXT_PT - 1.5, colors=QUIET)
    axes.set_xlabel(units.length, labelpad=1)
    return view


# --- what is drawn -----------------------------------------------------------------------


def _leg(view: View, leg: DrawnLeg, picture: RigPicture) -> None:
    """Draw a stretch of rope; lead and fall leave a block on its two sides."""
    (x0, y0), (x1, y1) = view.at(leg.start), view.at(leg.end)
    moved = aside(view, leg, picture)
    x0, x1 = x0 + moved[0], x1 + moved[1]
    view.axes.plot([x0, x1], [y0, y1], solid_capstyle="round", zorder=3, **LEG_LINES[leg.leg])


def _node(view: View, node: DrawnNode, scale: float) -> None:
    """Draw a node: what it is, how the rope pulls at it, the angle between its legs."""
    x, y = view.at(node.at)
    marker = "o" if node.role in {"high_block", "redirect", "piece_block"} else "D"
    view.axes.plot(x, y, marker, mfc="white", mec=INK, mew=2.0, ms=12, zorder=5)
    arrow = arrow_of(view, node)
    if arrow is not None:
        style = {"arrowstyle": "-|>", "mutation_scale": 14, **_ARROW}
        view.axes.annotate("", arrow[1], arrow[0], arrowprops=style, zorder=4)
    if shows_angle(node):
        _arc(view, node, (x, y), scale)


def _arc(view: View, node: DrawnNode, centre: tuple[float, float], scale: float) -> None:
    """Mark the angle between two legs, as it looks from here."""
    along = math.atan2(float(node.bisector @ view.up), float(node.bisector @ view.right))
    half = math.degrees(node.legs_rad or 0.0) / 2.0
    middle = math.degrees(along)
    size = 0.13 * scale
    arc = Arc(centre, size, size, theta1=middle - half, theta2=middle + half, color=QUIET, lw=1.2)
    view.axes.add_patch(arc)


def _wood(view: View, picture: RigPicture) -> None:
    """Draw a stub of the wood that carries a node, along its axis."""
    reach, wide = _WOOD_SHARE * scale_of(view), 0.016 * scale_of(view)
    for node in picture.nodes:
        if node.wood_axis is None:
            continue
        axis = np.asarray(node.wood_axis, float)
        axis /= np.linalg.norm(axis)
        way = np.array([float(axis @ view.right), float(axis @ view.up)])
        square = np.array([-way[1], way[0]]) * wide
        centre = np.array(view.at(node.at))
        corners = [
            centre - 1.6 * reach * way - square,
            centre + reach * way - 0.8 * square,
            centre + reach * way + 0.8 * square,
            centre - 1.6 * reach * way + square,
        ]
        patch = Polygon(corners, closed=True, fc="#e9e2d8", ec=QUIET, hatch="..", lw=0.8, zorder=1)
        view.axes.add_patch(patch)


def _body(view: View, picture: RigPicture) -> None:
    """Draw the piece, and dashed where it stood before a drop."""
    corners = [view.at(point) for point in outline(picture)]
    view.axes.add_patch(
        Polygon(corners, closed=True, fc=PALE, ec=INK, hatch="//", lw=1.3, zorder=2)
    )
    if picture.ghost is not None and picture.piece is not None:
        before = [view.at(point) for point in outline(picture, picture.ghost, up=True)]
        view.axes.add_patch(
            Polygon(before, closed=True, fill=False, ec=QUIET, ls=(0, (3, 2)), lw=1.2, zorder=2)
        )


def _tag(view: View, picture: RigPicture, scale: float) -> None:
    """Draw the tag line's pull at the tie."""
    if picture.tag is None:
        return
    way = picture.tag / np.linalg.norm(picture.tag)
    x, y = view.at(picture.tie)
    end = (x + 0.18 * scale * float(way @ view.right), y + 0.18 * scale * float(way @ view.up))
    view.axes.annotate(
        "", end, (x, y), arrowprops={"arrowstyle": "-|>", "ls": ":", "lw": 2.0, "color": QUIET},
        zorder=4,
    )  # fmt: skip
