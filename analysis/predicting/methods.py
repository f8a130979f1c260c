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
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.predicting import drop as drops
from analysis.predicting import simulated
from analysis.predicting.drawn import Case, Peak, band
from analysis.predicting.friction import wraps_ratio
from analysis.predicting.inputs import missing, name_of
from analysis.predicting.path import (
    WRAP_FRICTION_REL_U,
    contact_ratio,
    fall_length_m,
    high_block,
    included_rad,
)
from analysis.predicting.pretension import OFFSET_SHARE_LIMIT, first_extreme_n, offset_peaks_n
from analysis.predicting.rope import (
    DYNAMIC_FACTOR_REL_U,
    dynamic_stiffness_n,
    lead_stiffness_n_per_m,
)
from logger.records import Drop, Method, Rig
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]

SHARE_U: Final = 0.10
"""Own assumption: standard uncertainty of the share carried at release."""

REACTION_S: Final = (0.25, 0.50)
"""Reaction time of the hand unless measured."""

REACTION_REL_U: Final = 0.10
BRAKING_REL_U: Final = 0.30
"""Own assumption, wide: a braking distance planned before the cut is what a hand intends."""

DAMPING_REL_U: Final = 0.30
"""Own assumption: relative standard uncertainty of a damping ratio that was not measured."""

SWING_ANGLE_U_RAD: Final = math.radians(5.0)
SHALLOW_SHARE: Final = 0.6


def _damping(case: Case) -> FloatArray:
    """Draw the damping ratio of the hanging piece."""
    ratio = case.rope.damping_ratio
    if ratio == 0.0:
        return np.zeros(case.n)
    drawn = np.minimum(case.around(ratio, DAMPING_REL_U), 0.9)
    return case.named("rope damping", drawn)


def _dynamic(case: Case) -> FloatArray:
    """Draw the rope's dynamic EA, or take the measured one."""
    if case.measured.stiffness_n is not None:
        drawn = case.measured.stiffness_n.draws(case.rng, case.n)
    else:
        factor = np.maximum(case.around(case.rope.dynamic_factor, DYNAMIC_FACTOR_REL_U), 1.0)
        drawn = dynamic_stiffness_n(case.rope.stiffness_n, factor)
    return case.named("rope stiffness", drawn)


def _release(case: Case, *, needed: bool) -> Peak:
    """Hand-over from hinge to rope at the share carried, lift central or off centre."""
    release = case.piece.release
    if release is None and needed:
        raise missing(
            case.piece, "release.share_carried", "write the share of its weight to be carried"
        )
    damping = _damping(case)
    if release is None:
        return _release_unknown(case, damping)
    weight = case.draws.weight_n
    share = np.maximum(release.share_carried + SHARE_U * case.rng.standard_normal(case.n), 0.0)
    if case.measured.share is not None:
        share = case.measured.share.draws(case.rng, case.n)
    case.named("share carried", share)
    peak = Peak(first_extreme_n(weight, share, damping), share * weight).adding(
        basis=f"release at a share of {release.share_carried:.2f} ± {2 * SHARE_U:.2f}, damping "
        f"ratio {case.rope.damping_ratio:.2f}, legs straight; pretension counts when it is larger"
    )
    offset = release.offset_m if _is_off_centre(case) else 0.0
    shallow = case.rig.method == "span_rig" and float(np.median(share)) < SHALLOW_SHARE
    if offset > 0.0:
        peak = _off_centre(case, peak, offset)
    if offset > 0.0 or shallow:
        peak = _in_time(case, peak, share, damping, offset)
    return peak


def _is_off_centre(case: Case) -> bool:
    release = case.piece.release
    return release is not None and release.offset_m > OFFSET_SHARE_LIMIT * case.piece.length_m


def _release_unknown(case: Case, damping: FloatArray) -> Peak:
    share = case.named("share carried", case.rng.uniform(0.0, 1.0, case.n))
    return Peak(first_extreme_n(case.draws.weight_n, share, damping)).adding(
        basis="release: share carried taken as anywhere from 0 to 1",
        warning=f"{name_of(case.piece)}: release.share_carried is not written, so the peak is wide",
    )


def _off_centre(case: Case, peak: Peak, offset_m: float) -> Peak:
    """Say that the butt swings, and give the two upper figures."""
    held, free = offset_peaks_n(case.draws.weight_n, offset_m, case.draws.gyration_m)
    return peak.adding(
        warning=f"the rig lifts {offset_m:.2f} m off the centre of mass: the butt swings; upper "
        "indications are given, and stretch can exceed both",
        extra={"upper_indications": {"tie_held_n": band(held), "tie_free_n": band(free)}},
    )


def _in_time(
    case: Case, peak: Peak, share: FloatArray, damping: FloatArray, offset_m: float
) -> Peak:
    """Put the simulation in the place of the closed form; without lengths say what is missing."""
    span = case.rig.method == "span_rig"
    batch = simulated.Batch(case, _dynamic(case), damping)
    side = _side(case) if offset_m > 0.0 else np.zeros(case.n)
    build = simulated.span_setup if span else simulated.single_setup
    given = build(batch, share, offset_m, side)
    points = None
    if given is not None:
        inputs = {**_names_in_time(case, offset_m, side), "share": share, "damping": damping}
        points = simulated.peaks_of(case, given, inputs)
    if points is None:
        return _not_in_time(case, peak, offset_m)
    said = "simulated in time, the hinge gone at once"
    if offset_m > 0.0:
        said += "; a level limb that swings in the rope's plane, tied on either side of its centre"
    elif span:
        said += "; the legs of the span stiffen as they straighten"
    return peak.adding(points["piece"], basis=said, points=points)


def _side(case: Case) -> FloatArray:
    """Draw on which side of the centre the tie is; at the tip the block is towards the butt."""
    if case.rig.method in {"tip_tied", "swing"}:
        return np.full(case.n, -1.0)
    return case.named("side of the tie", case.rng.choice(np.array([-1.0, 1.0]), case.n))


def _names_in_time(case: Case, offset_m: float, side: FloatArray) -> dict[str, FloatArray]:
    """Name the inputs of a simulation besides weight and what the method draws."""
    inputs = {"stiffness": case.inputs["rope stiffness"], "friction": case.shift}
    if offset_m > 0.0:
        inputs |= {"gyration": case.draws.gyration_m, "side": side}
    return inputs


def _not_in_time(case: Case, peak: Peak, offset_m: float) -> Peak:
    """Fall back on the closed forms, and say so."""
    lengths = "write lead_length_m and fall_length_m for a simulation in time"
    if case.rig.method == "span_rig":
        lengths = "write fall_length_m for a simulation in time"
    if offset_m == 0.0:
        return peak.adding(
            warning="in a shallow span the legs stiffen as they straighten; below a share of "
            f"about 0.6 this peak is only an indication; {lengths}"
        )
    held, _ = offset_peaks_n(case.draws.weight_n, offset_m, case.draws.gyration_m)
    rise = np.maximum(held - peak.load_n, 0.0)
    between = case.named("off-centre lift", case.rng.uniform(0.0, 1.0, case.n))
    return peak.adding(
        np.asarray(peak.load_n + between * rise),
        basis=f"lift off centre: between the central release and the tie held; {lengths}",
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
    drawn = np.abs(angle_rad + SWING_ANGLE_U_RAD * case.rng.standard_normal(case.n))
    angle = case.named("swing angle", np.minimum(drawn, math.pi / 2.0))
    peak = peak.adding(
        np.maximum(peak.load_n, drops.swing_peak_n(case.draws.weight_n, angle)),
        basis=f"swing from {math.degrees(angle_rad):.0f}° "
        f"± {math.degrees(2 * SWING_ANGLE_U_RAD):.0f}°, largest at the bottom",
    )
    release = case.piece.release
    if release is None or peak.points is None:
        return peak
    return _swing_in_time(case, peak, angle, release.offset_m)


def _swing_in_time(case: Case, peak: Peak, angle: FloatArray, offset_m: float) -> Peak:
    """Let a limb tied off its centre swing as a body; the larger of release and swing."""
    batch = simulated.Batch(
        case, case.inputs["rope stiffness"], case.inputs.get("rope damping", np.zeros(case.n))
    )
    side = case.inputs.get("side of the tie", np.full(case.n, -1.0))
    given = simulated.swing_setup(batch, angle, offset_m, side)
    swung = None
    if given is not None:
        inputs = {**_names_in_time(case, offset_m, side), "angle": angle}
        swung = simulated.peaks_of(case, given, inputs)
    if swung is None or peak.points is None:
        return peak
    both = {point: np.maximum(force, swung[point]) for point, force in peak.points.items()}
    return peak.adding(
        np.maximum(both["piece"], peak.load_n),
        basis="swing simulated in time as a body tied off its centre",
        points=both,
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
    angle = case.named("angle at the catch", case.rng.uniform(0.0, math.pi, case.n))
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
        del case.inputs["angle at the catch"]
        fall = case.named("free fall", case.measured.fall_m.draws(case.rng, case.n))
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
    dynamic, damping = _dynamic(case), _damping(case)
    stiffness = lead_stiffness_n_per_m(
        dynamic,
        lead,
        fall_leg,
        _block_efficiency(case),
        high_block(case.rig).stiffness_n_per_m,
        included_rad(case.rig),
    )
    weight = case.draws.weight_n
    speed = np.sqrt(2.0 * G_M_PER_S2 * fall)
    undamped = drops.snubbed_peak_n(weight, stiffness, fall)
    peak = Peak(
        drops.damped_peak_n(weight, stiffness, 0.0, speed, damping),
        basis=(
            said,
            (
                f"snubbed: {lead:.2f} m lead and {fall_leg:.2f} m fall in play, dynamic stiffness "
                f"{case.rope.dynamic_factor:.1f} × static (wide), damping ratio "
                f"{case.rope.damping_ratio:.2f}; the same without damping is given as an upper "
                "indication"
            ),
        ),
        extra={
            "free_fall_m": band(fall),
            "stiffness_n_per_m": band(stiffness),
            "upper_indications": {"undamped_n": band(undamped)},
        },
    )
    if simulated.curve_of(case).strain.size == 1:
        return peak
    batch = simulated.Batch(case, dynamic, damping)
    inputs = {"stiffness": dynamic, "friction": case.shift, "damping": damping, "fall": fall}
    points = simulated.peaks_of(case, simulated.snubbed_setup(batch, fall, lead, fall_leg), inputs)
    if points is None:
        return peak.adding(warning="the rope's curve is too stiff to simulate; taken as straight")
    return peak.adding(
        points["piece"], basis="simulated in time with the rope's own curve", points=points
    )


def _reaction(case: Case, drop: Drop) -> tuple[FloatArray, str]:
    if drop.reaction_s is None:
        drawn = case.named("reaction", case.rng.uniform(*REACTION_S, case.n))
        return drawn, f"reaction {REACTION_S[0]} to {REACTION_S[1]} s"
    said = f"reaction {drop.reaction_s:.2f} s ± {200 * REACTION_REL_U:.0f} %"
    return case.named("reaction", case.around(drop.reaction_s, REACTION_REL_U)), said


def _let_run(case: Case) -> Peak:
    drop = _drop_of(case)
    if drop.run_m is None or drop.run_m <= 0:
        raise missing(case.piece, "drop.run_m", "write the braking distance of the run, above 0")
    fall, fall_said = _fall(case, drop)
    reaction, reaction_said = _reaction(case, drop)
    braking = case.named("braking distance", case.around(drop.run_m, BRAKING_REL_U))
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
