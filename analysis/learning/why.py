"""Why a peak differs from its prediction: each measured quantity tested as the explanation.

Comes in: the inputs of a stored prediction, the features of the lowering, the peak that was
compared. Goes out: :class:`Explanation` by quantity, each with a *later re-prediction* in
which that one assumed value is replaced by the measured one. Must not: touch the stored
prediction (comparisons and scores use that one), or use a quantity that its flags spoil.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal

import msgspec

from analysis.errors import PredictionError
from analysis.learning.compare import compare_peak
from analysis.predicting.measured import Measured, Quantity
from analysis.predicting.predict import predict
from analysis.reading.summary import Features
from logger.records import Piece, Rig, Rope

Cause = Literal["weight", "stiffness", "free_fall", "share", "all"]

LABEL: Final = "later re-prediction with the measured value put in; not a test of the predictor"
DRAWS: Final = 1000
_SPOIL_WEIGHT: Final = {
    "tag_line_tight": "a tight tag line",
    "touched": "a touch",
    "hang_ways_disagree": "two readings of the hang that disagree",
    "no_zero": "a zero that was not seen",
}
_LEAST_LOG: Final = 0.05


@dataclass(frozen=True, slots=True)
class Explanation:
    """One measured quantity as the explanation.

    Parameters
    ----------
    cause : str
        ``weight``, ``stiffness``, ``free_fall``, ``share``, or ``all`` of those known.
    measured, measured_u : float or None
        Value and expanded uncertainty (k = 2), SI; None for ``all``.
    assumed : float or None
        What the stored prediction took (its median).
    peak_n : dict
        Re-predicted peak at the station, ``p05``, ``p50``, ``p95``.
    percentile : float
        Of the measured peak in the re-prediction, 0 to 100.
    log_ratio_before, log_ratio_after : float
        ln(measured peak / predicted median), stored and re-predicted.
    explained : float
        Part of the difference that the quantity takes away; negative when it makes it larger.
    within_90 : bool or None
        Whether the measured peak lies between the new 5 and 95 %.
    """

    cause: Cause
    measured: float | None
    measured_u: float | None
    assumed: float | None
    peak_n: dict[str, float]
    percentile: float
    log_ratio_before: float
    log_ratio_after: float
    explained: float
    within_90: bool | None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON, labelled."""
        return {**asdict(self), "label": LABEL}


@dataclass(frozen=True, slots=True)
class Why:
    """All explanations tried, best first, and what could not be tried.

    Parameters
    ----------
    explanations : tuple of Explanation
        Single quantities, the one that explains most first; ``all`` last.
    left_out : tuple of (cause, reason)
        Quantities that this lowering does not give.
    """

    explanations: tuple[Explanation, ...]
    left_out: tuple[tuple[str, str], ...]

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "explanations": [one.to_dict() for one in self.explanations],
            "left_out": [{"cause": cause, "reason": why} for cause, why in self.left_out],
        }


@dataclass(frozen=True, slots=True)
class _Candidate:
    cause: Cause
    quantity: Quantity
    assumed: float


def explain(
    inputs: Mapping[str, Any],
    stored: Mapping[str, Any],
    features: Features,
    *,
    measured_n: float,
    clipped: bool = False,
) -> Why:
    """Test each measured quantity as the explanation of the difference.

    Parameters
    ----------
    inputs : mapping
        Of the stored prediction: ``piece``, ``rig``, ``rope``.
    stored : mapping
        The stored result.
    features : Features
        Of the lowering.
    measured_n : float
        Measured peak that was compared.
    clipped : bool
        It is a lower bound.

    Returns
    -------
    Why

    Raises
    ------
    PredictionError
        The stored inputs cannot be read, or nothing can be predicted from them.
    """
    piece, rig, rope = _records(inputs)
    before = compare_peak(stored, measured_n, clipped=clipped)
    candidates, left_out = _candidates(piece, rig, rope, stored, features)

    def tried(cause: Cause, measured: Measured, candidate: _Candidate | None) -> Explanation:
        result = predict(piece, rig, rope, draws=DRAWS, measured=measured)
        after = compare_peak(result, measured_n, clipped=clipped)
        quantity = candidate.quantity if candidate else None
        return Explanation(
            cause=cause,
            measured=quantity.value if quantity else None,
            measured_u=2.0 * quantity.u if quantity else None,
            assumed=candidate.assumed if candidate else None,
            peak_n=dict(result["peak_n"]),
            percentile=after.percentile,
            log_ratio_before=before.log_ratio,
            log_ratio_after=after.log_ratio,
            explained=_explained(before.log_ratio, after.log_ratio),
            within_90=after.within_90,
        )

    single = [tried(c.cause, _measured([c]), c) for c in candidates]
    single.sort(key=lambda one: abs(one.log_ratio_after))
    if len(candidates) > 1:
        single.append(tried("all", _measured(candidates), None))
    return Why(tuple(single), tuple(left_out))


def _explained(before: float, after: float) -> float:
    """Part of a log ratio that went away; 0 where there was nothing to explain."""
    if abs(before) < _LEAST_LOG:
        return 0.0
    return 1.0 - abs(after) / abs(before)


def _records(inputs: Mapping[str, Any]) -> tuple[Piece, Rig, Rope]:
    try:
        return (
            msgspec.convert(inputs["piece"], Piece),
            msgspec.convert(inputs["rig"], Rig),
            msgspec.convert(inputs["rope"], Rope),
        )
    except (KeyError, msgspec.ValidationError) as error:
        raise PredictionError(
            "the inputs of the stored prediction cannot be read; predict the piece again"
        ) from error


def _measured(candidates: list[_Candidate]) -> Measured:
    known = {c.cause: c.quantity for c in candidates}
    return Measured(
        weight_n=known.get("weight"),
        stiffness_n=known.get("stiffness"),
        fall_m=known.get("free_fall"),
        share=known.get("share"),
    )


def _candidates(
    piece: Piece, rig: Rig, rope: Rope, stored: Mapping[str, Any], features: Features
) -> tuple[list[_Candidate], list[tuple[str, str]]]:
    """Quantities that the lowering gives and the method uses."""
    found: list[_Candidate] = []
    left_out: list[tuple[str, str]] = []
    tries = {
        "weight": _weight(stored, features),
        "stiffness": _stiffness(rig, rope, features),
        "free_fall": _fall(rig, stored, features),
        "share": _share(piece, features),
    }
    for cause, candidate in tries.items():
        if isinstance(candidate, str):
            if candidate:
                left_out.append((cause, candidate))
        else:
            found.append(candidate)
    return found, left_out


def _weight(stored: Mapping[str, Any], features: Features) -> _Candidate | str:
    spoilt = [why for flag, why in _SPOIL_WEIGHT.items() if flag in features.flags]
    if spoilt:
        return f"the hang weight is spoilt by {spoilt[0]}"
    if features.hang_weight_n is None or features.hang_weight_n_u is None:
        return "no hang was found"
    assumed = float(stored["weight"]["weight_n"])
    return _Candidate(
        "weight", Quantity(features.hang_weight_n, features.hang_weight_n_u / 2.0), assumed
    )


def _stiffness(rig: Rig, rope: Rope, features: Features) -> _Candidate | str:
    if rig.method != "snubbed_drop":
        return ""
    low, high = features.rope_ea_low_n, features.rope_ea_high_n
    if features.rope_ea_n is None or low is None or high is None:
        return (
            "neither the ring-down (sheave between stuck and slipping) nor the followed motion "
            "tells the rope's stiffness"
        )
    quantity = Quantity(features.rope_ea_n, (high - low) / 4.0)
    return _Candidate("stiffness", quantity, rope.stiffness_n * rope.dynamic_factor)


def _fall(rig: Rig, stored: Mapping[str, Any], features: Features) -> _Candidate | str:
    if rig.method not in {"snubbed_drop", "let_run_drop"} or "free_fall_m" not in stored:
        return ""
    low, high = features.free_fall_low_m, features.free_fall_high_m
    if features.free_fall_m is None or low is None or high is None or features.free_fall_m <= 0:
        return "the catch does not tell the free fall as a point"
    quantity = Quantity(features.free_fall_m, (high - low) / 4.0)
    return _Candidate("free_fall", quantity, float(stored["free_fall_m"]["p50"]))


def _share(piece: Piece, features: Features) -> _Candidate | str:
    if piece.release is None:
        return ""
    settled, hang = features.pretension_settled_n, features.hang_reading_n
    if settled is None or hang is None or hang <= 0:
        return "the pretension never settled, or no hang was found"
    rel = math.hypot(
        (features.pretension_settled_n_u or 0.0) / settled if settled > 0 else 0.0,
        (features.hang_reading_n_u or 0.0) / hang,
    )
    share = settled / hang
    return _Candidate("share", Quantity(share, 0.5 * rel * share), piece.release.share_carried)
