"""Sections of a limb set against typed limits.

Comes in: loads of a section, limits as entered. Goes out: the limit nearest to being
reached. Must not: choose which kinds of limit count, or search for a length.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from analysis.predicting.longest_section import Loader, Place, SectionLoads
from analysis.predicting.place_loads import Judged
from analysis.predicting.rig import places_of
from logger.records import Limit


@dataclass(frozen=True, slots=True)
class Ruling:
    """The limit nearest to being reached by a section."""

    log_ratio: float
    limit: Limit
    judged: Judged
    load_n: float


def _load_on(
    loads: SectionLoads, places: Sequence[Place], *, hanging: bool
) -> tuple[float, Judged]:
    """Largest load at a limit's places, and which kind it is."""
    taken = [
        load for place, load in loads.places.items() if place in places or (place[0], "*") in places
    ]
    high = max((load.heavy_n for load in taken), default=0.0)
    peak = 0.0 if hanging else max((load.peak_p95_n or 0.0 for load in taken), default=0.0)
    return (peak, "peak") if peak > high else (high, "hang")


@dataclass(frozen=True, slots=True)
class Judge:
    """Sets sections against limits of one kind."""

    loader: Loader
    limits: tuple[Limit, ...]
    hanging: bool = False

    def ruling(self, loads: SectionLoads) -> Ruling:
        """Find the limit nearest to being reached, or furthest past."""
        found = []
        for limit in self.limits:
            places = places_of(self.loader.rig, limit.on)
            load, judged = _load_on(loads, places, hanging=self.hanging)
            log_ratio = math.log(max(load, 1e-9) / limit.force_n)
            found.append(Ruling(log_ratio, limit, judged, load))
        return max(found, key=lambda ruling: ruling.log_ratio)

    def excess(self, loads: SectionLoads) -> float:
        """Logarithm of load over limit, at the ruling limit."""
        return self.ruling(loads).log_ratio
