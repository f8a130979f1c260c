"""Forces and accelerations of a rig at one moment, for many simulations at once.

Comes in: a setup, places, speeds and unloaded lengths. Goes out: an :class:`Instant`.
Must not: step in time.

Notes
-----
Degrees of freedom, rows of (d, n) arrays: centre of mass x, z, turn; where an anchor gives
also high block x, z; anchor B x, z. Legs, rows of (k, n): fall, lead, in a span rig the
standing leg. Slips, rows of (k + 1, n): into each leg from the one before, and 0 out of
the last. Massless rope: a sheave passes rope at the rate that keeps its two tensions at the
ratio, or sticks.

Everything that there is once a leg or direction is one array over all of them, because the
price of a step is the number of calls, not the number of simulations.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.predicting.friction import efficiency_at_cos
from analysis.predicting.motion_rope import Legs, legs_state
from analysis.predicting.motion_setup import Anchor, Profile, Setup, TagLine
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]

FALL: Final = 0
LEAD: Final = 1
STANDING: Final = 2
"""Rows of the legs; the standing leg's only in a span rig."""

OUT: Final = 0
OVER: Final = 1
"""Rows of the slips: out of the device into the fall, over the high block into the lead."""

_SWEEPS: Final = 1
_SWEEPS_RUNNING: Final = 3
"""Passes over block, piece's block and device in each correction; more where the device slips."""


@dataclass(slots=True, eq=False)
class Instant:
    """What acts at one moment; arrays (n,) where not said otherwise.

    ``ways`` (a, 2, n) point from the high block, and from anchor B, to the tie.
    ``slip_m_per_s`` is (k + 1, n), ``acceleration`` (d, n). ``piece_n`` (2, n) is what the rope
    does to the piece.
    """

    legs: Legs
    ways: FloatArray
    slip_m_per_s: FloatArray
    piece_n: FloatArray
    acceleration: FloatArray
    hinge_w: FloatArray
    tag_w: FloatArray


class System:
    """A setup made ready: everything an array of n simulations."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        body, line, span = setup.body, setup.line, setup.span
        self.n = _size(setup)
        self.mass_kg = self.wide(body.mass_kg)
        self.turns = body.gyration_m is not None
        gyration = 1.0 if body.gyration_m is None else body.gyration_m
        self.inertia_kg_m2 = self.mass_kg * self.wide(gyration) ** 2
        self.tie = self.rows(body.tie_x_m, body.tie_z_m)
        self.ea_n, self.tau_s = self.wide(line.ea_n), self.wide(line.tau_s)
        self.curve = line.curve
        self.lines = 1 if span is None else 2
        self.gives = any(self.anchors)
        self._zero = np.zeros(self.n)
        self._from = np.zeros((self.lines, 2, self.n))
        if span is not None:
            self._from[1] = self.rows(span.x_m, span.z_m)
        self.fall_way = np.array([[setup.fall_x], [setup.fall_z]])
        self._device_rests = setup.device.slips_above_n is None and _is_zero(
            setup.device.pay_out_m_per_s
        )
        self._ready_sheaves()
        self._start()
        self._ready_springs()
        self.hinge_hold = np.zeros((3, self.n))
        self._balance()

    def wide(self, value: ArrayLike) -> FloatArray:
        """Give a number as one for each simulation."""
        return np.array(np.broadcast_to(np.asarray(value, dtype=np.float64), (self.n,)))

    def rows(self, *values: ArrayLike) -> FloatArray:
        """Give numbers as rows, one for each simulation."""
        return np.stack([self.wide(value) for value in values])

    def _ready_sheaves(self) -> None:
        setup = self.setup
        sheaves = [setup.block] if setup.span is None else [setup.block, setup.span.block]
        self._efficiency = self.rows(*(sheave.efficiency for sheave in sheaves))
        self._as_given = [i for i, sheave in enumerate(sheaves) if not sheave.by_angle]
        self._ratios = self._efficiency

    def _ready_springs(self) -> None:
        """Anchors as (2, 1, n): stiffness, damping and 1/mass; all 0 for a rigid one."""
        parts = [
            (a.stiffness_n_per_m, self.anchor_damping(a), 1.0 / np.asarray(a.mass_kg))
            if a
            else (0.0, 0.0, 0.0)
            for a in self.anchors
        ]
        self._spring = tuple(self.rows(*part)[:, None] for part in zip(*parts, strict=True))
        self.rest = np.zeros((2, 2, self.n))

    def _start(self) -> None:
        setup, span = self.setup, self.setup.span
        self.place = np.zeros((7 if self.gives else 3, self.n))
        self.speed = np.zeros_like(self.place)
        self.place[:2] = self.rows(setup.x_m, setup.z_m) - self.tie
        self.speed[:3] = self.rows(setup.vx_m_per_s, setup.vz_m_per_s, setup.spin_rad_per_s)
        standing = () if span is None else (span.standing_m,)
        self.unloaded_m = self.rows(setup.fall_m, setup.lead_m, *standing)
        self._length = np.empty_like(self.unloaded_m)
        self._rate = np.zeros_like(self.unloaded_m)
        self.fall_length_m = self.unloaded_m[FALL] + self._stretch_of_fall()
        self._length[FALL] = self.fall_length_m

    def _stretch_of_fall(self) -> FloatArray:
        """Stretch that puts the fall at the tension that the lead has at the start."""
        lead_m = np.hypot(*(self.place[:2] + self.tie))
        strain = np.maximum(lead_m / self.unloaded_m[LEAD] - 1.0, 0.0)
        tension, _ = self.curve.at(strain)
        fall = self.curve.strain_at(tension * self.wide(self.setup.start_fall_over_lead))
        return np.asarray(self.unloaded_m[FALL] * fall * (tension > 0.0))

    def _balance(self) -> None:
        """Let the anchors give for the load at the start, and the hinge hold the piece."""
        still = np.zeros_like(self.speed)
        now = self.at(self._zero, self.place, still, self.unloaded_m, self.no_slip(), self._zero)
        if self.gives:
            stiff = np.where(self._spring[0] > 0.0, self._spring[0], 1.0)
            self.rest = -self._anchor_loads(now.legs, now.ways) / stiff
        if self.setup.hinge is not None:
            inertia = np.stack([self.mass_kg, self.mass_kg, self.inertia_kg_m2])
            self.hinge_hold = -now.acceleration[:3] * inertia

    def no_slip(self) -> FloatArray:
        """Give slips of 0, (k + 1, n)."""
        return np.zeros((self.lines + 2, self.n))

    @property
    def anchors(self) -> tuple[Anchor | None, Anchor | None]:
        """Anchor of the high block, and B."""
        span = self.setup.span
        return self.setup.anchor, span.anchor if span else None

    def turned(self, turn: FloatArray, at: FloatArray) -> FloatArray:
        """Turn a vector (2, n) that is fixed in the body."""
        if not self.turns:
            return at
        cos, sin = np.cos(turn), np.sin(turn)
        return np.stack([at[0] * cos - at[1] * sin, at[0] * sin + at[1] * cos])

    def _to_tie(self, q: FloatArray, arm: FloatArray) -> FloatArray:
        """Vectors (a, 2, n) from the high block, and from B, to the tie."""
        base = self._from
        if self.gives:
            base = base + q[3:].reshape(2, 2, self.n)[: self.lines]
        return np.asarray(q[:2] + arm - base)

    def _tie_speed(self, v: FloatArray, arm: FloatArray) -> FloatArray:
        """Speed of the tie, (2, n), or seen from anchors that move, (a, 2, n)."""
        speed = v[:2]
        if self.turns:
            speed = speed + v[2] * np.stack([-arm[1], arm[0]])
        if self.gives:
            return np.asarray(speed - v[3:].reshape(2, 2, self.n)[: self.lines])
        return np.asarray(speed)

    def at(
        self,
        time_s: FloatArray,
        q: FloatArray,
        v: FloatArray,
        unloaded_m: FloatArray,
        slip: FloatArray,
        ahead_s: FloatArray,
        *,
        again: bool = False,
    ) -> Instant:
        """Compute everything at one moment.

        Parameters
        ----------
        time_s : (n,) ndarray
            Of the moment.
        q, v : (d, n) ndarray
            Places and speeds then.
        unloaded_m : (k, n) ndarray
            Unloaded lengths ``ahead_s`` earlier.
        slip : (k + 1, n) ndarray
            Slips to start from.
        ahead_s : (n,) ndarray
            Time over which the slips act before the moment.
        again : bool
            A correction of the same moment: the wrap angles at the blocks hardly differ, so
            their friction is kept.

        Returns
        -------
        Instant
        """
        arm = self.turned(q[2], self.tie)
        to_tie = self._to_tie(q, arm)
        length, rate = self._length, self._rate
        long = np.hypot(to_tie[:, 0], to_tie[:, 1], out=length[LEAD:])
        ways = to_tie / long[:, None]
        np.add.reduce(self._tie_speed(v, arm) * ways, axis=1, out=rate[LEAD:])
        if self.gives:
            length[FALL] = self._fall_m(q)
            rate[FALL] = -np.add.reduce(self.fall_way * v[3:5])
        fed = self.fed(slip)
        unloaded = unloaded_m + ahead_s * fed
        legs = legs_state(self.curve, self.ea_n, self.tau_s, length, rate, unloaded, fed, ahead_s)
        if not again:
            self._ratios = self._ratios_at(ways)
        new = self._slips(time_s, legs, slip)
        piece_n = -np.add.reduce(legs.tension_n[LEAD:, None] * ways)
        now = Instant(legs, ways, new, piece_n, np.zeros(q.shape), self._zero, self._zero)
        self._accelerate(now, time_s, q, v, arm)
        return now

    def _fall_m(self, q: FloatArray) -> FloatArray:
        if not self.gives:
            return np.asarray(self.fall_length_m)
        return np.asarray(self.fall_length_m - np.add.reduce(self.fall_way * q[3:5]))

    def leg_lengths_m(self, q: FloatArray) -> FloatArray:
        """Lengths of the legs, (k, n)."""
        to_tie = self._to_tie(q, self.turned(q[2], self.tie))
        return np.concatenate([self._fall_m(q)[None], np.hypot(to_tie[:, 0], to_tie[:, 1])])

    @staticmethod
    def fed(slip: FloatArray) -> FloatArray:
        """Rate of each leg's unloaded length from the slips, (k, n)."""
        return np.asarray(slip[:-1] - slip[1:])

    def _ratios_at(self, ways: FloatArray) -> FloatArray:
        """Low over high tension at high block and piece's block, (a, n)."""
        cos = np.empty((self.lines, self.n))
        np.add.reduce(ways[0] * self.fall_way, out=cos[0])
        if self.lines > 1:
            np.add.reduce(ways[0] * ways[1], out=cos[1])
        ratios = efficiency_at_cos(self._efficiency, -cos)
        for i in self._as_given:
            ratios[i] = self._efficiency[i]
        return ratios

    def _slips(self, time_s: FloatArray, legs: Legs, slip: FloatArray) -> FloatArray:
        new = slip.copy()
        runs = self.setup.device.slips_above_n is not None
        for _ in range(_SWEEPS_RUNNING if runs else _SWEEPS):
            if not self._device_rests:
                paid = self._paid_out(time_s, legs, new[OUT])
                legs.feed(FALL, paid - new[OUT])
                new[OUT] = paid
            legs.slip(self._ratios, new[OVER:-1])
        return new

    def _paid_out(self, time_s: FloatArray, legs: Legs, now: FloatArray) -> FloatArray:
        """Rate at which the device lets rope into the fall."""
        device = self.setup.device
        planned = device.pay_out_m_per_s.at(time_s)
        if device.slips_above_n is None:
            return planned
        fall_n, give = legs.tension_n[FALL], legs.give_n_s_per_m[FALL]
        free = fall_n + give * now - device.slips_above_n.at(time_s)
        return np.where(fall_n > 0.0, np.maximum(planned, free / (give + 1e-30)), planned)

    def _accelerate(
        self, now: Instant, time_s: FloatArray, q: FloatArray, v: FloatArray, arm: FloatArray
    ) -> None:
        force, setup = now.piece_n, self.setup
        moment = arm[0] * force[1] - arm[1] * force[0] if self.turns else self._zero
        if setup.hinge is not None:
            hold = self.hinge_hold * setup.hinge.at(time_s)
            force, moment = force + hold[:2], moment + hold[2]
            now.hinge_w = np.add.reduce(hold * v[:3])
        if setup.tag is not None:
            pull, turn, now.tag_w = self._tag(setup.tag, time_s, q, v)
            force, moment = force + pull, moment + turn
        np.divide(force, self.mass_kg, out=now.acceleration[:2])
        now.acceleration[1] -= G_M_PER_S2
        if self.turns:
            now.acceleration[2] = moment / self.inertia_kg_m2
        if self.gives:
            stiff, damping, per_mass = self._spring
            x, u = (z[3:].reshape(2, 2, self.n) for z in (q, v))
            load = self._anchor_loads(now.legs, now.ways) - stiff * (x - self.rest) - damping * u
            now.acceleration[3:] = (load * per_mass).reshape(4, self.n)

    def _tag(
        self, tag: TagLine, time_s: FloatArray, q: FloatArray, v: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Give force (2, n), moment about the centre of mass, and power."""
        arm = self.turned(q[2], self.rows(tag.at_x_m, tag.at_z_m))
        x, z = self.rows(tag.to_x_m, tag.to_z_m) - q[:2] - arm
        pull = tag.force_n.at(time_s) / np.sqrt(x * x + z * z)
        fx, fz = pull * x, pull * z
        power = fx * (v[0] - v[2] * arm[1]) + fz * (v[1] + v[2] * arm[0])
        return np.stack([fx, fz]), arm[0] * fz - arm[1] * fx, power

    def _anchor_loads(self, legs: Legs, ways: FloatArray) -> FloatArray:
        """Give the loads on high block and B, (2, 2, n)."""
        loads = np.zeros((2, 2, self.n))
        loads[: self.lines] = legs.tension_n[LEAD:, None] * ways
        loads[0] += legs.tension_n[FALL] * self.fall_way
        return loads

    def anchor_damping(self, anchor: Anchor) -> FloatArray:
        """Damping force of an anchor per metre a second."""
        k, m = self.wide(anchor.stiffness_n_per_m), self.wide(anchor.mass_kg)
        return np.asarray(2.0 * np.asarray(anchor.damping_ratio) * np.sqrt(k * m))


def _is_zero(profile: Profile) -> bool:
    return all(not np.any(value) for value in profile.value)


def _size(setup: Setup) -> int:
    """Count the simulations: the longest of the numbers that differ between them."""
    line, body = setup.line, setup.body
    given = [
        body.mass_kg, body.gyration_m, body.tie_x_m, body.tie_z_m, line.ea_n, line.tau_s,
        setup.lead_m, setup.fall_m, setup.x_m, setup.z_m, setup.vx_m_per_s, setup.vz_m_per_s,
        setup.spin_rad_per_s, setup.block.efficiency,
    ]  # fmt: skip
    if setup.span is not None:
        given += [setup.span.block.efficiency, setup.span.standing_m]
    for profile in (setup.hinge, setup.device.slips_above_n, setup.device.pay_out_m_per_s):
        if profile is not None:
            given += [*profile.time_s, *profile.value]
    return max(np.size(value) for value in given if value is not None)
