"""Forces and accelerations of a rig at one moment, for many simulations at once.

Comes in: a setup, places, speeds and unloaded lengths. Goes out: an :class:`Instant`.
Must not: step in time.

Notes
-----
Degrees of freedom, rows of (7, n) arrays: centre of mass x, z, turn; high block x, z;
anchor B x, z. Slips, rows of (3, n): over the high block (fall → lead), over the piece's
block (lead → standing), at the device (into the fall). Massless rope: a sheave passes rope
at the rate that keeps its two tensions at the ratio, or sticks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.predicting.friction import efficiency_at_cos
from analysis.predicting.motion_rope import Leg, leg_state, slip_rate
from analysis.predicting.motion_setup import Anchor, Setup, Sheave, TagLine
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]

_SWEEPS: Final = 1
_SWEEPS_RUNNING: Final = 3
"""Passes over block, piece's block and device in each correction; more where the device slips."""


@dataclass(slots=True, eq=False)
class Instant:
    """What acts at one moment; arrays (n,) where not said otherwise.

    ``lead_x``, ``lead_z`` point from the high block to the tie, ``standing_x``,
    ``standing_z`` from anchor B to it. ``slip_m_per_s`` is (3, n), ``acceleration`` (7, n).
    ``piece_x_n``, ``piece_z_n`` is what the rope does to the piece.
    """

    lead: Leg
    fall: Leg
    standing: Leg | None
    lead_x: FloatArray
    lead_z: FloatArray
    cos_included: FloatArray
    slip_m_per_s: FloatArray
    piece_x_n: FloatArray
    piece_z_n: FloatArray
    acceleration: FloatArray
    hinge_w: FloatArray
    tag_w: FloatArray

    @property
    def block_n(self) -> FloatArray:
        """Load in the high block's sling."""
        lead, fall = self.lead.tension_n, self.fall.tension_n
        square = lead**2 + fall**2 + 2.0 * lead * fall * self.cos_included
        return np.asarray(np.sqrt(np.maximum(square, 0.0)))


@dataclass(slots=True, eq=False)
class _Line:
    """Straight way from an anchor to the tie: length, its rate, direction."""

    length: FloatArray
    rate: FloatArray
    x: FloatArray
    z: FloatArray


class System:
    """A setup made ready: everything an array of n simulations."""

    def __init__(self, setup: Setup) -> None:
        self.setup = setup
        body, line = setup.body, setup.line
        self.n = _size(setup)
        self.mass_kg = self.wide(body.mass_kg)
        self.turns = body.gyration_m is not None
        gyration = 1.0 if body.gyration_m is None else body.gyration_m
        self.inertia_kg_m2 = self.mass_kg * self.wide(gyration) ** 2
        self.tie = (self.wide(body.tie_x_m), self.wide(body.tie_z_m))
        self.ea_n, self.tau_s = self.wide(line.ea_n), self.wide(line.tau_s)
        self.curve = line.curve
        self.span = setup.span
        self.place = np.zeros((7, self.n))
        self.speed = np.zeros((7, self.n))
        self.unloaded_m = np.ones((3, self.n))
        self._start()
        self.rest_x = self.rest_z = np.zeros((2, self.n))
        self.hinge_hold = np.zeros((3, self.n))
        self._zero = np.zeros(self.n)
        self._ratios: tuple[FloatArray, FloatArray] = (self._zero, self._zero)
        self._springs = [
            (self.wide(a.stiffness_n_per_m), self.wide(a.mass_kg), self.anchor_damping(a))
            if a
            else (self._zero, self._zero, self._zero)
            for a in self.anchors
        ]
        self._balance()

    def wide(self, value: ArrayLike) -> FloatArray:
        """Give a number as one for each simulation."""
        return np.array(np.broadcast_to(np.asarray(value, dtype=np.float64), (self.n,)))

    def _start(self) -> None:
        setup = self.setup
        self.place[0] = self.wide(setup.x_m) - self.tie[0]
        self.place[1] = self.wide(setup.z_m) - self.tie[1]
        self.speed[0] = self.wide(setup.vx_m_per_s)
        self.speed[1] = self.wide(setup.vz_m_per_s)
        self.speed[2] = self.wide(setup.spin_rad_per_s)
        self.unloaded_m[0] = self.wide(setup.lead_m)
        self.fall_start_m = self.wide(setup.fall_m)
        self.unloaded_m[1] = self.fall_start_m
        if self.span is not None:
            self.unloaded_m[2] = self.wide(self.span.standing_m)
            self.far = (self.wide(self.span.x_m), self.wide(self.span.z_m))
        self.fall_length_m = self.fall_start_m + self._stretch_of_fall()

    def _stretch_of_fall(self) -> FloatArray:
        """Stretch that puts the fall at the tension that the lead has at the start."""
        lead = self._line(self.place, self.speed, 3, (0.0, 0.0))
        strain = np.maximum(lead.length / self.unloaded_m[0] - 1.0, 0.0)
        tension, _ = self.curve.at(strain)
        fall = self.curve.strain_at(tension * self.wide(self.setup.start_fall_over_lead))
        return np.asarray(self.fall_start_m * fall * (tension > 0.0))

    def _balance(self) -> None:
        """Let the anchors give for the load at the start, and the hinge hold the piece."""
        still = np.zeros_like(self.speed)
        nothing = np.zeros(self.n)
        now = self.at(nothing, self.place, still, self.unloaded_m, np.zeros((3, self.n)), nothing)
        loads = -self._anchor_loads(now)
        stiff = [a.stiffness_n_per_m if a else 1.0 for a in self.anchors]
        wide = np.stack([self.wide(k) for k in stiff])
        self.rest_x, self.rest_z = loads[0] / wide, loads[1] / wide
        if self.setup.hinge is not None:
            self.hinge_hold = -now.acceleration[:3] * np.stack(
                [self.mass_kg, self.mass_kg, self.inertia_kg_m2]
            )

    @property
    def anchors(self) -> tuple[Anchor | None, Anchor | None]:
        """Anchor of the high block, and B."""
        return self.setup.anchor, self.span.anchor if self.span else None

    def offset_of(
        self, turn: FloatArray, at: tuple[FloatArray, FloatArray]
    ) -> tuple[FloatArray, FloatArray]:
        """Turn a vector that is fixed in the body."""
        if not self.turns:
            return at
        cos, sin = np.cos(turn), np.sin(turn)
        return at[0] * cos - at[1] * sin, at[0] * sin + at[1] * cos

    def _line(
        self,
        q: FloatArray,
        v: FloatArray,
        row: int,
        base: tuple[ArrayLike, ArrayLike],
        arm: tuple[FloatArray, FloatArray] | None = None,
    ) -> _Line:
        rx, rz = arm or self.offset_of(q[2], self.tie)
        x = q[0] + rx - q[row] - base[0]
        z = q[1] + rz - q[row + 1] - base[1]
        vx = v[0] - v[2] * rz - v[row]
        vz = v[1] + v[2] * rx - v[row + 1]
        length = np.sqrt(x * x + z * z)
        ux, uz = x / length, z / length
        return _Line(length, vx * ux + vz * uz, ux, uz)

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
        q, v : (7, n) ndarray
            Places and speeds then.
        unloaded_m : (3, n) ndarray
            Unloaded lengths ``ahead_s`` earlier.
        slip : (3, n) ndarray
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
        zero = self._zero
        arm = self.offset_of(q[2], self.tie)
        lead = self._line(q, v, 3, (0.0, 0.0), arm)
        setup = self.setup
        fall_m = self._fall_m(q)
        fall_rate = -setup.fall_x * v[3] - setup.fall_z * v[4]
        far = None if self.span is None else self._line(q, v, 5, self.far, arm)
        fed = self.fed(slip)
        length = unloaded_m + ahead_s * fed
        legs = [
            leg_state(
                self.curve, self.ea_n, self.tau_s, long, rate, length[i], fed[i], ahead_s
            )
            for i, (long, rate) in enumerate(
                [(lead.length, lead.rate), (fall_m, fall_rate)]
                + ([] if far is None else [(far.length, far.rate)])
            )
        ]  # fmt: skip
        standing = legs[2] if far is not None else None
        cos_a = lead.x * setup.fall_x + lead.z * setup.fall_z
        cos_p = zero if far is None else lead.x * far.x + lead.z * far.z
        if not again:
            far_block = None if self.span is None else self.span.block
            self._ratios = (_ratio(setup.block, cos_a), _ratio(far_block, cos_p))
        new = self._slips(time_s, legs, slip)
        px, pz = -legs[0].tension_n * lead.x, -legs[0].tension_n * lead.z
        if far is not None and standing is not None:
            px = px - standing.tension_n * far.x
            pz = pz - standing.tension_n * far.z
        now = Instant(
            legs[0], legs[1], standing, lead.x, lead.z, cos_a, new, px, pz,
            np.zeros_like(q), zero, zero,
        )  # fmt: skip
        self._accelerate(now, time_s, q, v, arm)
        if far is not None:
            self._move_far(now, far, q, v)
        return now

    def _fall_m(self, q: FloatArray) -> FloatArray:
        moved = self.setup.fall_x * q[3] + self.setup.fall_z * q[4]
        return np.asarray(self.fall_length_m - moved)

    def leg_lengths_m(self, q: FloatArray) -> list[FloatArray]:
        """Lengths of lead, fall and (span rig) standing leg."""
        still = np.zeros_like(q)
        lengths = [self._line(q, still, 3, (0.0, 0.0)).length, self._fall_m(q)]
        if self.span is not None:
            lengths.append(self._line(q, still, 5, self.far).length)
        return lengths

    @staticmethod
    def fed(slip: FloatArray) -> FloatArray:
        """Rate of each leg's unloaded length from the slips."""
        return np.stack([slip[0] - slip[1], slip[2] - slip[0], slip[1]])

    def _slips(
        self,
        time_s: FloatArray,
        legs: list[Leg],
        slip: FloatArray,
    ) -> FloatArray:
        ratio_a, ratio_p = self._ratios
        planned = self.setup.device.pay_out_m_per_s.at(time_s)
        cap = self.setup.device.slips_above_n
        cap_n = None if cap is None else cap.at(time_s)
        new = slip.copy()
        lead, fall = legs[0], legs[1]
        for _ in range(_SWEEPS if cap_n is None else _SWEEPS_RUNNING):
            paid = planned
            if cap_n is not None:
                free = fall.tension_n + fall.give_n_s_per_m * new[2] - cap_n
                paid = np.maximum(planned, free / (fall.give_n_s_per_m + 1e-30))
                paid = np.where(fall.tension_n > 0.0, paid, planned)
            fall.feed(paid - new[2])
            new[2] = paid
            over = slip_rate(fall, lead, ratio_a, new[0])
            lead.feed(over - new[0])
            fall.feed(new[0] - over)
            new[0] = over
            if self.span is not None:
                through = slip_rate(lead, legs[2], ratio_p, new[1])
                legs[2].feed(through - new[1])
                lead.feed(new[1] - through)
                new[1] = through
        return new

    def _accelerate(
        self,
        now: Instant,
        time_s: FloatArray,
        q: FloatArray,
        v: FloatArray,
        arm: tuple[FloatArray, FloatArray],
    ) -> None:
        rx, rz = arm
        fx, fz = now.piece_x_n.copy(), now.piece_z_n.copy()
        moment = rx * fz - rz * fx
        setup = self.setup
        if setup.hinge is not None:
            left = setup.hinge.at(time_s)
            hold = self.hinge_hold * left
            fx, fz, moment = fx + hold[0], fz + hold[1], moment + hold[2]
            now.hinge_w = hold[0] * v[0] + hold[1] * v[1] + hold[2] * v[2]
        if setup.tag is not None:
            tx, tz, turn, power = self._tag(setup.tag, time_s, q, v)
            fx, fz, moment = fx + tx, fz + tz, moment + turn
            now.tag_w = power
        now.acceleration[0] = fx / self.mass_kg
        now.acceleration[1] = fz / self.mass_kg - G_M_PER_S2
        if self.turns:
            now.acceleration[2] = moment / self.inertia_kg_m2
        if setup.anchor is not None:
            lead, fall = now.lead.tension_n, now.fall.tension_n
            load = (
                lead * now.lead_x + fall * setup.fall_x,
                lead * now.lead_z + fall * setup.fall_z,
            )
            self._spring(now, 0, load, q, v)

    def _tag(
        self, tag: TagLine, time_s: FloatArray, q: FloatArray, v: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Give force (x, z), moment about the centre of mass, and power."""
        at = (self.wide(tag.at_x_m), self.wide(tag.at_z_m))
        rx, rz = self.offset_of(q[2], at)
        x, z = tag.to_x_m - q[0] - rx, tag.to_z_m - q[1] - rz
        pull = tag.force_n.at(time_s) / np.sqrt(x * x + z * z)
        fx, fz = pull * x, pull * z
        power = fx * (v[0] - v[2] * rz) + fz * (v[1] + v[2] * rx)
        return fx, fz, rx * fz - rz * fx, power

    def _anchor_loads(self, now: Instant) -> FloatArray:
        """Compute the loads on high block and B, (2 directions, 2 anchors, n)."""
        lead, fall = now.lead.tension_n, now.fall.tension_n
        ax = lead * now.lead_x + fall * self.setup.fall_x
        az = lead * now.lead_z + fall * self.setup.fall_z
        bx = lead * -now.lead_x - now.piece_x_n
        bz = lead * -now.lead_z - now.piece_z_n
        return np.stack([np.stack([ax, bx]), np.stack([az, bz])])

    def anchor_damping(self, anchor: Anchor) -> FloatArray:
        """Damping force of an anchor per metre a second."""
        k, m = self.wide(anchor.stiffness_n_per_m), self.wide(anchor.mass_kg)
        return np.asarray(2.0 * np.asarray(anchor.damping_ratio) * np.sqrt(k * m))

    def _spring(
        self,
        now: Instant,
        which: int,
        load: tuple[FloatArray, FloatArray],
        q: FloatArray,
        v: FloatArray,
    ) -> None:
        k, m, c = self._springs[which]
        row = 3 + 2 * which
        rest = (self.rest_x[which], self.rest_z[which])
        for i in range(2):
            spring = k * (q[row + i] - rest[i])
            now.acceleration[row + i] = (load[i] - spring - c * v[row + i]) / m

    def _move_far(self, now: Instant, far: _Line, q: FloatArray, v: FloatArray) -> None:
        anchor = self.anchors[1]
        if anchor is None or now.standing is None:
            return
        load = now.standing.tension_n
        self._spring(now, 1, (load * far.x, load * far.z), q, v)


def _ratio(sheave: Sheave | None, cos_included: FloatArray) -> FloatArray:
    if sheave is None:
        return cos_included
    if not sheave.by_angle:
        return np.asarray(sheave.efficiency, dtype=np.float64)
    return efficiency_at_cos(sheave.efficiency, -cos_included)


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
