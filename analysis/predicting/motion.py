"""Lowerings in time: many simulations advanced together, with force at every station.

Comes in: a :class:`~analysis.predicting.motion_setup.Setup` and a step. Goes out: a
:class:`Motion`, forces against time and an energy ledger. Must not: draw random numbers or
know about records.

Notes
-----
Implicit midpoint rule with a fixed step and a fixed number of corrections: second order,
so half the step leaves a quarter of the error, and without damping the energy of a linear
rope stays. Slips over sheaves are solved inside the step, so friction does not depend on
speed and can stick. The step may differ between simulations; all make the same number.
With 100 steps a period of the stiffest spring the peak is within 0.05 % of the limit
(``tests/analysis/predicting/test_motion_limits.py``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from analysis.predicting.motion_energy import Ledger, LedgerKeeper
from analysis.predicting.motion_forces import FALL, LEAD, OUT, OVER, STANDING, Instant, System
from analysis.predicting.motion_setup import Setup

FloatArray = NDArray[np.float64]

CORRECTIONS: Final = 3
POINTS: Final = ("lead", "fall", "standing", "high_block", "piece")
"""Where forces are kept: three legs, the sling of the high block, the whole on the piece."""


@dataclass(frozen=True, slots=True, eq=False)
class Motion:
    """What happened; arrays (steps, n).

    Parameters
    ----------
    time_s : ndarray
        Middle of each step.
    force_n : dict of str to ndarray
        By point: legs ``lead``, ``fall``, ``standing`` (span rig), sling ``high_block``,
        and ``piece``, all that the rope does to the piece.
    x_m, z_m, turn_rad : ndarray
        Centre of mass.
    paid_m : ndarray
        Rope run out of the device.
    slipped_m : ndarray
        Rope passed over the high block towards the piece.
    ledger : Ledger or None
        Where the energy went, when it was asked for.
    """

    time_s: FloatArray
    force_n: dict[str, FloatArray]
    x_m: FloatArray
    z_m: FloatArray
    turn_rad: FloatArray
    paid_m: FloatArray
    slipped_m: FloatArray
    ledger: Ledger | None

    def peak_n(self, point: str) -> FloatArray:
        """Largest force at a point in each simulation, by a parabola through three steps."""
        return peak_of(self.force_n[point])


def peak_of(force_n: FloatArray) -> FloatArray:
    """Largest value down each column, by the parabola through it and its neighbours.

    At the first and the last row the value itself.

    Examples
    --------
    >>> float(peak_of(np.array([[1.0], [3.0], [3.0], [1.0]]))[0])
    3.25
    """
    n = force_n.shape[0]
    top = np.argmax(force_n, axis=0)
    middle = np.clip(top, 1, n - 2)
    column = np.arange(force_n.shape[1])
    before, at, after = (force_n[middle + k, column] for k in (-1, 0, 1))
    bend = 2.0 * at - before - after
    more = (after - before) ** 2 / (8.0 * np.where(bend > 0.0, bend, 1.0))
    inside = (top == middle) & (bend > 0.0)
    # A kink (a leg going slack) is no parabola: never add more than a neighbour's distance.
    more = np.minimum(more, at - np.minimum(before, after))
    return np.asarray(np.where(inside, at + more, force_n[top, column]))


def shortest_period_s(setup: Setup, *, anchors: bool = True) -> FloatArray:
    """Period of the stiffest spring: piece on a stuck lead (and standing leg), or an anchor.

    Parameters
    ----------
    setup : Setup
        What is simulated.
    anchors : bool
        Whether the anchors' own sway counts; its period needs fewer steps, about 8.

    Returns
    -------
    (n,) ndarray
    """
    line, body = setup.line, setup.body
    mass = np.asarray(body.mass_kg, dtype=np.float64)
    slope = np.max(line.curve.slope)
    k = np.asarray(line.ea_n) * slope / np.asarray(setup.lead_m)
    if setup.span is not None:
        k = k + np.asarray(line.ea_n) * slope / np.asarray(setup.span.standing_m)
    square = k / mass
    if body.gyration_m is not None:
        arm2 = np.asarray(body.tie_x_m) ** 2 + np.asarray(body.tie_z_m) ** 2
        square = square * (1.0 + arm2 / np.asarray(body.gyration_m) ** 2)
    for anchor in (setup.anchor, setup.span.anchor if setup.span else None):
        if anchor is not None and anchors:
            own = (np.asarray(anchor.stiffness_n_per_m) + 2.0 * k) / np.asarray(anchor.mass_kg)
            square = np.maximum(square, own)
    return np.asarray(2.0 * np.pi / np.sqrt(np.atleast_1d(square)))


class _Track:
    """Keeps tensions, directions and places as the steps go by."""

    def __init__(self, system: System, steps: int) -> None:
        self._fall_way = system.fall_way
        self._span = system.lines > 1
        legs, n = system.unloaded_m.shape
        self.tension_n = np.empty((legs, steps, n))
        self.lead_way, self.piece_n = np.empty((2, steps, n)), np.empty((2, steps, n))
        self.place = np.empty((3, steps, n))
        self.slipped_m = np.empty((legs + 1, steps, n))

    def keep(self, i: int, now: Instant, q: FloatArray, slipped_m: FloatArray) -> None:
        """Keep one step."""
        self.tension_n[:, i] = now.legs.tension_n
        self.lead_way[:, i], self.piece_n[:, i] = now.ways[0], now.piece_n
        self.place[:, i], self.slipped_m[:, i] = q[:3], slipped_m

    @property
    def force_n(self) -> dict[str, FloatArray]:
        """Forces by point, (steps, n)."""
        lead, fall = self.tension_n[LEAD], self.tension_n[FALL]
        cos = self.lead_way[0] * self._fall_way[0] + self.lead_way[1] * self._fall_way[1]
        square = lead**2 + fall**2 + 2.0 * lead * fall * cos
        standing = {"standing": self.tension_n[STANDING]} if self._span else {}
        return {
            "lead": lead, "fall": fall, **standing,
            "high_block": np.sqrt(np.maximum(square, 0.0)),
            "piece": np.hypot(self.piece_n[0], self.piece_n[1]),
        }  # fmt: skip


def simulate(
    setup: Setup,
    step_s: ArrayLike,
    steps: int,
    *,
    ledger: bool = False,
    corrections: int = CORRECTIONS,
) -> Motion:
    """Advance all simulations of a setup together.

    Parameters
    ----------
    setup : Setup
        Arrays in it are simulations side by side.
    step_s : array_like
        Fixed step, one for all or one each.
    steps : int
        How many.
    ledger : bool
        Whether to keep the energy ledger.
    corrections : int
        Corrections of the midpoint in each step.

    Returns
    -------
    Motion
    """
    system = System(setup)
    n = system.n
    step = np.array(np.broadcast_to(np.asarray(step_s, dtype=np.float64), (n,)))
    half = 0.5 * step
    track = _Track(system, steps)
    keeper = LedgerKeeper(system) if ledger else None
    q, v, unloaded = system.place.copy(), system.speed.copy(), system.unloaded_m.copy()
    acceleration, slip = np.zeros_like(q), system.no_slip()
    time, slipped = np.zeros(n), system.no_slip()
    for i in range(steps):
        for k in range(corrections):
            v_mid = v + half * acceleration
            q_mid = q + half * v_mid
            now = system.at(time + half, q_mid, v_mid, unloaded, slip, half, again=k > 0)
            acceleration, slip = now.acceleration, now.slip_m_per_s
        v_mid = v + half * acceleration
        if keeper is not None:
            keeper.add(now, v_mid, step)
        q, v = q + step * v_mid, v + step * acceleration
        unloaded = unloaded + step * system.fed(slip)
        slipped = slipped + step * slip
        track.keep(i, now, q, slipped)
        time = time + step
        if keeper is not None:
            keeper.close_step(q, v, unloaded)
    return Motion(
        (np.arange(steps)[:, None] + 0.5) * step, track.force_n,
        track.place[0], track.place[1], track.place[2],
        track.slipped_m[OUT], track.slipped_m[OVER], None if keeper is None else keeper.result(),
    )  # fmt: skip
