"""The pretension plan: where the ground hand starts and stops, and what the hinge does.

Comes in: a piece with its hinge, its rig, rope and the limits somebody entered. Goes out: a
:class:`PretensionPlan`. Must not: draw random numbers, store anything, or call a band
anything but an estimate.

Notes
-----
The piece is still on its hinge. A pull s at the winch gives F = s · f at the tie (friction on
the winching side), a share carried κ = F_v / W and a hinge balance β (``hinge.balance``).
The band's lower end is the greater of the crew's aim and the hinge window's lower edge, for
the 95 % heavy weight; its upper end is the smallest of κ = 1, β = 1 and the entered limits,
for the 5 % light weight. Where they cross there is no band.

Shape of the result: ``plan_pretension(piece, rig, rope, limits) -> PretensionPlan`` with
``band`` (:class:`Band` or None) in newtons at the winch, ``reading`` the same at the main
station, ``rows`` of :class:`PlanRow` (pull, share, balance, reading, release peak), ``hinge``
of :class:`HingeRow` by thickness, ``offset``, ``ceilings``, ``words``, ``warnings``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.hinge import (
    RUPTURE_REL_U,
    HingeWindow,
    balance,
    rupture_pa,
    state_of,
    weight_moment_nm,
    window,
)
from analysis.predicting.inputs import missing, name_of
from analysis.predicting.path import high_block, piece_block
from analysis.predicting.piece import PieceEstimate, estimate
from analysis.predicting.pretension import OFFSET_SHARE_LIMIT, first_extreme_n, offset_peaks_n
from analysis.predicting.pretension_plan import (
    NO_BAND,
    THICK_HINGE,
    Band,
    Ceiling,
    HingeRow,
    Offset,
    PlanRow,
    PretensionPlan,
)
from analysis.predicting.rig import check_rig
from analysis.predicting.statics import HeldPiece, force_at_piece
from analysis.predicting.wood import find_species
from logger.records import Limit, Piece, Rig, Rope

FloatArray = NDArray[np.float64]

ONE_SIDED: Final = 1.6449
"""Standard deviations from the median to the 5 % and 95 % quantile of a normal."""

UNKNOWN_RUPTURE_PA: Final = (30e6, 70e6)
"""Own assumption: range of green bending strength where the species is not listed."""

DEAD_FACTOR: Final = (0.2, 1.0)
"""Own assumption: bending strength of dead or decayed wood over that of sound wood."""

GRID: Final = 13


@dataclass(frozen=True, slots=True, eq=False)
class _Lift:
    """Everything per newton of pull at the winch, and the weights."""

    piece: Piece
    rig: Rig
    estimate: PieceEstimate
    weights_n: tuple[float, float, float]
    per: HeldPiece
    reading: float
    tie_m: float

    @property
    def up(self) -> float:
        """Vertical part of the rope's force at the piece."""
        return float(self.per.force_n[2])

    def balance(self, weight_n: float) -> float:
        """β per newton of pull."""
        return float(
            balance(
                self.per.force_n,
                self.tie_m,
                weight_n,
                self.estimate.centre_from_butt_m,
                self.piece.inclination_rad,
                self.piece.bearing_rad,
            )
        )


def plan_pretension(
    piece: Piece, rig: Rig, rope: Rope, limits: Sequence[Limit] = ()
) -> PretensionPlan:
    """Plan the pretension of a piece that is still on its hinge.

    Parameters
    ----------
    piece : Piece
        With ``tie_from_butt_m`` (the centre of mass by default), and ``hinge`` for its window.
    rig : Rig
        With positions of its nodes; in a span rig that of the piece's block is the tie.
    rope : Rope
        Its damping ratio.
    limits : sequence of Limit
        Working limits and peak allowances on rope, nodes or stations of the rig; a breaking
        strength is not used.

    Returns
    -------
    PretensionPlan

    Raises
    ------
    PredictionError
        The rig cannot be computed, the rope does not lift the piece, or the limb stands upright.
    """
    check_rig(rig)
    lift = _lift(piece, rig)
    ceilings = _ceilings(lift, rope, limits)
    hinge = _hinge(lift)
    band, warnings = _band(lift, ceilings, hinge)
    reading = band and Band(
        band.low_n * lift.reading, band.high_n * lift.reading, band.low_by, band.high_by
    )
    offset = _offset(lift)
    rows = _rows(lift, rope, band, hinge)
    return PretensionPlan(
        weight_n=lift.weights_n,
        tie_from_butt_m=lift.tie_m,
        aim=None if piece.release is None else piece.release.share_carried,
        band=band,
        reading=reading,
        station=rig.station.name,
        ceilings=ceilings,
        rows=rows,
        hinge=() if hinge is None else _hinge_rows(lift, hinge),
        offset=offset,
        words=_words(lift, band, hinge),
        warnings=(*warnings, *_offset_warnings(offset), *_wood_warnings(piece)),
    )


def _lift(piece: Piece, rig: Rig) -> _Lift:
    known = estimate(piece)
    spread = math.sqrt(math.log1p(known.rel_u**2))
    middle = known.weight_n / math.sqrt(1.0 + known.rel_u**2)
    weights = tuple(middle * math.exp(k * ONE_SIDED * spread) for k in (-1.0, 0.0, 1.0))
    tie_m = known.centre_from_butt_m if piece.tie_from_butt_m is None else piece.tie_from_butt_m
    if not 0.0 < tie_m <= piece.length_m:
        raise PredictionError(
            f"{name_of(piece)}: tie_from_butt_m: {tie_m:g} m is not on the piece (0 to "
            f"{piece.length_m:g} m)"
        )
    held = force_at_piece(rig, _tie_place(rig), 1.0, 1.0)
    lift = _Lift(piece, rig, known, weights, held, _reading(rig, held), tie_m)  # type: ignore[arg-type]
    if lift.up <= 0:
        raise PredictionError(
            f"{name_of(rig)}: the rope pulls the tie down, not up; check the positions of the nodes"
        )
    if lift.balance(middle) <= 0:
        raise PredictionError(
            f"{name_of(rig)}: the rope's pull turns the limb down about its hinge; check positions "
            "and piece.bearing_rad"
        )
    return lift


def _tie_place(rig: Rig) -> tuple[float, float, float]:
    """Where the rope holds the piece: at the piece's block, else plumb below the high block."""
    if rig.method == "span_rig":
        block = piece_block(rig)
        return block.x_m, block.y_m, block.z_m
    if rig.method not in {"butt_tied", "tip_tied", "swing"}:
        raise PredictionError(
            f"{name_of(rig)}: a {rig.method} is not pretensioned; the band is for pieces that hang "
            "on their rope before the cut"
        )
    top = high_block(rig)
    return top.x_m, top.y_m, top.z_m - (rig.lead_length_m or 1.0)


def _reading(rig: Rig, held: HeldPiece) -> float:
    """Give the reading at the main station per newton at the winch."""
    station = rig.station
    if station.mount == "sling":
        for node in rig.nodes:
            if station.node in {node.name, node.role}:
                return float(held.slings[node.name])
        return float(held.slings[station.node])
    leg = "fall" if station.mount == "running_line" else station.leg
    if station.node:
        leg = "standing"
    return float(held.legs[leg or "lead"])


def _strength_pa(piece: Piece) -> tuple[float, float, float]:
    """Give low, middle and high modulus of rupture."""
    hinge = piece.hinge
    if hinge is None:
        raise missing(piece, "hinge", "write hinge.width_m and hinge.thickness_m")
    species = find_species(piece.species) if piece.species else None
    if hinge.rupture_pa is None and species is None:
        low, high = UNKNOWN_RUPTURE_PA
        middle = math.sqrt(low * high)
    else:
        middle = hinge.rupture_pa or float(rupture_pa(species.gravity))  # type: ignore[union-attr]
        low, high = (middle * (1.0 + k * ONE_SIDED * RUPTURE_REL_U) for k in (-1.0, 1.0))
    if piece.condition != "green":
        low, high = low * DEAD_FACTOR[0], high * DEAD_FACTOR[1]
        middle = math.sqrt(low * high)
    return low, middle, high


@dataclass(frozen=True, slots=True, eq=False)
class _Hinge:
    """Windows of β against thickness: for the weakest wood and heavy piece, and the reverse."""

    thickness_m: float
    careful: HingeWindow
    middle: HingeWindow


def _hinge(lift: _Lift) -> _Hinge | None:
    hinge = lift.piece.hinge
    if hinge is None:
        return None
    low, middle, _ = _strength_pa(lift.piece)
    thick = hinge.thickness_m * np.linspace(0.25, 2.0, 8)
    made = [
        window(
            thick,
            width_m=hinge.width_m,
            notch_depth_m=hinge.notch_depth_m,
            strength_pa=strength,
            weight_moment=weight_moment_nm(
                weight, lift.estimate.centre_from_butt_m, lift.piece.inclination_rad
            ),
        )
        for strength, weight in ((low, lift.weights_n[2]), (middle, lift.weights_n[1]))
    ]
    return _Hinge(hinge.thickness_m, made[0], made[1])


def _at_planned(hinge: _Hinge, values: FloatArray, thickness_m: FloatArray) -> float:
    return float(np.interp(hinge.thickness_m, thickness_m, values))


def _hinge_rows(lift: _Lift, hinge: _Hinge) -> tuple[HingeRow, ...]:
    per = lift.balance(lift.weights_n[1])
    w = hinge.middle
    return tuple(
        HingeRow(float(t), max(float(low), 0.0) / per, float(high) / per, float(shut) / per)
        for t, low, high, shut in zip(w.thickness_m, w.low, w.high, w.closed, strict=True)
    )


def _ceilings(lift: _Lift, rope: Rope, limits: Sequence[Limit]) -> tuple[Ceiling, ...]:
    """Find the pulls at which κ = 1, β = 1 or an entered limit is reached, the smallest first."""
    light = lift.weights_n[0]
    found = [
        Ceiling("the rope carries the whole piece (light estimate)", light / lift.up),
        Ceiling("the hinge is balanced (light estimate)", 1.0 / lift.balance(light)),
    ]
    loads = {name: float(load) for name, load in lift.per.slings.items()}
    loads[rope.name] = max(float(load) for load in lift.per.legs.values())
    loads[lift.rig.station.name] = lift.reading
    for limit in limits:
        if limit.kind == "breaking_strength" or limit.on not in loads:
            continue
        found.append(
            Ceiling(
                f"{limit.kind.replace('_', ' ')} of {limit.on}",
                limit.force_n / loads[limit.on],
                limit.kind,
                limit.by,
                limit.entered,
                limit.force_n,
            )
        )
    return tuple(sorted(found, key=lambda one: one.winch_n))


def _band(
    lift: _Lift, ceilings: tuple[Ceiling, ...], hinge: _Hinge | None
) -> tuple[Band | None, tuple[str, ...]]:
    heavy = lift.weights_n[2]
    floors = [(0.0, "nothing asks for more")]
    release = lift.piece.release
    if release is not None:
        floors.append((release.share_carried * heavy / lift.up, "the crew's aim (heavy estimate)"))
    if hinge is not None:
        low = _at_planned(hinge, hinge.careful.low, hinge.careful.thickness_m)
        edge = max(low, 0.0) / lift.balance(heavy)
        floors.append((edge, "the hinge fails downward below it (heavy estimate, weak wood)"))
    low_n, low_by = max(floors)
    top = ceilings[0]
    if low_n > top.winch_n:
        return None, (f"{NO_BAND} It would start at {low_by} and stop where {top.name}.",)
    return Band(low_n, top.winch_n, low_by, top.name), ()


def _offset(lift: _Lift) -> Offset:
    offset = lift.tie_m - lift.estimate.centre_from_butt_m
    part = abs(offset) / lift.piece.length_m
    indications = None
    if part > OFFSET_SHARE_LIMIT:
        held, free = offset_peaks_n(lift.weights_n[1], abs(offset), lift.estimate.gyration_m)
        indications = (float(held), float(free))
    return Offset(offset, part, indications)


def _offset_warnings(offset: Offset) -> tuple[str, ...]:
    if offset.indications_n is None:
        return ()
    side = "outside" if offset.offset_m > 0 else "inside"
    return (
        (
            f"The rig lifts {abs(offset.offset_m):.2f} m {side} the centre of mass "
            f"({100 * offset.of_length:.0f} % of the length): the piece swings when it comes free. "
            "The central release peak is not shown alone; stretch can exceed both upper indications."
        ),
    )


def _wood_warnings(piece: Piece) -> tuple[str, ...]:
    if piece.hinge is None or piece.condition == "green":
        return ()
    return (
        "Dead or decayed wood breaks without warning: the hinge window is wide and no reassurance.",
    )


def _rows(lift: _Lift, rope: Rope, band: Band | None, hinge: _Hinge | None) -> tuple[PlanRow, ...]:
    light, middle, heavy = lift.weights_n
    top = 1.3 * max(heavy / lift.up, 1.0 / lift.balance(heavy), band.high_n if band else 0.0)
    found = []
    for pull in np.linspace(0.0, top, GRID):
        share = tuple(float(pull) * lift.up / w for w in (heavy, middle, light))
        beta = tuple(float(pull) * lift.balance(w) for w in (heavy, middle, light))
        peak = tuple(
            float(first_extreme_n(w, float(pull) * lift.up / w, rope.damping_ratio))
            for w in (light, middle, heavy)
        )
        state = None
        if hinge is not None:
            w = hinge.middle
            edges = [_at_planned(hinge, v, w.thickness_m) for v in (w.low, w.high)]
            state = state_of(beta[1], *edges)
        found.append(
            PlanRow(float(pull), float(pull) * lift.reading, share, beta, peak, state)  # type: ignore[arg-type]
        )
    return tuple(found)


def _words(lift: _Lift, band: Band | None, hinge: _Hinge | None) -> tuple[str, ...]:
    """Say the plan for people, with the two numbers of the ground hand as shares."""
    said = []
    if band is not None:
        low = band.low_n * lift.up / lift.weights_n[1]
        high = band.high_n * lift.up / lift.weights_n[1]
        said.append(
            f"About {100 * low:.0f} to {100 * high:.0f} % of the piece, if the estimate holds."
        )
    else:
        said.append(NO_BAND)
    if hinge is not None:
        w = hinge.middle
        high_edge = _at_planned(hinge, w.high, w.thickness_m)
        if high_edge > 2.0:
            said.append(f"The hinge is thick for this piece. {THICK_HINGE}")
    return tuple(said)
