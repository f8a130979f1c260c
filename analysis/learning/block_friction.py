"""The high block's efficiency as the rules of thumb learn it: for a wrap of 180°.

Comes in: what pairs of cells said of one lowering, its rig. Goes out: an efficiency for slow
raising and lowering, one for the first drop, or why there is none. Must not: take any
efficiency that was entered (a load inferred with η cannot calibrate η), or choose a pair
for what it says.

Notes
-----
Where the rope was seen raising and lowering, both cells' calibrations cancel: the ratios
T_lead/T_fall are c·exp(−μθ) and c·exp(μθ), c the calibrations' ratio. Their half log ratio
is μθ; c = √(raising × lowering) takes the calibrations out of the first drop's ratio too. A
single motion has them in it, the same in every lowering of a season, so it is left out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.learning.rules import LEAD, Quantity
from analysis.predicting.friction import efficiency_180
from analysis.predicting.path import high_block, included_rad
from analysis.reading.two_cells import Ratio, TwoCells
from analysis.several_cells import Cells
from logger.records import Rig

NO_PAIR: Final = "the cells say nothing of the high block together"
NOT_A_SHEAVE: Final = "the high block is not a sheave"
ONE_WAY: Final = (
    "raising and lowering were not both seen, so the cells' calibrations would be in it"
)
DISAGREE: Final = "the two cells say that the block pushes the rope"
NO_DROP: Final = "no first drop was seen by both cells"


@dataclass(frozen=True, slots=True)
class BlockSaid:
    """What one lowering says of its high block.

    Parameters
    ----------
    quantity : str
        ``block_efficiency`` or ``block_efficiency_drop``.
    block : str
        Name of the node.
    measured : float or None
        η for a wrap of 180°.
    reason : str
        Why it may not calibrate a rule; empty when it may.
    x : mapping of str to float
        Tension of the lead at which it was seen.
    """

    quantity: Quantity
    block: str
    measured: float | None
    reason: str
    x: Mapping[str, float]


def said_of_block(cells: Cells, rig: Rig | None) -> tuple[BlockSaid, ...]:
    """Gather what a lowering says of its high block.

    Parameters
    ----------
    cells : Cells
        All cells of the lowering; of several pairs the one with the smallest U counts.
    rig : Rig or None
        Its rig.

    Returns
    -------
    tuple of BlockSaid
        Empty where one cell was alone: then there is nothing to leave out.
    """
    if rig is None or len(cells.readings) < 2:
        return ()
    block = high_block(rig)
    pair = min(cells.pairs, key=_u, default=None)
    reason = _why_not(pair) if block.contact == "sheave" else NOT_A_SHEAVE
    ratios: dict[str, Ratio] = {}
    if pair is not None:
        ratios = {ratio.motion: ratio for ratio in pair.ratios}
    found = []
    quantities: tuple[Quantity, ...] = ("block_efficiency", "block_efficiency_drop")
    for quantity in quantities:
        drop = quantity == "block_efficiency_drop"
        why = reason or (NO_DROP if drop and "first_drop" not in ratios else "")
        measured, x = None, {}
        if not why:
            at_wrap, lead_n = _seen(ratios, drop=drop)
            measured = efficiency_180(at_wrap, math.pi - included_rad(rig))
            x = {LEAD: lead_n}
        found.append(BlockSaid(quantity, block.name, measured, why, x))
    return tuple(found)


def _u(pair: TwoCells) -> float:
    return math.inf if pair.wrap_friction_u is None else pair.wrap_friction_u


def _why_not(pair: TwoCells | None) -> str:
    if pair is None:
        return NO_PAIR
    if not {"raising", "lowering"} <= {ratio.motion for ratio in pair.ratios}:
        return ONE_WAY
    return DISAGREE if pair.disagree else ""


def _seen(ratios: Mapping[str, Ratio], *, drop: bool) -> tuple[float, float]:
    """Efficiency at the block's wrap without the calibrations, and the tension of the lead."""
    up, down = ratios["raising"], ratios["lowering"]
    if not drop:
        return math.sqrt(up.lead_over_fall / down.lead_over_fall), down.lead_n
    one = ratios["first_drop"]
    calibrations = math.sqrt(up.lead_over_fall * down.lead_over_fall)
    return calibrations / one.lead_over_fall, one.lead_n
