"""Where the energy of a simulated lowering went.

Comes in: the states that ``motion`` passes through. Goes out: a :class:`Ledger`. Must not:
change them.

Notes
-----
Kinetic + potential + elastic energy, plus what dampers, sheaves and the device took, less
what winch, hinge and tag line put in, stays what it was. Rope over a sheave carries energy
with it: a leg that loses rope at the rate u loses u[T(1 + ε) − e], e its stored energy per
unloaded metre.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.predicting.motion_forces import FALL, OUT, OVER, Instant, System
from analysis.predicting.motion_rope import Legs
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Ledger:
    """Energies in joules, (steps, n), each as a change since the start.

    ``winch_j``, ``hinge_j`` and ``tag_j`` are work put in; the others are stored or lost.
    """

    kinetic_j: FloatArray
    potential_j: FloatArray
    elastic_j: FloatArray
    rope_damping_j: FloatArray
    anchor_damping_j: FloatArray
    sheaves_j: FloatArray
    device_j: FloatArray
    winch_j: FloatArray
    hinge_j: FloatArray
    tag_j: FloatArray

    @property
    def open_j(self) -> FloatArray:
        """What does not add up."""
        stored = self.kinetic_j + self.potential_j + self.elastic_j
        lost = self.rope_damping_j + self.anchor_damping_j + self.sheaves_j + self.device_j
        return np.asarray(stored + lost - self.winch_j - self.hinge_j - self.tag_j)

    @property
    def open_share(self) -> float:
        """Largest amount that does not add up, as a part of the largest amount turned over."""
        parts = [np.abs(getattr(self, name)).max(axis=0) for name in self.__slots__]
        return float(np.max(np.abs(self.open_j).max(axis=0) / np.maximum.reduce(parts)))


class LedgerKeeper:
    """Adds up the work of each step."""

    def __init__(self, system: System) -> None:
        self._system = system
        self._rows: dict[str, list[FloatArray]] = {name: [] for name in Ledger.__slots__}
        self._sums = {
            name: np.zeros(system.n)
            for name in Ledger.__slots__
            if name not in {"kinetic_j", "potential_j", "elastic_j"}
        }
        self._start = self._stored(system.place, system.speed, system.unloaded_m)

    def add(self, now: Instant, v: FloatArray, step_s: FloatArray) -> None:
        """Add the work done in one step, from its middle."""
        legs = now.legs
        damped = (legs.tension_n - legs.elastic_n) * legs.strain_rate * legs.unloaded_m
        carried = self._carried_n(legs)
        slip = now.slip_m_per_s
        sheaves = slip[OVER:-1] * (carried[1:] - carried[:-1])
        device_w = slip[OUT] * carried[FALL]
        power_w = {
            "rope_damping_j": damped.sum(axis=0),
            "anchor_damping_j": self._anchor_power_w(v),
            "sheaves_j": sheaves.sum(axis=0),
            "device_j": np.maximum(device_w, 0.0),
            "winch_j": np.maximum(-device_w, 0.0),
            "hinge_j": now.hinge_w,
            "tag_j": now.tag_w,
        }
        for name, power in power_w.items():
            self._sums[name] = self._sums[name] + step_s * power

    def _carried_n(self, legs: Legs) -> FloatArray:
        """Energy that a metre of unloaded rope takes along when it is fed out of a leg, (k, n)."""
        stored = self._system.ea_n * self._system.curve.stored(legs.strain)
        return np.asarray(legs.tension_n * (1.0 + legs.strain) - stored)

    def _anchor_power_w(self, v: FloatArray) -> FloatArray:
        total = np.zeros(self._system.n)
        for which, anchor in enumerate(self._system.anchors):
            if anchor is not None:
                square = v[3 + 2 * which] ** 2 + v[4 + 2 * which] ** 2
                total = total + self._system.anchor_damping(anchor) * square
        return total

    def _stored(
        self, q: FloatArray, v: FloatArray, unloaded_m: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        system = self._system
        kinetic = 0.5 * system.mass_kg * (v[0] ** 2 + v[1] ** 2)
        kinetic = kinetic + 0.5 * system.inertia_kg_m2 * v[2] ** 2
        strain = system.leg_lengths_m(q) / unloaded_m - 1.0
        elastic = (system.ea_n * unloaded_m * system.curve.stored(strain)).sum(axis=0)
        for which, anchor in enumerate(system.anchors):
            if anchor is not None:
                k, m = system.wide(anchor.stiffness_n_per_m), system.wide(anchor.mass_kg)
                row = 3 + 2 * which
                x, z = q[row : row + 2] - system.rest[which]
                elastic = elastic + 0.5 * k * (x * x + z * z)
                kinetic = kinetic + 0.5 * m * (v[row] ** 2 + v[row + 1] ** 2)
        return kinetic, system.mass_kg * G_M_PER_S2 * q[1], elastic

    def close_step(self, q: FloatArray, v: FloatArray, unloaded_m: FloatArray) -> None:
        """Note what is stored at the end of the step."""
        for name, now, start in zip(
            ("kinetic_j", "potential_j", "elastic_j"),
            self._stored(q, v, unloaded_m),
            self._start,
            strict=True,
        ):
            self._rows[name].append(now - start)
        for name, total in self._sums.items():
            self._rows[name].append(total.copy())

    def result(self) -> Ledger:
        """Give the ledger of all steps."""
        return Ledger(**{name: np.stack(rows) for name, rows in self._rows.items()})
