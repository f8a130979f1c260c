"""A hinge that hands the piece over, and a piece that swings, from drawn inputs.

Comes in: a :class:`Case`. Goes out: a :class:`Peak`. Must not: know about stations.

Notes
-----
Closed form: a lift near the centre of mass, in a span with a share of 0.6 or more, or on
one rope. Simulated in time: a lift off centre by more than a tenth of the length, a span
with a smaller share, a hinge that gives in stages, a swing of a piece tied so; where lengths
are missing the closed form stays and says that it is an indication. The hinge is gone at once,
which is the careful way, unless the release says its stages.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis.predicting import drop as drops
from analysis.predicting import simulated
from analysis.predicting.drawn import Case, Peak, band
from analysis.predicting.inputs import missing, name_of
from analysis.predicting.methods_inputs import (
    HINGE_LEFT_U,
    HINGE_TIME_REL_U,
    damping_draws,
    dynamic_draws,
    hinge_draws,
)
from analysis.predicting.pretension import OFFSET_SHARE_LIMIT, first_extreme_n, offset_peaks_n

FloatArray = NDArray[np.float64]

SHARE_U: Final = 0.10
"""Own assumption: standard uncertainty of the share carried at release."""

SWING_ANGLE_U_RAD: Final = math.radians(5.0)
SHALLOW_SHARE: Final = 0.6


def _release(case: Case, *, needed: bool) -> Peak:
    """Hand-over from hinge to rope at the share carried, lift central or off centre."""
    release = case.piece.release
    if release is None and needed:
        raise missing(
            case.piece, "release.share_carried", "write the share of its weight to be carried"
        )
    damping = damping_draws(case)
    if release is None:
        return _release_unknown(case, damping)
    weight = case.draws.weight_n
    share = np.maximum(release.share_carried + SHARE_U * case.rng.standard_normal(case.n), 0.0)
    if case.measured.share is not None:
        share = case.measured.share.draws(case.rng, case.n)
    case.named("share carried", share)
    peak = Peak(first_extreme_n(weight, share, damping), share * weight).adding(
        basis=f"release at a share of {release.share_carried:.2f} ± {2 * SHARE_U:.2f}, damping "
        f"ratio {case.rope.damping_ratio:.2f}, legs straight; pretension counts when it is larger"
    )
    offset = release.offset_m if _is_off_centre(case) else 0.0
    shallow = case.rig.method == "span_rig" and _is_shallow(share)
    if offset > 0.0:
        peak = _off_centre(case, peak, offset)
    elif release.stages and not shallow:
        peak = peak.adding(extra={"hinge_at_once_n": band(peak.load_n)})
    if offset > 0.0 or shallow or release.stages:
        peak = _in_time(case, peak, share, damping, offset)
    return peak


def _is_shallow(share: FloatArray) -> bool:
    return float(np.median(share)) < SHALLOW_SHARE


def _is_off_centre(case: Case) -> bool:
    release = case.piece.release
    return release is not None and release.offset_m > OFFSET_SHARE_LIMIT * case.piece.length_m


def _release_unknown(case: Case, damping: FloatArray) -> Peak:
    share = case.named("share carried", case.rng.uniform(0.0, 1.0, case.n))
    return Peak(first_extreme_n(case.draws.weight_n, share, damping)).adding(
        basis="release: share carried taken as anywhere from 0 to 1",
        warning=f"{name_of(case.piece)}: release.share_carried is not written, so the peak is wide",
    )


def _off_centre(case: Case, peak: Peak, offset_m: float) -> Peak:
    """Say that the butt swings, and give the two upper figures."""
    held, free = offset_peaks_n(case.draws.weight_n, offset_m, case.draws.gyration_m)
    return peak.adding(
        warning=f"the rig lifts {offset_m:.2f} m off the centre of mass: the butt swings; upper "
        "indications are given, and stretch can exceed both",
        extra={"upper_indications": {"tie_held_n": band(held), "tie_free_n": band(free)}},
    )


def _in_time(
    case: Case, peak: Peak, share: FloatArray, damping: FloatArray, offset_m: float
) -> Peak:
    """Put the simulation in the place of the closed form; without lengths say what is missing."""
    span = case.rig.method == "span_rig"
    stiffness = dynamic_draws(case)
    hinge = hinge_draws(case)
    batch = simulated.Batch(case, stiffness, damping, hinge)
    side = _side(case) if offset_m > 0.0 else np.zeros(case.n)
    build = simulated.span_setup if span else simulated.single_setup
    given = build(batch, share, offset_m, side)
    points = None
    if given is not None:
        inputs = {**_names_in_time(case, offset_m, side), "share": share, "damping": damping}
        if hinge is not None:
            inputs |= {name: case.inputs[name] for name in ("hinge's timing", "hinge's steps")}
        points = simulated.peaks_of(case, given, inputs)
    if points is None:
        return _not_in_time(case, peak, offset_m, shallow=span and _is_shallow(share))
    said, warning = "simulated in time, the hinge gone at once", ""
    if hinge is not None:
        said = (
            f"simulated in time, the hinge gone in {len(hinge[0])} stage(s) as written, times "
            f"± {200 * HINGE_TIME_REL_U:.0f} %, parts left ± {2 * HINGE_LEFT_U:.1f}"
        )
        warning = "the hinge is taken to give in stages, as written; gone at once it pulls harder"
    if offset_m > 0.0:
        said += "; a level limb that swings in the rope's plane, tied on either side of its centre"
    elif span:
        said += "; the legs of the span stiffen as they straighten"
    return peak.adding(points["piece"], basis=said, warning=warning, points=points)


def _side(case: Case) -> FloatArray:
    """Draw on which side of the centre the tie is; at the tip the block is towards the butt."""
    if case.rig.method in {"tip_tied", "swing"}:
        return np.full(case.n, -1.0)
    return case.named("side of the tie", case.rng.choice(np.array([-1.0, 1.0]), case.n))


def _names_in_time(case: Case, offset_m: float, side: FloatArray) -> dict[str, FloatArray]:
    """Name the inputs of a simulation besides weight and what the method draws."""
    inputs = {"stiffness": case.inputs["rope stiffness"], "friction": case.shift}
    if offset_m > 0.0:
        inputs |= {"gyration": case.draws.gyration_m, "side": side}
    return inputs


def _not_in_time(case: Case, peak: Peak, offset_m: float, *, shallow: bool) -> Peak:
    """Fall back on the closed forms, and say so."""
    lengths = "write lead_length_m and fall_length_m for a simulation in time"
    if case.rig.method == "span_rig":
        lengths = "write fall_length_m for a simulation in time"
    release = case.piece.release
    if release is not None and release.stages:
        peak = peak.adding(
            warning=f"release.stages are not used, the hinge is taken as gone at once; {lengths}"
        )
    if offset_m == 0.0:
        if not shallow:
            return peak
        return peak.adding(
            warning="in a shallow span the legs stiffen as they straighten; below a share of "
            f"about 0.6 this peak is only an indication; {lengths}"
        )
    held, _ = offset_peaks_n(case.draws.weight_n, offset_m, case.draws.gyration_m)
    rise = np.maximum(held - peak.load_n, 0.0)
    between = case.named("off-centre lift", case.rng.uniform(0.0, 1.0, case.n))
    return peak.adding(
        np.asarray(peak.load_n + between * rise),
        basis=f"lift off centre: between the central release and the tie held; {lengths}",
    )


def suspended(case: Case) -> Peak:
    """Predict a piece tied on one rope: release, and swing where an angle is written."""
    peak = _release(case, needed=False)
    if case.piece.swing is None:
        return peak
    return _with_swing(case, peak, case.piece.swing.angle_rad)


def span(case: Case) -> Peak:
    """Predict a piece winched up in a span rig."""
    return _release(case, needed=True)


def swing(case: Case) -> Peak:
    """Predict a piece that swings on one rope."""
    if case.piece.swing is None:
        raise missing(case.piece, "swing.angle_rad", "write the rope's angle from plumb")
    peak = Peak(case.draws.weight_n)
    if case.piece.release is not None:
        peak = _release(case, needed=True)
    return _with_swing(case, peak, case.piece.swing.angle_rad)


def _with_swing(case: Case, peak: Peak, angle_rad: float) -> Peak:
    drawn = np.abs(angle_rad + SWING_ANGLE_U_RAD * case.rng.standard_normal(case.n))
    angle = case.named("swing angle", np.minimum(drawn, math.pi / 2.0))
    peak = peak.adding(
        np.maximum(peak.load_n, drops.swing_peak_n(case.draws.weight_n, angle)),
        basis=f"swing from {math.degrees(angle_rad):.0f}° "
        f"± {math.degrees(2 * SWING_ANGLE_U_RAD):.0f}°, largest at the bottom",
    )
    release = case.piece.release
    offset = release.offset_m if release is not None and _is_off_centre(case) else 0.0
    if offset == 0.0 and case.rig.tag_line_pull is None:
        return peak
    return _swing_in_time(case, peak, angle, offset)


def _swing_in_time(case: Case, peak: Peak, angle: FloatArray, offset_m: float) -> Peak:
    """Let a limb swing as a body, or on a tag line; the larger of release and swing."""
    if "rope stiffness" not in case.inputs:
        dynamic_draws(case)
    damping = case.inputs.get("rope damping")
    if damping is None:
        damping = damping_draws(case)
    side = case.inputs.get("side of the tie", np.full(case.n, -1.0))
    batch = simulated.Batch(case, case.inputs["rope stiffness"], damping)
    given = simulated.swing_setup(batch, angle, offset_m, side)
    swung = None
    if given is not None:
        inputs = {**_names_in_time(case, offset_m, side), "angle": angle}
        swung = simulated.peaks_of(case, given, inputs)
    if swung is None:
        return peak
    before = peak.points or dict.fromkeys(swung, np.zeros(case.n))
    points = {point: np.maximum(force, before[point]) for point, force in swung.items()}
    said = "swing simulated in time"
    if offset_m > 0.0:
        said += " as a body tied off its centre"
    if case.rig.tag_line_pull is not None:
        said += ", a hand on the tag line holding it back with the pull as written"
    if peak.points is None:
        # Without a simulated release the closed form's counts at the piece where it is larger.
        larger = np.maximum(_released(case), points["piece"]) / points["piece"]
        points = {point: force * larger for point, force in points.items()}
    return peak.adding(points["piece"], basis=said, points=points)


def _released(case: Case) -> FloatArray:
    """Largest load of the release alone, closed form; the weight where no share is written."""
    weight = case.draws.weight_n
    share = case.inputs.get("share carried")
    if share is None:
        return weight
    return first_extreme_n(weight, share, case.inputs.get("rope damping", 0.0))
