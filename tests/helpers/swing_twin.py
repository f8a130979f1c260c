"""Slow twin of ``analysis/reading/swing_motion.py``: one piece, newtons and metres, plain Python.

Comes in: a rig, a state, when rope is let out. Goes out: tensions of lead and fall and the
lead's angle at every step. Must not: share code with what it checks.

Notes
-----
Point mass in a plane, x to the side, y down, sheave at the origin. Kelvin-Voigt rope, each
leg's stiffness EA over its length. The slip at the sheave is found by bisection, not by the
linear rule of the code under test.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from logger.units import STANDARD_GRAVITY_M_PER_S2 as G


@dataclass(frozen=True, slots=True)
class TwinRig:
    """Newtons, metres, seconds; ``tau_s`` is the rope's viscous time."""

    weight_n: float
    ea_n: float
    tau_s: float
    lead_m: float
    fall_m: float
    eta: float


def _pull(
    ea_n: float, length_m: float, tau_s: float, new_m: float, old_m: float, dt: float
) -> float:
    return max(ea_n / length_m * (new_m + tau_s * (new_m - old_m) / dt), 0.0)


def twin_swing(
    rig: TwinRig,
    *,
    angle_rad: float,
    seconds: float,
    dt: float = 0.001,
    start_s: float = math.inf,
    speed_m_per_s: float = 0.0,
    ramp_s: float = 1.0,
    tension_w: float | None = None,
) -> list[tuple[float, float, float]]:
    """Let go at rest; (lead N, fall N, angle rad) per step.

    Both legs begin with the tension of a pendulum there, or ``tension_w`` weights.
    """
    tension = rig.weight_n * (math.cos(angle_rad) if tension_w is None else tension_w)
    stretch = tension * rig.lead_m / rig.ea_n
    slip = tension * rig.fall_m / rig.ea_n
    far = rig.lead_m + slip + stretch
    x, y, vx, vy = far * math.sin(angle_rad), far * math.cos(angle_rad), 0.0, 0.0
    paid, old, old_fall = 0.0, stretch, slip
    out = []
    for step in range(round(seconds / dt)):
        since = step * dt - start_s
        if since > 0.0:
            paid += speed_m_per_s * min(since / ramp_s, 1.0) * dt
        far = math.hypot(x, y)
        length = rig.lead_m + slip

        def legs(
            moved: float, far: float = far, slip: float = slip, length: float = length,
            paid: float = paid, old: float = old, old_fall: float = old_fall,
        ) -> tuple[float, float]:  # fmt: skip
            lead = _pull(rig.ea_n, length, rig.tau_s, far - rig.lead_m - slip - moved, old, dt)
            fall = _pull(rig.ea_n, rig.fall_m, rig.tau_s, slip + moved - paid, old_fall, dt)
            return lead, fall

        moved = _slipped(legs, rig.eta)
        lead, fall = legs(moved)
        slip += moved
        old, old_fall = max(far - rig.lead_m - slip, 0.0), max(slip - paid, 0.0)
        out.append((lead, fall, math.atan2(x, y)))
        mass = rig.weight_n / G
        vx -= lead * x / far / mass * dt
        vy += (G - lead * y / far / mass) * dt
        x, y = x + vx * dt, y + vy * dt
    return out


def _slipped(legs: Callable[[float], tuple[float, float]], eta: float) -> float:
    """Rope over the sheave after which friction holds: nothing, or to the edge of its wedge."""
    lead, fall = legs(0.0)
    if eta * lead <= fall and eta * fall <= lead:
        return 0.0
    onto = fall < eta * lead

    def over(moved: float) -> float:
        a, b = legs(moved)
        return b - eta * a if onto else eta * b - a

    low, high = (0.0, 0.05) if onto else (-0.05, 0.0)
    for _ in range(40):
        middle = 0.5 * (low + high)
        if over(middle) < 0.0:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
