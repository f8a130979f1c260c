"""One lowering in time: a rigid piece in the plane, on its rope, from hinge to ground.

Comes in: a ``Lowering`` with its true weight. Goes out: the force at every station on a
fixed time grid, and when what happened. Must not: know about cells, counts or noise.

Notes
-----
Leapfrog (drift, kick, drift) with a fixed step; rope slip over the sheaves is solved
within each step (``ropepath``), so friction is rate-independent and can stick.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.simcell.ropepath import Leg, RopeCurve, Sheave, pay_out, run_over
from logger.simcell.scenario import Lowering, ScenarioError, StationName

STANDARD_GRAVITY_M_PER_S2 = 9.80665
SLACK_N = 1.0
SLACK_HOLD_S = 0.15
LONGEST_DOWN_S = 6.0
GROUND_SINK_M = 0.04
HAND_HZ = 2.3
TOUCH_RISE_S = 0.05
MAX_SWEEPS = 20
STILL_ROPE_M = 2e-7

FloatArray = NDArray[np.float64]
STATIONS: tuple[StationName, ...] = ("piece", "lead", "fall", "standing", "high_block")


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Force at the stations from the first load on, and the moments of the lowering.

    ``force_n[station] : (n,) float64``, newtons, on a grid of ``step_s``. Times in
    seconds from its start; ``fall_height_m`` is what the centre of mass fell freely.
    """

    step_s: float
    force_n: dict[StationName, FloatArray]
    release_s: float
    down_s: float
    touch_s: float
    run_m: float
    share_at_release: float


def smooth_step(x: float) -> float:
    """Rise from 0 to 1 between x = 0 and 1 with level ends.

    Examples
    --------
    >>> smooth_step(-1.0), smooth_step(0.5), smooth_step(2.0)
    (0.0, 0.5, 1.0)
    """
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    return x * x * (3.0 - 2.0 * x)


def pretension_stairs(lowering: Lowering, step_s: float) -> FloatArray:
    """Vertical force at the piece while it is tensioned on its hinge.

    Returns
    -------
    (n,) float64
        Newtons: strokes with pawl fall-backs, then creep down to ``force_n``.
    """
    table = lowering.pretension
    if table.force_n <= 0.0:
        return np.zeros(0)
    top = table.force_n * (1.0 + table.creep)
    stroke = np.linspace(0.0, 1.0, max(2, round(table.stroke_s / step_s)), endpoint=False)
    rise = np.clip(stroke / 0.6, 0.0, 1.0)
    rise = rise * rise * (3.0 - 2.0 * rise)
    back = np.clip((stroke - 0.65) / 0.12, 0.0, 1.0)
    step_n = top / table.strokes
    parts = [
        k * step_n + step_n * ((1.0 + table.fall_back) * rise - table.fall_back * back)
        for k in range(table.strokes)
    ]
    settle = np.linspace(0.0, 1.0, max(2, round(table.settle_s / step_s)))
    decay = (1.0 - np.exp(-4.0 * settle)) / (1.0 - math.exp(-4.0))
    parts.append(table.force_n * (1.0 + table.creep * (1.0 - decay)))
    return np.concatenate(parts)


class Motion:
    """State of piece and rope; ``advance`` makes one step."""

    def __init__(self, lowering: Lowering, step_s: float) -> None:
        self.plan = lowering
        self.step_s = step_s
        self.mass_kg = lowering.weight_n / STANDARD_GRAVITY_M_PER_S2
        self.inertia_kg_m2 = self.mass_kg * lowering.body.gyration_m**2
        rig, curve = lowering.rig, lowering.rope
        self.curve = RopeCurve(curve.stiffness_n, curve.stiffening, curve.viscosity_s)
        self.block = Sheave(rig.efficiency, rig.light_efficiency, rig.scale_n)
        self.piece_block = Sheave(rig.piece_efficiency, rig.piece_light_efficiency, rig.scale_n)
        self.end = (rig.span_m, -rig.end_below_m)
        self.standing: Leg | None = None
        self.x = self.z = self.turn = 0.0
        self.vx = self.vz = self.spin = 0.0
        self.pull_x = self.pull_z = self.block_n = 0.0
        self.holding_n: float | None = None
        self.pay_m_per_s = 0.0
        self.paid_m = 0.0
        self.ground_z: float | None = None
        self.touched = False
        self.since_touch_s: float | None = None
        self._lay_rope()
        self._turn_and_reach()
        self._pull()
        self.hinge = (-self.pull_x, lowering.weight_n - self.pull_z, -self._moment())

    def _lay_rope(self) -> None:
        plan, rig = self.plan, self.plan.rig
        if plan.method == "span_rig":
            tie_x, tie_z = rig.piece_x_m, -rig.piece_below_m
            self._lay_span(tie_x, tie_z)
        else:
            angle, start_n = plan.release.angle_rad, plan.release.initial_n
            self.lead = Leg(self.curve, rig.lead_m, start_n)
            self.fall = Leg(self.curve, rig.fall_m, start_n / self.block.at(start_n))
            tie_x = rig.lead_m * math.sin(angle)
            tie_z = -rig.lead_m * math.cos(angle) + plan.release.fall_m
        self.x = tie_x - plan.body.attach_along_m
        self.z = tie_z - plan.body.attach_above_m

    def _lay_span(self, tie_x: float, tie_z: float) -> None:
        """Tension the legs so that their vertical pull is the pretension, as after raising."""
        lead_m = math.hypot(tie_x, tie_z)
        standing_m = math.hypot(self.end[0] - tie_x, self.end[1] - tie_z)
        wanted_n = self.plan.pretension.force_n
        lead_n = wanted_n
        for _ in range(20):
            ratio = self.piece_block.at(lead_n)
            rise = -tie_z / lead_m + ratio * (self.end[1] - tie_z) / standing_m
            lead_n = wanted_n / rise
        self.lead = Leg(self.curve, lead_m, lead_n)
        self.standing = Leg(self.curve, standing_m, lead_n * self.piece_block.at(lead_n))
        fall_n = lead_n / self.block.at(lead_n / self.block.at(lead_n))
        self.fall = Leg(self.curve, self.plan.rig.fall_m, fall_n)

    def _turn_and_reach(self) -> None:
        body = self.plan.body
        cos, sin = math.cos(self.turn), math.sin(self.turn)
        self.arm_x = body.attach_along_m * cos - body.attach_above_m * sin
        self.arm_z = body.attach_along_m * sin + body.attach_above_m * cos
        self.tie_x, self.tie_z = self.x + self.arm_x, self.z + self.arm_z

    def _moment(self) -> float:
        return self.arm_x * self.pull_z - self.arm_z * self.pull_x

    def _stretch(self) -> None:
        """Set path lengths and rates of the legs from where the tie is."""
        tie_x, tie_z = self.tie_x, self.tie_z
        tie_vx = self.vx - self.spin * self.arm_z
        tie_vz = self.vz + self.spin * self.arm_x
        lead = self.lead
        lead.begin_step()
        self.fall.begin_step()
        lead.path_m = math.hypot(tie_x, tie_z) or 1e-9
        lead.rate_m_per_s = (tie_x * tie_vx + tie_z * tie_vz) / lead.path_m
        if self.standing is not None:
            self.standing.begin_step()
            dx, dz = tie_x - self.end[0], tie_z - self.end[1]
            self.standing.path_m = math.hypot(dx, dz) or 1e-9
            self.standing.rate_m_per_s = (dx * tie_vx + dz * tie_vz) / self.standing.path_m

    def _slip(self) -> None:
        """Let rope run at device, block and piece block until all of them stick."""
        step_s, lead, fall = self.step_s, self.lead, self.fall
        if self.pay_m_per_s:
            fall.feed(self.pay_m_per_s * step_s, step_s)
            self.paid_m += self.pay_m_per_s * step_s
        for _ in range(MAX_SWEEPS):
            before_m = lead.natural_m, fall.natural_m
            if self.holding_n is not None:
                pay_out(fall, self.holding_n, step_s)
                self.paid_m += fall.natural_m - before_m[1]
            run_over(lead, fall, self.block, step_s)
            if self.standing is not None:
                run_over(lead, self.standing, self.piece_block, step_s)
            elif self.holding_n is None:
                return
            moved_m = abs(lead.natural_m - before_m[0]) + abs(fall.natural_m - before_m[1])
            if moved_m < STILL_ROPE_M:
                return

    def _pull(self) -> None:
        """Rope force on the piece, and on the block's sling."""
        lead_n = self.lead.tension_n(self.step_s)
        fall_n = self.fall.tension_n(self.step_s)
        lead_m = self.lead.path_m
        x, z = self.tie_x / lead_m, self.tie_z / lead_m
        self.pull_x, self.pull_z = -lead_n * x, -lead_n * z
        self.block_n = math.hypot(lead_n * x, lead_n * z - fall_n)
        self.lead_n, self.fall_n, self.standing_n = lead_n, fall_n, 0.0
        if self.standing is not None:
            n, length = self.standing.tension_n(self.step_s), self.standing.path_m
            self.pull_x += n * (self.end[0] - self.tie_x) / length
            self.pull_z += n * (self.end[1] - self.tie_z) / length
            self.standing_n = n

    def _ground_n(self) -> float:
        if self.ground_z is None:
            return 0.0
        brush_n = self._brush_n(self.z - self.ground_z)
        if self.z >= self.ground_z:
            return brush_n
        self.touched = True
        stiffness = self.plan.weight_n / GROUND_SINK_M
        damping = 1.4 * math.sqrt(stiffness * self.mass_kg)
        return brush_n + max(0.0, stiffness * (self.ground_z - self.z) - damping * self.vz)

    def _brush_n(self, height_m: float) -> float:
        """Force that brush under the piece bears this high above the ground."""
        down = self.plan.down
        if down.brush_m <= 0.0:
            return 0.0
        bent = min(1.0, max(0.0, 1.0 - height_m / down.brush_m))
        return down.brush_share * self.plan.weight_n * bent

    def _touch_n(self) -> float:
        """Force that the thing touched on the way down bears."""
        touch = self.plan.touch
        if touch.share <= 0.0 or self.ground_z is None:
            return 0.0
        if self.since_touch_s is None:
            if self.z > self.ground_z + self.plan.down.drop_m - touch.after_m:
                return 0.0
            self.since_touch_s = 0.0
        self.since_touch_s += self.step_s
        if self.since_touch_s > touch.hold_s:
            return 0.0
        return touch.share * self.plan.weight_n * smooth_step(self.since_touch_s / TOUCH_RISE_S)

    def advance(self, since_release_s: float) -> None:
        """Make one step; the hinge still holds a part shortly after the release."""
        drag, step_s = self.plan.drag, self.step_s
        half_s = 0.5 * step_s
        self.x += self.vx * half_s
        self.z += self.vz * half_s
        self.turn += self.spin * half_s
        self._turn_and_reach()
        self._stretch()
        self._slip()
        self._pull()
        held = (
            1.0 - smooth_step(since_release_s / self.plan.release.hinge_s)
            if (since_release_s < self.plan.release.hinge_s)
            else 0.0
        )
        side = drag.side_n_s_per_m
        if since_release_s > drag.tag_after_s:
            side += drag.tag_n_s_per_m * smooth_step((since_release_s - drag.tag_after_s) / 0.3)
        force_x = self.pull_x + held * self.hinge[0]
        force_z = self.pull_z + held * self.hinge[1] - self.plan.weight_n + self._ground_n()
        force_z += self._touch_n()
        if drag.tag_pull_n > 0.0:
            tag_n = drag.tag_pull_n * smooth_step((since_release_s - drag.tag_after_s) / 0.3)
            force_x += tag_n * math.cos(drag.tag_below_rad)
            force_z -= tag_n * math.sin(drag.tag_below_rad)
        moment = self._moment() + held * self.hinge[2]
        fade_x = 1.0 / (1.0 + side * step_s / self.mass_kg)
        fade_turn = 1.0 / (1.0 + drag.spin_n_m_s * step_s / self.inertia_kg_m2)
        self.vx = (self.vx + force_x / self.mass_kg * step_s) * fade_x
        self.vz += force_z / self.mass_kg * step_s
        self.spin = (self.spin + moment / self.inertia_kg_m2 * step_s) * fade_turn
        self.x += self.vx * half_s
        self.z += self.vz * half_s
        self.turn += self.spin * half_s

    def reading(self) -> tuple[float, float, float, float, float]:
        """Return the forces at the stations, in the order of ``STATIONS``."""
        direct = math.hypot(self.pull_x, self.pull_z)
        return direct, self.lead_n, self.fall_n, self.standing_n, self.block_n


class _Device:
    """What the ground hand does: holds, lets run and brakes, lowers to slack."""

    def __init__(self, motion: Motion) -> None:
        self.motion = motion
        self.caught_s: float | None = None

    def before_step(self, since_s: float) -> None:
        motion, down, run = self.motion, self.motion.plan.down, self.motion.plan.run
        lowering_s = since_s - down.after_s
        if lowering_s > 0.0:
            self._lower(lowering_s)
        elif run.brake_n > 0.0:
            if self.caught_s is None and motion.lead_n > 2.0 * SLACK_N:
                self.caught_s = since_s
            waited_s = since_s - self.caught_s - run.reaction_s if self.caught_s else 0.0
            rise = smooth_step(waited_s / run.ramp_s)
            brake_n = run.brake_n * (
                1.0 + run.unsteady * math.sin(2.0 * math.pi * HAND_HZ * since_s)
            )
            motion.holding_n = run.drag_n + (brake_n - run.drag_n) * rise

    def _lower(self, lowering_s: float) -> None:
        motion, down = self.motion, self.motion.plan.down
        motion.holding_n = None
        if motion.ground_z is None:
            motion.ground_z = motion.z - down.drop_m
        unsteady = 1.0 + down.jerk * math.sin(2.0 * math.pi * down.jerk_hz * lowering_s)
        motion.pay_m_per_s = down.speed_m_per_s * smooth_step(lowering_s / down.ramp_s) * unsteady


def lower_piece(lowering: Lowering, step_s: float) -> Trace:
    """Run one lowering from the first stroke (or the cut) to slack rope.

    Raises
    ------
    ScenarioError
        The piece never comes to rest on the ground with a slack rope.
    """
    stairs = pretension_stairs(lowering, step_s)
    motion = Motion(lowering, step_s)
    share = motion.pull_z / lowering.weight_n
    rows = _staircase_rows(motion, stairs)
    device, since_s, slack_s, run_m, touch_s = _Device(motion), 0.0, 0.0, 0.0, math.nan
    release_s = len(stairs) * step_s
    while slack_s < SLACK_HOLD_S:
        if since_s > lowering.down.after_s + LONGEST_DOWN_S:
            raise ScenarioError(f"{lowering.name}: the piece never lies still with a slack rope")
        device.before_step(since_s)
        run_m = motion.paid_m if motion.ground_z is None else run_m
        motion.advance(since_s)
        rows.append(motion.reading())
        since_s += step_s
        if motion.touched:
            touch_s = release_s + since_s if math.isnan(touch_s) else touch_s
            slack_s = slack_s + step_s if motion.lead_n < SLACK_N else 0.0
    table = np.asarray(rows, dtype=np.float64)
    return Trace(
        step_s=step_s,
        force_n={name: table[:, i].copy() for i, name in enumerate(STATIONS)},
        release_s=release_s,
        down_s=release_s + lowering.down.after_s,
        touch_s=touch_s,
        run_m=run_m,
        share_at_release=share,
    )


def _staircase_rows(
    motion: Motion, stairs: FloatArray
) -> list[tuple[float, float, float, float, float]]:
    """Station forces during pretension: all legs in proportion to the vertical pull."""
    if stairs.size == 0:
        return []
    if motion.pull_z <= 0.0:
        raise ScenarioError(
            f"lowering {motion.plan.name!r}: pretension on a slack rope; write release.initial_n, "
            "the tension at which it lifts, or leave pretension out"
        )
    ratio = np.asarray(motion.reading()) / motion.pull_z
    return [(a, b, c, d, e) for a, b, c, d, e in np.outer(stairs, ratio).tolist()]
