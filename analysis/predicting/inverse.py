"""From a reading at one station: the piece's weight and the loads everywhere else.

Comes in: a rig, a reading with its uncertainty, what the rope did. Goes out: a
:class:`LoadsFromReading`. Must not: read a logbook, or judge a load against a limit.

Notes
-----
The load at a place is the reading times (load there / load at the station), both in the
same state of friction, so that what they share cancels. A piece at rest lies anywhere
between the states after lowering and after raising: the middle of that band is given and
its width counts as uniform, as in ``station_gain``. For a piece in motion the friction as
written is given and one standard uncertainty of every contact to either side counts as
one standard uncertainty. All contacts are taken in the same state. Friction that is
written wrongly is not in it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError
from analysis.predicting.hanging import geometry_warnings, load_vector_n, tag_force_n
from analysis.predicting.inputs import name_of
from analysis.predicting.path import Loads, Setting, fall_length_m, hang
from analysis.predicting.rig import (
    GEOMETRY_REL_U,
    HIGH_SIDE,
    State,
    check_rig,
    find_station,
    friction_ends_setting,
    reading_per_newton,
    reads_directly,
)
from analysis.predicting.root import bracketed_root
from logger.records import Rig, Rope, Station
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]
Kind = Literal["weight", "station", "leg", "sling", "winch"]

TAG_REL_U: Final = 0.2
"""Own assumption: standard uncertainty of a tag line's pull that nobody measured."""

ROPE_DENSITY_KG_PER_M3: Final = 945.0
"""Mass of braided polyester rope over that of a full cylinder; from memory of catalogues."""

ROPE_WEIGHT_SHARE: Final = 0.02
"""Below this share of the tension the rope's own weight is neglected without a word."""


@dataclass(frozen=True, slots=True)
class InferredLoad:
    """A load that follows from the reading.

    Parameters
    ----------
    kind, place : str
        What it is a load of; ``place`` is the name of station, leg or node.
    force_n : float
        Middle of the band, or with friction as written.
    u_n : float
        Standard uncertainty: reading, friction, geometry, tag line.
    low_n, high_n : float
        Ends of the friction band for the reading as it is.
    measured : bool
        Whether it is the reading itself.
    """

    kind: Kind
    place: str
    force_n: float
    u_n: float
    low_n: float
    high_n: float
    measured: bool = False

    def to_dict(self) -> dict[str, str | float | bool]:
        """Give plain values, SI; ``expanded_u_n`` with k = 2."""
        return {
            "kind": self.kind,
            "place": self.place,
            "force_n": self.force_n,
            "expanded_u_n": 2.0 * self.u_n,
            "low_n": self.low_n,
            "high_n": self.high_n,
            "measured": self.measured,
        }


@dataclass(frozen=True, slots=True)
class LoadsFromReading:
    """What one reading says about the whole rig.

    Parameters
    ----------
    station : str
        Where it was read.
    reading_n, u_n : float
        The reading and its standard uncertainty.
    state : str
        What the rope did.
    weight : InferredLoad
        Of the piece, hanging free.
    places : tuple of InferredLoad
        Every station, leg and node, and the winch.
    basis, warnings : tuple of str
        For people to read.
    """

    station: str
    reading_n: float
    u_n: float
    state: State
    weight: InferredLoad
    places: tuple[InferredLoad, ...]
    basis: tuple[str, ...]
    warnings: tuple[str, ...]

    def at(self, kind: Kind, place: str) -> InferredLoad:
        """Find the load of a place.

        Raises
        ------
        KeyError
            The rig has no such place.
        """
        for load in self.places:
            if (load.kind, load.place) == (kind, place):
                return load
        raise KeyError(f"{kind} {place}")

    def to_dict(self) -> dict[str, object]:
        """Give plain values, SI, ready for JSON."""
        return {
            "station": self.station,
            "reading_n": self.reading_n,
            "reading_expanded_u_n": 2.0 * self.u_n,
            "state": self.state,
            "weight": self.weight.to_dict(),
            "places": [load.to_dict() for load in self.places],
            "basis": list(self.basis),
            "warnings": list(self.warnings),
        }


def loads_from_reading(
    rig: Rig,
    rope: Rope | None,
    station: Station | str,
    reading_n: float,
    u_n: float,
    motion: State,
    *,
    tag_n: ArrayLike | None = None,
) -> LoadsFromReading:
    """Infer weight and loads from a reading of a piece that hangs free.

    Parameters
    ----------
    rig : Rig
        With its stations.
    rope : Rope or None
        For the weight of the rope itself, where its diameter is written.
    station : Station or str
        One of the rig's, or its name.
    reading_n, u_n : float
        The reading, above 0, and its standard uncertainty.
    motion : State
        ``raising``, ``holding``, ``lowering`` or ``first_drop``.
    tag_n : array_like, optional
        (3,): pull of a tag line at the piece, z up; as written in the rig by default.

    Returns
    -------
    LoadsFromReading

    Raises
    ------
    PredictionError
        The rig cannot be computed, no load reaches the station, the reading is not usable,
        or the tag line alone gives more than the reading.

    Examples
    --------
    >>> from logger.records import Node
    >>> sling = Station(name="top", mount="sling", node="A")
    >>> rig = Rig(name="R", method="butt_tied", rope="blue", station=sling,
    ...           nodes=(Node(name="A", role="high_block", z_m=9.0), Node(name="D", role="device")))
    >>> found = loads_from_reading(rig, None, "top", 1900.0, 10.0, "lowering")
    >>> round(found.weight.force_n), round(found.at("leg", "fall").force_n)
    (1000, 900)
    """
    check_rig(rig)
    at = find_station(rig, station if isinstance(station, str) else station.name)
    if not (math.isfinite(reading_n) and reading_n > 0 and math.isfinite(u_n) and u_n >= 0):
        raise PredictionError(
            f"{name_of(rig)}: station {at.name!r}: a reading of {reading_n} ± {u_n} N says nothing; "
            "give a reading above 0 and an uncertainty of 0 or more"
        )
    tag = tag_force_n(rig) if tag_n is None else np.asarray(tag_n, dtype=np.float64)
    found = _Solved(rig, at, reading_n, motion, tag)
    weight = _inferred(found, "weight", "piece", found.weight_n, u_n, tagged=_tagged(found, tag))
    loads = tuple(
        _inferred(found, kind, place, force, u_n) for kind, place, force in _places(found)
    )
    return LoadsFromReading(
        at.name,
        reading_n,
        u_n,
        motion,
        weight,
        loads,
        (HIGH_SIDE[motion], *_tag_said(tag)),
        (*geometry_warnings(rig), *_rope_warnings(rig, rope, found)),
    )


class _Solved:
    """Weight and loads for the reading, at every end of the friction band."""

    __slots__ = ("at", "loads", "motion", "reading_n", "rig", "setting", "weight_n")

    def __init__(
        self, rig: Rig, at: Station, reading_n: float, motion: State, tag: FloatArray | None
    ) -> None:
        self.rig, self.at, self.reading_n, self.motion = rig, at, reading_n, motion
        self.setting: Setting = friction_ends_setting(rig, motion)
        self.weight_n = self._weight(tag)
        self.loads: Loads = hang(rig, self.setting, load_vector_n(rig, self.weight_n, tag))

    def read(self, weight_n: FloatArray, tag: FloatArray | None) -> FloatArray:
        loads = hang(self.rig, self.setting, load_vector_n(self.rig, weight_n, tag))
        return np.broadcast_to(reading_per_newton(self.rig, loads, self.at), weight_n.shape)

    def _weight(self, tag: FloatArray | None) -> FloatArray:
        one = np.ones(self.setting.motion.shape)
        per_newton = self.read(one, None)
        if np.any(per_newton <= 0):
            raise PredictionError(
                f"{name_of(self.rig)}: station {self.at.name!r}: no load reaches it, so no weight "
                "can be read there"
            )
        weight = self.reading_n / per_newton
        if tag is None:
            return weight
        low, high = _tag_bracket(weight, tag)
        ends = (self._excess(low, tag), self._excess(high, tag))
        if np.any(ends[0] >= 0):
            raise PredictionError(
                f"{name_of(self.rig)}: station {self.at.name!r}: the tag line alone gives more than "
                f"{self.reading_n:.0f} N there; check its pull"
            )
        return bracketed_root(
            lambda w: self._excess(w, tag),
            low,
            high,
            weight.clip(low, high),
            ends=ends,
            size=weight,
        )

    def _excess(self, weight_n: FloatArray, tag: FloatArray) -> FloatArray:
        return np.asarray(self.read(weight_n, tag) / self.reading_n - 1.0)


def _tag_bracket(weight: FloatArray, tag: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give weights between which the piece's must lie."""
    least = max(float(tag[2]), 0.0) + 1e-6 * weight
    return least, weight + 4.0 * float(np.sqrt(np.sum(tag * tag)))


def _tagged(found: _Solved, tag: FloatArray | None) -> float:
    """Give the standard uncertainty of the weight from the tag line's pull."""
    if tag is None:
        return 0.0
    less = _Solved(found.rig, found.at, found.reading_n, found.motion, (1.0 - TAG_REL_U) * tag)
    return float(np.abs(less.weight_n - found.weight_n)[0])


def _places(found: _Solved) -> list[tuple[Kind, str, FloatArray]]:
    """Gather loads of every station, leg and node, at every end of the band."""
    rig, loads = found.rig, found.loads
    places: list[tuple[Kind, str, FloatArray]] = [
        ("station", s.name, reading_per_newton(rig, loads, s)) for s in rig.stations
    ]
    places += [("leg", leg, force) for leg, force in loads.legs.items()]
    places += [("sling", node, force) for node, force in loads.slings.items()]
    return [*places, ("winch", "winch", loads.winch)]


def _inferred(
    found: _Solved, kind: Kind, place: str, force_n: FloatArray, u_n: float, *, tagged: float = 0.0
) -> InferredLoad:
    """Turn a load at every end of the band into a value with its uncertainty."""
    if kind == "station" and place == found.at.name:
        return InferredLoad(
            kind, place, found.reading_n, u_n, found.reading_n, found.reading_n, measured=True
        )
    ends = np.broadcast_to(force_n, found.setting.motion.shape)
    low, high = float(np.min(ends[1:])), float(np.max(ends[1:]))
    middle = 0.5 * (low + high) if found.motion == "holding" else float(ends[0])
    band = 0.5 * (high - low) / (math.sqrt(3.0) if found.motion == "holding" else 1.0)
    direct = kind == "weight" and reads_directly(found.rig, found.at)
    geometry = 0.0 if direct else GEOMETRY_REL_U * middle
    reading = u_n * middle / found.reading_n
    u = math.sqrt(reading**2 + band**2 + geometry**2 + tagged**2)
    return InferredLoad(kind, place, middle, u, min(low, middle), max(high, middle))


def _tag_said(tag: FloatArray | None) -> tuple[str, ...]:
    if tag is None:
        return ("no pull of a tag line counted",)
    size = float(np.sqrt(np.sum(tag * tag)))
    return (f"tag line pulling {size:.0f} N ± {200 * TAG_REL_U:.0f} % at the piece",)


def _rope_warnings(rig: Rig, rope: Rope | None, found: _Solved) -> tuple[str, ...]:
    """Tell when the rope's own weight is more than the model neglects."""
    if rope is None or rope.diameter_m is None:
        return ()
    area = math.pi / 4.0 * rope.diameter_m**2
    length = (rig.rope_length_m or 0.0) + (fall_length_m(rig) or 0.0) + (rig.lead_length_m or 0.0)
    weight = ROPE_DENSITY_KG_PER_M3 * area * length * G_M_PER_S2
    least = float(np.min([np.min(force) for force in found.loads.legs.values()]))
    if weight <= ROPE_WEIGHT_SHARE * least:
        return ()
    said = (
        f"the rope in the rig weighs about {weight:.0f} N, {100 * weight / least:.0f} % of the "
        "least tension in it; the model leaves it out"
    )
    return (said,)
