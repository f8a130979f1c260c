"""The force a piece should bring to the station, as a distribution, before the cut.

Comes in: a piece, its rig and rope. Goes out: a plain dict (numbers, texts, lists), ready
to be stored. Must not: read a logbook or a measured lowering, or import more than numpy.

Notes
-----
Every uncertain input is drawn at once as an array: weight (``piece``), share carried,
catch angle of a drop, dynamic stiffness, block friction, reaction, braking distance,
swing angle. The same inputs, seed and number of draws give the same result.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.inputs import check_numbers
from analysis.predicting.measured import NOTHING_MEASURED, Measured
from analysis.predicting.methods import METHODS, Case, band, quantiles
from analysis.predicting.path import Loads, loads_per_newton
from analysis.predicting.piece import PieceDraws, PieceEstimate, draw, estimate
from analysis.predicting.rig import check_rig, reading_per_newton, reads_directly, station_gain
from logger.records import Piece, Rig, Rope

FloatArray = NDArray[np.float64]

MODEL: Final = "closed forms 1"
"""Version of the model; changes when the same inputs would give another result."""

QUANTILES: Final = (0.001, 0.005, *(round(0.01 * i, 2) for i in range(1, 100)), 0.995, 0.999)

CAUTIONS: Final = (
    "A computed load is never permission to stand closer or cut bigger.",
    "Nobody below or in line with a loaded rope; local codes and competent persons decide.",
    "The strength of the tree is not in it.",
    "Tension during the back cut can split the stem lengthwise (common practice, no source).",
)


def predict(
    piece: Piece,
    rig: Rig,
    rope: Rope,
    *,
    draws: int = 2000,
    seed: int = 1,
    measured: Measured = NOTHING_MEASURED,
) -> dict[str, Any]:
    """Predict peak and hang weight of a piece at its rig's station.

    Parameters
    ----------
    piece : Piece
        As measured before the cut, with what its method needs (release, drop, swing).
    rig : Rig
        With its station.
    rope : Rope
        The rope in the rig.
    draws : int
        Number of sampled pieces.
    seed : int
        Of the sampling.
    measured : Measured
        Values measured later, in the place of assumed ones; only for a re-prediction that
        is labelled so.

    Returns
    -------
    dict
        ``station``, ``method``, ``model``, ``draws``, ``seed``; ``weight`` (``weight_n``,
        ``weight_u_n`` with k = 2, ``centre_from_butt_m``, …); ``peak_n`` at the station,
        ``hang_weight_n`` of the piece, ``hang_reading_n`` at the station and
        ``dynamic_factor``, each ``{p05, p50, p95}``; ``peak_quantiles`` (``p``,
        ``force_n``); ``points`` (leg or sling → peak there); ``station_gain``; what the
        method adds; ``basis``, ``warnings``, ``cautions`` as lists of text.

    Raises
    ------
    PredictionError
        Something is missing or not usable; names record and key.
    """
    if draws < 2:
        raise PredictionError(f"draws is {draws}; at least 2 are needed")
    check_rig(rig)
    check_numbers(rope)
    case = _drawn(piece, rig, rope, draws, seed, measured)
    peak = METHODS[rig.method](case)
    dropping = loads_per_newton(rig, -1.0, drop=True, shift=case.shift)
    reading = peak.load_n * reading_per_newton(rig, dropping)
    if peak.before_n is not None:
        reading = np.maximum(reading, _before(case, peak.before_n))
    still = loads_per_newton(rig, case.rng.uniform(-1.0, 1.0, case.n), shift=case.shift)
    gain = station_gain(rig, rope)
    return {
        "station": rig.station.name,
        "method": rig.method,
        "model": MODEL,
        "draws": draws,
        "seed": seed,
        "weight": _weight(case.estimate),
        "peak_n": band(reading),
        "hang_weight_n": band(case.draws.weight_n),
        "hang_reading_n": band(case.draws.weight_n * reading_per_newton(rig, still)),
        "dynamic_factor": band(peak.load_n / case.draws.weight_n),
        "peak_quantiles": {
            "p": list(QUANTILES),
            "force_n": quantiles(reading, QUANTILES),
        },
        "points": _points(peak.load_n, dropping),
        "station_gain": {
            "gain": gain.gain, "rel_u": gain.rel_u, "low": gain.low, "high": gain.high,
            "reads": gain.reads,
        },
        **peak.extra,
        "basis": [*case.estimate.basis, *peak.basis],
        "warnings": [*case.estimate.warnings, *peak.warnings, *_rig_warnings(rig, dropping)],
        "cautions": list(CAUTIONS),
    }  # fmt: skip


def _drawn(piece: Piece, rig: Rig, rope: Rope, n: int, seed: int, measured: Measured) -> Case:
    rng = np.random.default_rng(seed)
    pieces = draw(piece, rng, n)
    shift = rng.standard_normal(n)
    if measured.weight_n is not None:
        weighed = measured.weight_n.draws(np.random.default_rng([seed, 1]), n)
        pieces = PieceDraws(weighed, pieces.centre_from_butt_m, pieces.gyration_m)
    return Case(piece, rig, rope, estimate(piece), pieces, shift, rng, measured)


def _weight(found: PieceEstimate) -> dict[str, Any]:
    return {
        "weight_n": found.weight_n,
        "weight_u_n": found.weight_u_n,
        "rel_u_by_input": dict(found.parts),
        "mass_kg": found.mass_kg,
        "volume_m3": found.volume_m3,
        "density_kg_per_m3": found.density_kg_per_m3,
        "centre_from_butt_m": found.centre_from_butt_m,
        "centre_u_m": found.centre_u_m,
        "gyration_m": found.gyration_m,
        "rule": found.rule,
    }


def _before(case: Case, load_n: FloatArray) -> FloatArray:
    """Compute the reading of a load that was winched up before the release."""
    if reads_directly(case.rig):
        return load_n
    raising = loads_per_newton(case.rig, 1.0, shift=case.shift)
    return np.asarray(load_n * reading_per_newton(case.rig, raising))


def _points(load_n: FloatArray, loads: Loads) -> dict[str, dict[str, float]]:
    """Peak in every leg and sling, cell or not."""
    points: dict[str, dict[str, float]] = {}
    for leg, share in loads.legs.items():
        points[f"leg {leg}"] = band(load_n * share)
    for node, share in loads.slings.items():
        points[f"sling {node}"] = band(load_n * share)
    return points


def _rig_warnings(rig: Rig, loads: Loads) -> list[str]:
    warnings = []
    if rig.tag_line:
        warnings.append("tag line taken as slack; a tight one adds its own force at the piece")
    if not any(node.role == "high_block" for node in rig.nodes):
        warnings.append("no high block written: a sheave of efficiency 0.9 is assumed")
    if loads.span is not None and rig.rope_length_m is not None:
        angle = float(np.median(loads.span.lead_angle_rad + loads.span.standing_angle_rad))
        if angle > math.radians(140.0):
            warnings.append(
                "the rope is nearly tight across the span: small errors of its length or the "
                "span change the loads a lot"
            )
    return warnings
