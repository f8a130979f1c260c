"""The ways a piece comes onto the rope, each as the start of a simulation.

Comes in: numbers or arrays in SI. Goes out: a :class:`Setup` ready for ``simulate``. Must
not: know about records, or draw random numbers.

Notes
-----
Every case starts when the rope begins to move the piece: at the catch of a drop, at the
release of a hinge, at the let-go of a swing, in steady lowering.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.predicting.motion_setup import (
    Anchor,
    Body,
    Device,
    Line,
    Profile,
    Setup,
    Sheave,
    Span,
    TagLine,
)
from analysis.predicting.span import solve_span
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Tackle:
    """What all cases on one rope share: rope, block and the rope's two lengths under way."""

    line: Line
    lead_m: ArrayLike
    fall_m: ArrayLike
    block: Sheave = field(default_factory=Sheave)
    anchor: Anchor | None = None
    fall_x: float = 0.0
    fall_z: float = -1.0

    def setup(self, body: Body, lead_n: ArrayLike, fall_over_lead: ArrayLike) -> Setup:
        """Hang a body plumb under the block, lead and fall at given tensions."""
        lead_n = np.asarray(lead_n, dtype=np.float64)
        return Setup(
            body=body,
            line=self.line,
            lead_m=unloaded_m(self.line, self.lead_m, lead_n),
            fall_m=unloaded_m(self.line, self.fall_m, lead_n * fall_over_lead),
            x_m=0.0,
            z_m=-np.asarray(self.lead_m, dtype=np.float64),
            block=self.block,
            anchor=self.anchor,
            fall_x=self.fall_x,
            fall_z=self.fall_z,
            start_fall_over_lead=fall_over_lead,
        )


def unloaded_m(line: Line, length_m: ArrayLike, tension_n: ArrayLike) -> FloatArray:
    """Length without load of a leg that has a length under a tension.

    Examples
    --------
    >>> round(float(unloaded_m(Line(1e5), 10.0, 1000.0)), 3)
    9.901
    """
    strain = line.curve.strain_at(np.asarray(tension_n) / np.asarray(line.ea_n))
    return np.asarray(np.asarray(length_m) / (1.0 + strain), dtype=np.float64)


def damping_time_s(
    damping_ratio: ArrayLike, stiffness_n_per_m: ArrayLike, mass_kg: ArrayLike
) -> FloatArray:
    """Time τ = c/k of the rope's damping, from ζ of the hanging piece: 2ζ/ω.

    Examples
    --------
    >>> float(damping_time_s(0.1, 400.0, 1.0))
    0.01
    """
    omega = np.sqrt(np.asarray(stiffness_n_per_m) / np.asarray(mass_kg))
    return np.asarray(2.0 * np.asarray(damping_ratio) / omega, dtype=np.float64)


def snubbed(tackle: Tackle, body: Body, fall_m: ArrayLike) -> Setup:
    """Start at the catch after a free fall, the device holding fast."""
    setup = tackle.setup(body, 0.0, 1.0)
    return replace(setup, vz_m_per_s=-np.sqrt(2.0 * G_M_PER_S2 * np.asarray(fall_m)))


def let_run(
    tackle: Tackle,
    body: Body,
    fall_m: ArrayLike,
    *,
    reaction_s: ArrayLike,
    brake_n: ArrayLike,
    loose_n: ArrayLike = 0.0,
    grip_s: ArrayLike = 0.02,
) -> Setup:
    """Start at the catch; the rope runs at a small force until the hand brakes.

    Parameters
    ----------
    tackle, body, fall_m
        As for :func:`snubbed`.
    reaction_s : array_like
        Time before the hand closes.
    brake_n, loose_n : array_like
        Tension at the device, hand × exp(μθ), above which the rope runs: closed, open.
    grip_s : array_like
        How long closing takes.
    """
    closed = np.asarray(reaction_s) + np.asarray(grip_s)
    hand = Profile((reaction_s, closed), (loose_n, brake_n))
    return replace(snubbed(tackle, body, fall_m), device=Device(slips_above_n=hand))


def lowered(
    tackle: Tackle, body: Body, efficiency_now: ArrayLike, pay_out_m_per_s: Profile
) -> Setup:
    """Start in steady lowering at the rate that the profile has at time 0."""
    weight = G_M_PER_S2 * np.asarray(body.mass_kg)
    setup = tackle.setup(body, weight, efficiency_now)
    rate = pay_out_m_per_s.at(np.zeros(1))
    speed = -rate * np.asarray(tackle.lead_m) / np.asarray(setup.lead_m)
    return replace(setup, vz_m_per_s=speed, device=Device(pay_out_m_per_s))


def brake_jerks(
    speed_m_per_s: float, jerks_s: tuple[float, ...], stop_s: float, hold_s: float
) -> Profile:
    """Steady paying out, stopped short at given times and let go on again.

    Examples
    --------
    >>> [float(brake_jerks(1.0, (2.0,), 0.1, 0.5).at(np.array(t))) for t in (1.0, 2.2, 3.0)]
    [1.0, 0.0, 1.0]
    """
    times, rates = [0.0], [speed_m_per_s]
    for jerk in jerks_s:
        times += [jerk, jerk + stop_s, jerk + stop_s + hold_s, jerk + 2 * stop_s + hold_s]
        rates += [speed_m_per_s, 0.0, 0.0, speed_m_per_s]
    return Profile(tuple(times), tuple(rates))


def swing(
    tackle: Tackle,
    body: Body,
    angle_rad: ArrayLike,
    *,
    tag: TagLine | None = None,
    hinge: Profile | None = None,
) -> Setup:
    """Start at rest with the lead at an angle from plumb, carrying W cos θ.

    The body's tie vector holds for the start.
    """
    weight = G_M_PER_S2 * np.asarray(body.mass_kg)
    angle = np.asarray(angle_rad, dtype=np.float64)
    setup = tackle.setup(body, weight * np.cos(angle), 1.0)
    lead = np.asarray(tackle.lead_m, dtype=np.float64)
    return replace(
        setup, x_m=-lead * np.sin(angle), z_m=-lead * np.cos(angle), tag=tag, hinge=hinge
    )


def release(
    tackle: Tackle,
    body: Body,
    share_carried: ArrayLike,
    *,
    fall_over_lead: ArrayLike = 1.0,
    hinge: Profile | None = None,
) -> Setup:
    """Start as a hinge lets go of a piece whose lead carries a share of the weight plumb."""
    weight = G_M_PER_S2 * np.asarray(body.mass_kg)
    setup = tackle.setup(body, np.asarray(share_carried) * weight, fall_over_lead)
    return replace(setup, hinge=hinge)


def span_release(
    tackle: Tackle,
    body: Body,
    share_carried: ArrayLike,
    *,
    span_m: ArrayLike,
    height_m: ArrayLike,
    rope_m: ArrayLike,
    block: Sheave,
    anchor: Anchor | None = None,
    fall_over_lead: ArrayLike = 1.0,
    hinge: Profile | None = None,
) -> Setup:
    """Start as a hinge lets go of a piece winched up in a span rig.

    Parameters
    ----------
    tackle : Tackle
        Rope and high block; its ``lead_m`` is not used.
    body : Body
        The piece.
    share_carried : array_like
        Vertical load over weight before.
    span_m, height_m, rope_m : array_like
        D, height of the high block above B, and rope between them while winched up.
    block : Sheave
        The piece's block.
    anchor : Anchor, optional
        Of B; rigid when not given.
    fall_over_lead : array_like
        1/η of the high block after raising.
    hinge : Profile, optional
        What is left of the hinge; gone at once when not given.
    """
    state = solve_span(
        span_m, height_m, rope_m,
        efficiency=block.efficiency, motion=1.0, by_angle=block.by_angle,
    )  # fmt: skip
    carried = np.asarray(share_carried) * G_M_PER_S2 * np.asarray(body.mass_kg)
    lead_n, standing_n = state.lead_share * carried, state.standing_share * carried
    span = Span(
        span_m,
        -np.asarray(height_m),
        unloaded_m(tackle.line, state.standing_m, standing_n),
        block,
        anchor,
    )
    return Setup(
        body=body,
        line=tackle.line,
        lead_m=unloaded_m(tackle.line, state.lead_m, lead_n),
        fall_m=unloaded_m(tackle.line, tackle.fall_m, lead_n * fall_over_lead),
        x_m=state.from_high_block_m,
        z_m=-state.depth_m,
        block=tackle.block,
        anchor=tackle.anchor,
        fall_x=tackle.fall_x,
        fall_z=tackle.fall_z,
        span=span,
        hinge=hinge,
        start_fall_over_lead=fall_over_lead,
    )


def staged_hinge(
    times_s: Sequence[ArrayLike], left: Sequence[ArrayLike], crack_s: float
) -> Profile:
    """Let a hinge give in stages: from each time on, a part of its hold is left.

    Examples
    --------
    >>> steps = staged_hinge((0.1, 0.5), (0.4, 0.0), 0.01)
    >>> [round(float(steps.at(np.array(t))), 2) for t in (0.0, 0.3, 0.6)]
    [1.0, 0.4, 0.0]
    """
    times: list[ArrayLike] = []
    values: list[ArrayLike] = []
    before: ArrayLike = 1.0
    for time, after in zip(times_s, left, strict=True):
        times += [time, np.asarray(time) + crack_s]
        values += [before, after]
        before = after
    return Profile(tuple(times), tuple(values))
