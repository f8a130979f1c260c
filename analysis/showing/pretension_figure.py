"""A pretension plan as a figure: share and balance, and the hinge window, against the pull.

Comes in: a :class:`~analysis.predicting.pretension_plan.PretensionPlan`, a title, a unit.
Goes out: a matplotlib figure, 1080 pixels wide. Must not: compute a band, name a colour
alone (each has a dash or hatch of its own), or put words on the panels, where they could
cover a line.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from analysis.predicting.pretension_plan import Ceiling, PretensionPlan
from analysis.showing.figure_key import Head, KeyRow, keyed_figure, panel_axes
from analysis.showing.pretension_wording import easing_words
from analysis.showing.style import BEFORE, HANG, INK, LIMIT_DASHES, PEAK, QUIET
from logger.units import ForceUnit, format_force, from_si

SHARE_IN: Final = 2.7
HINGE_IN: Final = 2.1
_GAP_IN, _AXIS_IN = 0.24, 0.52
_BAND: Final[dict[str, Any]] = {
    "facecolor": "#d5e2ef",
    "edgecolor": BEFORE,
    "hatch": "////",
    "lw": 0.8,
}
_SPREAD: Final[dict[str, Any]] = {"facecolor": "#e3dcd0", "edgecolor": "none"}
_DOWN: Final[dict[str, Any]] = {
    "facecolor": "white",
    "edgecolor": PEAK,
    "hatch": "\\\\\\\\",
    "lw": 0.0,
}
_UP: Final[dict[str, Any]] = {"facecolor": "white", "edgecolor": HANG, "hatch": "....", "lw": 0.0}


def draw_pretension(plan: PretensionPlan, title: str, unit: ForceUnit = "kN") -> Figure:
    """Draw a plan.

    Parameters
    ----------
    plan : PretensionPlan
        As ``band.plan_pretension`` gives it.
    title : str
        Which piece it is.
    unit : {"kN", "N", "kgf", "lbf"}
        Unit of force.

    Returns
    -------
    Figure
        Share carried and hinge balance above, the hinge window below (where a hinge was
        written) over the same pull at the winch, and a key that names everything.
    """
    panels_in = SHARE_IN + (_GAP_IN + HINGE_IN if plan.hinge else 0.0) + _AXIS_IN
    head = Head(f"Pretension. {title}", "\n".join(plan.words))
    with keyed_figure(head, _key(plan, unit), panels_in) as (
        figure,
        top_in,
    ):
        panels = [_panel(figure, top_in, SHARE_IN)]
        _draw_share(panels[0], plan, unit)
        if plan.hinge:
            panels.append(_panel(figure, top_in - SHARE_IN - _GAP_IN, HINGE_IN))
            panels[0].tick_params(labelbottom=False)
            _draw_hinge(panels[1], plan, unit)
        for axes in panels:
            _draw_pulls(axes, plan, unit)
        panels[-1].set_xlabel(f"pull at the winch, {unit}")
    return figure


def _panel(figure: Figure, top_in: float, high_in: float) -> Axes:
    axes = panel_axes(figure, top_in, high_in)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.tick_params(length=3)
    axes.xaxis.set_major_locator(MaxNLocator(6))
    return axes


def _draw_share(axes: Axes, plan: PretensionPlan, unit: ForceUnit) -> None:
    scale = from_si(1.0, "force", unit)
    pull = scale * np.array([row.winch_n for row in plan.rows])
    share = 100.0 * np.array([row.share for row in plan.rows])
    beta = 100.0 * np.array([row.balance[1] for row in plan.rows])
    axes.fill_between(pull, share[:, 0], share[:, 2], zorder=1, **_SPREAD)
    axes.plot(pull, share[:, 1], color=INK, lw=1.8, zorder=4)
    axes.plot(pull, beta, color=PEAK, lw=1.6, ls=(0, (5, 2)), zorder=4)
    axes.axhline(100.0, color=QUIET, lw=0.9, zorder=2)
    axes.set_ylim(0.0, 1.04 * max(110.0, float(share[-1, 1]), float(beta[-1])))
    axes.set_ylabel("of the piece, %")


def _draw_hinge(axes: Axes, plan: PretensionPlan, unit: ForceUnit) -> None:
    scale = from_si(1.0, "force", unit)
    rows = plan.hinge
    thick_mm = 1000.0 * np.array([0.0, *(row.thickness_m for row in rows)])
    balanced_n = (rows[0].low_n + rows[0].high_n) / 2.0
    low = scale * np.array([balanced_n, *(row.low_n for row in rows)])
    high = scale * np.array([balanced_n, *(row.high_n for row in rows)])
    right = np.maximum(scale * plan.rows[-1].winch_n, high)
    axes.fill_betweenx(thick_mm, 0.0, low, zorder=1, **_DOWN)
    axes.fill_betweenx(thick_mm, high, right, zorder=1, **_UP)
    axes.plot(low, thick_mm, color=PEAK, lw=1.6, ls="-.", zorder=4)
    axes.plot(high, thick_mm, color=HANG, lw=1.6, zorder=4)
    if plan.hinge_thickness_m is not None:
        axes.axhline(1000.0 * plan.hinge_thickness_m, color=INK, lw=1.1, ls=(0, (1, 2)), zorder=4)
    axes.set_ylim(0.0, float(thick_mm[-1]))
    axes.set_ylabel("wood standing, mm")


def _draw_pulls(axes: Axes, plan: PretensionPlan, unit: ForceUnit) -> None:
    """Draw the band and the entered limits, which stand at a pull."""
    scale = from_si(1.0, "force", unit)
    end = scale * plan.rows[-1].winch_n
    if plan.band is not None:
        axes.axvspan(
            scale * plan.band.low_n, scale * plan.band.high_n, zorder=2, alpha=0.75, **_BAND
        )
    for ceiling in _entered(plan):
        if scale * ceiling.winch_n <= end:
            axes.axvline(
                scale * ceiling.winch_n, color=INK, lw=1.6, ls=LIMIT_DASHES[ceiling.kind], zorder=5
            )
    axes.set_xlim(0.0, end)


def _entered(plan: PretensionPlan) -> list[Ceiling]:
    return [ceiling for ceiling in plan.ceilings if ceiling.kind]


def _key(plan: PretensionPlan, unit: ForceUnit) -> list[KeyRow]:
    light, _, heavy = (format_force(weight, unit) for weight in plan.weight_n)
    rows = [
        *_band_rows(plan, unit),
        KeyRow(
            Line2D([], [], color=INK, lw=1.8),
            "share carried by the rope, winching up; 100 %: all of the piece",
        ),
        KeyRow(Patch(**_SPREAD), f"the same, piece of {light} (5 %) to {heavy} (95 %)"),
        KeyRow(
            Line2D([], [], color=PEAK, lw=1.6, ls=(0, (5, 2))),
            "hinge balance; 100 %: the rope holds up the limb's moment about its hinge",
        ),
    ]
    if plan.hinge:
        rows += _hinge_key(plan)
    rows += [_limit_row(ceiling, plan, unit) for ceiling in _entered(plan)]
    return rows + [KeyRow(None, words) for words in (*plan.warnings, *plan.cautions)]


def _band_rows(plan: PretensionPlan, unit: ForceUnit) -> list[KeyRow]:
    words, swatch = "no band is drawn", None
    if plan.band is not None:
        band = _span(plan.band.low_n, plan.band.high_n, unit)
        words, swatch = f"estimated band at the winch, winching up: {band}", Patch(**_BAND)
    if plan.reading is not None:
        reading = _span(plan.reading.low_n, plan.reading.high_n, unit)
        words += f"; reading at {plan.station}: {reading}"
    return [KeyRow(swatch, words), *(KeyRow(None, said) for said in easing_words(plan, unit))]


def _span(low_n: float, high_n: float, unit: ForceUnit) -> str:
    return f"{format_force(low_n, unit).removesuffix(f' {unit}')} to {format_force(high_n, unit)}"


def _hinge_key(plan: PretensionPlan) -> list[KeyRow]:
    rows = [
        KeyRow(Patch(**_DOWN), "the hinge fails downward (middle estimate of weight and wood)"),
        KeyRow(Patch(facecolor="white", edgecolor=QUIET, lw=0.6), "the hinge holds"),
        KeyRow(Patch(**_UP), "the hinge breaks upward while the notch is open"),
    ]
    if plan.hinge_thickness_m is not None:
        rows.append(
            KeyRow(
                Line2D([], [], color=INK, lw=1.1, ls=(0, (1, 2))),
                f"planned thickness, {1000.0 * plan.hinge_thickness_m:.0f} mm",
            )
        )
    return rows


def _limit_row(ceiling: Ceiling, plan: PretensionPlan, unit: ForceUnit) -> KeyRow:
    swatch = Line2D([], [], color=INK, lw=1.6, ls=LIMIT_DASHES[ceiling.kind])
    who = f", entered by {ceiling.by} {ceiling.entered}" if ceiling.by else ""
    place = "" if ceiling.winch_n <= plan.rows[-1].winch_n else "; right of this picture"
    limit = "" if ceiling.limit_n is None else f" {format_force(ceiling.limit_n, unit)}"
    pull = format_force(ceiling.winch_n, unit)
    return KeyRow(swatch, f"{ceiling.name}{limit}{who}: reached at a pull of {pull}{place}")
