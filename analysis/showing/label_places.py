"""Labels put beside what they name, none on another.

Comes in: sizes of texts, points, lines and boxes to keep clear of, all in one plane. Goes
out: where each text goes. Must not: draw, or measure text.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

Box = tuple[float, float, float, float]
"""Left, bottom, right, top."""

Line = tuple[float, float, float, float]
"""From x, y to x, y."""

_TURNS: Final = 24
_NEAR, _GROWTH, _RINGS = 0.4, 1.45, 9
_ON_TEXT, _OUTSIDE, _ON_BOX, _ON_LINE = 1e4, 1e4, 40.0, 6.0


@dataclass(frozen=True, slots=True)
class Label:
    """A text of a size that names a point; those that matter most come first.

    ``size`` is width and height.
    """

    at: tuple[float, float]
    size: tuple[float, float]


def place_labels(
    labels: Sequence[Label], frame: Box, boxes: Sequence[Box] = (), lines: Sequence[Line] = ()
) -> list[Box]:
    """Find a box for each label.

    Parameters
    ----------
    labels : sequence of Label
        In order of importance.
    frame : box
        No label leaves it where it can help it.
    boxes, lines : sequence
        What a label had better not cover.

    Returns
    -------
    list of box
        As many as labels. Two of them overlap only where no free place is left.

    Examples
    --------
    >>> both = place_labels([Label((5, 5), (2, 1)), Label((5, 5), (2, 1))], (0, 0, 10, 10))
    >>> overlap(*both)
    0.0
    """
    taken: list[Box] = []
    for label in labels:
        choices = _around(label)
        costs = [
            _cost(box, label, frame, taken, boxes, lines) + 0.2 * ring for box, ring in choices
        ]
        taken.append(choices[min(range(len(costs)), key=costs.__getitem__)][0])
    return taken


def _around(label: Label) -> list[tuple[Box, float]]:
    """Places around a point: the box touches a circle from outside."""
    (x, y), (width, height) = label.at, label.size
    found = []
    for ring in range(_RINGS):
        away = height * _NEAR * _GROWTH**ring
        for turn in range(_TURNS):
            angle = 2.0 * math.pi * turn / _TURNS
            cos, sin = math.cos(angle), math.sin(angle)
            cx = x + cos * away + _signed(cos) * width / 2.0
            cy = y + sin * away + _signed(sin) * height / 2.0
            box = (cx - width / 2.0, cy - height / 2.0, cx + width / 2.0, cy + height / 2.0)
            found.append((box, ring + 0.1 * abs(sin)))
    return found


def _signed(part: float) -> float:
    """Give −1 to 1: how far to one side; steeper than the sine, so that sides are sides."""
    return max(-1.0, min(1.0, 1.6 * part))


def _cost(
    box: Box,
    label: Label,
    frame: Box,
    taken: Sequence[Box],
    boxes: Sequence[Box],
    lines: Sequence[Line],
) -> float:
    area = label.size[0] * label.size[1]
    cost = _OUTSIDE * (1.0 - overlap(box, frame) / area)
    cost += _ON_TEXT * sum(overlap(box, other) for other in taken) / area
    cost += _ON_BOX * sum(overlap(box, other) for other in boxes) / area
    return cost + _ON_LINE * sum(_crosses(box, line) for line in lines)


def overlap(one: Box, other: Box) -> float:
    """Area that two boxes share.

    Examples
    --------
    >>> overlap((0, 0, 2, 2), (1, 1, 3, 3))
    1.0
    """
    wide = min(one[2], other[2]) - max(one[0], other[0])
    high = min(one[3], other[3]) - max(one[1], other[1])
    return float(max(wide, 0.0) * max(high, 0.0))


def _crosses(box: Box, line: Line) -> bool:
    """Whether a line runs through a box (Liang and Barsky's clipping)."""
    x, y, dx, dy = line[0], line[1], line[2] - line[0], line[3] - line[1]
    first, last = 0.0, 1.0
    for step, room in (
        (-dx, x - box[0]),
        (dx, box[2] - x),
        (-dy, y - box[1]),
        (dy, box[3] - y),
    ):
        if step == 0.0:
            if room < 0.0:
                return False
        elif step < 0.0:
            first = max(first, room / step)
        else:
            last = min(last, room / step)
    return first <= last
