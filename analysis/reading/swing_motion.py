"""A piece on a rope over a sheave, stepped in time for many guesses.

Comes in: rows of unknowns of a :class:`Swing`. Goes out: what the station reads, per weight
of the piece. Must not: know a trace, or look for anything (``following.py`` does).

Notes
-----
A point mass in a plane on the lead, the lead over a fixed sheave, the fall held at the
device until, in a guess that says so, it is let out: speed grows evenly and then stays.
Rope: Kelvin-Voigt, stiffness as its length. At the sheave of efficiency η the rope sticks
while η ≤ T_fall/T_lead ≤ 1/η and slips otherwise (capstan with a constant coefficient,
``physics.md`` §3). Air: drag in proportion to speed, sideways. Lengths count in leads L,
forces in weights W, time in √(L/g); the static strain of the lead is then ε = W/EA.
Velocity first, then place. A mode that is too quick for the step is too stiff to ring
visibly: ε is held above what the step can follow. A fit takes some hundred runs: compiled,
rows side by side, see ``compiled.py``. The slow twin in the tests is plain NumPy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.reading.compiled import LANES, entry, inner
from analysis.reading.letting_out import (
    LEAST_ETA,
    MOST_ETA,
    OWN,
    PAID,
    START,
    STEP_S,
    begin_letting_out,
    pay_out,
    slip,
)
from analysis.reading.span_motion import run_span_lanes
from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

_LEAST_STRAIN: Final = 4.0
"""Squared steps (per √(L/g)) over this is the least ε that stays stable."""

UNKNOWNS: Final = (
    "ln_lead", "ln_strain", "ln_damping", "angle", "rate", "tension", "tension_rate",
    "fall_tension", "drag_per_s", "efficiency", "start_s", "ln_speed", "ln_ramp", "give",
)  # fmt: skip
"""One row of guesses: ln L (m), ln ε, ln ζ, θ (rad), θ' (rad per √(L/g)), T_lead (W) and its
rate (per √(L/g)), T_fall (W), drag (1/s), η; the letting out (``letting_out.START``)."""
READS: Final = {"piece": 0, "fall": 1, "sling": 2, "standing": 3}

(
    _X, _Y, _VX, _VY, _SLIP, _OLD, _OLD_FALL, _STIFF, _Q, _KEEP, _H, _LEAD, _HELD, _BETWEEN,
    _TOTAL, _STIFF_FALL, _ETA, _END,
) = range(OWN, OWN + 18 * LANES, LANES)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Swing:
    """The rig that a piece swings on.

    Parameters
    ----------
    reads : str
        ``piece`` (lead, or the piece block's sling), ``fall``, ``sling`` (resultant of lead
        and fall) or ``standing`` (B's end of a span rig).
    fall_m : float
        Length of the fall.
    sling_angle_rad : float
        Between a plumb lead and the fall, for a sling.
    span_m : float
        Distance between the anchors of a span rig; 0 for a lead that hangs from one block.
    """

    reads: Literal["piece", "fall", "sling", "standing"]
    fall_m: float
    sling_angle_rad: float = 0.0
    span_m: float = 0.0

    @property
    def rig(self) -> tuple[float, float, float]:
        """What the compiled code takes of it: floats, each other type would be compiled for anew."""
        return float(self.fall_m), float(self.sling_angle_rad), float(self.span_m)

    def reading(self, guesses: FloatArray, n: int, every: int = 4) -> FloatArray:
        """Give what the station reads per weight of the piece.

        Parameters
        ----------
        guesses : (m, 14) or (m, 17) float64
            See :data:`UNKNOWNS`, for a span rig ``span_motion.SPAN_UNKNOWNS``; the state is that at the begin of the first value.
        n : int
            Number of values.
        every : int
            Steps of :data:`STEP_S` that a value is the mean of.

        Returns
        -------
        (m, n) float64
        """
        rows = np.ascontiguousarray(guesses, dtype=np.float64)
        out = np.empty((rows.shape[0], n))
        run_rows(rows, len(rows), every, READS[self.reads], self.rig, out)
        return out


@entry
def run_rows(rows, count, every, reads, rig, out):  # type: ignore[no-untyped-def]
    """Step rows of unknowns, side by side; ``out`` takes the values.

    Parameters
    ----------
    rows : (m, 14) or (m, 17) float64
        Unknowns of a lead, or of a span rig.
    count : int
        So many of the rows, at least one.
    every, reads : int
        Steps per value; place in :data:`READS`.
    rig : (float, float, float)
        :attr:`Swing.rig`.
    out : (m, n) float64
        Takes the values.
    """
    for first in range(0, count, LANES):
        if rig[2] > 0.0:
            run_span_lanes(rows, first, count, every, reads, rig, out)
        else:
            _run_lead_lanes(rows, first, count, every, reads, rig, out)


@inner
def _begin(s, k, row, rig):  # type: ignore[no-untyped-def]
    """Put a row's state at the begin into its lane."""
    eta = min(max(row[9], LEAST_ETA), MOST_ETA)
    fall_m = rig[0]
    lead_m = math.exp(row[0])
    fall_per_lead = fall_m / lead_m
    h = STEP_S / math.sqrt(lead_m / G)
    strain = max(math.exp(row[1]), h * h / _LEAST_STRAIN)
    angle, rate, tension, tension_rate, fall = (
        row[3], row[4], row[5], row[6], row[7]
    )  # fmt: skip
    stretch, grows = tension * strain, tension_rate * strain
    fall_stretch = min(max(fall, eta * tension), tension / eta) * strain * fall_per_lead
    far = 1.0 + fall_stretch + stretch
    across, down = math.sin(angle), math.cos(angle)
    s[_X + k], s[_Y + k] = far * across, far * down
    s[_VX + k] = grows * across + far * rate * down
    s[_VY + k] = grows * down - far * rate * across
    s[_SLIP + k] = s[_OLD_FALL + k] = fall_stretch
    s[_OLD + k], s[_HELD + k] = stretch - grows * h, fall
    s[_STIFF + k], s[_STIFF_FALL + k] = 1.0 / strain, 1.0 / (strain * fall_per_lead)
    s[_H + k], s[_KEEP + k] = h, 1.0 - STEP_S * row[8]
    # time constant over step: tau = 2 zeta / omega, omega = 1 / sqrt(strain) here
    s[_Q + k] = 2.0 * math.exp(row[2]) * math.sqrt(strain) / h
    s[_ETA + k], s[_TOTAL + k] = eta, 0.0
    begin_letting_out(s, k, row, lead_m)


@inner
def _run_lead_lanes(rows, first, count, every, reads, rig, out):  # type: ignore[no-untyped-def]
    """Step pieces on one lead, those rows from ``first`` on that there are lanes for."""
    sling = rig[1]
    cos_a, sin_a = math.cos(sling), math.sin(sling)
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
                pay_out(s, lanes, now, _HELD)
            for k in range(lanes):
                x, y, over, h = s[_X + k], s[_Y + k], s[_SLIP + k], s[_H + k]
                q, old, old_fall = s[_Q + k], s[_OLD + k], s[_OLD_FALL + k]
                far = math.sqrt(x * x + y * y)
                stiff, stiff_fall = s[_STIFF + k] / (1.0 + over), s[_STIFF_FALL + k]
                a, b = stiff * (1.0 + q), stiff_fall * (1.0 + q)
                stretch, fall_stretch = far - 1.0 - over, over - s[PAID + k]
                lead = a * stretch - stiff * q * old
                held = b * fall_stretch - stiff_fall * q * old_fall
                moved = slip(lead, held, a, b, s[_ETA + k])
                lead, held = max(lead - a * moved, 0.0), max(held + b * moved, 0.0)
                s[_SLIP + k], s[_LEAD + k], s[_HELD + k] = over + moved, lead, held
                s[_OLD + k] = max(stretch - moved, 0.0)
                s[_OLD_FALL + k] = max(fall_stretch + moved, 0.0)
                per_far = 1.0 / far
                s[_BETWEEN + k] = (y * cos_a - x * sin_a) * per_far
                pull = lead * per_far
                vx = s[_KEEP + k] * s[_VX + k] - h * pull * x
                vy = s[_VY + k] + h * (1.0 - pull * y)
                s[_VX + k], s[_VY + k] = vx, vy
                s[_X + k], s[_Y + k] = x + h * vx, y + h * vy
            _add_reading(s, lanes, reads)
        for k in range(min(lanes, count - first)):
            out[first + k, at] = s[_TOTAL + k] / every
        for k in range(lanes):
            s[_TOTAL + k] = 0.0


@inner
def _add_reading(s, lanes, reads):  # type: ignore[no-untyped-def]
    """Add what the station reads to each lane's total."""
    if reads == 0:
        for k in range(lanes):
            s[_TOTAL + k] += s[_LEAD + k]
    elif reads == 1:
        for k in range(lanes):
            s[_TOTAL + k] += s[_HELD + k]
    else:
        for k in range(lanes):
            lead, held = s[_LEAD + k], s[_HELD + k]
            squared = lead * lead + held * held + 2.0 * lead * held * s[_BETWEEN + k]
            s[_TOTAL + k] += math.sqrt(max(squared, 0.0))
