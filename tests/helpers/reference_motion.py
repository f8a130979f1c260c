"""Lowerings in time by adaptive LSODA: the slow, obvious twin of the stepped simulation.

Scalar Python, one simulation at a time, no code of ours. The equations are written anew:
unloaded lengths are the state, and which sheave sticks or slips is found by trying all
combinations until one contradicts nothing. Needs a rope with damping (τ > 0): then slip is
a rate that the tensions give.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.integrate import odeint, solve_ivp

G = 9.80665


@dataclass
class World:
    """One rig and piece; lengths without load. ``far`` is anchor B of a span rig."""

    mass: float
    ea: float
    tau: float
    lead: float
    fall: float
    fall_now: float
    eta: float
    x: float
    z: float
    vx: float = 0.0
    vz: float = 0.0
    tie: tuple[float, float] = (0.0, 0.0)
    gyration: float = 0.0
    far: tuple[float, float] | None = None
    standing: float = 1.0
    eta_piece: float = 1.0
    brake: tuple[float, float, float, float] | None = None
    """Reaction, closing time, force before, force after."""


def by_angle(eta: float, cos_wrap: float) -> float:
    """Solve 1 − e = (1−η)/(1+η) √(1 + e² − 2 e cos θ) by bisection."""
    b = (1 - eta) / (1 + eta)
    low, high = 0.0, 1.0
    for _ in range(60):
        e = 0.5 * (low + high)
        if 1 - e > b * math.sqrt(1 + e * e - 2 * e * cos_wrap):
            low = e
        else:
            high = e
    return 0.5 * (low + high)


def leg(w: World, length: float, rate: float, unloaded: float) -> tuple[float, float]:
    """Tension with no rope fed in, and its loss per metre a second of rope fed in."""
    strain = length / unloaded - 1
    if strain <= 0:
        return 0.0, 0.0
    return w.ea * (strain + w.tau * rate / unloaded), w.ea * w.tau * (1 + strain) / unloaded


def _fits(mode: int, slip: float, source: float, sink: float, ratio: float) -> bool:
    """Whether a sheave that sticks (0) or slips (±1) contradicts nothing."""
    tiny = 1e-9 * (abs(source) + abs(sink)) + 1e-12
    if mode == 0:
        return source >= ratio * sink - tiny and sink >= ratio * source - tiny
    return mode * slip >= -1e-15


def slips(
    legs: list[tuple[float, float]], ratios: list[float], cap: float | None
) -> tuple[list[float], list[float]]:
    """Slips over high block, piece's block, device; and the tensions that go with them.

    Legs are lead, fall, standing. Slip 0 runs fall → lead, 1 lead → standing, 2 into the
    fall.
    """
    base = np.array([t for t, _ in legs])
    give = np.array([g for _, g in legs])
    feed = np.array([[1.0, -1.0, 0.0], [-1.0, 0.0, 1.0], [0.0, 1.0, 0.0]])[:, : len(legs)]
    blocks = len(ratios)
    ends = [(1, 0), (0, 2)]
    for modes in itertools.product(*([(0, 1, -1)] * blocks), (0, 1) if cap is not None else (0,)):
        rows, right = [], []
        for i in range(3):
            mode = modes[i] if i < blocks else (modes[-1] if i == 2 else 0)
            row = np.zeros(3)
            if mode == 0:
                row[i] = 1.0
                rows.append(row)
                right.append(0.0)
                continue
            # Tension of leg k is base_k − give_k Σ_j feed_jk u_j.
            if i == 2:
                rows.append(give[1] * feed[:, 1])
                right.append(base[1] - (cap or 0.0))
                continue
            source, sink = ends[i]
            high, low = (sink, source) if mode > 0 else (source, sink)
            e = ratios[i]
            rows.append(e * give[high] * feed[:, high] - give[low] * feed[:, low])
            right.append(e * base[high] - base[low])
        matrix = np.array(rows)
        if abs(np.linalg.det(matrix)) < 1e-300:
            continue
        u = np.linalg.solve(matrix, np.array(right))
        tension = base - give * (feed.T @ u)
        good = all(
            _fits(modes[i], u[i], tension[ends[i][0]], tension[ends[i][1]], ratios[i])
            for i in range(blocks)
        )
        if cap is not None:
            good &= u[2] >= -1e-15 if modes[-1] else tension[1] <= cap * (1 + 1e-9)
        if good:
            return list(u), [max(t, 0.0) for t in tension]
    return [0.0, 0.0, 0.0], [max(t, 0.0) for t in base]


def forces(w: World, time: float, y: Any) -> tuple[list[float], list[float], float, float]:
    """Slips, tensions, and direction of the lead from the block to the tie."""
    x, z, turn, vx, vz, spin, lead, fall, standing = y
    rx = w.tie[0] * math.cos(turn) - w.tie[1] * math.sin(turn)
    rz = w.tie[0] * math.sin(turn) + w.tie[1] * math.cos(turn)
    px, pz, pvx, pvz = x + rx, z + rz, vx - spin * rz, vz + spin * rx
    long = math.hypot(px, pz)
    ux, uz = px / long, pz / long
    legs = [leg(w, long, pvx * ux + pvz * uz, lead), leg(w, w.fall_now, 0.0, fall)]
    ratios = [by_angle(w.eta, uz)]
    if w.far is not None:
        bx, bz = px - w.far[0], pz - w.far[1]
        far = math.hypot(bx, bz)
        legs.append(leg(w, far, (pvx * bx + pvz * bz) / far, standing))
        ratios.append(by_angle(w.eta_piece, -(ux * bx + uz * bz) / far))
    cap = None
    if w.brake is not None:
        wait, closing, loose, shut = w.brake
        cap = loose + (shut - loose) * min(max((time - wait) / closing, 0.0), 1.0)
    u, tension = slips(legs, ratios, cap)
    return u, tension, ux, uz


def change(time: float, y: Any, w: World) -> list[float]:
    """Give the derivative of x, z, turn, their speeds and the three unloaded lengths."""
    u, tension, ux, uz = forces(w, time, y)
    x, z, turn, vx, vz, spin = y[:6]
    fx, fz = -tension[0] * ux, -tension[0] * uz
    rx = w.tie[0] * math.cos(turn) - w.tie[1] * math.sin(turn)
    rz = w.tie[0] * math.sin(turn) + w.tie[1] * math.cos(turn)
    if w.far is not None:
        bx, bz = x + rx - w.far[0], z + rz - w.far[1]
        far = math.hypot(bx, bz)
        fx, fz = fx - tension[2] * bx / far, fz - tension[2] * bz / far
    turning = 0.0
    if w.gyration > 0:
        turning = (rx * fz - rz * fx) / (w.mass * w.gyration**2)
    return [
        vx, vz, spin, fx / w.mass, fz / w.mass - G, turning,
        u[0] - u[1], u[2] - u[0], u[1],
    ]  # fmt: skip


def run(w: World, duration: float, rtol: float = 1e-8) -> dict[str, float]:
    """Largest tension of each leg within a time, by LSODA and a fine look at its result."""
    start = [
        w.x - w.tie[0], w.z - w.tie[1], 0.0, w.vx, w.vz, 0.0, w.lead, w.fall, w.standing,
    ]  # fmt: skip
    grid = np.linspace(0.0, duration, 4001)
    found = solve_ivp(
        change, (0.0, duration), start, method="LSODA", args=(w,), rtol=rtol, atol=1e-10,
        t_eval=grid, max_step=duration / 50,
    )  # fmt: skip
    assert found.success
    names = ("lead", "fall", "standing")
    tops = np.array([forces(w, t, y)[1] for t, y in zip(found.t, found.y.T, strict=True)])
    return {name: float(top) for name, top in zip(names, tops.max(axis=0), strict=False)}


def snub_peak(
    mass: float, ea: float, tau: float, lead: float, fall: float, eta: float, drop: float
) -> float:
    """Peak on the lead of a snubbed drop of a point, as lean as scalar LSODA can be.

    State: stretch below the catch, speed, rope run over the block. The block only ever
    slips towards the piece before the peak.
    """

    def tension(y: float, v: float, s: float) -> tuple[float, float]:
        free_l, free_f = lead + s, fall - s
        strain_l, strain_f = (y + lead) / free_l - 1.0, fall / free_f - 1.0
        pull = ea * (strain_l + tau * v / free_l)
        back = ea * strain_f
        give_l, give_f = ea * tau * (1 + strain_l) / free_l, ea * tau * (1 + strain_f) / free_f
        rate = max((eta * pull - back) / (give_f + eta * give_l), 0.0)
        return max(pull - give_l * rate, 0.0), rate

    def rates(y: Any, time: float) -> list[float]:
        force, rate = tension(y[0], y[1], y[2])
        return [y[1], G - force / mass, rate]

    stiff = ea / (lead + eta * fall)
    grid = np.linspace(0.0, 2.2 / math.sqrt(stiff / mass), 200)
    out = odeint(rates, [0.0, math.sqrt(2 * G * drop), 0.0], grid, rtol=1e-7, atol=1e-9)
    values = [tension(*row)[0] for row in out.tolist()]
    top = min(max(int(np.argmax(values)), 1), len(values) - 2)
    a, b, c = values[top - 1 : top + 2]
    return b + (c - a) ** 2 / (8 * (2 * b - a - c)) if 2 * b > a + c else b
