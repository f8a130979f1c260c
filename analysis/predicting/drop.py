"""Drops, runs and swings in closed form.

Comes in: weight, stiffness, fall, numbers or arrays in SI. Goes out: the largest force in
the lead. Must not: know about records, or draw random numbers.

Notes
-----
Undamped unless said, rope without mass, piece as a point on the lead. The fall is that of the centre
of mass before the rope takes load.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]


def _array(value: ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def free_fall_m(
    tie_above_block_m: ArrayLike,
    centre_above_tie_m: ArrayLike,
    slack_m: ArrayLike,
    catch_angle_rad: ArrayLike,
) -> FloatArray:
    """Fall of the centre of mass before the rope takes load, 2a + slack + c(1 + cos φ).

    Parameters
    ----------
    tie_above_block_m : array_like
        Height a of the tie above the block.
    centre_above_tie_m : array_like
        Centre of mass c above the tie while the piece still stands.
    slack_m : array_like
        Slack rope.
    catch_angle_rad : array_like
        The piece's angle φ from hanging at the catch: 0 hanging, π still upright.

    Returns
    -------
    ndarray of float64
        Metres.

    Examples
    --------
    >>> [round(float(free_fall_m(0.6, 0.7, 0.0, phi)), 2) for phi in (np.pi, 0.0)]
    [1.2, 2.6]
    """
    turn = _array(centre_above_tie_m) * (1.0 + np.cos(catch_angle_rad))
    return _array(2.0 * _array(tie_above_block_m) + _array(slack_m) + turn)


def snubbed_peak_n(
    weight_n: ArrayLike, stiffness_n_per_m: ArrayLike, fall_m: ArrayLike
) -> FloatArray:
    """Peak of a piece that falls freely and is held fast, W(1 + √(1 + 2hk/W)).

    Examples
    --------
    >>> [round(float(snubbed_peak_n(1.0, 1.0, h)), 2) for h in (0.0, 2.5, 10.0)]
    [2.0, 3.45, 5.58]
    """
    weight = _array(weight_n)
    ratio = 2.0 * _array(fall_m) * _array(stiffness_n_per_m) / weight
    return _array(weight * (1.0 + np.sqrt(1.0 + ratio)))


def moving_peak_n(
    weight_n: ArrayLike,
    stiffness_n_per_m: ArrayLike,
    share_carried: ArrayLike,
    speed_m_per_s: ArrayLike,
) -> FloatArray:
    """Peak of a piece snubbed while the rope carries a share and the piece moves.

    F = W + √(W²(1 − κ)² + k m v²); a share of 1 gives braking while lowering,
    W + v√(km).

    Examples
    --------
    >>> float(moving_peak_n(1000.0, 5e4, 0.0, 0.0)), float(moving_peak_n(1000.0, 5e4, 1.0, 0.0))
    (2000.0, 1000.0)
    """
    weight = _array(weight_n)
    speed2 = _array(speed_m_per_s) ** 2
    kinetic = _array(stiffness_n_per_m) * weight / G_M_PER_S2 * speed2
    return _array(weight + np.sqrt((weight * (1.0 - _array(share_carried))) ** 2 + kinetic))


def damped_peak_n(
    weight_n: ArrayLike,
    stiffness_n_per_m: ArrayLike,
    share_carried: ArrayLike,
    speed_m_per_s: ArrayLike,
    damping_ratio: ArrayLike,
) -> FloatArray:
    """Peak as in :func:`moving_peak_n`, on a rope with Kelvin–Voigt damping.

    Parameters
    ----------
    weight_n, stiffness_n_per_m : array_like
        Weight and stiffness.
    share_carried, speed_m_per_s : array_like
        What the rope carries, and how fast the piece falls, at the start.
    damping_ratio : array_like
        ζ of the piece on this stiffness, 0 to below 1.

    Returns
    -------
    ndarray of float64
        Newtons.

    Notes
    -----
    The force less the weight, f = −m d²y/dt², swings as the piece does:
    f = exp(−ζωt)[f₀ cos ω_d t + (f₀' + ζω f₀)/ω_d sin ω_d t], with f₀ = W(κ − 1) + cv and
    f₀' = kv − c f₀/m. Where the damper's own force at the start is the larger, that counts.

    Examples
    --------
    >>> round(float(damped_peak_n(1.0, 1.0, 0.0, 0.0, 0.1)), 3)
    1.744
    >>> round(float(damped_peak_n(1.0, 1.0, 0.0, (2.5 * 2 * 9.80665) ** 0.5, 0.0)), 2)
    3.45
    """
    weight, k, zeta = _array(weight_n), _array(stiffness_n_per_m), _array(damping_ratio)
    mass = weight / G_M_PER_S2
    speed = _array(speed_m_per_s)
    omega = np.sqrt(k / mass)
    damper = 2.0 * zeta * omega * mass
    swing = omega * np.sqrt(1.0 - zeta**2)
    start = weight * (_array(share_carried) - 1.0) + damper * speed
    rise = k * speed - damper * start / mass
    phase = np.arctan2(rise, (omega**2 * start + zeta * omega * rise) / swing)
    top = start * np.cos(phase) + (rise + zeta * omega * start) / swing * np.sin(phase)
    top = top * np.exp(-zeta * omega * phase / swing)
    return _array(weight + np.where(rise > 0.0, np.maximum(top, start), start))


def unbraked_run_m(fall_m: ArrayLike, reaction_s: ArrayLike) -> FloatArray:
    """Run before the hand brakes: s₀ = v t_r + g t_r²/2 with v after the free fall.

    Examples
    --------
    >>> round(float(unbraked_run_m(1.2, 0.25)), 2)
    1.52
    """
    reaction = _array(reaction_s)
    speed = np.sqrt(2.0 * G_M_PER_S2 * _array(fall_m))
    return _array(speed * reaction + G_M_PER_S2 * reaction**2 / 2.0)


def let_run_n(
    weight_n: ArrayLike, fall_m: ArrayLike, reaction_s: ArrayLike, braking_m: ArrayLike
) -> FloatArray:
    """Hold a drop let run: tension in the lead, W(1 + (h + s₀)/d).

    Parameters
    ----------
    weight_n : array_like
        Weight.
    fall_m : array_like
        Free fall h.
    reaction_s : array_like
        Time before the hand brakes.
    braking_m : array_like
        Braking distance d.

    Returns
    -------
    ndarray of float64
        Newtons.

    Examples
    --------
    >>> [round(float(let_run_n(1.0, 1.2, t, 2.0)), 1) for t in (0.0, 0.25, 0.5)]
    [1.6, 2.4, 3.4]
    """
    fall = _array(fall_m)
    way = fall + unbraked_run_m(fall, reaction_s)
    return _array(_array(weight_n) * (1.0 + way / _array(braking_m)))


def let_run_on_rope_n(
    weight_n: ArrayLike,
    fall_m: ArrayLike,
    reaction_s: ArrayLike,
    braking_m: ArrayLike,
    stiffness_n_per_m: ArrayLike,
) -> FloatArray:
    """Hold a drop let run, on a rope that stretches as it is braked.

    Parameters
    ----------
    weight_n, fall_m, reaction_s, braking_m : array_like
        As for :func:`let_run_n`.
    stiffness_n_per_m : array_like
        Force on the lead per metre that the piece sinks, the device holding.

    Returns
    -------
    ndarray of float64
        Tension T that the hand must hold: the larger root of
        T²/2k + T(d − W/k) − W(h + s₀ + d) = 0.

    Notes
    -----
    While the rope stretches by T/k it takes ½T²/k, then it runs d at T. A stiff rope gives
    :func:`let_run_n`; no run gives the snubbed drop from h + s₀.

    Examples
    --------
    >>> [round(float(let_run_on_rope_n(1.0, 1.2, 0.25, 2.0, k)), 2) for k in (1e9, 6.0)]
    [2.36, 2.33]
    >>> round(float(let_run_on_rope_n(1.0, 2.5, 0.0, 0.0, 1.0)), 2)
    3.45
    """
    weight, k, braking = _array(weight_n), _array(stiffness_n_per_m), _array(braking_m)
    fall = _array(fall_m)
    way = fall + unbraked_run_m(fall, reaction_s) + braking
    half = k * braking - weight
    return _array(2.0 * k * weight * way / (half + np.sqrt(half**2 + 2.0 * k * weight * way)))


def hand_n(lead_n: ArrayLike, efficiency: ArrayLike, wraps_ratio: ArrayLike) -> FloatArray:
    """Force in the hand behind block and wraps, T_b η exp(−2πμn).

    Examples
    --------
    >>> float(hand_n(1000.0, 0.9, 3.0))
    300.0
    """
    return _array(_array(lead_n) * _array(efficiency) / _array(wraps_ratio))


def swing_peak_n(weight_n: ArrayLike, start_angle_rad: ArrayLike) -> FloatArray:
    """Rope tension at the bottom of a swing from rest, W(3 − 2 cos θ₀).

    Examples
    --------
    >>> [round(float(swing_peak_n(1.0, np.deg2rad(a))), 3) for a in (60, 90)]
    [2.0, 3.0]
    """
    return swing_n(weight_n, start_angle_rad, 0.0)


def swing_n(weight_n: ArrayLike, start_angle_rad: ArrayLike, angle_rad: ArrayLike) -> FloatArray:
    """Rope tension at an angle from plumb, W(3 cos θ − 2 cos θ₀).

    Examples
    --------
    >>> round(float(swing_n(1.0, np.pi / 3, np.pi / 3)), 3)
    0.5
    """
    return _array(_array(weight_n) * (3.0 * np.cos(angle_rad) - 2.0 * np.cos(start_angle_rad)))


def climbing_rope_n(
    mass_kg: ArrayLike, fall_factor: ArrayLike, stiffness_n: ArrayLike
) -> FloatArray:
    """Peak of a fall on a rope of modulus EA: mg + √((mg)² + 2 mg f EA).

    The snubbed drop with h/L in place of h and EA in place of kL.

    Examples
    --------
    >>> round(float(climbing_rope_n(80.0, 1.77, 20e3)), 1)
    8278.6
    """
    return snubbed_peak_n(G_M_PER_S2 * _array(mass_kg), stiffness_n, fall_factor)


def climbing_rope_stiffness_n(
    mass_kg: ArrayLike, fall_factor: ArrayLike, peak_n: ArrayLike
) -> FloatArray:
    """EA from the peak of a fall, the inverse of :func:`climbing_rope_n`.

    Examples
    --------
    >>> round(float(climbing_rope_stiffness_n(80.0, 1.77, 9000.0)))
    24081
    """
    weight = G_M_PER_S2 * _array(mass_kg)
    peak = _array(peak_n)
    return _array(peak * (peak - 2.0 * weight) / (2.0 * weight * _array(fall_factor)))
