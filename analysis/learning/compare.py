"""A measured peak against the prediction stored before it.

Comes in: a stored prediction (``analysis.predicting.predict``) and what was measured at
the same station. Goes out: a :class:`Comparison`. Must not: predict again.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from analysis.errors import PredictionError


@dataclass(frozen=True, slots=True)
class Comparison:
    """Measured against predicted at one station.

    Parameters
    ----------
    measured_n, predicted_n : float
        Measured value and predicted median.
    log_ratio : float
        ln(measured / predicted median).
    log_ratio_u : float or None
        Expanded uncertainty (k = 2) from the measurement alone.
    percentile : float
        Where the measured value lies in the predicted distribution, 0 to 100. Beyond the
        outermost stored quantile it stays at that quantile.
    censored : bool
        The reading was clipped: measured value, log ratio and percentile are lower bounds.
    within_90 : bool or None
        Between the 5 % and the 95 % quantile; None where a lower bound cannot tell.
    """

    measured_n: float
    predicted_n: float
    log_ratio: float
    log_ratio_u: float | None
    percentile: float
    censored: bool
    within_90: bool | None

    def to_dict(self) -> dict[str, Any]:
        """Give plain values for JSON."""
        return asdict(self)


def _quantiles(prediction: Mapping[str, Any]) -> tuple[list[float], list[float]]:
    try:
        stored = prediction["peak_quantiles"]
        p, force = [float(v) for v in stored["p"]], [float(v) for v in stored["force_n"]]
    except (KeyError, TypeError, ValueError) as error:
        raise PredictionError(
            "the stored prediction has no peak quantiles; predict the piece again with this version"
        ) from error
    if len(p) != len(force) or len(p) < 2 or min(force) <= 0:
        raise PredictionError("the stored prediction's peak quantiles are damaged")
    return p, force


def compare_peak(
    prediction: Mapping[str, Any],
    measured_n: float,
    *,
    measured_u_n: float | None = None,
    clipped: bool = False,
) -> Comparison:
    """Set a measured peak beside a stored prediction.

    Parameters
    ----------
    prediction : mapping
        As :func:`analysis.predicting.predict.predict` gave it.
    measured_n : float
        Largest force of the lowering at the prediction's station.
    measured_u_n : float, optional
        Its expanded uncertainty, k = 2.
    clipped : bool
        The converter was at its limit: the true peak is at least this.

    Returns
    -------
    Comparison

    Raises
    ------
    PredictionError
        No quantiles stored, or a measured value that is not above 0.

    Examples
    --------
    >>> stored = {"peak_quantiles": {"p": [0.05, 0.5, 0.95], "force_n": [800.0, 1000.0, 1300.0]}}
    >>> [round(compare_peak(stored, force).percentile, 1) for force in (1000.0, 900.0)]
    [50.0, 27.5]
    """
    p, force = _quantiles(prediction)
    if not math.isfinite(measured_n) or measured_n <= 0:
        raise PredictionError(
            f"a measured peak of {measured_n:g} N cannot be compared; check the zero"
        )
    low, median, high = (float(v) for v in np.interp((0.05, 0.5, 0.95), p, force))
    inside: bool | None = low <= measured_n <= high
    if clipped and measured_n <= high:
        inside = None
    return Comparison(
        measured_n=measured_n,
        predicted_n=median,
        log_ratio=math.log(measured_n / median),
        log_ratio_u=None if measured_u_n is None else measured_u_n / measured_n,
        percentile=100.0 * float(np.interp(measured_n, force, p)),
        censored=clipped,
        within_90=inside,
    )
