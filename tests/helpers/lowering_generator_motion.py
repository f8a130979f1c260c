"""Motion of a piece on a rope through a block, a piece block and a device, step by step.

Comes in: a :class:`RopePath`, schedules of winch, device, hinge and outer forces on a grid
of time, contacts. Goes out: tensions of lead, fall and standing leg at every step. Must
not: know the reader, the predictor, or anything else of ``analysis``.

Part of the generator of lowerings with known truth; FROZEN, see ``lowering_generator``.

Notes
-----
Plane, x to the side, y down, block A at the origin. The piece is a point mass. Each leg
is linear and visco-elastic (Kelvin-Voigt, time constant tau). At a sheave of efficiency
eta the rope sticks while eta <= T_a/T_b <= 1/eta and slips otherwise (physics.md §3): the
slip is found by a return to that wedge in every step. The device slips above its limit.
Velocity first, then place: second order in the step, no energy drift.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
G = 9.80665


@dataclass(frozen=True, slots=True)
class RopePath:
    """Rope from device over block A to the piece, in a span rig on to B.

    Parameters
    ----------
    weight_n, ea_n, tau_s : float
        Weight of the piece; stiffness of the rope per unit strain; viscous time constant.
    lead_m, fall_m : float
        Unstretched rope between piece and block, block and device, at the start.
    eta, eta_piece : float
        Efficiency of block A and of the piece block at their wrap angles.
    standing_m : float
        Unstretched rope between piece and B; 0 without a standing leg.
    b_x_m, b_y_m : float
        Where B is.
    """

    weight_n: float
    ea_n: float
    tau_s: float
    lead_m: float
    fall_m: float
    eta: float
    eta_piece: float = 1.0
    standing_m: float = 0.0
    b_x_m: float = 0.0
    b_y_m: float = 0.0


@dataclass(frozen=True, slots=True)
class Contact:
    """Something that carries a part of the piece between two depths.

    Parameters
    ----------
    kind : str
        ``ledge`` (stiff up to ``cap_n``, lets go at ``end_m``), ``brush`` (a ramp up and
        down), ``tip`` and ``ground`` (no end).
    start_m, end_m : float
        Depths below A.
    cap_n, stiffness_n_per_m, damping_n_s_per_m : float
        Largest force, stiffness, damping.
    """

    kind: str
    start_m: float
    end_m: float
    cap_n: float
    stiffness_n_per_m: float
    damping_n_s_per_m: float = 0.0

    def force_n(self, y_m: float, v_m_per_s: float) -> float:
        """Upward force on the piece."""
        into = y_m - self.start_m
        if into <= 0.0 or y_m >= self.end_m:
            return 0.0
        if self.kind == "brush":
            width = self.end_m - self.start_m
            return self.cap_n * min(1.0, 2.5 * into / width, 2.5 * (width - into) / width)
        push = self.stiffness_n_per_m * into + self.damping_n_s_per_m * v_m_per_s
        return min(max(push, 0.0), self.cap_n)


@dataclass(frozen=True, slots=True)
class Schedule:
    """What happens to the rig, one value a step.

    Parameters
    ----------
    time_s : (n,) float64
        Grid; its step may change.
    held : (n,) bool
        The hinge (or the ground hand) holds the piece where it is.
    hold_y_m : (n,) float64
        Depth while held (it sags a little under the saw).
    hinge_share : (n,) float64
        Part of the hinge's force at the release that still acts.
    hinge_damping : (n,) float64
        Damping by the hinge that still stands, as a damping ratio.
    pay_m : (n,) float64
        Rope paid out at the device by hand or winch since the start.
    speed_m_per_s : (n,) float64
        How fast the hand lets it out; the rope runs faster under more tension than at the
        start of the lowering, in proportion, and slower under less, down to one half.
    device_n : (n,) float64
        The device slips above this fall tension.
    side_n, down_n : (n,) float64
        Outer forces on the piece: wind, a tag line.
    """

    time_s: FloatArray
    held: NDArray[np.bool_]
    hold_y_m: FloatArray
    hinge_share: FloatArray
    hinge_damping: FloatArray
    pay_m: FloatArray
    speed_m_per_s: FloatArray
    device_n: FloatArray
    side_n: FloatArray
    down_n: FloatArray

    def rows(self) -> Iterator[tuple[Any, ...]]:
        """The values of one step after the other, as plain numbers."""
        columns = (
            self.time_s, self.held, self.hold_y_m, self.hinge_share, self.hinge_damping,
            self.pay_m, self.speed_m_per_s, self.device_n, self.side_n, self.down_n,
        )  # fmt: skip
        return zip(*(column.tolist() for column in columns), strict=True)


@dataclass(slots=True)
class Run:
    """Tensions and places at the grid's times."""

    time_s: FloatArray
    lead_n: FloatArray
    fall_n: FloatArray
    standing_n: FloatArray
    x_m: FloatArray
    y_m: FloatArray
    vy_m_per_s: FloatArray
    slipped_m: FloatArray
    ground_n: FloatArray
    touch_n: FloatArray


class _Ropes:
    """Slips and old stretches of the three legs, carried from step to step."""

    __slots__ = ("a", "b", "far", "limit_n", "near", "old", "path", "pay_m", "s", "slip", "u")

    def __init__(self, path: RopePath) -> None:
        self.path = path
        self.s = self.u = self.slip = 0.0
        self.old = (0.0, 0.0, 0.0)
        self.a = self.b = (0.0, 0.0, 0.0)
        self.far = self.near = self.pay_m = self.limit_n = 0.0

    def _stretches(self) -> tuple[float, float, float]:
        p = self.path
        return (
            self.far - p.lead_m - self.s + self.u,
            self.s - self.pay_m - self.slip,
            self.near - p.standing_m - self.u if p.standing_m else 0.0,
        )

    def _tension(self, leg: int, stretch_m: float) -> float:
        if stretch_m <= 0.0:
            return 0.0
        return max(self.a[leg] * stretch_m - self.b[leg], 0.0)

    def _set_slopes(self, dt_s: float) -> None:
        p, q = self.path, self.path.tau_s / dt_s
        fall_m = p.fall_m - self.old[1]
        lengths = (p.lead_m + self.s - self.u, fall_m, p.standing_m + self.u)
        k = [p.ea_n / max(length, 0.05) for length in lengths]
        self.a = (k[0] * (1.0 + q), k[1] * (1.0 + q), k[2] * (1.0 + q))
        self.b = (k[0] * q * self.old[0], k[1] * q * self.old[1], k[2] * q * self.old[2])

    def _slip_at_block(self) -> bool:
        eta, (a_l, a_f, _) = self.path.eta, self.a
        e_l, e_f, _ = self._stretches()
        t_l, t_f = self._tension(0, e_l), self._tension(1, e_f)
        moved = t_f > self.limit_n
        if moved:
            self.slip += (t_f - self.limit_n) / a_f
            t_f = self.limit_n
        if t_f < eta * t_l - 1e-9:
            self.s += (eta * t_l - t_f) / (a_f + eta * a_l)
            return True
        if eta * t_f > t_l + 1e-9:
            self.s -= (eta * t_f - t_l) / (eta * a_f + a_l)
            return True
        return moved

    def _slip_at_piece(self) -> bool:
        eta, (a_l, _, a_s) = self.path.eta_piece, self.a
        e_l, _, e_s = self._stretches()
        t_l, t_s = self._tension(0, e_l), self._tension(2, e_s)
        if t_s < eta * t_l - 1e-9:
            self.u -= (eta * t_l - t_s) / (a_s + eta * a_l)
            return True
        if eta * t_s > t_l + 1e-9:
            self.u += (eta * t_s - t_l) / (eta * a_s + a_l)
            return True
        return False

    def settle(
        self, far_m: float, near_m: float, pay_m: float, limit_n: float, dt_s: float
    ) -> tuple[float, float, float]:
        """Tensions of lead, fall and standing leg after the slips of this step."""
        self.far, self.near, self.pay_m, self.limit_n = far_m, near_m, pay_m, limit_n
        spans = self.path.standing_m > 0.0
        self._set_slopes(dt_s)
        for _ in range(12 if spans else 3):
            moved = self._slip_at_block()
            if spans and self._slip_at_piece():
                moved = True
            if not moved:
                break
        e_l, e_f, e_s = self._stretches()
        self.old = (max(e_l, 0.0), max(e_f, 0.0), max(e_s, 0.0))
        return self._tension(0, e_l), self._tension(1, e_f), self._tension(2, e_s)


def _pushes(contacts: tuple[Contact, ...], y_m: float, v_m_per_s: float) -> tuple[float, float]:
    """Upward forces of the ground, and of everything else."""
    ground = touch = 0.0
    for contact in contacts:
        push = contact.force_n(y_m, v_m_per_s)
        if contact.kind in ("ground", "tip"):
            ground += push
        else:
            touch += push
    return ground, touch


def run(
    path: RopePath,
    plan: Schedule,
    start_m: tuple[float, float],
    contacts: tuple[Contact, ...] = (),
    tail_s: float = 1e9,
) -> Run:
    """Step through the schedule.

    Parameters
    ----------
    path, plan : RopePath, Schedule
        The rig and what happens to it.
    start_m : tuple of float
        Place of the piece at first.
    contacts : tuple of Contact
        What it may touch.
    tail_s : float
        Stop this long after the rope is slack with the piece on the ground.

    Returns
    -------
    Run
    """
    mass, weight = path.weight_n / G, path.weight_n
    (x, y), vx, vy, rx, ry = start_m, 0.0, 0.0, 0.0, 0.0
    omega = float((path.ea_n / path.lead_m / mass) ** 0.5)
    ropes, t_f, usual, loaded_s = _Ropes(path), 0.0, 0.0, 0.0
    b_x, b_y = path.b_x_m, path.b_y_m
    dt = float(plan.time_s[1] - plan.time_s[0])
    old_s = float(plan.time_s[0]) - dt
    out = np.zeros((9, plan.time_s.size))
    n = 0
    for now_s, held, hold_y, share, hinge_z, pay, speed, limit, side, down in plan.rows():
        dt, old_s = now_s - old_s, now_s
        y = hold_y if held else y
        if speed > 0.0:
            usual = usual or max(t_f, 0.2 * weight)
            ropes.slip += speed * dt * (max(t_f / usual, 0.5) - 1.0)
        l1, l2 = (x * x + y * y) ** 0.5, ((x - b_x) ** 2 + (y - b_y) ** 2) ** 0.5
        t_l, t_f, t_s = ropes.settle(l1, l2, pay, limit, dt)
        fx = t_s * (b_x - x) / l2 - t_l * x / l1
        fy = t_s * (b_y - y) / l2 - t_l * y / l1
        ground = touch = 0.0
        if held:
            rx, ry = -fx, -fy - weight
        else:
            ground, touch = _pushes(contacts, y, vy)
            c_h = 2.0 * hinge_z * omega
            drag = c_h + (4.0 if ground > 0.0 else 0.0) + 0.12
            vx += ((fx + rx * share + side) / mass - drag * vx) * dt
            vy += ((fy + weight + ry * share + down - ground - touch) / mass - c_h * vy) * dt
            x += vx * dt
            y += vy * dt
        out[:, n] = (t_l, t_f, t_s, x, y, vy, ropes.s, ground, touch)
        n += 1
        if ground <= 0.0 or t_l > 0.02 * weight:
            loaded_s = now_s
        elif now_s - loaded_s > tail_s:
            break
    return Run(plan.time_s[:n], *out[:, :n])
