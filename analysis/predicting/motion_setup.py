"""What a simulation starts from: piece, rope, sheaves, anchors, hinge, device, tag line.

Comes in: numbers or arrays in SI. Goes out: frozen descriptions that ``motion`` steps in
time. Must not: step, draw random numbers or know about records.

Notes
-----
Planar: x horizontal, z up, origin at the high block's place without load. Every number may
be an array of one shape (n,): n simulations side by side.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.predicting.motion_rope import RopeCurve

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Profile:
    """A value against time: straight lines between (time, value), level outside.

    Each time and value may be an array, one for each simulation.
    """

    time_s: tuple[ArrayLike, ...]
    value: tuple[ArrayLike, ...]

    @classmethod
    def level(cls, value: ArrayLike) -> Profile:
        """Make one that does not change."""
        return cls((0.0,), (value,))

    def at(self, time_s: FloatArray) -> FloatArray:
        """Give the value at a time.

        Examples
        --------
        >>> ramp = Profile((1.0, 2.0), (10.0, 30.0))
        >>> [float(ramp.at(np.array(t))) for t in (0.0, 1.5, 9.0)]
        [10.0, 20.0, 30.0]
        """
        found = np.asarray(self.value[0], dtype=np.float64) + np.zeros_like(time_s)
        for i in range(len(self.time_s) - 1):
            start, end = np.asarray(self.time_s[i]), np.asarray(self.time_s[i + 1])
            part = np.clip((time_s - start) / (end - start), 0.0, 1.0)
            found = found + part * (np.asarray(self.value[i + 1]) - np.asarray(self.value[i]))
        return found


@dataclass(frozen=True, slots=True, eq=False)
class Body:
    """The piece. Without a radius of gyration it is a point at its tie.

    ``tie_x_m`` and ``tie_z_m`` lead from the centre of mass to the tie, in the directions
    that the piece has at the start.
    """

    mass_kg: ArrayLike
    gyration_m: ArrayLike | None = None
    tie_x_m: ArrayLike = 0.0
    tie_z_m: ArrayLike = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """The rope: curve, stiffness EA, and τ = c/k of its damping."""

    ea_n: ArrayLike
    tau_s: ArrayLike = 0.0
    curve: RopeCurve = field(default_factory=RopeCurve.straight)


@dataclass(frozen=True, slots=True, eq=False)
class Sheave:
    """A contact: η for a half turn, or a ratio whatever the angle."""

    efficiency: ArrayLike = 1.0
    by_angle: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Anchor:
    """An anchor that gives, equally all ways: a mass on a spring with damping."""

    stiffness_n_per_m: ArrayLike
    mass_kg: ArrayLike
    damping_ratio: ArrayLike = 0.05


@dataclass(frozen=True, slots=True, eq=False)
class TagLine:
    """A hand that pulls at the piece towards a fixed place."""

    force_n: Profile
    to_x_m: ArrayLike
    to_z_m: ArrayLike
    at_x_m: ArrayLike = 0.0
    at_z_m: ArrayLike = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class Span:
    """The far end of a span rig: anchor B, the piece's block, the standing leg."""

    x_m: ArrayLike
    z_m: ArrayLike
    standing_m: ArrayLike
    block: Sheave = field(default_factory=Sheave)
    anchor: Anchor | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Device:
    """What holds the fall: rope paid out as planned, and more when it slips.

    ``pay_out_m_per_s`` is negative for a winch that takes in; above ``slips_above_n``
    (hand × exp(μθ)) the rope runs so that the fall keeps that tension.
    """

    pay_out_m_per_s: Profile = field(default_factory=lambda: Profile.level(0.0))
    slips_above_n: Profile | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Setup:
    """A rig and a piece at the start.

    ``lead_m`` and ``fall_m`` are lengths without load. The fall points along
    (``fall_x``, ``fall_z``) from the high block; a part out of the plane is what is
    missing to 1. ``hinge`` is the part of the hinge's hold that is left: force and moment
    of the hinge are those that kept the piece still at the start.
    ``start_fall_over_lead`` is the ratio of tensions then: 1/η after raising.
    """

    body: Body
    line: Line
    lead_m: ArrayLike
    fall_m: ArrayLike
    x_m: ArrayLike
    z_m: ArrayLike
    vx_m_per_s: ArrayLike = 0.0
    vz_m_per_s: ArrayLike = 0.0
    spin_rad_per_s: ArrayLike = 0.0
    block: Sheave = field(default_factory=Sheave)
    anchor: Anchor | None = None
    fall_x: float = 0.0
    fall_z: float = -1.0
    span: Span | None = None
    device: Device = field(default_factory=Device)
    hinge: Profile | None = None
    tag: TagLine | None = None
    start_fall_over_lead: ArrayLike = 1.0
