"""A piece on a rope over a sheave, stepped in time for many guesses at once.

Comes in: rows of unknowns of a :class:`Swing`. Goes out: what the station reads, per weight
of the piece. Must not: know a trace, or look for anything (``swinging.py`` does).

Notes
-----
A point mass in a plane on the lead, the lead over a fixed sheave, the fall held at the
device: nothing is let out. Rope: Kelvin-Voigt, stiffness as its length. At the sheave of
efficiency η the rope sticks while η ≤ T_fall/T_lead ≤ 1/η and slips otherwise (capstan
with a constant coefficient, ``physics.md`` §3). Air: drag in proportion to speed, sideways.
Lengths count in leads L, forces in weights W, time in √(L/g); the static strain of the lead
is then ε = W/EA. Velocity first, then place. A mode that is too quick for the step is too
stiff to ring visibly: ε is held above what the step can follow.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from analysis.reading.trace import FloatArray
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

STEP_S: Final = 0.02
_LEAST_STRAIN: Final = 4.0
"""Squared steps (per √(L/g)) over this is the least ε that stays stable."""

UNKNOWNS: Final = (
    "ln_lead", "ln_strain", "ln_damping", "angle", "rate", "tension", "tension_rate",
    "fall_tension", "drag_per_s",
)  # fmt: skip
"""One row of guesses: ln L (m), ln ε, ln ζ, θ (rad), θ' (rad per √(L/g)), T_lead (W) and its
rate (per √(L/g)), T_fall (W), drag (1/s)."""


@dataclass(frozen=True, slots=True)
class Swing:
    """The rig that a piece swings on.

    Parameters
    ----------
    reads : str
        ``piece`` (lead), ``fall`` or ``sling`` (resultant of both).
    efficiency : float
        η of the sheave.
    fall_per_lead : float
        Length of the fall over that of the lead.
    sling_angle_rad : float
        Between a plumb lead and the fall, for a sling.
    """

    reads: Literal["piece", "fall", "sling"]
    efficiency: float
    fall_per_lead: float
    sling_angle_rad: float = 0.0

    def reading(self, guesses: FloatArray, n: int, every: int = 2) -> FloatArray:
        """Give what the station reads per weight of the piece.

        Parameters
        ----------
        guesses : (m, 9) float64
            See :data:`UNKNOWNS`; the state is that of the first value.
        n : int
            Number of values.
        every : int
            Steps of :data:`STEP_S` between values.

        Returns
        -------
        (m, n) float64
        """
        lead, fall, sine = self._tensions(guesses, n, every)
        if self.reads == "piece":
            return lead
        if self.reads == "fall":
            return fall
        cosine = np.sqrt(np.maximum(1.0 - sine * sine, 0.0))
        a = self.sling_angle_rad
        between = cosine * math.cos(a) - sine * math.sin(a)
        return np.sqrt(np.maximum(lead * lead + fall * fall + 2.0 * lead * fall * between, 0.0))

    def _tensions(
        self, guesses: FloatArray, n: int, every: int
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Lead and fall tension (W) and sine of the lead's angle at every value."""
        eta = self.efficiency
        ln_lead, ln_strain, ln_damping, angle, rate, tension, tension_rate, fall, drag = guesses.T
        unit = np.sqrt(np.exp(ln_lead) / G)
        h = STEP_S / unit
        strain = np.maximum(np.exp(ln_strain), h * h / _LEAST_STRAIN)
        # time constant over step: tau = 2 zeta / omega, omega = 1 / sqrt(strain) here
        q = 2.0 * np.exp(ln_damping) * np.sqrt(strain) / h
        stiff, stiff_fall = 1.0 / strain, 1.0 / (strain * self.fall_per_lead)
        lead_slope, fall_slope = stiff * (1.0 + q), stiff_fall * (1.0 + q)
        lead_back, fall_back = stiff * q, stiff_fall * q
        down, up = 1.0 / (fall_slope + eta * lead_slope), 1.0 / (eta * fall_slope + lead_slope)
        slip = np.clip(fall, eta * tension, tension / eta) / stiff_fall
        stretch, speed = tension / stiff, tension_rate / stiff
        far = 1.0 + slip + stretch
        x, y = far * np.sin(angle), far * np.cos(angle)
        vx = speed * np.sin(angle) + far * rate * np.cos(angle)
        vy = speed * np.cos(angle) - far * rate * np.sin(angle)
        old, old_slip, keep = stretch - speed * h, slip, 1.0 - h * unit * drag
        out = np.empty((3, n, guesses.shape[0]))
        for step in range((n - 1) * every + 1):
            far = np.sqrt(x * x + y * y)
            stretch = far - 1.0 - slip
            lead = lead_slope * stretch - lead_back * old
            held = fall_slope * slip - fall_back * old_slip
            onto = np.maximum(eta * lead - held, 0.0) * down
            back = np.maximum(eta * held - lead, 0.0) * up
            moved = onto - back
            slip = slip + moved
            old, old_slip = stretch - moved, slip
            lead = np.maximum(lead - lead_slope * moved, 0.0)
            pull = lead / far
            if step % every == 0:
                at = step // every
                out[0, at], out[1, at], out[2, at] = lead, held + fall_slope * moved, x / far
            vx = keep * vx - h * pull * x
            vy = vy + h * (1.0 - pull * y)
            x = x + h * vx
            y = y + h * vy
        leads, falls, sines = out
        return leads.T, falls.T, sines.T
