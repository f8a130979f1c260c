"""Peaks from the simulation in time, where the closed forms do not reach.

Comes in: a drawn case. Goes out: the largest force at each point of the rig for every draw.
Must not: decide when the closed forms do not reach (``methods`` does).

Notes
-----
A part of the draws is simulated as one batch. A quadratic through log(peak / weight)
against the inputs carries the result to all draws; what it leaves is drawn again from its
residuals, so the spread is that of the simulated draws. Steps: 20 a period of the stiffest
spring, which reads peaks up to 0.5 % low (``tests/analysis/predicting/test_simulated.py``).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.predicting.drawn import Case
from analysis.predicting.hanging import frictionless
from analysis.predicting.inputs import missing
from analysis.predicting.motion import shortest_period_s, simulate
from analysis.predicting.motion_cases import (
    Tackle,
    damping_time_s,
    release,
    snubbed,
    span_release,
    staged_hinge,
    swing,
)
from analysis.predicting.motion_rope import RopeCurve
from analysis.predicting.motion_setup import Anchor, Body, Line, Profile, Setup, Sheave, TagLine
from analysis.predicting.path import (
    Loads,
    contact_ratio,
    fall_length_m,
    high_block,
    included_rad,
    loads_per_newton,
    nodes_by_role,
    second_point,
    tail_m,
)
from analysis.predicting.places import Places, place_of
from analysis.predicting.rope import lead_stiffness_n_per_m
from logger.records import Node, Rig
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]

SIMULATED: Final = 160
PER_PERIOD: Final = 20
PER_ANCHOR_PERIOD: Final = 8
MOST_STEPS: Final = 1000

CRACK_S: Final = 0.01
"""Own assumption: how long one step of a hinge takes."""

ANCHOR_MASS_KG: Final = 30.0
ANCHOR_DAMPING: Final = 0.05
"""Own assumptions: wood and gear that sways with an anchor whose stiffness is written."""

FAR_M: Final = 1e5
"""A tag line to so far a place keeps its direction."""

SWINGS: Final = 3.3
"""How long to look at a butt that swings, in times from level to plumb: its second swing
can pull harder than the first."""

BOTTOM: Final = 1.854
"""Time from level to plumb of a pendulum over 1/ω: K(1/√2)."""


def curve_of(case: Case) -> RopeCurve:
    """Give the rope's curve; straight when the rope has no table.

    Raises
    ------
    PredictionError
        A row without a force, or a table that does not rise.
    """
    rope = case.rope
    if not rope.curve:
        return RopeCurve.straight()
    force_n = []
    for row in rope.curve:
        if row.force_n is None and (row.breaking_share is None or rope.breaking_strength_n is None):
            raise missing(
                rope, "curve.force_n", "or write breaking_share there and breaking_strength_n"
            )
        force_n.append(
            row.force_n or (row.breaking_share or 0.0) * (rope.breaking_strength_n or 0.0)
        )
    return RopeCurve.through([row.elongation for row in rope.curve], force_n, rope.stiffness_n)


def _sheave(node: Node, shift: FloatArray) -> Sheave:
    ratio = contact_ratio(node, np.full_like(shift, math.pi), drop=True, shift=shift)
    return Sheave(ratio, by_angle=node.contact == "sheave")


def _anchor(node: Node) -> Anchor | None:
    if node.stiffness_n_per_m is None:
        return None
    return Anchor(node.stiffness_n_per_m, ANCHOR_MASS_KG, ANCHOR_DAMPING)


class Batch:
    """The draws that are simulated: the first of the case."""

    def __init__(
        self,
        case: Case,
        ea_n: FloatArray,
        damping_ratio: FloatArray,
        hinge: tuple[FloatArray, FloatArray] | None = None,
    ) -> None:
        self.case = case
        self.n = min(SIMULATED, case.n)
        part = slice(0, self.n)
        self.mass_kg = case.draws.weight_n[part] / G_M_PER_S2
        self.shift = case.shift[part]
        self.ea_n = ea_n[part]
        self.zeta = damping_ratio[part]
        self.gyration_m = case.draws.gyration_m[part]
        self.block = _sheave(high_block(case.rig), self.shift)
        self.hinge: Profile | None = None
        self.hinge_s = np.zeros(self.n)
        if hinge is not None:
            after, left = (values[:, part] for values in hinge)
            self.hinge = staged_hinge(tuple(after), tuple(left), CRACK_S)
            self.hinge_s = np.asarray(after[-1] + CRACK_S)

    def line(self, stiffness_n_per_m: ArrayLike) -> Line:
        """Rope whose damping is ζ with the piece on a stiffness."""
        tau = damping_time_s(self.zeta, stiffness_n_per_m, self.mass_kg)
        return Line(self.ea_n, tau, curve_of(self.case))

    def fall_over_lead(self) -> FloatArray:
        """Tension of the fall over that of the lead after winching up."""
        legs = loads_per_newton(self.case.rig, 1.0, shift=self.shift).legs
        return np.asarray(legs["fall"] / legs["lead"])

    def single(self, lead_m: float, fall_m: float) -> tuple[Tackle, FloatArray]:
        """Tackle of one plumb rope, and its stiffness with the block slipping."""
        stiffness = lead_stiffness_n_per_m(self.ea_n, lead_m, fall_m, self.block.efficiency)
        angle = included_rad(self.case.rig)
        tackle = Tackle(
            self.line(stiffness), lead_m, fall_m, self.block,
            _anchor(high_block(self.case.rig)), math.sin(angle), -math.cos(angle),
        )  # fmt: skip
        return tackle, stiffness

    def body(self, offset_m: float, side: FloatArray) -> Body:
        """Make a limb tied off its centre, or a point.

        ``side`` is where the tie is seen from the centre, along x; a limb tied towards its
        tip is tied higher when it rises towards the tip.
        """
        if offset_m == 0.0:
            return Body(self.mass_kg)
        rise = self.case.piece.inclination_rad
        up = offset_m * math.sin(rise) * (1.0 if tied_towards_tip(self.case) else -1.0)
        return Body(self.mass_kg, self.gyration_m, offset_m * math.cos(rise) * side[: self.n], up)

    def turn_s(self, offset_m: float) -> FloatArray:
        """Time in which a level limb tied off centre swings down."""
        omega2 = G_M_PER_S2 * offset_m / (offset_m**2 + self.gyration_m**2)
        return np.asarray(BOTTOM / np.sqrt(omega2))


def tied_towards_tip(case: Case) -> bool:
    """Whether the tie is on the tip's side of the centre of mass."""
    if case.piece.tie_from_butt_m is not None:
        return case.piece.tie_from_butt_m >= case.estimate.centre_from_butt_m
    return case.rig.method != "butt_tied"


def _period_s(stiffness: FloatArray, mass_kg: FloatArray) -> FloatArray:
    return np.asarray(2.0 * math.pi * np.sqrt(mass_kg / stiffness))


def _fall_direction(case: Case, loads: Loads, along: FloatArray) -> tuple[float, float]:
    """Direction of the fall in the plane of the span, seen from the high block."""
    _, (_, way) = loads.pulls[high_block(case.rig).name]
    return float(way @ along), float(way[2])


def span_setup(
    batch: Batch, share: FloatArray, offset_m: float, side: FloatArray
) -> tuple[Setup, FloatArray] | None:
    """Build the release in a span rig, and how long to look; None without a fall length."""
    case = batch.case
    rig = case.rig
    fall = fall_length_m(rig)
    if fall is None or rig.rope_length_m is None:
        return None
    start, end = place_of(high_block(rig)), place_of(second_point(rig))
    way = end - start
    span_m, height_m = float(math.hypot(way[0], way[1])), float(-way[2])
    rope_m = rig.rope_length_m - float(tail_m(rig, Places()))
    loads = frictionless(rig)
    middle = loads.span
    if middle is None:
        return None
    along = np.array([way[0], way[1], 0.0]) / max(span_m, 1e-9)
    cos2 = np.cos([middle.lead_angle_rad, middle.standing_angle_rad]) ** 2
    stiffness = batch.ea_n * float(cos2[0] / middle.lead_m + cos2[1] / middle.standing_m)
    slipping = batch.ea_n * float(cos2[0] / (middle.lead_m + fall) + cos2[1] / middle.standing_m)
    fall_x, fall_z = _fall_direction(case, loads, along)
    block = high_block(rig)
    tackle = Tackle(batch.line(stiffness), 1.0, fall, batch.block, _anchor(block), fall_x, fall_z)
    far = nodes_by_role(rig, "anchor")[0]
    setup = span_release(
        tackle, batch.body(offset_m, side), share[: batch.n],
        span_m=span_m, height_m=height_m, rope_m=rope_m,
        block=_sheave(nodes_by_role(rig, "piece_block")[0], batch.shift),
        anchor=_anchor(far) if second_point(rig) is far else None,
        fall_over_lead=batch.fall_over_lead(), hinge=batch.hinge,
    )  # fmt: skip
    duration = 1.1 * _period_s(slipping, batch.mass_kg)
    if offset_m > 0.0:
        duration = np.maximum(duration, SWINGS * batch.turn_s(offset_m))
    return setup, duration + batch.hinge_s


def _single_legs(rig: Rig) -> tuple[float, float] | None:
    """Lead and fall of a piece on one rope, metres; None where they are not written."""
    lead, fall = rig.lead_length_m, fall_length_m(rig)
    if lead is None or fall is None or lead <= 0 or fall <= 0:
        return None
    return lead, fall


def single_setup(
    batch: Batch, share: FloatArray, offset_m: float, side: FloatArray
) -> tuple[Setup, FloatArray] | None:
    """Build the release on one rope; None where the rope's lengths are not written."""
    legs = _single_legs(batch.case.rig)
    if legs is None:
        return None
    tackle, stiffness = batch.single(*legs)
    setup = release(
        tackle, batch.body(offset_m, side), share[: batch.n],
        fall_over_lead=batch.fall_over_lead(), hinge=batch.hinge,
    )  # fmt: skip
    duration = 0.65 * _period_s(stiffness, batch.mass_kg)
    swings = SWINGS * batch.turn_s(offset_m) if offset_m else 0.0
    return setup, np.maximum(duration, swings) + batch.hinge_s


def swing_setup(
    batch: Batch, angle_rad: FloatArray, offset_m: float, side: FloatArray
) -> tuple[Setup, FloatArray] | None:
    """Build the swing of a limb tied off its centre; None without the rope's lengths."""
    legs = _single_legs(batch.case.rig)
    if legs is None:
        return None
    tackle, _ = batch.single(*legs)
    body = batch.body(offset_m, side)
    angle = np.clip(angle_rad[: batch.n], 0.0, 1.5)
    setup = swing(tackle, body, angle, tag=_tag_line(batch.case))
    duration = np.full(batch.n, 1.1 * BOTTOM * math.sqrt(legs[0] / G_M_PER_S2))
    return setup, duration + (batch.turn_s(offset_m) if offset_m > 0.0 else 0.0)


def _tag_line(case: Case) -> TagLine | None:
    """Make the hand on the tag line hold the swing back, with the pull as written."""
    pull = case.rig.tag_line_pull
    if pull is None:
        return None
    x, z = math.cos(pull.down_rad), math.sin(pull.down_rad)
    return TagLine(Profile.level(pull.force_n), -FAR_M * x, -FAR_M * z)


def snubbed_setup(
    batch: Batch, fall_m: FloatArray, lead_m: float, fall_leg_m: float
) -> tuple[Setup, FloatArray]:
    """Build a snubbed drop on a rope with a curve."""
    tackle, stiffness = batch.single(lead_m, fall_leg_m)
    setup = snubbed(tackle, Body(batch.mass_kg), fall_m[: batch.n])
    softest = float(np.min(curve_of(batch.case).slope))
    return setup, 0.5 * _period_s(stiffness * softest, batch.mass_kg)


def fine_step_s(setup: Setup) -> FloatArray:
    """Give the step of each simulation: fine for the rope, coarser for the anchors' own sway."""
    rope = shortest_period_s(setup, anchors=False) / PER_PERIOD
    return np.asarray(np.minimum(rope, shortest_period_s(setup) / PER_ANCHOR_PERIOD))


def peaks_of(
    case: Case, given: tuple[Setup, FloatArray], inputs: dict[str, FloatArray]
) -> dict[str, FloatArray] | None:
    """Simulate a part of the draws and carry the peaks to all of them.

    Parameters
    ----------
    case : Case
        All draws.
    given : tuple
        Setup of the first draws, and how long to look at each, seconds.
    inputs : dict
        What the setup depends on besides the weight, for all draws.

    Returns
    -------
    dict of str to (n,) ndarray, or None
        Newtons by point; None where the rope is too stiff for the number of steps.
    """
    setup, duration = given
    step = fine_step_s(setup)
    steps = max(math.ceil(float(np.max(duration / step))), 3)
    if steps > MOST_STEPS:
        return None
    motion = simulate(setup, step, steps, corrections=2)
    weight = case.draws.weight_n
    found = {point: motion.peak_n(point) for point in motion.force_n}
    return _carried_on(case, inputs, {p: f / weight[: f.size] for p, f in found.items()})


def _carried_on(
    case: Case, inputs: dict[str, FloatArray], per_weight: dict[str, FloatArray]
) -> dict[str, FloatArray]:
    weight = case.draws.weight_n
    m = next(iter(per_weight.values())).size
    if m == case.n:
        return {point: weight * ratio for point, ratio in per_weight.items()}
    design = _quadratic([np.log(weight), *inputs.values()])
    log = np.log(np.stack([np.maximum(ratio, 1e-6) for ratio in per_weight.values()], axis=1))
    best = np.linalg.lstsq(design[:m], log, rcond=1e-8)[0]
    left = log - design[:m] @ best
    spread = math.sqrt(m / max(m - design.shape[1], 1))
    said = design @ best + spread * left[case.rng.integers(0, m, case.n)]
    low, high = np.log(0.8) + log.min(axis=0), np.log(1.25) + log.max(axis=0)
    result = weight[:, None] * np.exp(np.clip(said, low, high))
    result[:m] = weight[:m, None] * np.exp(log)
    return {point: result[:, i] for i, point in enumerate(per_weight)}


def _quadratic(inputs: list[FloatArray]) -> FloatArray:
    """Columns 1, z, z², z z' of the inputs, each standardised; constant inputs left out."""
    scaled = [(x - x.mean()) / x.std() for x in inputs if np.ptp(x) > 0.0]
    columns = [np.ones_like(inputs[0]), *scaled]
    for i, x in enumerate(scaled):
        columns += [x * y for y in scaled[i:]]
    return np.stack(columns, axis=1)
