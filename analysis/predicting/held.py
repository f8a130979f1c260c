"""A piece on its hinge, per newton of pull at the winch.

Comes in: a piece and its rig. Goes out: a :class:`Lift`: force at the tie, loads by name,
reading, balance, each with the spread of the contacts' friction, and the weights of 5 %, 50 %
and 95 %. Must not: know limits or hinges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.hinge import balance
from analysis.predicting.inputs import check_numbers, name_of
from analysis.predicting.path import high_block, piece_block
from analysis.predicting.piece import P95, PieceEstimate, estimate
from analysis.predicting.statics import HeldPiece, force_at_piece
from logger.records import Piece, Rig, Station

FloatArray = NDArray[np.float64]
Three = tuple[float, float, float]

PLUMB_LEAD_M: Final = 1.0
"""Where no lead length is written; with the tie plumb below the block it changes nothing."""

_FRICTIONS: Final = np.array([0.0, P95, -P95])
"""Of every contact, in its own standard uncertainties: as written, weaker, stronger."""


@dataclass(frozen=True, slots=True, eq=False)
class Lift:
    """Everything per newton of pull at the winch, and the weights.

    What has three values holds for friction as written, and weaker and stronger than in
    95 % of rigs so written.

    Parameters
    ----------
    piece : Piece
    rig : Rig
    estimate : PieceEstimate
    weights_n : tuple of float
        Weight that 5 %, 50 % and 95 % of such pieces stay below.
    up_each : tuple of float
        Vertical part of the rope's force at the tie, newtons per newton at the winch.
    loads_each : dict of str to tuple of float
        Load by what a limit may be ``on``: rope, nodes, stations, their cells, the winch.
    reading_each : tuple of float
        Reading at the main station.
    balance_each : tuple of float
        β times the weight, per newton of pull.
    tie_m : float
        Where the rig lifts, from the butt.
    """

    piece: Piece
    rig: Rig
    estimate: PieceEstimate
    weights_n: tuple[float, float, float]
    up_each: Three
    loads_each: dict[str, Three]
    reading_each: Three
    balance_each: Three
    tie_m: float

    @property
    def up(self) -> float:
        """Vertical part of the rope's force at the piece, friction as written."""
        return self.up_each[0]

    @property
    def reading(self) -> float:
        """Reading at the main station, friction as written."""
        return self.reading_each[0]

    @property
    def balance_n(self) -> float:
        """β times the weight, friction as written."""
        return self.balance_each[0]

    @property
    def offset_m(self) -> float:
        """Tie's distance outside (negative: inside) the centre of mass, along the limb."""
        return self.tie_m - self.estimate.centre_from_butt_m

    def balance(self, weight_n: float) -> float:
        """β per newton of pull."""
        return self.balance_n / weight_n

    def share(self, pull_n: float, weight_n: float) -> float:
        """Share carried κ at a pull."""
        return pull_n * self.up / weight_n


def lift_of(piece: Piece, rig: Rig, motion: float = 1.0) -> Lift:
    """Hold a piece on its hinge with its rig.

    Parameters
    ----------
    piece : Piece
        With ``tie_from_butt_m`` (the centre of mass by default).
    rig : Rig
        Checked already; with positions of its nodes.
    motion : float
        1 winching up, −1 paying out.

    Returns
    -------
    Lift

    Raises
    ------
    PredictionError
        The tie is not on the piece, the rope does not lift it, or the limb stands upright.
    """
    check_numbers(piece)
    known = estimate(piece)
    light, heavy = known.weight_band_n
    weights = (light, math.sqrt(light * heavy), heavy)
    tie_m = known.centre_from_butt_m if piece.tie_from_butt_m is None else piece.tie_from_butt_m
    if not 0.0 < tie_m <= piece.length_m:
        raise PredictionError(
            f"{name_of(piece)}: tie_from_butt_m: {tie_m:g} m is not on the piece outside its butt "
            f"(0 to {piece.length_m:g} m)"
        )
    place = tie_place(piece, rig)
    force, loads, reading = _per_newton(rig, place, motion)
    centre_m, slope_rad = known.centre_from_butt_m, piece.inclination_rad
    per_n = balance(force, tie_m, 1.0, centre_m, slope_rad, piece.bearing_rad)
    lift = Lift(
        piece=piece,
        rig=rig,
        estimate=known,
        weights_n=weights,
        up_each=_three(force[:, 2]),
        loads_each=loads,
        reading_each=reading,
        balance_each=_three(per_n),
        tie_m=tie_m,
    )
    if min(lift.up_each) <= 0:
        raise PredictionError(
            f"{name_of(rig)}: the rope pulls the tie down, not up; check the positions of the nodes"
        )
    if min(lift.balance_each) <= 0:
        raise PredictionError(
            f"{name_of(rig)}: the rope's pull turns the limb down about its hinge; check positions "
            "and piece.bearing_rad"
        )
    return lift


@lru_cache(maxsize=64)
def _per_newton(
    rig: Rig, place: Three, motion: float
) -> tuple[FloatArray, dict[str, Three], Three]:
    """Give force (3, 3), loads and reading for one newton at the winch; for every piece there."""
    held = force_at_piece(rig, place, 1.0, motion, shift=_FRICTIONS)
    loads = {name: _three(load) for name, load in _loads(rig, held).items()}
    return held.force_n, loads, _three(reading_of(rig.station, rig, held))


def _three(values: FloatArray) -> Three:
    one, weak, strong = np.broadcast_to(values, _FRICTIONS.shape).tolist()
    return one, weak, strong


def tie_place(piece: Piece, rig: Rig) -> tuple[float, float, float]:
    """Where the rope holds the piece, in the rig's coordinates.

    As the piece says; else at the piece's block, or plumb below the high block.
    """
    if rig.method not in {"butt_tied", "tip_tied", "span_rig", "swing"}:
        raise PredictionError(
            f"{name_of(rig)}: a {rig.method} is not pretensioned; the band is for pieces that hang "
            "on their rope before the cut"
        )
    if piece.tie_place is not None:
        return piece.tie_place.x_m, piece.tie_place.y_m, piece.tie_place.z_m
    if rig.method == "span_rig":
        block = piece_block(rig)
        return block.x_m, block.y_m, block.z_m
    top = high_block(rig)
    return top.x_m, top.y_m, top.z_m - (rig.lead_length_m or PLUMB_LEAD_M)


def reading_of(station: Station, rig: Rig, held: HeldPiece) -> FloatArray:
    """Give the reading at a station of the rig."""
    if station.mount == "sling":
        names = [node.name for node in rig.nodes if station.node in {node.name, node.role}]
        return held.slings[names[0] if names else station.node]
    if station.mount == "running_line":
        return held.legs[station.leg or "fall"]
    if station.node and "standing" in held.legs:
        return held.legs["standing"]
    return held.legs[station.leg or "lead"]


def _loads(rig: Rig, held: HeldPiece) -> dict[str, FloatArray]:
    """Load on everything that a limit may name; of the rope its most loaded leg."""
    loads = dict(held.slings)
    loads[rig.rope] = np.maximum.reduce(list(held.legs.values()))
    for station in rig.stations:
        loads[station.name] = reading_of(station, rig, held)
        if station.cell:
            loads[station.cell] = loads[station.name]
    if rig.device == "winch":
        pull = np.ones(_FRICTIONS.shape)
        loads |= {node.name: pull for node in rig.nodes if node.role == "device"}
    return loads
