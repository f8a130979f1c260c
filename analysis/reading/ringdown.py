"""The ring-down of a hanging piece: a decaying sinusoid fitted to the force.

Comes in: times and forces (zero taken) of the stretch in which the piece rings about its
weight. Goes out: a :class:`RingDown`: level, frequency, damping, amplitude. Must not: know
about phases or rigs (``stiffness.py`` turns it into a rope's EA).

Notes
-----
The model is a + exp(−ζω₀t)(b cos ω_d t + c sin ω_d t), with ω_d = ω₀√(1 − ζ²). For given
(ω_d, ζω₀) it is linear in a, b, c, so only two numbers are searched (variable projection,
Gauss–Newton with halved steps). Numpy only.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.reading.trace import FloatArray

_MOST_POINTS: Final = 300
_STEPS: Final = 25
_LEAST_CYCLES: Final = 1.2
_LEAST_CYCLES_FOUND: Final = 1.0
_LEAST_POINTS_PER_CYCLE: Final = 8.0
_CLEAR_CYCLES: Final = 2.0
_CLEAR_LEFT: Final = 0.25
_CLEAR_DAMPING: Final = 0.3
"""Own choice: at this damping exp(-2π ζ/√(1 - ζ²)), a seventh, is left after one cycle."""


@dataclass(frozen=True, slots=True)
class RingDown:
    """A fitted ring-down; ``_u`` are standard uncertainties.

    Parameters
    ----------
    frequency_hz, frequency_hz_u : float
        Damped frequency f_d.
    damping_ratio, damping_ratio_u : float
        ζ; 0 when the record shows no decay.
    level_n, level_n_u : float
        What it rings about: the hang reading seen over whole cycles.
    amplitude_n : float
        Of the fitted envelope at ``start_s``.
    phase_rad : float
        The force is level + amplitude · exp(−ζω₀(t − start)) · cos(ω_d(t − start) + phase).
    start_s, end_s : float
        Stretch fitted.
    residual_n : float
        RMS of what the model leaves.
    cycles : float
        Cycles in the stretch.
    """

    frequency_hz: float
    frequency_hz_u: float
    damping_ratio: float
    damping_ratio_u: float
    level_n: float
    level_n_u: float
    amplitude_n: float
    phase_rad: float
    start_s: float
    end_s: float
    residual_n: float
    cycles: float

    @property
    def omega_d(self) -> float:
        """Damped angular frequency, rad/s."""
        return 2.0 * math.pi * self.frequency_hz

    @property
    def decay_per_s(self) -> float:
        """Rate ζω₀ of the envelope, 1/s."""
        return self.omega_d * self.damping_ratio / math.sqrt(1.0 - self.damping_ratio**2)

    def force_n(self, time_s: FloatArray) -> FloatArray:
        """Fitted force at given times."""
        since = np.asarray(time_s, dtype=np.float64) - self.start_s
        wave = np.cos(self.omega_d * since + self.phase_rad)
        return np.asarray(
            self.level_n + self.amplitude_n * np.exp(-self.decay_per_s * since) * wave
        )

    def amplitude_at(self, time_s: float) -> float:
        """Envelope at a time, newtons."""
        return self.amplitude_n * math.exp(-self.decay_per_s * (time_s - self.start_s))


def log_decrement_damping(first_n: float, later_n: float, cycles: float) -> float:
    """Damping ratio from two amplitudes a number of cycles apart.

    δ = ln(x₁/x₂)/n and ζ = δ/√(4π² + δ²).

    Parameters
    ----------
    first_n, later_n : float
        Amplitudes, any unit.
    cycles : float
        Whole cycles between them.

    Returns
    -------
    float

    Examples
    --------
    >>> round(log_decrement_damping(2.0, 1.0, 1.0), 4)
    0.1097
    """
    decrement = math.log(first_n / later_n) / cycles
    return decrement / math.hypot(2.0 * math.pi, decrement)


def fit_ringdown(
    time_s: FloatArray, force_n: FloatArray, *, frequency_hz: float, noise_n: float = 0.0
) -> RingDown | None:
    """Fit a decaying sinusoid.

    Parameters
    ----------
    time_s, force_n : (n,) float64
        The stretch; newtons with zero taken. Gaps may be in it: only the times count.
    frequency_hz : float
        Where the search begins, such as one over the period from swing to swing.
    noise_n : float
        Standard deviation of one sample. A swing that never clearly exceeds it is not
        fitted.

    Returns
    -------
    RingDown or None
        None when there is less than about one cycle, too few samples per cycle, no swing
        above the noise, or no convergence to a decaying motion.

    Examples
    --------
    >>> t = np.arange(0.0, 3.0, 0.01)
    >>> ring = fit_ringdown(t, 900 + 300 * np.exp(-t) * np.cos(2 * np.pi * 1.5 * t),
    ...                     frequency_hz=1.4)
    >>> round(ring.frequency_hz, 3), round(ring.damping_ratio, 3), round(ring.level_n)
    (1.5, 0.106, 900)
    """
    length_s = float(time_s[-1] - time_s[0]) if time_s.size > 1 else 0.0
    enough = length_s * frequency_hz >= _LEAST_CYCLES and frequency_hz > 0
    if not enough or time_s.size < _LEAST_POINTS_PER_CYCLE * length_s * frequency_hz:
        return None
    time, force, averaged = _thinned(time_s, force_n)
    found = _search(time - time[0], force, 2.0 * math.pi * frequency_hz)
    if found is None:
        return None
    ring = _described(time, force, *found)
    noise = noise_n / math.sqrt(averaged)
    inside = 0.6 * frequency_hz < ring.frequency_hz < 1.7 * frequency_hz
    swings = ring.amplitude_n > 3.0 * max(noise, 1e-9)
    fits = ring.residual_n < 0.5 * ring.amplitude_n
    decays = -0.02 < ring.damping_ratio < 0.7
    long = ring.cycles >= _LEAST_CYCLES_FOUND
    return ring if inside and swings and fits and decays and long else None


def _thinned(time_s: FloatArray, force_n: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Average neighbours until few hundred points remain; they stay evenly weighted."""
    every = max(time_s.size // _MOST_POINTS, 1)
    if every == 1:
        return time_s, force_n, 1
    whole = time_s.size // every * every
    time = time_s[:whole].reshape(-1, every).mean(axis=1)
    force = force_n[:whole].reshape(-1, every).mean(axis=1)
    return time, force, every


def _basis(since: FloatArray, omega: float, decay: float) -> FloatArray:
    """Give the rows that level, cosine and sine multiply, ``(3, n)``."""
    envelope = np.exp(-decay * since)
    angle = omega * since
    return np.array((np.ones(since.size), envelope * np.cos(angle), envelope * np.sin(angle)))


def _least_squares(rows: FloatArray, values: FloatArray) -> FloatArray:
    """Find what to multiply rows by, so that their sum is nearest to the values.

    By normal equations: from a cycle on the rows are far from alike. Where one is nothing but
    zeros, the smallest solution.
    """
    try:
        return np.asarray(np.linalg.solve(rows @ rows.T, rows @ values))
    except np.linalg.LinAlgError:
        return np.asarray(np.linalg.lstsq(rows.T, values, rcond=None)[0])


def _solved(basis: FloatArray, force_n: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Linear part; coefficients and residual."""
    coefficients = _least_squares(basis, force_n)
    return coefficients, force_n - coefficients @ basis


def _search(
    since: FloatArray, force_n: FloatArray, omega: float
) -> tuple[float, float, FloatArray] | None:
    """Gauss–Newton on (ω_d, decay) with all five numbers in the step, halved when it fails."""
    best = _start(since, force_n, omega)
    omega, decay = best[1], best[2]
    basis = _basis(since, omega, decay)
    coefficients, residual = _solved(basis, force_n)
    cost = float(residual @ residual)
    for _ in range(_STEPS):
        step = _least_squares(_jacobian(since, basis, coefficients), residual).tolist()
        scale = 1.0
        while scale > 1e-3:
            tried = omega + scale * step[3], decay + scale * step[4]
            if tried[0] > 0.2 * omega and tried[1] > -0.5 * omega:
                next_basis = _basis(since, *tried)
                next_coefficients, next_residual = _solved(next_basis, force_n)
                next_cost = float(next_residual @ next_residual)
                if next_cost <= cost:
                    break
            scale *= 0.5
        else:
            break
        gained = cost - next_cost
        (omega, decay), basis = tried, next_basis
        coefficients, residual, cost = next_coefficients, next_residual, next_cost
        if gained <= 1e-10 * cost:
            break
    if not np.all(np.isfinite(coefficients)):
        return None
    return omega, decay, coefficients


def _start(since: FloatArray, force_n: FloatArray, omega: float) -> tuple[float, float, float]:
    """Best of a small grid around the given frequency."""
    tried = []
    for factor in (0.85, 1.0, 1.18):
        for damping in (0.03, 0.15):
            at = factor * omega
            _, residual = _solved(_basis(since, at, damping * at), force_n)
            tried.append((float(residual @ residual), at, damping * at))
    return min(tried)


def _jacobian(since: FloatArray, basis: FloatArray, coefficients: FloatArray) -> FloatArray:
    """Change of the force with the three coefficients, ω_d and decay, ``(5, n)``."""
    _, b, c = coefficients.tolist()
    _, cosine, sine = basis
    return np.array((*basis, since * (c * cosine - b * sine), -since * (b * cosine + c * sine)))


def _described(
    time_s: FloatArray,
    force_n: FloatArray,
    omega: float,
    decay: float,
    coefficients: FloatArray,
) -> RingDown:
    """Turn the solution into a ring-down with standard uncertainties.

    Residuals of neighbours hang together (friction is not viscous), so the covariance is
    that of a tenth as many independent points.
    """
    since = time_s - time_s[0]
    level, b, c = (float(v) for v in coefficients)
    basis = _basis(since, omega, decay)
    jacobian = _jacobian(since, basis, coefficients)
    residual = force_n - coefficients @ basis
    variance = float(residual @ residual) / max(force_n.size - 5, 1)
    r = np.linalg.qr(jacobian.T, mode="r")
    inverse = np.linalg.pinv(r)
    u = np.sqrt(10.0 * variance * np.sum(inverse**2, axis=1))
    natural = math.hypot(omega, decay)
    damping = decay / natural
    cycles = omega * float(since[-1]) / (2.0 * math.pi)
    return RingDown(
        frequency_hz=omega / (2.0 * math.pi),
        frequency_hz_u=float(u[3]) / (2.0 * math.pi),
        damping_ratio=damping,
        damping_ratio_u=float(u[4]) / natural,
        level_n=level,
        level_n_u=float(u[0]),
        amplitude_n=math.hypot(b, c),
        phase_rad=math.atan2(-c, b),
        start_s=float(time_s[0]),
        end_s=float(time_s[-1]),
        residual_n=math.sqrt(variance),
        cycles=cycles,
    )


def rings_clearly(ring: RingDown) -> bool:
    """Whether a ring-down shows its frequency well enough to tell a stiffness from it.

    Over fewer than two cycles a surge of the lowering, or half a swing of a pendulum, fits a
    decaying sinusoid as well; so does a shaking that leaves a quarter of its size unexplained,
    or what fades to a seventh from one cycle to the next.
    """
    return (
        ring.cycles >= _CLEAR_CYCLES
        and ring.damping_ratio <= _CLEAR_DAMPING
        and ring.residual_n <= _CLEAR_LEFT * ring.amplitude_n
    )
