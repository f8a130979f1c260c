"""The pretension plan: where the ground hand starts and stops, and what the hinge does.

Comes in: a piece with its hinge, its rig, rope and the limits somebody entered. Goes out: a
:class:`PretensionPlan`. Must not: draw random numbers, store anything, or call a band
anything but an estimate.

Notes
-----
The piece is still on its hinge. A pull s at the winch gives F = s · f at the tie (friction on
the side of the motion), a share carried κ = F_v / W and a hinge balance β (``hinge.balance``).
The band's lower end is the greater of the crew's aim and the hinge window's lower edge, met by
95 % of pieces and frictions; its upper end is the smallest of κ = 1, β = 1 and the entered
limits, not passed by 95 %. Where they cross there is no band (``band_edges``).

Hinge window and rows are for the middle estimate and friction as written; only the band's
lower end takes weak wood and the heavy piece.

Shape of the result: ``plan_pretension(piece, rig, rope, limits) -> PretensionPlan`` with
``band`` (:class:`Band` or None) in newtons at the winch, ``reading`` the same at the main
station, ``rows`` of :class:`PlanRow` (pull, share, balance, reading, release peak), ``hinge``
of :class:`HingeRow` by thickness, ``offset``, ``ceilings``, ``words``, ``warnings``,
``cautions``; ``analysis.showing.pretension_figure.draw_pretension`` draws it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from analysis.predicting.band_edges import Gauge, band_at, both, ceilings
from analysis.predicting.held import Lift, lift_of
from analysis.predicting.hinge import state_of
from analysis.predicting.hinge_wood import StandingHinge, standing_hinge, unsound
from analysis.predicting.narrowing import candidates
from analysis.predicting.pretension import OFFSET_SHARE_LIMIT, first_extreme_n, offset_peaks_n
from analysis.predicting.pretension_plan import (
    NO_BAND,
    THICK_HINGE,
    UNSOUND_HINGE,
    Band,
    HingeRow,
    Offset,
    PlanRow,
    PretensionPlan,
)
from analysis.predicting.rig import check_rig
from logger.records import Limit, Piece, Rig, Rope
from logger.units import ForceUnit, format_force

THICK_BALANCE: Final = 2.0
"""Own assumption: a hinge is thick where the rope would need twice the weight's moment."""

SHALLOW_SHARE: Final = 0.6
"""Below this share the legs of a span stiffen as they straighten (physics note, section 5)."""

GRID: Final = 13
"""Rows of the table."""

_ROOM: Final = 1.3


def plan_pretension(
    piece: Piece, rig: Rig, rope: Rope, limits: Sequence[Limit] = (), *, unit: ForceUnit = "kN"
) -> PretensionPlan:
    """Plan the pretension of a piece that is still on its hinge.

    Parameters
    ----------
    piece : Piece
        With ``tie_from_butt_m`` (the centre of mass by default), and ``hinge`` for its window.
    rig : Rig
        With positions of its nodes; in a span rig that of the piece's block is the tie, where
        the piece does not say another place.
    rope : Rope
        Its damping ratio.
    limits : sequence of Limit
        Working limits and peak allowances on rope, nodes or stations of the rig; a breaking
        strength is not used.
    unit : {"kN", "N", "kgf", "lbf"}
        Unit of force inside the warnings' sentences; numbers are SI.

    Returns
    -------
    PretensionPlan

    Raises
    ------
    PredictionError
        The rig cannot be computed, the rope does not lift the piece, or the limb stands upright.
    """
    check_rig(rig)
    lift, hinge = _held(piece, rig)
    entered = [
        one for one in limits if one.kind != "breaking_strength" and one.on in lift.loads_each
    ]
    band, reading, said = both(lift, entered, hinge)
    if said.startswith(NO_BAND):
        said += _what_would_open(piece, rig, entered)
    down = lift_of(piece, rig, -1.0)
    easing, easing_reading = (
        band_at(Gauge(down, at_station=at), entered, hinge) for at in (False, True)
    )
    offset = _offset(lift)
    return PretensionPlan(
        weight_n=lift.weights_n,
        tie_from_butt_m=lift.tie_m,
        aim=None if piece.release is None else piece.release.share_carried,
        band=band,
        reading=reading,
        station=rig.station.name,
        ceilings=ceilings(Gauge(lift), entered),
        rows=_rows(lift, rope, band, hinge),
        hinge=() if hinge is None else _hinge_rows(lift, hinge),
        offset=offset,
        words=_words(_shares(lift, band, reading), said, hinge),
        warnings=(
            *_release_warnings(lift, rope, _shares(lift, band, reading), offset, entered, unit),
            *_offset_warnings(lift, offset),
            *_wood_warnings(piece, hinge),
        ),
        hinge_thickness_m=None if hinge is None else hinge.hinge.thickness_m,
        easing=easing,
        easing_reading=easing_reading,
    )


def _held(piece: Piece, rig: Rig) -> tuple[Lift, StandingHinge | None]:
    lift = lift_of(piece, rig)
    return lift, standing_hinge(piece, lift.weights_n, lift.estimate.centre_from_butt_m)


def _what_would_open(piece: Piece, rig: Rig, entered: Sequence[Limit]) -> str:
    """Name the measurement that would give the widest band, found by planning again with it."""
    found = []
    for _, measure, tried in candidates(piece):
        lift, hinge = _held(tried, rig)
        band = band_at(Gauge(lift, at_station=True), entered, hinge)
        if band is not None:
            found.append((band.high_n - band.low_n, measure))
    if not found:
        return ""
    return f" To get one: {max(found)[1]}; if that confirms the estimate, there is a band."


def _hinge_rows(lift: Lift, hinge: StandingHinge) -> tuple[HingeRow, ...]:
    per = lift.balance(lift.weights_n[1])
    w = hinge.middle
    return tuple(
        HingeRow(float(t), max(float(low), 0.0) / per, float(high) / per, float(shut) / per)
        for t, low, high, shut in zip(w.thickness_m, w.low, w.high, w.closed, strict=True)
    )


def _offset(lift: Lift) -> Offset:
    part = abs(lift.offset_m) / lift.piece.length_m
    indications = None
    if part > OFFSET_SHARE_LIMIT:
        held, free = offset_peaks_n(lift.weights_n[1], abs(lift.offset_m), lift.estimate.gyration_m)
        indications = (float(held), float(free))
    return Offset(lift.offset_m, part, indications)


def _offset_warnings(lift: Lift, offset: Offset) -> tuple[str, ...]:
    if offset.indications_n is None:
        return ()
    side = "outside" if offset.offset_m > 0 else "inside"
    held, free = (load / lift.weights_n[1] for load in offset.indications_n)
    return (
        (
            f"The rig lifts {abs(offset.offset_m):.2f} m {side} the centre of mass "
            f"({100 * offset.of_length:.0f} % of the length): the butt swings when it comes free, "
            f"up to {held:.1f} (tie held) or {free:.1f} (tie free) times the weight, upper "
            "indications for a rigid rope. The central release peak is not shown alone; stretch "
            "can exceed both."
        ),
    )


def _shares(
    lift: Lift, band: Band | None, reading: Band | None
) -> tuple[float, float, float] | None:
    """Share carried at the band's two ends, middle estimate, and by a heavy piece at the lower.

    The last with strong friction: the least that is carried there.
    """
    found = band if reading is None else reading
    per = Gauge(lift, at_station=reading is not None).per_read(lift.up_each)
    if found is None:
        return None
    _, middle, heavy = lift.weights_n
    low, high = (edge * per[0] / middle for edge in (found.low_n, found.high_n))
    return low, high, found.low_n * min(per) / heavy


def _release_warnings(
    lift: Lift,
    rope: Rope,
    shares: tuple[float, float, float] | None,
    offset: Offset,
    entered: Sequence[Limit],
    unit: ForceUnit,
) -> tuple[str, ...]:
    """Say where the release itself goes beyond what was entered, or beyond the closed form."""
    if shares is None:
        return ()
    said = []
    heavy = lift.weights_n[2]
    share = shares[2]
    peak_n = float(first_extreme_n(heavy, share, rope.damping_ratio))
    if offset.indications_n is not None:
        peak_n = max(peak_n, offset.indications_n[1] * heavy / lift.weights_n[1])
    for limit in entered:
        load_n = peak_n * lift.loads_each[limit.on][0] / lift.up
        if limit.kind == "peak_allowance" and load_n > limit.force_n:
            said.append(
                f"Let go at the lower end, the heavy estimate loads {limit.on} up to about "
                f"{format_force(load_n, unit)}, above its entered peak allowance "
                f"{format_force(limit.force_n, unit)} ({limit.by}, {limit.entered})."
            )
    if lift.rig.method == "span_rig" and share < SHALLOW_SHARE * (1.0 - 1e-9):
        said.append(
            "Below a share of about 60 % the legs of a shallow span stiffen as they straighten: "
            "the release peaks here are too low there; use the simulated prediction."
        )
    return tuple(said)


def _wood_warnings(piece: Piece, hinge: StandingHinge | None) -> tuple[str, ...]:
    if hinge is None or not unsound(piece):
        return ()
    return (UNSOUND_HINGE,)


def _rows(
    lift: Lift, rope: Rope, band: Band | None, hinge: StandingHinge | None
) -> tuple[PlanRow, ...]:
    _, middle, heavy = lift.weights_n
    top_n = _ROOM * max(heavy / lift.up, 1.0 / lift.balance(heavy), band.high_n if band else 0.0)
    edges = None if hinge is None else hinge.planned(hinge.middle)
    pull = np.linspace(0.0, top_n, GRID)
    weights = np.array(lift.weights_n)
    share = pull[:, None] * lift.up / weights
    beta = pull[:, None] * lift.balance_n / weights
    peak = first_extreme_n(weights, share, rope.damping_ratio)
    state = [edges and state_of(n * lift.balance(middle), *edges[:2]) for n in pull.tolist()]
    columns = (pull, pull * lift.reading, share[:, ::-1], beta[:, ::-1], peak)
    return tuple(
        PlanRow(n, reading, tuple(shares), tuple(betas), tuple(peaks), holds)
        for n, reading, shares, betas, peaks, holds in zip(
            *(column.tolist() for column in columns), state, strict=True
        )
    )


def _words(
    shares: tuple[float, float, float] | None,
    none_because: str,
    hinge: StandingHinge | None,
) -> tuple[str, ...]:
    """Say the plan for people, the band as shares of the piece."""
    said = [none_because] if none_because else []
    if shares is not None:
        low, high = (100 * share for share in shares[:2])
        span = f"About {low:.0f} to {high:.0f} %" if low >= 1 else f"Up to about {high:.0f} %"
        said.insert(0, f"{span} of the piece, if the estimate holds.")
    if hinge is not None:
        thick_mm = 1000 * hinge.hinge.thickness_m
        _, high, closed = hinge.planned(hinge.middle)
        if high > THICK_BALANCE:
            said.append(
                f"At {thick_mm:.0f} mm the hinge is thick: it holds to {high:.1f} times the "
                f"weight's moment. {THICK_HINGE}"
            )
        said.append(
            f"Once the notch has closed, {thick_mm:.0f} mm of hinge resists to about "
            f"{closed:.0f} times the weight's moment: the winch cannot be expected to break it."
        )
    return tuple(said)
