"""Where the band of a pretension starts and ends, with the spread of weight and friction.

Comes in: a :class:`~analysis.predicting.held.Lift`, entered limits, a hinge. Goes out: a
:class:`Band`, or why there is none, and what is reached at which pull. Must not: draw random
numbers or word a plan.

Notes
-----
Weight and friction are independent, so their distances to 95 %, as logarithms, are added as
squares: ln²(W₉₅/W₅₀) + ln²(f₅₀/f₉₅), f being the effect per newton where somebody reads. All
contacts are taken to be weaker or stronger together, which is the widest. A reading at the
piece has no friction in it, a pull at the winch has all of it. Within 1 % of sampled quantiles
(``tests/analysis/predicting/test_band_friction.py``).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from analysis.predicting.held import Lift, Three
from analysis.predicting.hinge_wood import StandingHinge
from analysis.predicting.pretension_plan import FRICTION_UNKNOWN, NO_BAND, Band, Ceiling
from logger.records import Limit

_FRICTION_COUNTS: Final = 1.005
"""A smaller ratio of an effect with weak to that with strong friction is not worth a word."""


@dataclass(frozen=True, slots=True)
class Gauge:
    """Where a pull is read, at the winch or at the main station, and what is taken as known."""

    lift: Lift
    at_station: bool = False
    weight_known: bool = False
    friction_known: bool = False

    def per_read(self, effect: Three) -> Three:
        """Give an effect per newton at the winch as one per newton read."""
        if not self.at_station:
            return effect
        (a, b, c), (x, y, z) = effect, self.lift.reading_each
        return a / x, b / y, c / z

    def edge(self, effect: Three, side: int, *, weighs: bool = True) -> float:
        """Give the reading at which an effect comes to 1 in 95 % of cases: late (1) or early (−1).

        ``effect`` is per newton at the winch, ``weighs`` whether it is to be one over the weight.
        """
        per = self.per_read(effect)
        middle = per[0]
        end = min(per) if side > 0 else max(per)
        friction = 0.0 if self.friction_known else math.log(middle / end)
        _, weight_n, heavy_n = self.lift.weights_n
        weight = math.log(heavy_n / weight_n) if weighs and not self.weight_known else 0.0
        return math.exp(side * math.hypot(weight, friction)) / middle

    def side_words(self, effect: Three, side: int) -> str:
        """Say which side of weight, and of friction where it counts, an edge is for."""
        per = self.per_read(effect)
        said = "heavy estimate" if side > 0 else "light estimate"
        if max(per) / min(per) > _FRICTION_COUNTS:
            said += ", strong friction" if side > 0 else ", weak friction"
        return said


def ceilings(gauge: Gauge, entered: Sequence[Limit]) -> tuple[Ceiling, ...]:
    """Find the pulls at which κ = 1, β = 1 or an entered limit is reached, the smallest first."""
    lift = gauge.lift
    weight_n = lift.weights_n[1]
    found = [
        Ceiling(f"{what} ({gauge.side_words(effect, -1)})", weight_n * gauge.edge(effect, -1))
        for what, effect in (
            ("the rope carries the whole piece", lift.up_each),
            ("the hinge is balanced", lift.balance_each),
        )
    ]
    found += [
        Ceiling(
            f"{limit.kind.replace('_', ' ')} of {limit.on}",
            limit.force_n * gauge.edge(lift.loads_each[limit.on], -1, weighs=False),
            limit.kind,
            limit.by,
            limit.entered,
            limit.force_n,
        )
        for limit in entered
    ]
    return tuple(sorted(found, key=lambda one: one.winch_n))


def _floor(gauge: Gauge, hinge: StandingHinge | None) -> tuple[float, str]:
    """Find the pull below which it should not be let go."""
    lift = gauge.lift
    weight_n = lift.weights_n[1]
    floors = [(0.0, "nothing asks for more")]
    release = lift.piece.release
    if release is not None:
        aim_n = release.share_carried * weight_n * gauge.edge(lift.up_each, 1)
        floors.append((aim_n, f"the crew's aim ({gauge.side_words(lift.up_each, 1)})"))
    if hinge is not None:
        low, _, _ = hinge.planned(hinge.middle if gauge.weight_known else hinge.careful)
        edge_n = max(low, 0.0) * weight_n * gauge.edge(lift.balance_each, 1)
        said = gauge.side_words(lift.balance_each, 1)
        floors.append((edge_n, f"the hinge's lower edge ({said}, weak wood)"))
    return max(floors)


def both(
    lift: Lift, entered: Sequence[Limit], hinge: StandingHinge | None
) -> tuple[Band | None, Band | None, str]:
    """Give the band at the winch, that at the station, and why one is not there."""
    at_station = Gauge(lift, at_station=True)
    band, reading = band_at(Gauge(lift), entered, hinge), band_at(at_station, entered, hinge)
    station, why = lift.rig.station.name, ""
    if band is None and reading is None:
        return None, None, _why_none(at_station, entered, hinge)
    if band is None:
        why = f"Read {station}: the friction on the way to the winch leaves no band there."
    if reading is None:
        why = f"Read the pull at the winch: the friction on the way leaves no band at {station}."
    return band, reading, why


def band_at(gauge: Gauge, entered: Sequence[Limit], hinge: StandingHinge | None) -> Band | None:
    """Give the band, None where its ends cross."""
    (low_n, low_by), top = _floor(gauge, hinge), ceilings(gauge, entered)[0]
    return Band(low_n, top.winch_n, low_by, top.name) if low_n <= top.winch_n else None


def _why_none(gauge: Gauge, entered: Sequence[Limit], hinge: StandingHinge | None) -> str:
    """Say what crosses: whatever the weight, or because weight or friction is not known."""
    known = replace(gauge, weight_known=True)
    sure = replace(known, friction_known=True)
    (known_n, known_by), known_top = _floor(sure, hinge), ceilings(sure, entered)[0]
    if known_n > known_top.winch_n:
        low, high = (words.split(" (")[0] for words in (known_by, known_top.name))
        return (
            f"No band, even if the weight were known: {low} asks for more pull than the point "
            f"where {high if not known_top.kind else f'the {high} is reached'}."
        )
    unknown = NO_BAND
    if _floor(known, hinge)[0] > ceilings(known, entered)[0].winch_n:
        unknown = FRICTION_UNKNOWN
    low_by, top = _floor(gauge, hinge)[1], ceilings(gauge, entered)[0]
    return f"{unknown} It would start at {low_by} and end where {top.name}."
