"""The rope as a spring: dynamic stiffness, and the stretch of legs and block together.

Comes in: lengths, stiffness, efficiency, numbers or arrays. Goes out: stiffness that a
falling piece meets. Must not: know about drops or draw random numbers.

References
----------
Over 101 rated climbing ropes (2011) the peak predicted from static elongation was
0.73 ± 0.07 of the rated one: static data understate dynamic stiffness about twofold.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

DYNAMIC_FACTOR_REL_U: Final = 0.25
"""Relative standard deviation of dynamic over static EA, from the ratings above."""


def dynamic_stiffness_n(static_n: float, factor: ArrayLike) -> FloatArray:
    """Dynamic EA, force per unit strain, φ times the static one.

    Examples
    --------
    >>> float(dynamic_stiffness_n(50e3, 2.0))
    100000.0
    """
    return np.asarray(np.multiply(static_n, factor), dtype=np.float64)


def block_term_m_per_n(
    anchor_n_per_m: ArrayLike | None, efficiency: ArrayLike, included_rad: float = 0.0
) -> FloatArray:
    """Stretch per newton of lead that the block's anchor adds.

    (u_l + u_f)ᵀ K⁻¹ (u_l + η u_f) for an anchor equally stiff all ways; with parallel
    legs 2(1+η)/k_a: the block's load is (1+η)T, and the piece sinks twice its way.

    Parameters
    ----------
    anchor_n_per_m : array_like or None
        Stiffness k_a; rigid when None.
    efficiency : array_like
        η of the block.
    included_rad : float
        Angle between lead and fall.

    Returns
    -------
    ndarray of float64
        Metres per newton.

    Examples
    --------
    >>> float(block_term_m_per_n(1e6, 1.0)), float(block_term_m_per_n(None, 0.9))
    (4e-06, 0.0)
    """
    eta = np.asarray(efficiency, dtype=np.float64)
    if anchor_n_per_m is None:
        return np.zeros_like(eta)
    load = (1.0 + eta) * (1.0 + np.cos(included_rad))
    return np.asarray(load / np.asarray(anchor_n_per_m), dtype=np.float64)


def lead_stiffness_n_per_m(
    stiffness_n: ArrayLike,
    lead_m: ArrayLike,
    fall_m: ArrayLike,
    efficiency: ArrayLike,
    anchor_n_per_m: ArrayLike | None = None,
    included_rad: float = 0.0,
) -> FloatArray:
    """Force on the lead per metre that the piece sinks.

    Parameters
    ----------
    stiffness_n : array_like
        Dynamic EA, newtons.
    lead_m, fall_m : array_like
        Rope in play on either side of the high block, metres.
    efficiency : array_like
        η of the block in a drop: the fall carries ηT, so only η of its stretch counts.
    anchor_n_per_m : array_like, optional
        Stiffness of the block's anchor; rigid when not given.
    included_rad : float
        Angle between lead and fall at the block.

    Returns
    -------
    ndarray of float64
        k = 1/C with C = (L_lead + η L_fall)/EA + block term.

    Examples
    --------
    >>> round(float(lead_stiffness_n_per_m(100e3, 1.0, 10.0, 0.9)))
    10000
    """
    in_play = np.asarray(lead_m) + np.multiply(efficiency, fall_m)
    block = block_term_m_per_n(anchor_n_per_m, efficiency, included_rad)
    compliance = in_play / np.asarray(stiffness_n) + block
    return np.asarray(1.0 / compliance, dtype=np.float64)
