"""What is expected of a hung piece's motion before it is fitted, and guesses to begin from.

Comes in: a trace's place and chain. Goes out: a :class:`Swing`, a prior with its standard
deviations, rows of guesses. Must not: fit.

Notes
-----
Lengths and efficiencies were entered; the rest is wide: a rope's stretch under the piece from
half a per cent to several, damping of some per cent, rope let out at walking pace (common
practice, no source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.reading.letting_out import START
from analysis.reading.swing_motion import Swing
from analysis.reading.trace import FloatArray, Trace
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

_LETTING_OUT: Final = (0.0, math.log(0.4), math.log(0.7), 0.5)
_LETTING_OUT_SD: Final = (99.0, 0.6, 0.5, 0.4)
_LEAD: Final[tuple[float, ...]] = (
    0.0,
    math.log(0.015),
    math.log(0.06),
    0.0,
    0.0,
    1.0,
    0.0,
    1.0,
    0.05,
)
_LEAD_SD: Final[tuple[float, ...]] = (0.03, 1.0, 0.5, 9.0, 9.0, 0.7, 3.0, 0.3, 0.05)
_SPAN: Final[tuple[float, ...]] = (
    0.0, math.log(0.012), math.log(0.06), 0.5, 0.0, 0.6, 0.0, 0.6, 0.1, 0.6, 0.0, 0.93,
)  # fmt: skip
_SPAN_SD: Final[tuple[float, ...]] = (
    0.03,
    1.0,
    0.5,
    0.12,
    2.0,
    0.25,
    2.0,
    0.25,
    0.1,
    0.25,
    0.6,
    0.03,
)
_AROUND_SD: Final = 0.01
_LEAST_ETA_U: Final = 0.005
_LEAD_SD_TAG_LINE: Final = 0.08
_SLING_ANGLE: Final = 0.2
_ANGLES: Final = (0.05, 0.2, 0.35, 0.5, 0.7, 0.85, 1.0)
_STRAINS: Final = (0.004, 0.012, 0.035)
_PHASES: Final = 12
_FIRST: Final = 50
_PLACES: Final = (-0.06, 0.0, 0.06)
_SPEEDS: Final = (-0.4, 0.0, 0.4)
_BOUNCES: Final = (-0.15, 0.15)
_STRAINS_IN_A_SPAN: Final = tuple(np.geomspace(0.0025, 0.03, 9))


@dataclass(frozen=True, slots=True, eq=False)
class Expected:
    """A rig and what is expected of its unknowns.

    Parameters
    ----------
    swing : Swing
        The rig.
    prior, sd : (14,) or (17,) float64
        What is expected of each unknown, and its standard deviation.
    gain : float
        Weight of the piece per newton read, about.
    """

    swing: Swing
    prior: FloatArray
    sd: FloatArray
    gain: float


def expect(trace: Trace) -> Expected:
    """Take what was entered of a rig that :func:`can_follow`.

    Parameters
    ----------
    trace : Trace
        With its place and chain.

    Returns
    -------
    Expected
    """
    rope, reads = trace.place.rope, trace.place.reads
    assert rope is not None  # noqa: S101 - the caller has asked can_follow
    assert reads in ("piece", "fall", "sling", "standing")  # noqa: S101 - likewise
    gain = trace.chain.gain
    if rope.legs == 2:
        angle = _SLING_ANGLE if reads == "sling" else 0.0
        swing = Swing(reads, rope.fall_m, angle, rope.span_m)
        prior, sd = _SPAN, _SPAN_SD
    else:
        angle = math.acos(float(np.clip(0.5 / gain**2 - 1.0, -1.0, 1.0))) if reads == "sling" else 0
        swing = Swing(reads, rope.fall_m, angle)
        prior, sd = _LEAD, _LEAD_SD
    before = np.array([*prior, rope.efficiency, *_LETTING_OUT])
    spread = np.array([*sd, max(rope.efficiency_u, _LEAST_ETA_U), *_LETTING_OUT_SD])
    before[0] = math.log(rope.lead_m)
    if trace.tag_line_tight:
        spread[0] = _LEAD_SD_TAG_LINE
    return Expected(swing, before, spread, gain)


def given_legs(expected: Expected, leg_cos: float) -> Expected:
    """Expect a span rig's legs to stand as they were entered, for a weight as the chain tells it.

    Parameters
    ----------
    expected : Expected
        A span rig.
    leg_cos : float
        Cosine of its legs from plumb.
    """
    prior, sd = expected.prior.copy(), expected.sd.copy()
    prior[0] = math.log(expected.swing.span_m / math.sqrt(max(1.0 - leg_cos**2, 1e-6)))
    sd[0] = _AROUND_SD
    return replace(expected, prior=prior, sd=sd)


def guesses(expected: Expected, force_n: FloatArray, step_s: float) -> FloatArray:
    """Rows to begin a fit from, coarse; none lets rope out.

    Parameters
    ----------
    expected : Expected
        The rig.
    force_n : (n,) float64
        Newtons on an even grid, from where the motion begins.
    step_s : float
        The grid's step.

    Returns
    -------
    (m, 14) or (m, 17) float64
    """
    rows = (
        _in_a_span(expected) if expected.swing.span_m > 0 else _on_a_lead(expected, force_n, step_s)
    )
    rows[:, START] = math.inf
    return rows


def _on_a_lead(expected: Expected, force_n: FloatArray, step_s: float) -> FloatArray:
    """Angle and rate on circles, strains of the rope, tension of the swing or as read."""
    half = 1 if expected.swing.reads != "sling" else 2
    phases = np.arange(half * _PHASES) * math.pi / _PHASES
    size, phase, strain, bounce = (
        part.ravel() for part in np.meshgrid(_ANGLES, phases, _STRAINS, (0.0, 1.0), indexing="ij")
    )
    out = np.tile(expected.prior, (size.size, 1))
    out[:, 1] = np.log(strain)
    out[:, 3], out[:, 4] = size * np.sin(phase), size * np.cos(phase)
    out[:, 5] = np.cos(out[:, 3]) + out[:, 4] ** 2
    out[:, 6] = -3.0 * out[:, 3] * out[:, 4]
    usual = float(force_n[:_FIRST].mean())
    unit = math.sqrt(math.exp(expected.prior[0]) / G)
    as_read = bounce > 0
    out[as_read, 5] = force_n[0] / usual
    out[as_read, 6] = (force_n[2] - force_n[0]) / (2.0 * step_s) / usual * unit
    eta = expected.prior[9]
    out[:, 7] = out[:, 5] * np.where(out[:, 6] > 0, eta, 1.0 / eta)
    return out


def _in_a_span(expected: Expected) -> FloatArray:
    """About the middle, going either way, with tensions that hold the weight there."""
    around, span = math.exp(expected.prior[0]), expected.swing.span_m
    upright = math.sqrt(max(1.0 - (span / around) ** 2, 0.05))
    eta = expected.prior[11]
    place, across, down, strain, ratio = (
        part.ravel()
        for part in np.meshgrid(
            _PLACES, _SPEEDS, _BOUNCES, _STRAINS_IN_A_SPAN, (eta, 1.0, 1.0 / eta), indexing="ij"
        )
    )
    out = np.tile(expected.prior, (place.size, 1))
    out[:, 1] = np.log(strain)
    out[:, 3] += place
    out[:, 4], out[:, 6] = across, down
    out[:, 5] = 1.0 / upright / (1.0 + ratio)
    out[:, 9] = ratio * out[:, 5]
    out[:, 7] = out[:, 5]
    return out
