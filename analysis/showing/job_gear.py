"""What the lowerings of a job did to each piece of gear: what an inspector would ask for.

Comes in: reviews. Goes out: one :class:`GearUse` for each rope, block, device, anchor and
station. Must not: judge gear, or leave out a lowering that loaded it (discarded ones did).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

from analysis.learning.margins import PlaceLoad, load_at
from analysis.learning.measured_at import own_names, readings_of
from analysis.learning.review import Review
from analysis.reading.summary import Features
from logger.records import Limit

ROLES: Final = {
    "device": "lowering device",
    "redirect": "redirect",
    "high_block": "high block and its sling",
    "piece_block": "block on the piece and its sling",
    "anchor": "anchor",
}


@dataclass(frozen=True, slots=True)
class GearLoad:
    """The largest load of one lowering on one piece of gear."""

    lowering: int
    load: PlaceLoad


@dataclass(frozen=True, slots=True)
class GearLimit:
    """An entered limit and the lowerings that came above it.

    Parameters
    ----------
    limit : Limit
        As entered, with who and when.
    share : float or None
        Largest load over the limit; None without a load, or for a breaking strength.
    above : tuple of int
        Lowerings whose load was larger.
    perhaps_above : tuple of int
        Those whose inferred band only reaches above it.
    """

    limit: Limit
    share: float | None
    above: tuple[int, ...]
    perhaps_above: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class GearUse:
    """A piece of gear over the job.

    Parameters
    ----------
    name, kind : str
        What the crew calls it, and what it is.
    lowerings : tuple of int
        All that it took part in.
    largest : GearLoad or None
        None when the load there is never known.
    unknown : tuple of int
        Lowerings whose load there is not known.
    limits : tuple of GearLimit
        As entered.
    overloads : tuple of int
        Lowerings that passed the cell's overload limit; of stations only.
    """

    name: str
    kind: str
    lowerings: tuple[int, ...]
    largest: GearLoad | None
    unknown: tuple[int, ...]
    limits: tuple[GearLimit, ...]
    overloads: tuple[int, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Plain values under stable keys, SI."""
        largest = self.largest
        return {
            "name": self.name,
            "kind": self.kind,
            "lowerings": list(self.lowerings),
            "largest": None
            if largest is None
            else {
                "lowering": largest.lowering,
                "state": largest.load.state,
                **largest.load.to_dict(),
                "at_least": largest.load.lower_bound,
            },
            "load_unknown": list(self.unknown),
            "limits": [_limit_json(entry) for entry in self.limits],
            "overloads": list(self.overloads),
        }


def _limit_json(entry: GearLimit) -> dict[str, Any]:
    limit = entry.limit
    return {
        "kind": limit.kind, "force_n": limit.force_n, "by": limit.by, "entered": limit.entered,
        "note": limit.note, "share": entry.share, "above": list(entry.above),
        "perhaps_above": list(entry.perhaps_above),
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Place:
    """A piece of gear in one rig; limits may be entered under any of its names.

    ``features`` are those of the cell at a station.
    """

    name: str
    kind: str
    names: frozenset[str]
    features: Features | None = None


def gear_of(reviews: Iterable[Review]) -> tuple[GearUse, ...]:
    """Gather the gear that lowerings touched: stations first, ropes, then nodes.

    Parameters
    ----------
    reviews : iterable of Review
        All lowerings of the job that could be read, discarded ones too.

    Returns
    -------
    tuple of GearUse
        In the order of first use, by kind.
    """
    used: dict[tuple[str, str], list[tuple[Review, _Place]]] = {}
    for review in reviews:
        for place in _places(review):
            used.setdefault((place.kind, place.name), []).append((review, place))
    order = ["station", "rope", *ROLES.values()]
    keys = sorted(used, key=lambda key: order.index(key[0]))
    return tuple(_use(*key, used[key]) for key in keys)


def _places(review: Review) -> list[_Place]:
    """All that this lowering loaded."""
    source = review.source
    cell = source.stream.cell
    places = [_station(review.station, cell, own_names(source), review.features)]
    for one in review.cells.readings[1:]:
        names = frozenset({one.cell, one.station})
        places.append(_station(one.station, one.cell, names, one.features))
    if source.rig is not None:
        places.append(_Place(source.rig.rope, "rope", frozenset({source.rig.rope})))
        places += [
            _Place(node.name, ROLES[node.role], frozenset({node.name})) for node in source.rig.nodes
        ]
    return places


def _station(station: str, cell: str, names: frozenset[str], features: Features) -> _Place:
    name = station if station == cell else f"{station}, cell {cell}"
    return _Place(name, "station", names, features)


def _use(kind: str, name: str, used: list[tuple[Review, _Place]]) -> GearUse:
    """Sum one piece of gear up."""
    loads: list[GearLoad] = []
    unknown: list[int] = []
    limits: dict[Limit, None] = {}
    for review, place in used:
        load = _load(review, place)
        if load is None:
            unknown.append(review.source.number)
        else:
            loads.append(load)
        limits |= dict.fromkeys(x for x in review.source.limits if x.on in place.names)
    return GearUse(
        name=name,
        kind=kind,
        lowerings=tuple(review.source.number for review, _ in used),
        largest=max(loads, key=lambda load: load.load.force_n, default=None),
        unknown=tuple(unknown),
        limits=tuple(_limit(limit, loads) for limit in limits),
        overloads=tuple(
            review.source.number
            for review, place in used
            if place.features is not None and "overload" in place.features.flags
        ),
    )


def _load(review: Review, place: _Place) -> GearLoad | None:
    """Largest load of a lowering at a place."""
    readings = readings_of(review.source, review.features, review.cells, "peak")
    cell = next((one.cell for one in readings.all if one.cell in place.names), place.name)
    load = load_at(cell, readings)
    return None if load is None else GearLoad(review.source.number, load)


def _limit(limit: Limit, loads: list[GearLoad]) -> GearLimit:
    """Set every load against a limit; a breaking strength is no limit to work to."""
    if limit.kind == "breaking_strength" or not loads:
        return GearLimit(limit, None, (), ())
    most = max(load.load.force_n for load in loads)
    above = [x.lowering for x in loads if x.load.force_n > limit.force_n]
    perhaps = [x.lowering for x in loads if x.load.force_n <= limit.force_n < x.load.high_n]
    return GearLimit(limit, most / limit.force_n, tuple(above), tuple(perhaps))
