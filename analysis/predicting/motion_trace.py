"""The force at every station against time, for a piece as planned.

Comes in: a piece, its rig and rope. Goes out: a :class:`PredictedTrace`, one simulation with
every input at its middle value. Must not: draw random numbers; the spread of a peak is that
of ``predict``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting import drop as drops
from analysis.predicting import simulated
from analysis.predicting.drawn import Case, Peak
from analysis.predicting.inputs import check_numbers, missing, name_of
from analysis.predicting.methods_drop import REACTION_S, cell_fall_m
from analysis.predicting.methods_inputs import hinge_stages
from analysis.predicting.motion import Motion, simulate
from analysis.predicting.motion_cases import let_run
from analysis.predicting.motion_energy import Ledger
from analysis.predicting.motion_setup import Body, Setup
from analysis.predicting.path import fall_length_m, loads_per_newton
from analysis.predicting.piece import PieceDraws, estimate
from analysis.predicting.predict import in_newtons
from analysis.predicting.rig import check_rig, reading_per_newton
from logger.records import Drop, Piece, Rig, Rope
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]

LOOK_S: Final = 3.0
MOST_STEPS: Final = 20_000
MIDDLE_CATCH_RAD: Final = math.pi / 2.0


@dataclass(frozen=True, slots=True, eq=False)
class PredictedTrace:
    """Force against time from the catch, the release or the let-go on.

    Parameters
    ----------
    time_s : (n,) ndarray
        From the start of the motion.
    force_n : dict of str to (n,) ndarray
        By station name.
    point_n : dict of str to (n,) ndarray
        By point of ``motion.POINTS``.
    sink_m : (n,) ndarray
        How far the centre of mass has come down.
    ledger : Ledger
        Where the energy went.
    """

    time_s: FloatArray
    force_n: dict[str, FloatArray]
    point_n: dict[str, FloatArray]
    sink_m: FloatArray
    ledger: Ledger


def predicted_trace(
    piece: Piece, rig: Rig, rope: Rope, *, look_s: float = LOOK_S, per_period: int = 60
) -> PredictedTrace:
    """Simulate a piece with every input at its middle value.

    Parameters
    ----------
    piece, rig, rope : record
        As for ``predict``; the rope's lengths must be known.
    look_s : float
        How long.
    per_period : int
        Steps a period of the stiffest spring.

    Returns
    -------
    PredictedTrace

    Raises
    ------
    PredictionError
        Something is missing, or the rope is too stiff to look so long.
    """
    check_rig(rig)
    check_numbers(rope)
    case = _middle(piece, rig, rope)
    setup = _setup(case)
    step = simulated.fine_step_s(setup) * simulated.PER_PERIOD / per_period
    steps = math.ceil(look_s / float(step[0]))
    if steps > MOST_STEPS:
        raise PredictionError(
            f"{name_of(rope)}: stiffness_n is so high that {look_s:g} s need {steps} steps; look "
            "for a shorter time"
        )
    motion = simulate(setup, step, max(steps, 3), ledger=True)
    return _told(rig, motion)


def _told(rig: Rig, motion: Motion) -> PredictedTrace:
    points = {point: force[:, 0] for point, force in motion.force_n.items()}
    loads = in_newtons(rig, Peak(points["piece"], points=points), loads_per_newton(rig, -1.0))
    readings = {
        station.name: np.asarray(reading_per_newton(rig, loads, station))
        for station in rig.stations
    }
    if motion.ledger is None:  # pragma: no cover
        raise PredictionError("a trace needs its ledger")
    sink = motion.z_m[0, 0] - motion.z_m[:, 0]
    return PredictedTrace(motion.time_s[:, 0], readings, points, sink, motion.ledger)


def _middle(piece: Piece, rig: Rig, rope: Rope) -> Case:
    """Give a case of one draw at the middle of every input."""
    found = estimate(piece)
    one = np.ones(1)
    draws = PieceDraws(found.weight_n * one, found.centre_from_butt_m * one, found.gyration_m * one)
    return Case(piece, rig, rope, found, draws, np.zeros(1), np.random.default_rng(0))


def _setup(case: Case) -> Setup:
    rope = case.rope
    ea = np.full(1, rope.stiffness_n * rope.dynamic_factor)
    batch = simulated.Batch(case, ea, np.full(1, rope.damping_ratio), hinge_stages(case.piece))
    if case.rig.method in {"snubbed_drop", "let_run_drop"}:
        return _drop_setup(case, batch)
    release, swing = case.piece.release, case.piece.swing
    offset = release.offset_m if release is not None else 0.0
    side = np.full(1, -1.0)
    share = np.full(1, release.share_carried if release is not None else 0.0)
    if case.rig.method == "span_rig":
        given = simulated.span_setup(batch, share, offset, side)
    elif swing is not None:
        given = simulated.swing_setup(batch, np.full(1, swing.angle_rad), offset, side)
    elif release is None:
        raise missing(case.piece, "release.share_carried", "or write swing.angle_rad")
    else:
        given = simulated.single_setup(batch, share, offset, side)
    if given is None:
        raise missing(case.rig, "lead_length_m or fall_length_m", "write the rope's lengths")
    return given[0]


def _drop_setup(case: Case, batch: simulated.Batch) -> Setup:
    drop, fall_leg = case.piece.drop, fall_length_m(case.rig)
    if drop is None:
        raise missing(case.piece, "drop", "write drop.tie_above_block_m")
    if fall_leg is None:
        raise missing(case.rig, "fall_length_m", "write the rope from high block to device")
    cell_m = cell_fall_m(case.rig)
    lead = case.rig.lead_length_m or drop.tie_above_block_m + drop.slack_m + cell_m / 2.0
    fall = drops.free_fall_m(
        drop.tie_above_block_m, drop.centre_above_tie_m, drop.slack_m + cell_m, MIDDLE_CATCH_RAD
    )
    if case.rig.method == "snubbed_drop":
        return simulated.snubbed_setup(batch, fall * np.ones(1), lead, fall_leg)[0]
    return _run_setup(case, batch, drop, fall, (lead, fall_leg))


def _run_setup(
    case: Case, batch: simulated.Batch, drop: Drop, fall: FloatArray, lengths: tuple[float, float]
) -> Setup:
    if drop.run_m is None:
        raise missing(case.piece, "drop.run_m", "write the braking distance of the run")
    tackle, stiffness = batch.single(*lengths)
    reaction = drop.reaction_s if drop.reaction_s is not None else sum(REACTION_S) / 2.0
    weight = batch.mass_kg * G_M_PER_S2
    hold = drops.let_run_on_rope_n(weight, fall, reaction, drop.run_m, stiffness)
    eta = loads_per_newton(case.rig, -1.0, drop=True).legs["fall"]
    return let_run(tackle, Body(batch.mass_kg), fall, reaction_s=reaction, brake_n=hold * eta)
