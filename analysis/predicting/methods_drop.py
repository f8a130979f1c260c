"""Drops held fast and drops let run, from drawn inputs.

Comes in: a :class:`Case`. Goes out: a :class:`Peak`. Must not: know about stations.

Notes
-----
Closed form with Kelvin–Voigt damping on a straight rope (exact for the block slipping all
the way to the peak); simulated in time where the rope has a curve. A run is braked evenly
on a rope that stretches meanwhile.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.predicting import drop as drops
from analysis.predicting import simulated
from analysis.predicting.drawn import Case, Peak, band
from analysis.predicting.friction import wraps_ratio
from analysis.predicting.inputs import missing
from analysis.predicting.methods_inputs import damping_draws, dynamic_draws
from analysis.predicting.path import (
    WRAP_FRICTION_REL_U,
    contact_ratio,
    fall_length_m,
    high_block,
    included_rad,
)
from analysis.predicting.rope import lead_stiffness_n_per_m
from logger.records import Drop, Rig
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]

REACTION_S: Final = (0.25, 0.50)
"""Reaction time of the hand unless measured."""

REACTION_REL_U: Final = 0.10
BRAKING_REL_U: Final = 0.30
"""Own assumption, wide: a braking distance planned before the cut is what a hand intends."""


def _drop_of(case: Case) -> Drop:
    if case.piece.drop is None:
        raise missing(
            case.piece, "drop", "write drop.tie_above_block_m and drop.centre_above_tie_m"
        )
    return case.piece.drop


def cell_fall_m(rig: Rig) -> float:
    """Fall that the cell's own length adds in the high block's sling."""
    block = high_block(rig)
    in_sling = rig.station.mount == "sling" and rig.station.node in {block.name, block.role}
    return 2.0 * rig.station.cell_length_m if in_sling else 0.0


def _fall(case: Case, drop: Drop) -> tuple[FloatArray, str]:
    """Free fall of the centre of mass, for any angle of the piece at the catch."""
    angle = case.named("angle at the catch", case.rng.uniform(0.0, math.pi, case.n))
    added = cell_fall_m(case.rig)
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
        lead = drop.tie_above_block_m + drop.slack_m + cell_fall_m(case.rig) / 2.0
    if lead + fall <= 0:
        raise missing(case.rig, "lead_length_m", "write the rope in play; it cannot be 0")
    return lead, fall


def _stiffness(case: Case, lead_m: float, fall_m: float, dynamic_n: FloatArray) -> FloatArray:
    """Force on the lead per metre that the piece sinks while the device holds."""
    block = high_block(case.rig)
    return lead_stiffness_n_per_m(
        dynamic_n, lead_m, fall_m, _block_efficiency(case),
        block.stiffness_n_per_m, included_rad(case.rig),
    )  # fmt: skip


def snubbed(case: Case) -> Peak:
    """Predict a drop that is held fast."""
    drop = _drop_of(case)
    lead, fall_leg = _rope_in_play_m(case, drop)
    fall, said = _fall(case, drop)
    dynamic, damping = dynamic_draws(case), damping_draws(case)
    stiffness = _stiffness(case, lead, fall_leg, dynamic)
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


def let_run(case: Case) -> Peak:
    """Predict a drop that runs before the hand brakes."""
    drop = _drop_of(case)
    if drop.run_m is None or drop.run_m <= 0:
        raise missing(case.piece, "drop.run_m", "write the braking distance of the run, above 0")
    fall, fall_said = _fall(case, drop)
    reaction, reaction_said = _reaction(case, drop)
    braking = case.named("braking distance", case.around(drop.run_m, BRAKING_REL_U))
    weight = case.draws.weight_n
    if fall_length_m(case.rig) is None:
        load = drops.let_run_n(weight, fall, reaction, braking)
        rope_said = "a rope that does not stretch (write fall_length_m)"
    else:
        stiffness = _stiffness(case, *_rope_in_play_m(case, drop), dynamic_draws(case))
        load = drops.let_run_on_rope_n(weight, fall, reaction, braking, stiffness)
        rope_said = "on a rope that stretches meanwhile"
    basis = (
        fall_said,
        (
            f"let run: {reaction_said}, braking distance {drop.run_m:.2f} m "
            f"± {200 * BRAKING_REL_U:.0f} %, even braking, {rope_said}"
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
