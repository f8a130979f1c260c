"""Inputs that several methods draw: the rope's dynamic stiffness and its damping.

Comes in: a :class:`Case`. Goes out: draws, named in the case. Must not: predict anything.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.predicting.drawn import Case
from analysis.predicting.rope import DYNAMIC_FACTOR_REL_U, dynamic_stiffness_n

FloatArray = NDArray[np.float64]

DAMPING_REL_U: Final = 0.30
"""Own assumption: relative standard uncertainty of a damping ratio that was not measured."""


def damping_draws(case: Case) -> FloatArray:
    """Draw the damping ratio of the hanging piece."""
    ratio = case.rope.damping_ratio
    if ratio == 0.0:
        return np.zeros(case.n)
    drawn = np.minimum(case.around(ratio, DAMPING_REL_U), 0.9)
    return case.named("rope damping", drawn)


def dynamic_draws(case: Case) -> FloatArray:
    """Draw the rope's dynamic EA, or take the measured one."""
    if case.measured.stiffness_n is not None:
        drawn = case.measured.stiffness_n.draws(case.rng, case.n)
    else:
        factor = np.maximum(case.around(case.rope.dynamic_factor, DYNAMIC_FACTOR_REL_U), 1.0)
        drawn = dynamic_stiffness_n(case.rope.stiffness_n, factor)
    return case.named("rope stiffness", drawn)
