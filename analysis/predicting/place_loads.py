"""What one piece brings to every place of its rig, set against the limits entered.

Comes in: a rig, the piece's weight, a prediction of it, limits. Goes out: loads of every
station, leg and sling, and margins with the limit's type and name. Must not: store, draw,
or treat a breaking strength as a limit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

import msgspec
import numpy as np
from numpy.typing import NDArray

from analysis.predicting.hanging import load_vector_n, tag_force_n
from analysis.predicting.path import Loads, hang
from analysis.predicting.rig import (
    PlaceKind,
    check_rig,
    friction_ends,
    friction_ends_setting,
    places_of,
    station_place,
)
from logger.records import Limit, Rig

FloatArray = NDArray[np.float64]
Judged = Literal["peak", "hang"]

HEAVY: Final = 1.645
"""Standard uncertainties from the middle to the 95 % heavy piece."""

SHOCK_TWICE: Final = (
    "a working limit's design factor already allows for shock; a peak set against it counts "
    "shock twice"
)


@dataclass(frozen=True, slots=True)
class PlaceLoad:
    """Loads at one place, newtons.

    Parameters
    ----------
    kind, name : str
        ``station``, ``leg`` or ``sling``; its name.
    hang_n : float
        The estimated piece hanging, without friction.
    low_n, high_n : float
        The same with friction on either side, one standard uncertainty more than written.
    heavy_n : float
        The 95 % heavy piece on the high side of friction.
    peak_p50_n, peak_p95_n : float or None
        Predicted peak; None without a prediction.
    """

    kind: PlaceKind
    name: str
    hang_n: float
    low_n: float
    high_n: float
    heavy_n: float
    peak_p50_n: float | None = None
    peak_p95_n: float | None = None


@dataclass(frozen=True, slots=True)
class LimitMargin:
    """A load and a typed limit at the same place.

    ``judged`` says which load: the heavy hanging piece or the 95 % predicted peak.
    """

    limit: Limit
    place: str
    judged: Judged
    load_n: float

    @property
    def margin_n(self) -> float:
        """Limit less load; negative when the load is larger."""
        return self.limit.force_n - self.load_n

    @property
    def share(self) -> float:
        """Load over limit."""
        return self.load_n / self.limit.force_n

    def to_dict(self) -> dict[str, Any]:
        """Give plain values, SI."""
        return {
            **msgspec.to_builtins(self.limit),
            "place": self.place,
            "judged": self.judged,
            "load_n": self.load_n,
            "margin_n": self.margin_n,
            "share": self.share,
        }


def place_loads(
    rig: Rig, weight_n: float, weight_u_n: float = 0.0, told: Mapping[str, Any] | None = None
) -> tuple[PlaceLoad, ...]:
    """Compute what a hanging piece brings to every place of a rig.

    Parameters
    ----------
    rig : Rig
        With its stations; a tag line's pull counts where it is written.
    weight_n, weight_u_n : float
        Of the piece; expanded uncertainty (k = 2).
    told : dict, optional
        As :func:`analysis.predicting.predict.predict` gives it, for the peaks.

    Returns
    -------
    tuple of PlaceLoad
        Stations, legs along the rope, slings along the rope.

    Raises
    ------
    PredictionError
        The rig cannot be computed, or a cell cannot be where it is written.

    Examples
    --------
    >>> from logger.records import Station
    >>> rig = Rig(name="R", method="butt_tied", rope="blue",
    ...           station=Station(name="tie", mount="end", leg="lead"))
    >>> [(one.name, round(one.high_n)) for one in place_loads(rig, 1000.0)][:2]
    [('tie', 1000), ('lead', 1000)]
    """
    check_rig(rig)
    weights = np.array([weight_n, weight_n + 0.5 * HEAVY * weight_u_n])[:, None]
    loads, times = _held(rig, weights)
    legs = sorted(loads.legs, key=("lead", "fall", "standing").index)
    places: list[tuple[PlaceKind, str, tuple[Literal["leg", "sling"], str]]] = [
        *(("station", s.name, station_place(rig, s)) for s in rig.stations),
        *(("leg", leg, ("leg", leg)) for leg in legs),
        *(("sling", name, ("sling", name)) for name in loads.slings),
    ]
    found = []
    for kind, name, place in places:
        band, heavy = times * loads.at(*place)
        peak = _peak(told, kind, name)
        found.append(
            PlaceLoad(
                kind,
                name,
                float(band[0]),
                float(np.min(band)),
                float(np.max(band)),
                float(np.max(heavy)),
                None if peak is None else peak["p50"],
                None if peak is None else peak["p95"],
            )
        )
    return tuple(found)


def _held(rig: Rig, weights_n: FloatArray) -> tuple[Loads, FloatArray]:
    """Compute loads at every end of friction, and by what to multiply them for (2, 1) weights."""
    load = load_vector_n(rig, weights_n, tag_force_n(rig))
    if rig.tag_line_pull is None:
        return friction_ends(rig, "holding"), weights_n
    # The direction of the load changes with the weight.
    return hang(rig, friction_ends_setting(rig, "holding"), load), np.ones(weights_n.shape)


def _peak(told: Mapping[str, Any] | None, kind: PlaceKind, name: str) -> dict[str, float] | None:
    """Find the predicted peak of a place."""
    if told is None:
        return None
    if kind == "station":
        found = told["stations"].get(name)
        return None if found is None else found["peak_n"]
    points: dict[str, dict[str, float]] = told["points"]
    return points.get(f"{kind} {name}")


def margins(rig: Rig, loads: Iterable[PlaceLoad], limits: Sequence[Limit]) -> list[LimitMargin]:
    """Set the loads of a rig against the limits entered on anything in it.

    Parameters
    ----------
    rig : Rig
        Whose places they are.
    loads : iterable of PlaceLoad
        As :func:`place_loads` gives them.
    limits : sequence of Limit
        Those on nothing in this rig, and breaking strengths, are passed over.

    Returns
    -------
    list of LimitMargin
        For a working limit the hanging load and, where predicted, the peak; for a peak
        allowance the peak, or the hanging load where no peak is predicted. The least
        margin first, as a share.
    """
    every = tuple(loads)
    found = []
    for limit in limits:
        places = places_of(rig, limit.on)
        here = [x for x in every if (x.kind, x.name) in places or (x.kind, "*") in places]
        if not here or limit.kind == "breaking_strength":
            continue
        worst = max(here, key=lambda one: one.heavy_n)
        hanging = LimitMargin(limit, worst.name, "hang", worst.heavy_n)
        peaks = [(x.peak_p95_n, x.name) for x in here if x.peak_p95_n is not None]
        if not peaks or limit.kind == "working_limit":
            found.append(hanging)
        if peaks:
            load, name = max(peaks)
            found.append(LimitMargin(limit, name, "peak", load))
    return sorted(found, key=lambda one: -one.share)


def as_dicts(loads: Iterable[PlaceLoad]) -> list[dict[str, Any]]:
    """Give loads as plain values, SI."""
    return [asdict(one) for one in loads]
