"""Slow, obvious twins of the statics of one rope; they share no code with the solver.

* Without friction: the piece rests where the potential energy of weight, tag line and
  bent anchors is least; the tension is the energy's slope against the rope's length.
* With friction: a stretchy rope is let go and relaxes in time until it stands.
* The rope's way to the winch: contact by contact, each by bisection of the law of §3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from reference_physics import sheave_ratio
from scipy.optimize import minimize

Vector = NDArray[np.float64]


@dataclass(frozen=True)
class Belly:
    """A frictionless block on a rope from ``winch`` over ``top`` to ``far``.

    ``rope_m`` is the whole rope from winch to far anchor; anchors of a stiffness give way.
    """

    top: Vector
    far: Vector
    winch: Vector
    load: Vector
    rope_m: float
    top_n_per_m: float | None = None
    far_n_per_m: float | None = None


def _unpacked(belly: Belly, x: Vector) -> tuple[Vector, Vector, Vector, float]:
    """Displaced anchors, place of the piece, and energy of the bent anchors."""
    size = float(np.linalg.norm(belly.load))
    bent, moved, energy = list(x[2:]), [], 0.0
    for place, stiffness in ((belly.top, belly.top_n_per_m), (belly.far, belly.far_n_per_m)):
        if stiffness is None:
            moved.append(place)
            continue
        way = np.array([bent.pop(0) for _ in range(3)]) * size / stiffness
        moved.append(place + way)
        energy += 0.5 * stiffness * float(way @ way)
    top, far = moved
    rope = belly.rope_m - float(np.linalg.norm(belly.winch - top))
    along = far - top
    gap = float(np.linalg.norm(along))
    along = along / gap
    aside = np.cross(along, [0.3, 0.5, 0.8])
    aside /= np.linalg.norm(aside)
    third = np.cross(along, aside)
    long, short = 0.5 * rope, math.sqrt(max(0.25 * (rope**2 - gap**2), 0.0))
    round_ = math.cos(x[1]) * aside + math.sin(x[1]) * third
    place = 0.5 * (top + far) + long * math.cos(x[0]) * along + short * math.sin(x[0]) * round_
    return top, far, place, energy


def _energy(x: Vector, belly: Belly) -> float:
    _, _, place, bent = _unpacked(belly, x)
    size = float(np.linalg.norm(belly.load))
    return (bent - float(belly.load @ place)) / size


def rest(belly: Belly) -> tuple[Vector, float]:
    """Place of least potential energy, and that energy."""
    soft = sum(k is not None for k in (belly.top_n_per_m, belly.far_n_per_m))
    starts = [
        np.array([a, b, *[0.0] * (3 * soft)])
        for a in np.linspace(0.2, 2.9, 6)
        for b in np.linspace(0.0, 6.0, 9)
    ]
    start = min(starts, key=lambda x: _energy(x, belly))
    found = start
    for _ in range(3):
        found = minimize(_energy, found, args=(belly,), jac="3-point", method="BFGS").x
    return _unpacked(belly, found)[2], _energy(found, belly) * float(np.linalg.norm(belly.load))


def tension_from_energy(belly: Belly, step_m: float = 2e-3) -> float:
    """−dE/dL by a five-point difference: what one metre more of rope would release."""
    slope = 0.0
    for k, weight in ((-2, 1.0), (-1, -8.0), (1, 8.0), (2, -1.0)):
        slope += weight * rest(replace(belly, rope_m=belly.rope_m + k * step_m))[1]
    return -slope / (12.0 * step_m)


@dataclass(frozen=True)
class Relaxed:
    """A piece that came to rest on a stretchy rope with friction at its block."""

    place: Vector
    lead_n: float
    standing_n: float
    lead_m: float
    standing_m: float


def relax(
    top: Vector, far: Vector, load: Vector, rope_m: float, efficiency: float, *, raising: bool
) -> Relaxed:
    """Let a piece go in thick oil until it stands, the rope slipping one way at its block.

    The block's high side is the lead while raising, else the standing leg. Rope slips
    towards the side that pulls harder than friction holds, until neither does.
    """
    weight = float(np.linalg.norm(load))
    stiff = 15.0 * weight
    drag, eta = (1.0 - efficiency) / (1.0 + efficiency), efficiency
    place = 0.5 * (top + far) + load / weight * 0.5 * rope_m
    on_lead = 0.5 * rope_m
    step = 0.2 * rope_m / stiff
    for _ in range(400_000):
        lead, standing = top - place, far - place
        l1, l2 = float(np.linalg.norm(lead)), float(np.linalg.norm(standing))
        t1 = max(stiff * (l1 / on_lead - 1.0), 0.0)
        t2 = max(stiff * (l2 / (rope_m - on_lead) - 1.0), 0.0)
        cos = float(lead @ standing) / (l1 * l2)
        # One step a time of the implicit law of §3; it settles with the rest.
        eta = 1.0 - drag * math.sqrt(1.0 + eta**2 + 2.0 * eta * cos)
        slip = t1 * eta - t2 if raising else t1 - t2 * eta
        net = load + t1 * lead / l1 + t2 * standing / l2
        if max(abs(slip), float(np.max(np.abs(net)))) < 1e-10 * weight:
            return Relaxed(place, t1, t2, l1, l2)
        place = place + step * net
        on_lead += 0.25 * step * slip
    raise AssertionError("the twin did not come to rest")


def winch_tension(
    lead_n: float, way: Vector, path: Sequence[tuple[Vector, float]], end: Vector, *, raising: bool
) -> list[float]:
    """Tension after each contact on the way to the winch.

    ``way`` leads from the first contact to the piece; ``path`` holds (place, η) of each
    contact; ``end`` is the winch.
    """
    tensions, tension = [], lead_n
    back = way / np.linalg.norm(way)
    for i, (place, efficiency) in enumerate(path):
        onward = (path[i + 1][0] if i + 1 < len(path) else end) - place
        onward = onward / np.linalg.norm(onward)
        turn = math.pi - math.acos(max(-1.0, min(1.0, float(back @ onward))))
        eta = sheave_ratio(efficiency, turn)
        tension = tension / eta if raising else tension * eta
        tensions.append(tension)
        back = -onward
    return tensions
