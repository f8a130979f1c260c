"""Sizes, colours and line styles of the figures, all in one place.

Comes in: nothing. Goes out: constants. Must not: draw.

Made for a phone held upright (1080 pixels wide at 200 dots per inch, no letter below 10.5
points) and for a printer without colour: every colour comes with a line style, a marker or
a hatch of its own. There is no green.
"""

from __future__ import annotations

from typing import Any, Final

WIDTH_IN: Final = 5.4
DPI: Final = 200
INK: Final = "#20242c"
QUIET: Final = "#6b7078"
PEAK: Final = "#7d2f63"
HANG: Final = "#a8640a"
BEFORE: Final = "#2c6fad"
PALE: Final = "#f1f1ee"
PANEL_IN: Final = {"whole": 2.35, "near": 2.75}
STRIP_IN: Final = 0.28
LINE_IN: Final = 0.195
TEXT_PT: Final = 10.5
TITLE_PT: Final = 13.5
BIG_PT: Final = 25.0
"""Of the numbers that somebody reads at arm's length."""
LIMIT_DASHES: Final[dict[str, Any]] = {
    "working_limit": (0, (8, 3)),
    "peak_allowance": (0, (2, 2)),
}
MEDIAN: Final[Any] = {"color": BEFORE, "lw": 2.6, "ls": (0, (5, 0.6))}
"""Predicted median: broad and nearly whole, so that a limit upon it leaves both to be seen."""
STYLE: Final[Any] = {
    "font.family": "DejaVu Sans",
    "font.size": TEXT_PT,
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
