"""A piece on a rope over a sheave, stepped in time for many guesses.

Comes in: rows of unknowns of a :class:`Swing`. Goes out: what the station reads, per weight
of the piece. Must not: know a trace, or look for anything (``swinging.py`` does).

Notes
-----
A point mass in a plane on the lead, the lead over a fixed sheave, the fall held at the
device until, in a guess that says so, it is let out: speed grows evenly and then stays.
Rope: Kelvin-Voigt, stiffness as its length. At the sheave of efficiency η the rope sticks
while η ≤ T_fall/T_lead ≤ 1/η and slips otherwise (capstan with a constant coefficient,
``physics.md`` §3). Air: drag in proportion to speed, sideways. Lengths count in leads L,
forces in weights W, time in √(L/g); the static strain of the lead is then ε = W/EA.
Velocity first, then place. A mode that is too quick for the step is too stiff to ring
visibly: ε is held above what the step can follow. Compiled (Numba): each step needs the one
before, and a fit takes some hundred runs. The slow twin in the tests is plain NumPy.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numba
import numpy as np

from analysis.reading.letting_out import LEAST_TENSION, STEP_S, let_out
from analysis.reading.span_motion import run_span_row
from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

_LEAST_STRAIN: Final = 4.0
"""Squared steps (per √(L/g)) over this is the least ε that stays stable."""

UNKNOWNS: Final = (
    "ln_lead", "ln_strain", "ln_damping", "angle", "rate", "tension", "tension_rate",
    "fall_tension", "drag_per_s", "start_s", "ln_speed", "ln_ramp", "give",
)  # fmt: skip
"""One row of guesses: ln L (m), ln ε, ln ζ, θ (rad), θ' (rad per √(L/g)), T_lead (W) and its
rate (per √(L/g)), T_fall (W), drag (1/s); the letting out (``letting_out.START``)."""
READS: Final = {"piece": 0, "fall": 1, "sling": 2, "standing": 3}


@dataclass(frozen=True, slots=True)
class Swing:
    """The rig that a piece swings on.

    Parameters
    ----------
    reads : str
        ``piece`` (lead, or the piece block's sling), ``fall``, ``sling`` (resultant of lead
        and fall) or ``standing`` (B's end of a span rig).
    efficiency : float
        η of the high block's sheave.
    fall : float
        Length of the fall over that of the lead; in a span rig metres.
    sling_angle_rad : float
        Between a plumb lead and the fall, for a sling.
    span_m : float
        Distance between the anchors of a span rig; 0 for a lead that hangs from one block.
    """

    reads: Literal["piece", "fall", "sling", "standing"]
    efficiency: float
    fall: float
    sling_angle_rad: float = 0.0
    span_m: float = 0.0

    @property
    def rig(self) -> tuple[float, float, float, float]:
        """What the compiled code takes of it."""
        return self.efficiency, self.fall, self.sling_angle_rad, self.span_m

    def reading(self, guesses: FloatArray, n: int, every: int = 4) -> FloatArray:
        """Give what the station reads per weight of the piece.

        Parameters
        ----------
        guesses : (m, 13) or (m, 16) float64
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
        _run(rows, every, READS[self.reads], self.rig, out)
        return out


@numba.njit(cache=True, error_model="numpy")
def _run(rows, every, reads, rig, out):  # type: ignore[no-untyped-def]
    """Run each row; ``out`` takes the values."""
    for at in range(rows.shape[0]):
        run_row(rows[at], every, reads, rig, out[at])


@numba.njit(cache=True, error_model="numpy")
def _slip(lead, held, a, b, eta):  # type: ignore[no-untyped-def]
    """Give the rope that passes the sheave onto the lead, until friction holds it again."""
    if held < eta * lead:
        return (eta * lead - held) / (b + eta * a)
    if lead < eta * held:
        return (lead - eta * held) / (eta * b + a)
    return 0.0


@numba.njit(cache=True, error_model="numpy")
def _read(reads, lead, held, between):  # type: ignore[no-untyped-def]
    """Give what the station reads; ``between`` is the cosine of the angle between both legs."""
    if reads == 0:
        return lead
    if reads == 1:
        return held
    return math.sqrt(max(lead * lead + held * held + 2.0 * lead * held * between, 0.0))


@numba.njit(cache=True, error_model="numpy")
def run_row(row, every, reads, rig, out):  # type: ignore[no-untyped-def]
    """Step one row of unknowns; ``out`` takes the values.

    Parameters
    ----------
    row : (13,) or (16,) float64
        Unknowns of a lead, or of a span rig.
    every, reads : int
        Steps per value; place in :data:`READS`.
    rig : (float, float, float, float)
        :attr:`Swing.rig`.
    out : (n,) float64
        Takes the values.
    """
    if rig[3] > 0.0:
        run_span_row(row, every, reads, rig, out)
    else:
        _run_lead_row(row, every, reads, rig, out)


@numba.njit(cache=True, error_model="numpy")
def _run_lead_row(row, every, reads, rig, out):  # type: ignore[no-untyped-def]
    """Step a piece on one lead."""
    eta, fall_per_lead, sling, _ = rig
    cos_a, sin_a = math.cos(sling), math.sin(sling)
    lead_m = math.exp(row[0])
    unit = math.sqrt(lead_m / G)
    h = STEP_S / unit
    strain = max(math.exp(row[1]), h * h / _LEAST_STRAIN)
    # time constant over step: tau = 2 zeta / omega, omega = 1 / sqrt(strain) here
    q = 2.0 * math.exp(row[2]) * math.sqrt(strain) / h
    angle, rate, tension, tension_rate, fall = (
        row[3], row[4], row[5], row[6], row[7]
    )  # fmt: skip
    keep = 1.0 - STEP_S * row[8]
    start, speed = row[9], math.exp(row[10]) * STEP_S / lead_m
    ramp, give, usual = math.exp(row[11]), row[12], 0.0
    held = fall
    stretch = tension * strain
    fall_stretch = min(max(fall, eta * tension), tension / eta) * strain * fall_per_lead
    slip, paid = fall_stretch, 0.0
    far = 1.0 + slip + stretch
    grows = tension_rate * strain
    x, y = far * math.sin(angle), far * math.cos(angle)
    vx = grows * math.sin(angle) + far * rate * math.cos(angle)
    vy = grows * math.cos(angle) - far * rate * math.sin(angle)
    old, old_fall = stretch - grows * h, fall_stretch
    for at in range(out.size):
        total = 0.0
        for part in range(every):
            since = (at * every + part) * STEP_S - start
            if since > 0.0:
                usual = usual or max(held, LEAST_TENSION)
                paid += speed * let_out(since, ramp, give, held, usual)
            far = math.sqrt(x * x + y * y)
            stiff = 1.0 / (strain * (1.0 + slip))
            stiff_fall = 1.0 / (strain * fall_per_lead)
            a, b = stiff * (1.0 + q), stiff_fall * (1.0 + q)
            stretch, fall_stretch = far - 1.0 - slip, slip - paid
            lead = max(a * stretch - stiff * q * old, 0.0)
            held = max(b * fall_stretch - stiff_fall * q * old_fall, 0.0)
            moved = _slip(lead, held, a, b, eta)
            slip += moved
            stretch -= moved
            fall_stretch += moved
            lead = max(lead - a * moved, 0.0)
            held = max(held + b * moved, 0.0)
            old, old_fall = max(stretch, 0.0), max(fall_stretch, 0.0)
            pull = lead / far
            total += _read(reads, lead, held, (y * cos_a - x * sin_a) / far)
            vx = keep * vx - h * pull * x
            vy += h * (1.0 - pull * y)
            x += h * vx
            y += h * vy
        out[at] = total / every
