"""A piece on a piece block between two anchors, stepped in time: the span rig's free motion.

Comes in: a row of unknowns. Goes out: what the station reads, per weight of the piece. Must
not: know a trace, or look for anything (``swinging.py`` does).

Notes
-----
A point mass in the plane of both anchors, A at the origin, x towards B, y down. The rope
runs from the device over A (efficiency η) through the piece block (η_P) to B. At each sheave
it sticks while η ≤ T_low/T_high and slips otherwise; the slips of a step are found one after
the other until both hold (``physics.md`` §3, §4). Rope: Kelvin-Voigt, stiffness of a leg as its
length. Metres and seconds, forces in weights W. Compiled (Numba), see ``swing_motion.py``.
"""

from __future__ import annotations

import math
from typing import Final

import numba
import numpy as np

from analysis.reading.letting_out import LEAST_TENSION, STEP_S, let_out
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

SPAN_UNKNOWNS: Final = (
    "ln_around", "ln_strain", "ln_damping", "x_share", "x_speed", "tension", "y_speed",
    "fall_tension", "drag_per_s", "standing_tension", "b_depth", "piece_efficiency",
    "start_s", "ln_speed", "ln_ramp", "give",
)  # fmt: skip
"""ln of A to P to B (m), ln W/EA, ln ζ, x of P over that of B, speeds (m/s), tensions of lead,
fall and standing leg (W), drag (1/s), depth of B below A (m), η_P; the letting
out as in ``letting_out.START``."""
_ROUNDS: Final = 8
_CLOSE: Final = 1e-6
_SHORTEST_M: Final = 0.05


@numba.njit(cache=True, error_model="numpy")
def _depth(x, b_x, b_y, around):  # type: ignore[no-untyped-def]
    """Depth of P below A where both legs together are ``around`` long; nan without one."""
    y = 0.5 * around + max(b_y, 0.0)
    for _ in range(40):
        near = math.sqrt((b_x - x) ** 2 + (y - b_y) ** 2)
        far = math.sqrt(x * x + y * y)
        slope = y / far + (y - b_y) / near
        if slope <= _CLOSE:
            return np.nan
        y -= (far + near - around) / slope
    return y if y > max(b_y, 0.0) else np.nan


@numba.njit(cache=True, error_model="numpy")
def _onto(low, high, eta, a_low, a_high):  # type: ignore[no-untyped-def]
    """Give the rope that slips from leg ``low`` to ``high`` until ``low`` carries η of it."""
    return max(eta * high - low, 0.0) / (a_low + eta * a_high)


@numba.njit(cache=True, error_model="numpy")
def _settle(t, a, eta, eta_piece):  # type: ignore[no-untyped-def]
    """Let rope slip at both sheaves until friction holds it; (over A onto the lead, at P)."""
    over = through = 0.0
    for _ in range(_ROUNDS):
        moved = _onto(t[1], t[0], eta, a[1], a[0]) - _onto(t[0], t[1], eta, a[0], a[1])
        t[0] -= a[0] * moved
        t[1] += a[1] * moved
        over += moved
        passed = _onto(t[0], t[2], eta_piece, a[0], a[2]) - _onto(t[2], t[0], eta_piece, a[2], a[0])
        t[0] += a[0] * passed
        t[2] -= a[2] * passed
        through += passed
        if abs(moved) + abs(passed) < _CLOSE:
            break
    return over, through


@numba.njit(cache=True, error_model="numpy")
def _read(reads, t, x, y, fx, fy, sling):  # type: ignore[no-untyped-def]
    """Give what the station reads."""
    if reads == 0:
        return math.sqrt(fx * fx + fy * fy)
    if reads == 1:
        return t[1]
    if reads == 3:
        return t[2]
    far = math.sqrt(x * x + y * y)
    between = (y * math.cos(sling) - x * math.sin(sling)) / far
    return math.sqrt(max(t[0] ** 2 + t[1] ** 2 + 2.0 * t[0] * t[1] * between, 0.0))


@numba.njit(cache=True, error_model="numpy")
def run_span_row(row, every, reads, rig, out):  # type: ignore[no-untyped-def]
    """Step one row of unknowns; ``out`` takes the values.

    Parameters
    ----------
    row : (16,) float64
        See :data:`SPAN_UNKNOWNS`.
    every, reads : int
        Steps per value; place in ``swing_motion.READS``.
    rig : (float, float, float, float)
        η of A, length of the fall (m), angle at A's sling, distance of B (m).
    out : (n,) float64
        Takes the values; nan where the rope is too short for the span.
    """
    eta, fall_m, sling, b_x = rig
    around, strain, b_y, eta_piece = math.exp(row[0]), math.exp(row[1]), row[10], row[11]
    q = 2.0 * math.exp(row[2]) * math.sqrt(strain * around / (3.0 * G)) / STEP_S
    drag, speed, ramp = row[8], math.exp(row[13]) * STEP_S, math.exp(row[14])
    x, vx, vy = row[3] * b_x, row[4], row[6]
    y = _depth(x, b_x, b_y, around)
    t, a, e = np.empty(3), np.empty(3), np.empty(3)
    t[0] = row[5]
    t[1] = min(max(row[7], eta * t[0]), t[0] / eta)
    t[2] = min(max(row[9], eta_piece * t[0]), t[0] / eta_piece)
    far, near = math.sqrt(x * x + y * y), math.sqrt((b_x - x) ** 2 + (y - b_y) ** 2)
    lead_m, standing_m = far / (1.0 + t[0] * strain), near / (1.0 + t[2] * strain)
    old = t * strain * np.array([lead_m, fall_m, standing_m])
    give_m, usual, paid = old[1], 0.0, 0.0
    for at in range(out.size):
        total = 0.0
        for part in range(every):
            since = (at * every + part) * STEP_S - row[12]
            if since > 0.0:
                usual = usual or max(t[1], LEAST_TENSION)
                paid += speed * let_out(since, ramp, row[15], t[1], usual)
            far, near = math.sqrt(x * x + y * y), math.sqrt((b_x - x) ** 2 + (y - b_y) ** 2)
            e[0], e[1], e[2] = far - lead_m, give_m - paid, near - standing_m
            a[0] = (1.0 + q) / (strain * max(lead_m, _SHORTEST_M))
            a[1] = (1.0 + q) / (strain * fall_m)
            a[2] = (1.0 + q) / (strain * max(standing_m, _SHORTEST_M))
            for leg in range(3):
                t[leg] = max(a[leg] * (e[leg] - old[leg] * q / (1.0 + q)), 0.0)
            over, through = _settle(t, a, eta, eta_piece)
            lead_m += over - through
            give_m += over
            standing_m += through
            old[0] = max(e[0] - over + through, 0.0)
            old[1] = max(e[1] + over, 0.0)
            old[2] = max(e[2] - through, 0.0)
            fx = t[2] * (b_x - x) / near - t[0] * x / far
            fy = t[2] * (b_y - y) / near - t[0] * y / far
            total += _read(reads, t, x, y, fx, fy, sling)
            vx += (fx * G - drag * vx) * STEP_S
            vy += (fy + 1.0) * G * STEP_S
            x += vx * STEP_S
            y += vy * STEP_S
        out[at] = total / every
