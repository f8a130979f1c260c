"""Counts to newtons by a two-point calibration.

Comes in: counts and a cell's two known loads. Goes out: newtons. Must not: change or
keep counts; they stay the record, newtons can be derived again.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from logger.errors import InputError
from logger.records import Cell
from logger.samples import CellInfo, Scaling


def scaling_of(cell: Cell, *, zero_u_n: float = 0.0) -> Scaling:
    """Line through a cell's two known loads.

    Parameters
    ----------
    cell : Cell
        With two load points.
    zero_u_n : float
        Standard uncertainty of the zero, newtons.

    Returns
    -------
    Scaling
        newtons = (counts - zero_counts) * n_per_count.

    Raises
    ------
    InputError
        The two points do not make a line: same counts, or same force.

    Examples
    --------
    >>> from logger.records import LoadPoint
    >>> points = (LoadPoint(force_n=0.0, counts=1000.0), LoadPoint(force_n=5000.0, counts=51000.0))
    >>> line = scaling_of(Cell(name="A", points=points))
    >>> line.zero_counts, line.n_per_count
    (1000.0, 0.1)
    """
    low, high = cell.points
    if low.counts == high.counts or low.force_n == high.force_n:
        raise InputError(
            f"cell {cell.name!r}: its two load points need different forces and different counts"
        )
    n_per_count = (high.force_n - low.force_n) / (high.counts - low.counts)
    who = " by ".join(part for part in (cell.calibrated, cell.calibrated_by) if part)
    loads = f"two points, {low.force_n:g} N and {high.force_n:g} N"
    return Scaling(
        zero_counts=low.counts - low.force_n / n_per_count,
        n_per_count=n_per_count,
        rel_u=cell.calibration_rel_u,
        offset_u_n=zero_u_n,
        origin=f"{loads}, {who}" if who else loads,
    )


def to_newtons(counts: ArrayLike, scaling: Scaling) -> NDArray[np.float64]:
    """Force from counts.

    Parameters
    ----------
    counts : (n,) int32
        What the converter gave.
    scaling : Scaling
        Of the cell.

    Returns
    -------
    force_n : (n,) float64
        Newtons, may be negative.

    Examples
    --------
    >>> to_newtons([1000, 1500], Scaling(1000.0, 0.1, 0.005, 0.0, "example")).tolist()
    [0.0, 50.0]
    """
    return (np.asarray(counts, dtype=np.float64) - scaling.zero_counts) * scaling.n_per_count


def to_counts(force_n: float, scaling: Scaling) -> float:
    """Invert the calibration: counts at which the cell reads a force.

    Examples
    --------
    >>> to_counts(50.0, Scaling(1000.0, 0.1, 0.005, 0.0, "example"))
    1500.0
    """
    return scaling.zero_counts + force_n / scaling.n_per_count


def range_of(info: CellInfo, scaling: Scaling) -> tuple[float, float]:
    """Lowest and highest force that the cell's count limits allow, newtons."""
    ends = to_newtons([info.count_min, info.count_max], scaling)
    return float(ends.min()), float(ends.max())


def own_scaling(info: CellInfo) -> Scaling | None:
    """Scaling that the device, or the description of it, gives itself; None without one."""
    if info.n_per_count is None:
        return None
    return Scaling(
        zero_counts=0.0,
        n_per_count=info.n_per_count,
        rel_u=info.rel_u,
        offset_u_n=0.0,
        origin=f"as the sensor is described, {info.n_per_count:g} N a count",
    )
