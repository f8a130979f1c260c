"""A section of a limb as a piece, and the loads that it brings to a rig.

Comes in: a limb with its taper, where it is cut, its rig and rope. Goes out: the section
as a piece, and its loads at every place. Must not: know about limits.

Notes
-----
A section runs from ``start_m`` to ``end_m``, both from the limb's butt. Its diameters are
those measured along it and, at its cuts, those on the straight line between neighbours.
Every section keeps the limb's brush share and condition. What the planned piece says about
its release and drop is kept; distances along the piece (lift off centre, centre above
tie) grow with its length.
"""

from __future__ import annotations

from dataclasses import dataclass

import msgspec

from analysis.errors import PredictionError
from analysis.predicting.inputs import name_of
from analysis.predicting.place_loads import PlaceLoad, place_loads
from analysis.predicting.predict import predict
from analysis.predicting.rig import PlaceKind
from analysis.predicting.volume import profile_at
from logger.records import Diameter, Piece, Rig, Rope

Place = tuple[PlaceKind, str]


def diameter_at_m(limb: Piece, at_m: float) -> float:
    """Diameter of a limb whose taper is known, as its volume has it.

    Raises
    ------
    PredictionError
        Fewer than two diameters.

    Examples
    --------
    >>> limb = Piece(name="L", length_m=4.0, rig="R", diameters=(
    ...     Diameter(at_m=0.0, diameter_m=0.3), Diameter(at_m=4.0, diameter_m=0.1)))
    >>> round(diameter_at_m(limb, 1.0), 3)
    0.25
    """
    if len(limb.diameters) < 2:
        raise PredictionError(
            f"{name_of(limb)}: a limb needs diameters at two places at least, or its taper is unknown"
        )
    return profile_at(limb, at_m)


def section(limb: Piece, start_m: float, end_m: float, planned_m: float) -> Piece:
    """Give the piece between two places of a limb, measured from its butt.

    Parameters
    ----------
    limb : Piece
        The whole limb, with release, drop or swing as planned for the planned piece.
    start_m, end_m : float
        From the limb's butt.
    planned_m : float
        Length of the planned piece.

    Returns
    -------
    Piece
    """
    length = end_m - start_m
    inside = [d for d in limb.diameters if start_m < d.at_m < end_m]
    diameters = (
        Diameter(at_m=0.0, diameter_m=diameter_at_m(limb, start_m)),
        *(Diameter(at_m=d.at_m - start_m, diameter_m=d.across_m) for d in inside),
        Diameter(at_m=length, diameter_m=diameter_at_m(limb, end_m)),
    )
    cut = msgspec.structs.replace(
        limb,
        name=f"{limb.name}, {length:.2f} m",
        length_m=length,
        diameters=diameters,
        guesses=(),
        hinge=None,
        tie_place=None,
    )
    longer = length / planned_m
    changes: dict[str, object] = {}
    if limb.tie_from_butt_m is not None:
        changes["tie_from_butt_m"] = min(limb.tie_from_butt_m * longer, length)
    if limb.release is not None:
        offset = limb.release.offset_m * longer
        changes["release"] = msgspec.structs.replace(limb.release, offset_m=offset)
    if limb.drop is not None:
        centre = limb.drop.centre_above_tie_m * longer
        changes["drop"] = msgspec.structs.replace(limb.drop, centre_above_tie_m=centre)
    return msgspec.structs.replace(cut, **changes)


@dataclass(frozen=True, slots=True)
class SectionLoads:
    """Computed weight of a section and its loads at every leg, sling and station."""

    length_m: float
    weight_n: float
    places: dict[Place, PlaceLoad]
    warnings: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Loader:
    """Loads of sections of one limb on one rig.

    ``draws`` and ``seed`` are those of the prediction, the same for every section, so that
    loads change smoothly with length.
    """

    limb: Piece
    rig: Rig
    rope: Rope
    planned_m: float
    draws: int
    seed: int

    def of(self, start_m: float, end_m: float) -> SectionLoads:
        """Compute the loads of a section."""
        piece = section(self.limb, start_m, end_m, self.planned_m)
        told = predict(piece, self.rig, self.rope, draws=self.draws, seed=self.seed)
        weight, u = (float(told["weight"][key]) for key in ("weight_n", "weight_u_n"))
        found = place_loads(self.rig, weight, u, told)
        places: dict[Place, PlaceLoad] = {(load.kind, load.name): load for load in found}
        return SectionLoads(end_m - start_m, weight, places, tuple(told["warnings"]))
