"""What each method of lowering brings to the rope, from drawn inputs.

Comes in: a :class:`Case`, one piece with its uncertain inputs drawn. Goes out: a
:class:`Peak`, the load at the piece for every draw. Must not: know about stations.

Notes
-----
For a piece tied on one rope the load is the tension of the lead, in a span rig the
vertical load on the piece's block.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.predicting import drop as drops
from analysis.predicting.friction import wraps_ratio
from analysis.predicting.inputs import missing, name_of
from analysis.predicting.measured import NOTHING_MEASURED, Measured
from analysis.predicting.path import (
    WRAP_FRICTION_REL_U,
    contact_ratio,
    fall_length_m,
    high_block,
    included_rad,
)
from analysis.predicting.piece import PieceDraws, PieceEstimate, lognormal
from analysis.predicting.pretension import OFFSET_SHARE_LIMIT, first_extreme_n, offset_peaks_n
from analysis.predicting.rope import (
    DYNAMIC_FACTOR_REL_U,
    dynamic_stiffness_n,
    lead_stiffness_n_per_m,
)
from logger.records import Drop, Method, Piece, Rig, Rope

FloatArray = NDArray[np.float64]

SHARE_U: Final = 0.10
"""Own assumption: standard uncertainty of the share carried at release."""

REACTION_S: Final = (0.25, 0.50)
"""Reaction time of the hand unless measured."""

REACTION_REL_U: Final = 0.10
BRAKING_REL_U: Final = 0.30
"""Own assumption, wide: a braking distance planned before the cut is what a hand intends."""

SWING_ANGLE_U_RAD: Final = math.radians(5.0)
SHALLOW_SHARE: Final = 0.6


@dataclass(frozen=True, slots=True, eq=False)
class Peak:
    """What a method gives: vertical or lead load, and what to say with it.

    ``before_n`` is a load carried before the first drop, on the raising side of friction;
    ``extra`` holds what only this method adds to the result.
    """

    load_n: FloatArray
    before_n: FloatArray | None = None
    basis: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
    extra: dict[str, Any] = field(default_factory=dict)

    def adding(
        self,
        load_n: FloatArray | None = None,
        *,
        basis: str = "",
        warning: str = "",
        extra: dict[str, Any] | None = None,
    ) -> Peak:
        """Give a peak with another load, or with more to say."""
        return Peak(
            self.load_n if load_n is None else load_n,
            self.before_n,
            (*self.basis, basis) if basis else self.basis,
            (*self.warnings, warning) if warning else self.warnings,
            {**self.extra, **(extra or {})},
        )


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """All inputs of one prediction, drawn."""

    piece: Piece
    rig: Rig
    rope: Rope
    estimate: PieceEstimate
    draws: PieceDraws
    shift: FloatArray
    rng: np.random.Generator
    measured: Measured = NOTHING_MEASURED

    @property
    def n(self) -> int:
        """Number of draws."""
        return self.draws.weight_n.size

    def around(self, value: float, rel_u: float) -> FloatArray:
        """Draw positive values of the given median."""
        factor = lognormal(self.rng, rel_u, self.n) * math.sqrt(1.0 + rel_u**2)
        return np.asarray(value * factor)


def quantiles(values: FloatArray, probabilities: tuple[float, ...]) -> list[float]:
    """Give quantiles by linear interpolation between the ordered draws.

    The same as ``numpy.quantile`` does, without its overhead.

    Examples
    --------
    >>> quantiles(np.array([10.0, 0.0]), (0.05, 0.5))
    [0.5, 5.0]
    """
    ordered = np.sort(values)
    places = np.array(probabilities) * (ordered.size - 1)
    return [float(v) for v in np.interp(places, np.arange(ordered.size), ordered)]


def band(values: FloatArray) -> dict[str, float]:
    """Give the 5 %, 50 % and 95 % quantiles.

    Examples
    --------
    >>> band(np.array([0.0, 10.0]))
    {'p05': 0.5, 'p50': 5.0, 'p95': 9.5}
    """
    low, middle, high = quantiles(values, (0.05, 0.5, 0.95))
    return {"p05": low, "p50": middle, "p95": high}


def _release(case: Case, *, needed: bool) -> Peak:
    """Hand-over from hinge to rope at the share carried, lift central or off centre."""
    release = case.piece.release
    if release is None and needed:
        raise missing(
            case.piece, "release.share_carried", "write the share of its weight to be carried"
        )
    if release is None:
        return _release_unknown(case)
    weight = case.draws.weight_n
    share = np.maximum(release.share_carried + SHARE_U * case.rng.standard_normal(case.n), 0.0)
    if case.measured.share is not None:
        share = case.measured.share.draws(case.rng, case.n)
    peak = Peak(first_extreme_n(weight, share, case.rope.damping_ratio), share * weight).adding(
        basis=f"release at a share of {release.share_carried:.2f} ± {2 * SHARE_U:.2f}, damping "
        f"ratio {case.rope.damping_ratio:.2f}, legs straight; pretension counts when it is larger"
    )
    if release.offset_m > OFFSET_SHARE_LIMIT * case.piece.length_m:
        peak = _off_centre(case, peak, release.offset_m)
    if case.rig.method == "span_rig" and release.share_carried < SHALLOW_SHARE:
        peak = peak.adding(
            warning="in a shallow span the legs stiffen as they straighten; below a share of "
            "about 0.6 this peak is only an indication"
        )
    return peak


def _release_unknown(case: Case) -> Peak:
    share = case.rng.uniform(0.0, 1.0, case.n)
    return Peak(first_extreme_n(case.draws.weight_n, share, case.rope.damping_ratio)).adding(
        basis="release: share carried taken as anywhere from 0 to 1",
        warning=f"{name_of(case.piece)}: release.share_carried is not written, so the peak is wide",
    )


def _off_centre(case: Case, peak: Peak, offset_m: float) -> Peak:
    """Widen the peak to the swing of the butt, and give the two upper figures."""
    held, free = offset_peaks_n(case.draws.weight_n, offset_m, case.draws.gyration_m)
    rise = np.maximum(held - peak.load_n, 0.0)
    return peak.adding(
        np.asarray(peak.load_n + case.rng.uniform(0.0, 1.0, case.n) * rise),
        basis="lift off centre: between the central release and the tie held",
        warning=f"the rig lifts {offset_m:.2f} m off the centre of mass: the butt swings; upper "
        "indications are given, and stretch can exceed both",
        extra={"upper_indications": {"tie_held_n": band(held), "tie_free_n": band(free)}},
    )


def _suspended(case: Case) -> Peak:
    """Predict a piece tied on one rope: release, and swing where an angle is written."""
    peak = _release(case, needed=False)
    if case.piece.swing is None:
        return peak
    return _with_swing(case, peak, case.piece.swing.angle_rad)


def _span(case: Case) -> Peak:
    return _release(case, needed=True)


def _swing(case: Case) -> Peak:
    if case.piece.swing is None:
        raise missing(case.piece, "swing.angle_rad", "write the rope's angle from plumb")
    peak = Peak(case.draws.weight_n)
    if case.piece.release is not None:
        peak = _release(case, needed=True)
    return _with_swing(case, peak, case.piece.swing.angle_rad)


def _with_swing(case: Case, peak: Peak, angle_rad: float) -> Peak:
    angle = np.abs(angle_rad + SWING_ANGLE_U_RAD * case.rng.standard_normal(case.n))
    bottom = drops.swing_peak_n(case.draws.weight_n, np.minimum(angle, math.pi / 2.0))
    return peak.adding(
        np.maximum(peak.load_n, bottom),
        basis=f"swing from {math.degrees(angle_rad):.0f}° "
        f"± {math.degrees(2 * SWING_ANGLE_U_RAD):.0f}°, largest at the bottom",
    )


def _drop_of(case: Case) -> Drop:
    if case.piece.drop is None:
        raise missing(
            case.piece, "drop", "write drop.tie_above_block_m and drop.centre_above_tie_m"
        )
    return case.piece.drop


def _cell_fall_m(rig: Rig) -> float:
    """Fall that the cell's own length adds in the high block's sling."""
    block = high_block(rig)
    in_sling = rig.station.mount == "sling" and rig.station.node in {block.name, block.role}
    return 2.0 * rig.station.cell_length_m if in_sling else 0.0


def _fall(case: Case, drop: Drop) -> tuple[FloatArray, str]:
    """Free fall of the centre of mass, for any angle of the piece at the catch."""
    angle = case.rng.uniform(0.0, math.pi, case.n)
    added = _cell_fall_m(case.rig)
    fall = drops.free_fall_m(
        drop.tie_above_block_m, drop.centre_above_tie_m, drop.slack_m + added, angle
    )
    shortest = 2.0 * drop.tie_above_block_m + drop.slack_m + added
    said = (
        f"free fall {shortest:.2f} to {shortest + 2 * drop.centre_above_tie_m:.2f} m, the piece "
        "at any angle from upright to hanging when the rope catches"
    )
    if added > 0:
        said += f"; {added:.2f} m of it for the cell's length in the block's sling"
    if case.measured.fall_m is not None:
        fall = case.measured.fall_m.draws(case.rng, case.n)
        said = f"equivalent free fall {case.measured.fall_m.value:.2f} m, measured"
    return fall, said


def _block_efficiency(case: Case) -> FloatArray:
    """Draw η of the high block in a drop, at its wrap angle."""
    wrap = np.array(math.pi - included_rad(case.rig))
    return contact_ratio(high_block(case.rig), wrap, drop=True, shift=case.shift)


def _rope_in_play_m(case: Case, drop: Drop) -> tuple[float, float]:
    """Lengths of lead and fall at the catch; the lead reaches as far below as it was above."""
    fall = fall_length_m(case.rig)
    if fall is None:
        raise missing(
            case.rig, "fall_length_m", "write the rope's length from high block to device"
        )
    lead = case.rig.lead_length_m
    if lead is None:
        lead = drop.tie_above_block_m + drop.slack_m + _cell_fall_m(case.rig) / 2.0
    if lead + fall <= 0:
        raise missing(case.rig, "lead_length_m", "write the rope in play; it cannot be 0")
    return lead, fall


def _snubbed(case: Case) -> Peak:
    drop = _drop_of(case)
    lead, fall_leg = _rope_in_play_m(case, drop)
    fall, said = _fall(case, drop)
    factor = np.maximum(case.around(case.rope.dynamic_factor, DYNAMIC_FACTOR_REL_U), 1.0)
    dynamic = dynamic_stiffness_n(case.rope.stiffness_n, factor)
    if case.measured.stiffness_n is not None:
        dynamic = case.measured.stiffness_n.draws(case.rng, case.n)
    stiffness = lead_stiffness_n_per_m(
        dynamic,
        lead,
        fall_leg,
        _block_efficiency(case),
        high_block(case.rig).stiffness_n_per_m,
        included_rad(case.rig),
    )
    basis = (
        said,
        (
            f"snubbed, undamped: {lead:.2f} m lead and {fall_leg:.2f} m fall in play, dynamic "
            f"stiffness {case.rope.dynamic_factor:.1f} × static (wide)"
        ),
    )
    return Peak(
        drops.snubbed_peak_n(case.draws.weight_n, stiffness, fall),
        basis=basis,
        extra={"free_fall_m": band(fall), "stiffness_n_per_m": band(stiffness)},
    )


def _reaction(case: Case, drop: Drop) -> tuple[FloatArray, str]:
    if drop.reaction_s is None:
        drawn = case.rng.uniform(*REACTION_S, case.n)
        return drawn, f"reaction {REACTION_S[0]} to {REACTION_S[1]} s"
    said = f"reaction {drop.reaction_s:.2f} s ± {200 * REACTION_REL_U:.0f} %"
    return case.around(drop.reaction_s, REACTION_REL_U), said


def _let_run(case: Case) -> Peak:
    drop = _drop_of(case)
    if drop.run_m is None or drop.run_m <= 0:
        raise missing(case.piece, "drop.run_m", "write the braking distance of the run, above 0")
    fall, fall_said = _fall(case, drop)
    reaction, reaction_said = _reaction(case, drop)
    braking = case.around(drop.run_m, BRAKING_REL_U)
    load = drops.let_run_n(case.draws.weight_n, fall, reaction, braking)
    basis = (
        fall_said,
        (
            f"let run: {reaction_said}, braking distance {drop.run_m:.2f} m "
            f"± {200 * BRAKING_REL_U:.0f} %, even braking"
        ),
    )
    warning = (
        "let run: the force is that of even braking; a grip that bites late or in jerks goes higher"
    )
    return Peak(
        load,
        basis=basis,
        warnings=(warning,),
        extra={"free_fall_m": band(fall), **_hand(case, load)},
    )


def _hand(case: Case, load_n: FloatArray) -> dict[str, Any]:
    """Force in the hand, where wraps and their friction are written."""
    rig = case.rig
    if rig.wraps is None or rig.wrap_friction is None:
        return {}
    ratio = wraps_ratio(case.around(rig.wrap_friction, WRAP_FRICTION_REL_U), rig.wraps)
    return {"hand_n": band(drops.hand_n(load_n, _block_efficiency(case), ratio))}


METHODS: Final[dict[Method, Callable[[Case], Peak]]] = {
    "butt_tied": _suspended,
    "tip_tied": _suspended,
    "span_rig": _span,
    "snubbed_drop": _snubbed,
    "let_run_drop": _let_run,
    "swing": _swing,
}
