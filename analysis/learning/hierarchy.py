"""What goes into and comes out of a pooled fit: prior, values, length of sampling, draws.

Comes in: nothing. Goes out: frozen records. Must not: draw (``pooling``) or import scipy, so
that the rules can be listed without it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
BoolArray = NDArray[np.bool_]
Side = Literal["high", "low"]
"""Side on which a wrong number hurts."""


@dataclass(frozen=True, slots=True)
class Prior:
    """What is believed before any piece is seen, in the unit of the constant.

    Parameters
    ----------
    centre, centre_sd : float
        Normal prior of the mean of the groups; ``inf`` for a flat one.
    group_sd_scale : float
        Scale of the half-t (3 df) prior of the SD between groups; ``inf`` for a flat one.
    job_sd_scale : float
        The same between the jobs of a group; 0 leaves job effects out.
    spread_scale : float
        Typical SD of one piece within its job.
    spread_df : float
        How alike the spreads of the groups are (large: alike).
    tail_df : tuple of float
        Student-t degrees of freedom to choose from, equally likely beforehand;
        empty for a normal spread.
    sd_limit : float
        Upper end of a flat group or job SD.
    """

    centre: float
    centre_sd: float
    group_sd_scale: float
    job_sd_scale: float
    spread_scale: float
    spread_df: float = 10.0
    tail_df: tuple[float, ...] = ()
    sd_limit: float = 10.0


@dataclass(frozen=True, slots=True)
class Sampling:
    """How long and from which seed to draw; ``chains × sweeps`` draws are kept."""

    seed: int = 20250
    chains: int = 8
    warm_up: int = 60
    sweeps: int = 300


@dataclass(frozen=True, slots=True, eq=False)
class Values:
    """The values of one rule as arrays; group and job cell numbers start at 0.

    Parameters
    ----------
    response, lever : (n,) float64
        y and a of the model; the lever of a plain ratio is 1 and never 0.
    cell : (n,) intp
        Number of the job within its group, counted over all groups.
    cell_group : (cells,) intp
        Group of each such job.
    lower_bound : (n,) bool
        True where the response is only known to be at least this.
    known_sd : (n,) float64 or None
        Standard uncertainty of each response when it is known and no spread is sought.
    """

    response: FloatArray
    lever: FloatArray
    cell: IntArray
    cell_group: IntArray
    lower_bound: BoolArray
    known_sd: FloatArray | None = None

    @property
    def group(self) -> IntArray:
        """Group of each value, (n,)."""
        return self.cell_group[self.cell]

    @property
    def groups(self) -> int:
        """Number of groups."""
        return int(self.cell_group.max()) + 1


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Posterior draws, chains laid end to end.

    Parameters
    ----------
    centre, group_sd, job_sd, tail_df : (draws,) float64
        mu, tau, omega; degrees of freedom, ``inf`` where normal.
    group, spread : (draws, groups) float64
        m_g and sigma_g.
    largest_rhat : float
        Largest split R-hat of centre and groups; near 1 when the chains agree.
    """

    centre: FloatArray
    group: FloatArray
    group_sd: FloatArray
    job_sd: FloatArray
    spread: FloatArray
    tail_df: FloatArray
    largest_rhat: float
