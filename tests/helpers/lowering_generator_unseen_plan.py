"""What is drawn for an unseen lowering: other rigs, ropes, frictions and timings.

Comes in: a method, options, a random generator. Goes out: a
:class:`~lowering_generator_plan.Draw`, for the schedules and the motion of the frozen
generator. Must not: know the reader.

Part of the unseen set, FROZEN with the commit that adds this file; see
``lowering_generator_unseen``.

Notes
-----
Every range differs from the frozen generator's and is mostly wider: pieces from 100 N to
12 kN, ropes from soft to steel-like, blocks from plain sheaves to ball bearings, little to
much damping, short and long waits, slow and fast lowering.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from lowering_generator_motion import G, RopePath
from lowering_generator_plan import DROPS, Draw

_PAUSES = (
    (0.6, "jerk", 0.2, 1.5),
    (0.4, "jerk", 0.4, 0.7),
    (0.35, "regrip", 0.15, 0.5),
    (0.15, "wraps", 1.5, 6.0),
)
"""Chance, kind, shortest and longest of the halts on the way down."""


def _log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _span(
    rng: np.random.Generator, path: RopePath, zeta: float
) -> tuple[RopePath, tuple[float, float]]:
    """Two legs over a span, B up to 1.5 m below A or 1 m above."""
    b_x, b_y = float(rng.uniform(3.5, 12.0)), float(rng.uniform(-1.0, 1.5))
    x = b_x * float(rng.uniform(0.33, 0.67))
    y = b_x * float(rng.uniform(0.3, 1.0)) + max(b_y, 0.0)
    lead, stand = float(np.hypot(x, y)), float(np.hypot(b_x - x, b_y - y))
    tau = 2.0 * zeta / np.sqrt(path.ea_n / (lead + stand) * 3.0 / (path.weight_n / G))
    whole = replace(
        path, lead_m=lead, tau_s=float(tau), eta_piece=float(rng.uniform(0.83, 0.985)),
        standing_m=stand, b_x_m=b_x, b_y_m=b_y,
    )  # fmt: skip
    return whole, (x, y)


def _rope(rng: np.random.Generator, *, sharp: bool) -> RopePath:
    """Weight, rope and block; a light piece on a short stiff rope for a sharp peak."""
    weight, ea = _log_uniform(rng, 150.0, 12e3), _log_uniform(rng, 30e3, 450e3)
    fall, eta = float(rng.uniform(4.0, 26.0)), float(rng.uniform(0.82, 0.98))
    if sharp:
        weight, ea = _log_uniform(rng, 100.0, 400.0), _log_uniform(rng, 300e3, 900e3)
        fall = float(rng.uniform(2.0, 6.0))
    return RopePath(weight, max(ea, 12.0 * weight), 0.0, 1.0, fall, eta)


def _rig(
    rng: np.random.Generator, method: str, *, sharp: bool
) -> tuple[RopePath, tuple[float, float], float]:
    """Rig, place of the piece, and how far it falls before the rope is taut."""
    path = _rope(rng, sharp=sharp)
    weight, ea, drop = path.weight_n, path.ea_n, 0.0
    zeta = float(rng.uniform(0.015, 0.15))
    if method == "span_rig":
        return *_span(rng, path, zeta), 0.0
    if method in DROPS:
        lead = float(rng.uniform(0.3, 2.4))
        above = lead * float(rng.uniform(0.3, 0.98))
        x, y, drop = 0.12, -above, lead + above
    elif method == "swing":
        lead, angle = float(rng.uniform(2.5, 12.0)), float(rng.uniform(0.3, 1.3))
        x, y = lead * float(np.sin(angle)), lead * float(np.cos(angle))
    else:
        lead = float(rng.uniform(1.2, 12.0))
        x = lead * float(rng.uniform(0.0, 0.08))
        y = float(np.sqrt(lead**2 - x**2))
    tau = 2.0 * zeta / np.sqrt(ea / lead / (weight / G))
    return replace(path, lead_m=lead, tau_s=float(tau)), (x, y), drop


def _share(rng: np.random.Generator, method: str, options: frozenset[str]) -> float:
    if method in DROPS:
        return 0.0
    if "above" in options:
        return float(rng.uniform(1.1, 1.4))
    if "balanced" in options:
        return float(rng.uniform(0.95, 1.05))
    if method == "swing":
        return float(rng.uniform(0.1, 0.9))
    return float(rng.uniform(1.05, 1.35) if rng.random() < 0.15 else rng.uniform(0.15, 0.95))


def _strokes(rng: np.random.Generator, at_s: float) -> tuple[tuple[float, ...], float]:
    """Times of the winch strokes, and of the release after the wait that follows them."""
    strokes = []
    for _ in range(int(rng.integers(1, 11))):
        strokes.append(at_s)
        at_s += float(rng.uniform(0.9, 3.2))
    return tuple(strokes), at_s + float(rng.uniform(2.0, 20.0))


def _release_s(rng: np.random.Generator, method: str, options: frozenset[str]) -> float:
    if method in DROPS:
        return 0.02
    if "staged" in options:
        return float(rng.uniform(0.5, 3.0))
    if "gradual" in options:
        return float(rng.uniform(1.2, 7.0))
    return float(rng.uniform(0.005, 0.09))


def _hold_s(rng: np.random.Generator, method: str) -> float:
    if rng.random() < 0.15:
        return float(rng.uniform(1.7, 2.8))
    return float(rng.uniform(3.0, 14.0)) + 3.0 * (method == "swing" or method in DROPS)


def _pauses(rng: np.random.Generator) -> tuple[tuple[float, float, str], ...]:
    places = np.linspace(0.15, 0.8, len(_PAUSES)) + rng.uniform(-0.06, 0.06, len(_PAUSES))
    out = []
    for place, (chance, kind, low, high) in zip(rng.permutation(places), _PAUSES, strict=True):
        length = float(rng.uniform(low, high))
        if rng.random() < chance:
            out.append((float(place), length, kind))
    return tuple(sorted(out))


def _run_m(drop: float, react_s: float, brake: float) -> float:
    """How far a piece runs after a drop while a hand reacts and brakes (in weights)."""
    v = float(np.sqrt(2 * G * drop)) + G * react_s
    return v * react_s + v**2 / (2 * G * (brake - 1.0))


def draw_unseen(
    rng: np.random.Generator, method: str, options: frozenset[str], *, sharp: bool
) -> Draw:
    """Draw rig, times and habits of one unseen lowering.

    Parameters
    ----------
    rng : numpy.random.Generator
        All chance comes from it.
    method : str
        Of the frozen generator's methods.
    options : frozenset of str
        As there; ``above`` is a share above one.
    sharp : bool
        A light piece on a short stiff rope, whose peaks a slow cell misses.

    Returns
    -------
    Draw
    """
    path, start, drop = _rig(rng, method, sharp=sharp)
    share = _share(rng, method, options)
    slack = float(rng.uniform(1.2, 7.0))
    strokes, release = ((), slack) if method in DROPS else _strokes(rng, slack)
    release_end = release + _release_s(rng, method, options)
    lowering = release_end + _hold_s(rng, method)
    speed, way = float(rng.uniform(0.15, 1.1)), float(rng.uniform(1.2, 6.5))
    pauses = _pauses(rng)
    react, brake = float(rng.uniform(0.15, 0.6)), float(rng.uniform(1.5, 3.2))
    rest = start[1] if method not in (*DROPS, "swing") else path.lead_m
    rest += _run_m(drop, react, brake) if method == "let_run_drop" else 0.0
    end = lowering + (4.0 * way + 2.0) / speed + sum(p[1] for p in pauses) + 10.0
    return Draw(
        method, options, path, start, share, drop, slack, strokes, release, release_end, lowering,
        speed, way, rest + 0.4 + way, end, react, brake * path.weight_n, pauses,
        float(rng.uniform(0.04, 0.5)),
    )  # fmt: skip
