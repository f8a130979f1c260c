"""Inputs that several methods draw: the rope's stiffness and damping, a hinge's stages.

Comes in: a :class:`Case`. Goes out: draws, named in the case. Must not: predict anything.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.drawn import Case
from analysis.predicting.inputs import name_of
from analysis.predicting.rope import DYNAMIC_FACTOR_REL_U, dynamic_stiffness_n
from logger.records import Piece

FloatArray = NDArray[np.float64]

DAMPING_REL_U: Final = 0.30
"""Own assumption: relative standard uncertainty of a damping ratio that was not measured."""


HINGE_TIME_REL_U: Final = 0.30
HINGE_LEFT_U: Final = 0.10
"""Own assumptions, wide: when a hinge's steps come, and what is left after each."""

STAGES_APART_S: Final = 0.02
"""Own assumption: steps closer than this are one."""


def hinge_stages(piece: Piece) -> tuple[FloatArray, FloatArray] | None:
    """Give times (seconds) and parts left of a hinge's steps, (stages, 1) each, or None.

    Raises
    ------
    PredictionError
        Times that do not rise, parts that do not fall, or something left at the end.
    """
    stages = () if piece.release is None else piece.release.stages
    if not stages:
        return None
    after = np.array([[stage.after_s] for stage in stages])
    left = np.array([[stage.left] for stage in stages])
    close = np.any(np.diff(after, axis=0) < STAGES_APART_S)
    if close or np.any(np.diff(left, axis=0) >= 0.0) or left[-1, 0] > 0.0:
        raise PredictionError(
            f"{name_of(piece)}: release.stages: after_s must rise by {STAGES_APART_S:g} s or more, "
            "left must fall from stage to stage, and the last one must leave 0"
        )
    return after, left


def hinge_draws(case: Case) -> tuple[FloatArray, FloatArray] | None:
    """Draw when a hinge's steps come and what they leave, (stages, n) each; None without any."""
    found = hinge_stages(case.piece)
    if found is None:
        return None
    after, left = found
    slower = case.named("hinge's timing", case.around(1.0, HINGE_TIME_REL_U))
    more = case.named("hinge's steps", HINGE_LEFT_U * case.rng.standard_normal(case.n))
    return after * slower, np.where(left > 0.0, np.clip(left + more, 0.0, 1.0), 0.0)


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
