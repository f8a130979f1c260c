"""What a trace identifies, in rows: ring-down, stiffness, free fall, winch, events.

Comes in: features, a unit. Goes out: rows of text. Must not: give a point where the
reading gives a band, or leave out the uncertainty.
"""

from __future__ import annotations

from collections import Counter
from typing import Final

from analysis.reading.summary import Features
from logger.units import ForceUnit, format_force, format_length, format_stiffness

Rows = list[tuple[str, str]]

_SHEAVE: Final = {
    "stuck": "sheave stuck, only the lead stretches",
    "slipping": "sheave turning, the fall stretches too",
    "between": "sheave between stuck and turning: a range, no point",
}
_DOWN: Final = {
    "at_once": "at once",
    "ramp": "over a while: brush first",
    "tip_first": "tip first: part of the load stood a while",
}
_EVENTS: Final = {
    "touch": "touch",
    "regrip": "re-grip or wrap",
    "catch": "catch",
    "release": "release",
    "swing": "swing",
    "jerk": "jerk",
}


def identified_rows(features: Features, unit: ForceUnit) -> Rows:
    """Rows on everything that the motion and the winch show.

    Parameters
    ----------
    features : Features
    unit : str
        Unit of force.

    Returns
    -------
    list of (name, value)
        Only what this record holds.
    """
    return [
        *_hang_rows(features, unit),
        *_peak_rows(features, unit),
        *_ring_rows(features, unit),
        *_winch_rows(features, unit),
        *_event_rows(features, unit),
    ]


def weight_words(features: Features, unit: ForceUnit) -> str | None:
    """Weight: with its uncertainty, or as a band where the station gives no point.

    Parameters
    ----------
    features : Features
    unit : str

    Returns
    -------
    str or None
        None without a hang.
    """
    if features.hang_weight_n is None:
        return None
    low, high = features.hang_weight_low_n, features.hang_weight_high_n
    if features.hang_weight_is_band and low is not None and high is not None:
        ends = format_force(low, unit).removesuffix(f" {unit}")
        return (
            f"between {ends} and {format_force(high, unit)}: on the fall friction hides which way "
            "the sheave last turned"
        )
    words = format_force(features.hang_weight_n, unit, u_n=features.hang_weight_n_u)
    by_motion = features.hang_weight_by == "motion"
    return f"{words} (told by how it swung and bounced)" if by_motion else words


def _hang_rows(features: Features, unit: ForceUnit) -> Rows:
    if features.hang_cycles_n is None:
        return []
    words = format_force(features.hang_cycles_n, unit, u_n=features.hang_cycles_n_u)
    if features.hang_ways_agree is not None:
        words += ", agrees with" if features.hang_ways_agree else ", DISAGREES with"
        words += " the still part"
    return [("hang, by cycles", f"{words} (at the cell, whole ring-down cycles)")]


def _peak_rows(features: Features, unit: ForceUnit) -> Rows:
    if features.peak_cfc60_n is None:
        return []
    return [("peak, CFC 60", f"{format_force(features.peak_cfc60_n, unit)} (SAE J211 filter)")]


def _ring_rows(features: Features, unit: ForceUnit) -> Rows:
    rows: Rows = []
    if features.ring_frequency_hz is not None and features.ring_damping_ratio is not None:
        rows.append(
            (
                "ring-down",
                (
                    f"{features.ring_frequency_hz:.2f} ± {features.ring_frequency_hz_u or 0.0:.2f} "
                    f"Hz, damping ratio {features.ring_damping_ratio:.2f} "
                    f"± {features.ring_damping_ratio_u or 0.0:.2f}"
                ),
            )
        )
    low, high = features.rope_ea_low_n, features.rope_ea_high_n
    if low is not None and high is not None:
        ea_n = features.rope_ea_n
        point = "" if ea_n is None else f"{format_stiffness(ea_n, unit)}, "
        least = format_stiffness(low, unit).removesuffix(f" {unit}")
        ends = f"{least} to {format_stiffness(high, unit)}"
        by = _SHEAVE[features.sheave or "between"]
        by = "by how the piece swung and bounced" if features.rope_ea_by == "motion" else by
        rows.append(("rope EA, dynamic", f"{point}{ends} ({by})"))
    if features.block_efficiency is not None:
        eta = f"{features.block_efficiency:.3f} ± {features.block_efficiency_u or 0.0:.3f}"
        rows.append(("block efficiency", f"{eta}, high block, by how the piece swung and bounced"))
    low_m, high_m = features.free_fall_low_m, features.free_fall_high_m
    if low_m is not None and high_m is not None:
        point = "" if features.free_fall_m is None else f"{format_length(features.free_fall_m)}, "
        ends = f"{format_length(low_m).removesuffix(' m')} to {format_length(high_m)}"
        rows.append(("equivalent fall", f"{point}{ends} (free fall that the catch had to stop)"))
    return rows


def _winch_rows(features: Features, unit: ForceUnit) -> Rows:
    rows: Rows = []
    if features.strokes:
        drops = max(stroke.pawl_drop_n for stroke in features.strokes)
        since = features.since_stroke_s
        ago = "" if since is None else f", the last {since:.1f} s before the release"
        words = (
            f"{len(features.strokes)} strokes{ago}; pawl drops up to {format_force(drops, unit)}"
        )
        rows.append(("winch", words))
    if features.creep_n_per_min is not None:
        creep = format_force(features.creep_n_per_min, unit, u_n=features.creep_n_per_min_u)
        rows.append(("loss per minute", f"{creep} of the settled pretension"))
    if features.saw_relief_n is not None:
        more = "rose" if features.saw_relief_n > 0 else "fell"
        change = format_force(abs(features.saw_relief_n), unit)
        rows.append(("while sawing", f"the settled level {more} by {change} before the release"))
    return rows


def _event_rows(features: Features, unit: ForceUnit) -> Rows:
    rows: Rows = []
    if len(features.peaks) > 1:
        told = [
            f"{_EVENTS.get(event.kind, event.kind)} {format_force(event.force_n, unit)} "
            f"at {event.time_s:.1f} s"
            for event in sorted(features.peaks, key=lambda one: -one.force_n)[:4]
        ]
        more = len(features.peaks) - len(told)
        rows.append(("peaks", "; ".join(told) + (f"; {more} smaller" if more else "")))
    if features.touches:
        count = Counter(_EVENTS.get(event.kind, event.kind) for event in features.touches)
        rows.append(("while lowering", ", ".join(f"{kind} {n}" for kind, n in count.items())))
    if features.touchdown_kind in _DOWN:
        rows.append(("touchdown", _DOWN[features.touchdown_kind]))
    return rows
