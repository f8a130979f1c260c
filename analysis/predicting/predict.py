"""The force a piece should bring to the station, as a distribution, before the cut.

Comes in: a piece, its rig and rope. Goes out: a plain dict (numbers, texts, lists), ready
to be stored. Must not: read a logbook or a measured lowering, or import more than numpy.

Notes
-----
Every uncertain input is drawn at once as an array: weight (``piece``), share carried,
catch angle of a drop, dynamic stiffness, damping, block friction, reaction, braking
distance, swing angle. The same inputs, seed and number of draws give the same result.
Which peaks come from closed forms and which from the simulation in time: ``methods``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.drawn import Case, Peak, band, quantiles
from analysis.predicting.hanging import geometry_warnings, load_vector_n, tag_force_n
from analysis.predicting.inputs import check_numbers
from analysis.predicting.measured import NOTHING_MEASURED, Measured
from analysis.predicting.methods import METHODS
from analysis.predicting.path import (
    Loads,
    hang,
    high_block,
    loads_per_newton,
    nodes_by_role,
    setting,
    standing_redirects,
)
from analysis.predicting.piece import PieceDraws, draw, estimate
from analysis.predicting.places import PLUMB
from analysis.predicting.rig import check_rig, reading_per_newton, station_gain
from analysis.predicting.shares import VarianceShares
from logger.records import Leg, Piece, Rig, Rope

FloatArray = NDArray[np.float64]

MODEL: Final = "closed forms 3, simulation in time 1"
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
        ``force_n``); ``variance_shares`` (input → part of the variance of ln peak);
        ``stations`` (name → these four at each station, main one too); ``points`` (leg or
        sling → peak there); ``station_gain``; ``simulated``; what the method adds;
        ``basis``, ``warnings``, ``cautions`` as lists of text.

    Raises
    ------
    PredictionError
        Something is missing or not usable; names record and key.
    """
    out = outcome(piece, rig, rope, draws=draws, seed=seed, measured=measured)
    case, peak = out.case, out.peak
    gain = station_gain(rig, rope)
    stations = _stations(out)
    main = stations[rig.station.name]
    held_back = any("tag line holding" in text for text in peak.basis)
    return {
        "station": rig.station.name,
        "method": rig.method,
        "model": MODEL,
        "draws": draws,
        "seed": seed,
        "weight": case.estimate.to_dict(),
        "peak_n": main["peak_n"],
        "hang_weight_n": band(case.draws.weight_n),
        "hang_reading_n": main["hang_reading_n"],
        "dynamic_factor": band(peak.load_n / case.draws.weight_n),
        "peak_quantiles": main["peak_quantiles"],
        "variance_shares": main["variance_shares"],
        "stations": stations,
        "points": _points(out.dropping),
        "station_gain": {
            "gain": gain.gain, "rel_u": gain.rel_u, "low": gain.low, "high": gain.high,
            "reads": gain.reads,
        },
        "simulated": peak.points is not None,
        **peak.extra,
        "basis": [*case.estimate.basis, *peak.basis],
        "warnings": [*case.estimate.warnings, *peak.warnings, *_rig_warnings(rig, held_back=held_back)],
        "cautions": list(CAUTIONS),
    }  # fmt: skip


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """All draws of one prediction.

    ``peak_n`` and ``hang_n`` by station, (draws,) each; ``dropping`` the largest load of every
    leg and sling.
    """

    case: Case
    peak: Peak
    dropping: Loads
    peak_n: dict[str, FloatArray]
    hang_n: dict[str, FloatArray]


def outcome(
    piece: Piece,
    rig: Rig,
    rope: Rope,
    *,
    draws: int = 2000,
    seed: int = 1,
    measured: Measured = NOTHING_MEASURED,
) -> Outcome:
    """Draw a prediction; :func:`predict` sums it up.

    Parameters
    ----------
    piece, rig, rope, draws, seed, measured
        As for :func:`predict`. The same seed and number of draws give the same pieces and
        frictions, so that two outcomes can be compared draw by draw.

    Returns
    -------
    Outcome

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
    case.named("weight", case.draws.weight_n)
    peak = METHODS[rig.method](case)
    case.named("block friction", case.shift)
    per_newton = loads_per_newton(rig, -1.0, drop=True, shift=case.shift)
    dropping = in_newtons(rig, peak, per_newton)
    hanging = setting(case.rng.uniform(-1.0, 1.0, case.n), 0.0, case.shift, drop=False)
    load, times = PLUMB, case.draws.weight_n
    if rig.tag_line_pull is not None:  # the direction of the load changes with the weight
        load, times = load_vector_n(rig, times, tag_force_n(rig)), np.ones(())
    still = hang(rig, hanging, load)
    raising = None
    if peak.before_n is not None:
        raising = loads_per_newton(rig, 1.0, shift=case.shift)
    peaks, hangs = {}, {}
    for station in rig.stations:
        reading = np.broadcast_to(reading_per_newton(rig, dropping, station), (case.n,))
        if peak.before_n is not None and raising is not None:
            before = peak.before_n * reading_per_newton(rig, raising, station)
            reading = np.maximum(reading, before)
        peaks[station.name] = reading
        hangs[station.name] = times * reading_per_newton(rig, still, station)
    return Outcome(case, peak, dropping, peaks, hangs)


def _stations(out: Outcome) -> dict[str, Any]:
    """Sum up peak and hang reading at every station, with the shares of the peak's variance."""
    shares = VarianceShares(out.case.inputs)
    found = {}
    for station in out.case.rig.stations:
        peak_n = out.peak_n[station.name]
        at = dict(zip(QUANTILES, quantiles(peak_n, QUANTILES), strict=True))
        found[station.name] = {
            "cell": station.cell,
            "peak_n": {"p05": at[0.05], "p50": at[0.5], "p95": at[0.95]},
            "peak_quantiles": {"p": list(at), "force_n": list(at.values())},
            "hang_reading_n": band(out.hang_n[station.name]),
            "variance_shares": shares.of(np.log(np.maximum(peak_n, 1e-9))),
        }
    return found


def in_newtons(rig: Rig, peak: Peak, per_newton: Loads) -> Loads:
    """Give the largest load of every leg and sling; simulated ones where there are any.

    Contacts that the simulation does not know take their part of the leg before them.
    """
    load = {leg: peak.load_n * share for leg, share in per_newton.legs.items()}
    slings = {name: peak.load_n * share for name, share in per_newton.slings.items()}
    winch = peak.load_n * per_newton.winch
    if peak.points is not None:
        known = peak.points
        scale = {leg: known[leg] / np.maximum(load[leg], 1e-9) for leg in load}
        on_standing = {node.name for node in standing_redirects(rig)}
        on_standing |= {node.name for node in nodes_by_role(rig, "anchor")}
        side: dict[str, Leg] = dict.fromkeys(on_standing, "standing")
        slings = {name: n * scale[side.get(name, "fall")] for name, n in slings.items()}
        slings[high_block(rig).name] = known["high_block"]
        for node in nodes_by_role(rig, "piece_block"):
            slings[node.name] = known["piece"]
        winch = winch * scale["fall"]
        load = {leg: known[leg] for leg in load}
    return replace(per_newton, legs=load, slings=slings, winch=winch)


def _drawn(piece: Piece, rig: Rig, rope: Rope, n: int, seed: int, measured: Measured) -> Case:
    rng = np.random.default_rng(seed)
    pieces = draw(piece, rng, n)
    shift = rng.standard_normal(n)
    if measured.weight_n is not None:
        weighed = measured.weight_n.draws(np.random.default_rng([seed, 1]), n)
        pieces = PieceDraws(weighed, pieces.centre_from_butt_m, pieces.gyration_m)
    return Case(piece, rig, rope, estimate(piece), pieces, shift, rng, measured)


def _points(loads: Loads) -> dict[str, dict[str, float]]:
    """Peak in every leg and sling, cell or not."""
    legs = {f"leg {leg}": band(force) for leg, force in loads.legs.items()}
    return {**legs, **{f"sling {node}": band(force) for node, force in loads.slings.items()}}


def _rig_warnings(rig: Rig, *, held_back: bool) -> list[str]:
    warnings = []
    if rig.tag_line_pull is not None:
        pull = rig.tag_line_pull.force_n
        where = "hang reading and the swing" if held_back else "hang reading, not in the peak"
        warnings.append(f"tag line: its pull of {pull:.0f} N counts in the {where}")
    elif rig.tag_line:
        warnings.append("tag line taken as slack; a tight one adds its own force at the piece")
    if not any(node.role == "high_block" for node in rig.nodes):
        warnings.append("no high block written: a sheave of efficiency 0.9 is assumed")
    return [*warnings, *geometry_warnings(rig)]
