"""A piece on a piece block between two anchors, stepped in time: the span rig's free motion.

Comes in: a row of unknowns. Goes out: what the station reads, per weight of the piece. Must
not: know a trace, or look for anything (``following.py`` does).

Notes
-----
A point mass in the plane of both anchors, A at the origin, x towards B, y down. The rope
runs from the device over A (efficiency η) through the piece block (η_P) to B. At each sheave
it sticks while η ≤ T_low/T_high and slips otherwise; the slips of a step are found one after
the other until both hold in every lane (``physics.md`` §3, §4). Rope: Kelvin-Voigt, stiffness of a leg as its
length. Metres and seconds, forces in weights W. Compiled, rows side by side,
see ``compiled.py``.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from analysis.reading.compiled import LANES, inner
from analysis.reading.letting_out import (
    LEAST_ETA,
    MOST_ETA,
    OWN,
    PAID,
    START,
    STEP_S,
    begin_letting_out,
    pay_out,
)
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

SPAN_UNKNOWNS: Final = (
    "ln_around", "ln_strain", "ln_damping", "x_share", "x_speed", "tension", "y_speed",
    "fall_tension", "drag_per_s", "standing_tension", "b_depth", "piece_efficiency",
    "efficiency", "start_s", "ln_speed", "ln_ramp", "give",
)  # fmt: skip
"""ln of A to P to B (m), ln W/EA, ln ζ, x of P over that of B, speeds (m/s), tensions of lead,
fall and standing leg (W), drag (1/s), depth of B below A (m), η_P, η of A; the letting
out as in ``letting_out.START``."""
_ROUNDS: Final = 8
_CLOSE: Final = 1e-6
_SHORTEST_M: Final = 0.05
(
    _X, _Y, _VX, _VY, _LEAD, _FALL, _STANDING, _A_LEAD, _A_FALL, _A_STANDING, _E_LEAD, _E_FALL,
    _E_STANDING, _OLD_LEAD, _OLD_FALL, _OLD_STANDING, _LEAD_M, _STANDING_M, _GIVE_M, _OVER, _THROUGH,
    _B_Y, _PIECE_ETA, _STIFF, _Q, _DRAG, _READ, _BETWEEN, _TOTAL, _ETA, _END,
) = range(OWN, OWN + 31 * LANES, LANES)  # fmt: skip


@inner
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


@inner
def _begin(s, k, row, rig):  # type: ignore[no-untyped-def]
    """Put a row's state at the begin into its lane; nan where the rope is too short for the span."""
    eta = min(max(row[12], LEAST_ETA), MOST_ETA)
    fall_m, b_x = rig[0], rig[2]
    around, strain, b_y, eta_piece = math.exp(row[0]), math.exp(row[1]), row[10], row[11]
    x = row[3] * b_x
    y = _depth(x, b_x, b_y, around)
    lead = row[5]
    fall = min(max(row[7], eta * lead), lead / eta)
    standing = min(max(row[9], eta_piece * lead), lead / eta_piece)
    far, near = math.sqrt(x * x + y * y), math.sqrt((b_x - x) ** 2 + (y - b_y) ** 2)
    lead_m, standing_m = far / (1.0 + lead * strain), near / (1.0 + standing * strain)
    s[_X + k], s[_Y + k], s[_VX + k], s[_VY + k] = x, y, row[4], row[6]
    s[_FALL + k], s[_LEAD_M + k], s[_STANDING_M + k] = fall, lead_m, standing_m
    s[_OLD_LEAD + k], s[_OLD_STANDING + k] = lead * strain * lead_m, standing * strain * standing_m
    s[_OLD_FALL + k] = s[_GIVE_M + k] = fall * strain * fall_m
    s[_B_Y + k], s[_PIECE_ETA + k], s[_STIFF + k] = b_y, eta_piece, 1.0 / strain
    s[_Q + k] = 2.0 * math.exp(row[2]) * math.sqrt(strain * around / (3.0 * G)) / STEP_S
    s[_DRAG + k], s[_ETA + k], s[_TOTAL + k] = row[8], eta, 0.0
    begin_letting_out(s, k, row, 1.0)


@inner
def _settle(s, lanes):  # type: ignore[no-untyped-def]
    """Let rope slip at both sheaves, over A onto the lead and at P, until friction holds it.

    Two slips that call for each other gain by a constant ratio from round to round: the sum of
    what would follow is taken at once.
    """
    for _ in range(_ROUNDS):
        moving = 0
        for k in range(lanes):
            lead, fall, standing = s[_LEAD + k], s[_FALL + k], s[_STANDING + k]
            a_lead, a_standing, a_fall = s[_A_LEAD + k], s[_A_STANDING + k], s[_A_FALL + k]
            eta, eta_piece = s[_ETA + k], s[_PIECE_ETA + k]
            onto, off = eta * lead - fall, eta * fall - lead
            over = 1.0 / (a_fall + eta * a_lead if onto > 0.0 else eta * a_fall + a_lead)
            moved = (max(onto, 0.0) - max(off, 0.0)) * over
            lead -= a_lead * moved
            onto, off = eta_piece * standing - lead, eta_piece * lead - standing
            at_piece = 1.0 / (
                a_lead + eta_piece * a_standing if onto > 0.0 else eta_piece * a_lead + a_standing
            )
            passed = (max(onto, 0.0) - max(off, 0.0)) * at_piece
            lead += a_lead * passed
            by_passed = over * (eta * a_lead if moved > 0.0 else a_lead)
            by_moved = at_piece * (a_lead if passed > 0.0 else eta_piece * a_lead)
            more = by_passed * passed / (1.0 - by_passed * by_moved)
            more = more if moved * passed > 0.0 else 0.0
            moved += more
            passed += by_moved * more
            s[_LEAD + k] = lead - a_lead * more + a_lead * by_moved * more
            s[_FALL + k] = fall + a_fall * moved
            s[_STANDING + k] = standing - a_standing * passed
            s[_OVER + k] += moved
            s[_THROUGH + k] += passed
            moving += 1 if abs(moved) + abs(passed) > _CLOSE else 0
        if moving == 0:
            break


@inner
def run_span_lanes(rows, first, count, every, reads, rig, out):  # type: ignore[no-untyped-def]
    """Step span rigs, those rows from ``first`` on that there are lanes for.

    Parameters
    ----------
    rows : (m, 17) float64
        See :data:`SPAN_UNKNOWNS`.
    first, count : int
        The first row of the lanes; so many rows in all.
    every, reads : int
        Steps per value; place in ``swing_motion.READS``.
    rig : (float, float, float)
        Length of the fall (m), angle at A's sling, distance of B (m).
    out : (m, n) float64
        Takes the values; nan where the rope is too short for the span.
    """
    fall_m, sling, b_x = rig
    cos_a, sin_a, per_fall = math.cos(sling), math.sin(sling), 1.0 / fall_m
    s = np.empty(_END)
    lanes = min(LANES, (count - first + 3) // 4 * 4)
    earliest = np.inf
    for k in range(lanes):
        row = rows[min(first + k, count - 1)]
        earliest = min(earliest, row[START])
        _begin(s, k, row, rig)
    for at in range(out.shape[1]):
        for part in range(every):
            now = (at * every + part) * STEP_S
            if now > earliest:
                pay_out(s, lanes, now, _FALL)
            _stretch(s, lanes, b_x, per_fall)
            _settle(s, lanes)
            _move(s, lanes, b_x, cos_a, sin_a)
            _add_reading(s, lanes, reads)
        for k in range(min(lanes, count - first)):
            out[first + k, at] = s[_TOTAL + k] / every
        for k in range(lanes):
            s[_TOTAL + k] = 0.0


@inner
def _stretch(s, lanes, b_x, per_fall):  # type: ignore[no-untyped-def]
    """Give each leg its tension before any rope slips."""
    for k in range(lanes):
        x, y, q = s[_X + k], s[_Y + k], s[_Q + k]
        over, under = b_x - x, s[_B_Y + k] - y
        e_lead = math.sqrt(x * x + y * y) - s[_LEAD_M + k]
        e_standing = math.sqrt(over * over + under * under) - s[_STANDING_M + k]
        e_fall = s[_GIVE_M + k] - s[PAID + k]
        a_lead = s[_STIFF + k] * (1.0 + q) / max(s[_LEAD_M + k], _SHORTEST_M)
        a_standing = s[_STIFF + k] * (1.0 + q) / max(s[_STANDING_M + k], _SHORTEST_M)
        a_fall = s[_STIFF + k] * (1.0 + q) * per_fall
        before = q / (1.0 + q)
        s[_E_LEAD + k], s[_E_FALL + k], s[_E_STANDING + k] = e_lead, e_fall, e_standing
        s[_A_LEAD + k], s[_A_FALL + k], s[_A_STANDING + k] = a_lead, a_fall, a_standing
        s[_LEAD + k] = max(a_lead * (e_lead - s[_OLD_LEAD + k] * before), 0.0)
        s[_FALL + k] = max(a_fall * (e_fall - s[_OLD_FALL + k] * before), 0.0)
        s[_STANDING + k] = max(a_standing * (e_standing - s[_OLD_STANDING + k] * before), 0.0)
        s[_OVER + k] = s[_THROUGH + k] = 0.0


@inner
def _move(s, lanes, b_x, cos_a, sin_a):  # type: ignore[no-untyped-def]
    """Note what slipped, and move the piece."""
    for k in range(lanes):
        moved, passed = s[_OVER + k], s[_THROUGH + k]
        s[_LEAD_M + k] += moved - passed
        s[_GIVE_M + k] += moved
        s[_STANDING_M + k] += passed
        s[_OLD_LEAD + k] = max(s[_E_LEAD + k] - moved + passed, 0.0)
        s[_OLD_FALL + k] = max(s[_E_FALL + k] + moved, 0.0)
        s[_OLD_STANDING + k] = max(s[_E_STANDING + k] - passed, 0.0)
        x, y, vx, vy = s[_X + k], s[_Y + k], s[_VX + k], s[_VY + k]
        over, under = b_x - x, s[_B_Y + k] - y
        per_far = 1.0 / math.sqrt(x * x + y * y)
        lead = s[_LEAD + k] * per_far
        standing = s[_STANDING + k] / math.sqrt(over * over + under * under)
        fx, fy = standing * over - lead * x, standing * under - lead * y
        s[_READ + k] = fx * fx + fy * fy
        s[_BETWEEN + k] = (y * cos_a - x * sin_a) * per_far
        vx += (fx * G - s[_DRAG + k] * vx) * STEP_S
        vy += (fy + 1.0) * G * STEP_S
        s[_VX + k], s[_VY + k] = vx, vy
        s[_X + k], s[_Y + k] = x + vx * STEP_S, y + vy * STEP_S


@inner
def _add_reading(s, lanes, reads):  # type: ignore[no-untyped-def]
    """Add what the station reads to each lane's total."""
    if reads == 1:
        for k in range(lanes):
            s[_TOTAL + k] += s[_FALL + k]
    elif reads == 3:
        for k in range(lanes):
            s[_TOTAL + k] += s[_STANDING + k]
    elif reads == 0:
        for k in range(lanes):
            s[_TOTAL + k] += math.sqrt(s[_READ + k])
    else:
        for k in range(lanes):
            lead, fall = s[_LEAD + k], s[_FALL + k]
            squared = lead * lead + fall * fall + 2.0 * lead * fall * s[_BETWEEN + k]
            s[_TOTAL + k] += math.sqrt(max(squared, 0.0))
