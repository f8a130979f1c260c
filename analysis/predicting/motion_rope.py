"""The rope in motion: its curve, its legs, and when it slips over a sheave.

Comes in: lengths, rates and tensions as arrays. Goes out: tensions, stored energy and slip
rates. Must not: know where pieces or anchors are, or draw random numbers.

Notes
-----
A leg carries T = EA [s(ε) + s'(ε) τ dε/dt], never below 0, with ε = l/L − 1, L its length
without load. Kelvin–Voigt: τ = c/k is the same for every leg of one rope. Rope that passes
a sheave takes its length without load with it, so L changes at the rate of the slip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.errors import PredictionError

FloatArray = NDArray[np.float64]

_NO_GIVE: Final = 1e-30
"""Beside the give of two slack legs, so that nothing is divided by 0."""


@dataclass(frozen=True, slots=True, eq=False)
class RopeCurve:
    """Tension over EA against strain: straight pieces between knots, the last one goes on.

    Parameters
    ----------
    strain : (k,) ndarray
        Knots, from 0.
    tension : (k,) ndarray
        Tension over EA there, from 0.
    slope : (k,) ndarray
        From each knot on.
    energy : (k,) ndarray
        Stored up to each knot, over EA and per metre.
    """

    strain: FloatArray
    tension: FloatArray
    slope: FloatArray
    energy: FloatArray

    @classmethod
    def straight(cls) -> RopeCurve:
        """Make the linear rope, T = EA ε."""
        zero = np.zeros(1)
        return cls(zero, zero, np.ones(1), zero)

    @classmethod
    def through(
        cls, strain: Sequence[float], force_n: Sequence[float], stiffness_n: float
    ) -> RopeCurve:
        """Make a curve through a table of strain and force.

        Parameters
        ----------
        strain, force_n : sequence of float
            Rising, without the origin or with it.
        stiffness_n : float
            EA that the curve is expressed in.

        Raises
        ------
        PredictionError
            Not rising, or not two equal columns.

        Examples
        --------
        >>> curve = RopeCurve.through([0.01, 0.02], [1e3, 3e3], 1e5)
        >>> [round(float(v[0]), 9) for v in curve.at(np.array([0.03]))]
        [0.05, 2.0]
        """
        x = np.asarray(strain, dtype=np.float64)
        y = np.asarray(force_n, dtype=np.float64) / stiffness_n
        if x.size and x[0] == 0.0:
            x, y = x[1:], y[1:]
        x, y = np.concatenate([[0.0], x]), np.concatenate([[0.0], y])
        if x.size != y.size or x.size < 2 or np.any(np.diff(x) <= 0) or np.any(np.diff(y) <= 0):
            raise PredictionError(
                "rope curve: strain and force must both rise from 0, one force for each strain"
            )
        slope = np.diff(y) / np.diff(x)
        energy = np.concatenate([[0.0], np.cumsum(np.diff(x) * (y[1:] + y[:-1]) / 2.0)])
        return cls(x, y, np.append(slope, slope[-1]), energy)

    def _piece(self, strain: FloatArray) -> NDArray[np.intp]:
        return np.clip(np.searchsorted(self.strain, strain, side="right") - 1, 0, None)

    def at(self, strain: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Tension over EA, and its slope; both 0 for a slack rope."""
        taut = strain > 0.0
        if self.strain.size == 1:
            return np.maximum(strain, 0.0), taut.astype(np.float64)
        i = self._piece(strain)
        tension = self.tension[i] + self.slope[i] * (strain - self.strain[i])
        return np.where(taut, tension, 0.0), np.where(taut, self.slope[i], 0.0)

    def stored(self, strain: FloatArray) -> FloatArray:
        """Energy over EA and per metre of unloaded rope."""
        taut = np.maximum(strain, 0.0)
        i = self._piece(taut)
        past = taut - self.strain[i]
        return np.asarray(self.energy[i] + past * (self.tension[i] + 0.5 * self.slope[i] * past))

    def strain_at(self, tension: ArrayLike) -> FloatArray:
        """Strain that carries a tension over EA.

        Examples
        --------
        >>> round(float(RopeCurve.through([0.01, 0.02], [1e3, 3e3], 1e5).strain_at(0.05)), 9)
        0.03
        """
        wanted = np.asarray(tension, dtype=np.float64)
        i = np.clip(np.searchsorted(self.tension, wanted, side="right") - 1, 0, None)
        return np.asarray(self.strain[i] + (wanted - self.tension[i]) / self.slope[i])


@dataclass(slots=True, eq=False)
class Legs:
    """All legs at one moment, rows of (k, n) arrays from the device on: fall, lead, standing.

    ``give_n_s_per_m`` says how much a tension falls per metre a second of rope fed in, over
    the time that the step looks ahead.
    """

    unloaded_m: FloatArray
    strain: FloatArray
    strain_rate: FloatArray
    elastic_n: FloatArray
    tension_n: FloatArray
    give_n_s_per_m: FloatArray

    def feed(self, leg: int, extra_m_per_s: FloatArray) -> None:
        """Feed more rope into a leg, to first order."""
        fallen = self.give_n_s_per_m[leg] * extra_m_per_s
        np.maximum(self.tension_n[leg] - fallen, 0.0, out=self.tension_n[leg])

    def slip(self, ratios: FloatArray, rates_m_per_s: FloatArray) -> None:
        """Let rope pass over the sheaves, one after the other from the device on.

        Parameters
        ----------
        ratios : (k - 1, n) ndarray
            Low over high tension while the rope slips, by sheave.
        rates_m_per_s : (k - 1, n) ndarray
            Rates now assumed, which the tensions hold for, positive towards the piece and the
            far anchor. Changed, with the tensions: 0 while a sheave sticks, both tensions
            within the ratio of each other.
        """
        tension, give = self.tension_n, self.give_n_s_per_m
        onward = give[:-1] + ratios * give[1:] + _NO_GIVE
        back = give[1:] + ratios * give[:-1] + _NO_GIVE
        for i, (ratio, rate) in enumerate(zip(ratios, rates_m_per_s, strict=True)):
            before = tension[i] - give[i] * rate  # as if nothing passed
            after = tension[i + 1] + give[i + 1] * rate
            passed = np.maximum(ratio * after - before, 0.0) / onward[i]
            passed -= np.maximum(ratio * before - after, 0.0) / back[i]
            change = give[i : i + 2] * (passed - rate)
            rate[:] = passed
            tension[i] += change[0]
            tension[i + 1] -= change[1]
            np.maximum(tension[i : i + 2], 0.0, out=tension[i : i + 2])


def legs_state(
    curve: RopeCurve,
    ea_n: FloatArray,
    tau_s: FloatArray,
    length_m: FloatArray,
    rate_m_per_s: FloatArray,
    unloaded_m: FloatArray,
    fed_m_per_s: FloatArray,
    ahead_s: FloatArray,
) -> Legs:
    """Compute legs (k, n) from their lengths, unloaded lengths and the rates of both."""
    stretch = length_m / unloaded_m
    strain = stretch - 1.0
    rate = (rate_m_per_s - stretch * fed_m_per_s) / unloaded_m
    tension, slope = curve.at(strain)
    elastic = ea_n * tension
    stiff = ea_n * slope
    total = np.maximum(elastic + stiff * (tau_s * rate), 0.0)
    give = stiff * stretch * (tau_s + ahead_s) / unloaded_m
    return Legs(unloaded_m, strain, rate, elastic, total, give)
