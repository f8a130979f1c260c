"""Slow, obvious twins of the closed forms and the span solver.

They share no code with ``analysis/predicting``: a mass on a rope stepped through time, a
rope's lowest point searched on a line, weights summed slice by slice.
"""

from __future__ import annotations

import math
from collections.abc import Callable

G = 9.80665

State = tuple[float, float]


def step_runge_kutta(rate: Callable[[float, float], float], state: State, dt: float) -> State:
    """One step of x'' = rate(x, v)."""
    x, v = state
    k1x, k1v = v, rate(x, v)
    k2x, k2v = v + dt / 2 * k1v, rate(x + dt / 2 * k1x, v + dt / 2 * k1v)
    k3x, k3v = v + dt / 2 * k2v, rate(x + dt / 2 * k2x, v + dt / 2 * k2v)
    k4x, k4v = v + dt * k3v, rate(x + dt * k3x, v + dt * k3v)
    return (
        x + dt / 6 * (k1x + 2 * k2x + 2 * k3x + k4x),
        v + dt / 6 * (k1v + 2 * k2v + 2 * k3v + k4v),
    )


def peak_on_rope(
    weight_n: float,
    stiffness_n_per_m: float,
    *,
    stretch_m: float = 0.0,
    speed_m_per_s: float = 0.0,
    damping_ratio: float = 0.0,
    steps_per_period: int = 4000,
) -> float:
    """Largest force of a mass that hangs on a spring and dashpot, stepped over a period."""
    mass = weight_n / G
    damping = 2 * damping_ratio * math.sqrt(stiffness_n_per_m * mass)
    dt = 2 * math.pi * math.sqrt(mass / stiffness_n_per_m) / steps_per_period

    def force(x: float, v: float) -> float:
        return stiffness_n_per_m * x + damping * v

    state: State = (stretch_m, speed_m_per_s)
    largest = force(*state) if damping_ratio == 0 else 0.0
    for _ in range(steps_per_period):
        state = step_runge_kutta(lambda x, v: G - force(x, v) / mass, state, dt)
        largest = max(largest, force(*state))
    return largest


def let_run_tension(weight_n: float, fall_m: float, reaction_s: float, braking_m: float) -> float:
    """Constant tension that stops the piece just within the braking distance, by bisection."""
    mass = weight_n / G
    speed = math.sqrt(2 * G * fall_m) + G * reaction_s
    low, high = weight_n, 1000 * weight_n
    for _ in range(80):
        middle = (low + high) / 2
        slowing = middle / mass - G
        if speed**2 > 2 * slowing * braking_m:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def swing_peak(weight_n: float, start_angle_rad: float, length_m: float = 3.0) -> float:
    """Largest tension of a pendulum, stepped from rest to the other side."""
    mass = weight_n / G
    dt = math.sqrt(length_m / G) / 2000
    state: State = (start_angle_rad, 0.0)
    largest = 0.0
    while state[0] > -0.9 * start_angle_rad:
        state = step_runge_kutta(lambda a, _: -G / length_m * math.sin(a), state, dt)
        largest = max(largest, weight_n * math.cos(state[0]) + mass * length_m * state[1] ** 2)
    return largest


def lowest_point(span_m: float, height_m: float, rope_m: float) -> tuple[float, float]:
    """Lowest place of a frictionless block on a rope, by golden section on x.

    Returns the place from A: (x, depth).
    """

    def depth(x: float) -> float:
        low, high = max(0.0, height_m), rope_m + abs(height_m)
        for _ in range(200):
            middle = (low + high) / 2
            if math.dist((0, 0), (x, middle)) + math.dist((span_m, height_m), (x, middle)) < rope_m:
                low = middle
            else:
                high = middle
        return (low + high) / 2

    ratio = (math.sqrt(5) - 1) / 2
    left, right = 0.0, span_m
    for _ in range(200):
        a, b = right - ratio * (right - left), left + ratio * (right - left)
        if depth(a) > depth(b):
            right = b
        else:
            left = a
    x = (left + right) / 2
    return x, depth(x)


def slid_to_rest(
    span_m: float, height_m: float, rope_m: float, ratio: float
) -> tuple[float, float, float]:
    """Place and leg tensions per newton where T_standing = ratio · T_lead, by bisection.

    Walks along the ellipse by its angle, which the solver does not use.
    """
    centre = (span_m / 2, height_m / 2)
    half = rope_m / 2
    focal = math.dist((0, 0), (span_m, height_m)) / 2
    minor = math.sqrt(half**2 - focal**2)
    tilt = math.atan2(height_m, span_m)

    def point(t: float) -> tuple[float, float]:
        u, v = half * math.cos(t), minor * math.sin(t)
        return (
            centre[0] + u * math.cos(tilt) - v * math.sin(tilt),
            centre[1] + u * math.sin(tilt) + v * math.cos(tilt),
        )

    def pull(t: float) -> tuple[float, float, float]:
        x, y = point(t)
        l1, l2 = math.hypot(x, y), math.hypot(span_m - x, y - height_m)
        sideways = ratio * (span_m - x) / l2 - x / l1
        vertical = y / l1 + ratio * (y - height_m) / l2
        return sideways, vertical, x

    low, high = 0.0, math.pi
    while point(low)[0] > span_m:
        low += 1e-3
    while point(high)[0] < 0:
        high -= 1e-3
    for _ in range(200):
        middle = (low + high) / 2
        if pull(middle)[0] < 0:
            low = middle
        else:
            high = middle
    _, vertical, x = pull((low + high) / 2)
    return x, 1 / vertical, ratio / vertical


def sheave_ratio(efficiency: float, wrap_rad: float) -> float:
    """η at a wrap angle from the implicit law, by bisection."""
    drag = (1 - efficiency) / (1 + efficiency)
    low, high = 0.0, 1.0
    for _ in range(200):
        eta = (low + high) / 2
        if 1 - eta > drag * math.sqrt(1 + eta**2 - 2 * eta * math.cos(wrap_rad)):
            low = eta
        else:
            high = eta
    return (low + high) / 2


def sliced_log(
    diameter: Callable[[float], float], length_m: float, slices: int = 20000
) -> tuple[float, float, float]:
    """Volume, centre and radius of gyration of a round log, slice by slice."""
    step = length_m / slices
    places = [(i + 0.5) * step for i in range(slices)]
    areas = [math.pi / 4 * diameter(x) ** 2 for x in places]
    volume = math.fsum(areas) * step
    centre = math.fsum(a * x for a, x in zip(areas, places, strict=True)) * step / volume
    square = (
        math.fsum(a * (x - centre) ** 2 for a, x in zip(areas, places, strict=True)) * step / volume
    )
    return volume, centre, math.sqrt(square)
