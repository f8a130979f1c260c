"""Marks for a reading: what the reader said of one generated lowering, against its truth.

Comes in: :class:`Features` and :class:`Truth`. Goes out: a :class:`Mark` per lowering, and
figures over many. Must not: read a trace, or repair a reading. A quantity that the reader
does not give is "not given", never zero.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from lowering_generator import Truth

from analysis.reading.summary import Features

FLAGS: dict[str, frozenset[str]] = {
    "tag_line": frozenset({"tag_line_tight"}),
    "wind": frozenset({"wind", "hang_not_still", "hang_ways_disagree"}),
    "saw": frozenset({"saw_vibration"}),
    "touch": frozenset({"touch_seen", "touched"}),
    "drag": frozenset({"dragged"}),
    "clipped": frozenset({"clipped"}),
    "gap_in_peak": frozenset({"gap_in_peak"}),
    "gap": frozenset({"gap", "gap_in_peak"}),
    "rate_low": frozenset({"rate_too_low", "slow_rate"}),
    "slow_rate": frozenset({"slow_rate"}),
}
"""A truth's flag, and the reader's flags that tell it."""

DOUBT = frozenset(
    [
        "no_load",
        "no_zero",
        "zero_offset",
        "hang_not_still",
        "no_hang",
        "hang_short",
        "gap_in_peak",
        "pretension_not_settled",
        "hand_over_unseen",
        "hand_over_quiet",
        "hand_over_small",
        "hang_late",
        "lowering_unseen",
        "taken_in",
        "no_touchdown",
        "touched",
        "touch_seen",
        "hang_ways_disagree",
        "wind",
        "saw_vibration",
        "slow_rate",
        "tag_line_tight",
        "clipped",
    ]
)
"""Flags that warn a person to look at the phases."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One lowering's marks; errors are relative, None is "not given" or "not asked"."""

    truth: Truth
    hang_error: float | None
    hang_covered: bool | None
    peak_covered: bool | None
    peak_error: float | None
    bound_kept: bool | None
    ea_error: float | None
    ea_covered: bool | None
    fall_error: float | None
    settled_error: float | None
    kind_right: bool
    wrong: tuple[str, ...]
    doubted: bool
    missed_flags: frozenset[str]
    false_flags: frozenset[str]


def _relative(value: float | None, true: float | None) -> float | None:
    return None if value is None or not true else value / true - 1.0


def _hang(f: Features, t: Truth) -> tuple[float | None, bool | None]:
    if "tag_line" in t.flags:
        return None, None
    error = _relative(f.hang_weight_n, t.weight_n)
    if error is None or f.hang_weight_n is None:
        return None, None
    u = f.hang_weight_n_u or 0.0
    low, high = f.hang_weight_n - u, f.hang_weight_n + u
    if f.hang_weight_is_band and f.hang_weight_low_n is not None:
        low, high = f.hang_weight_low_n, f.hang_weight_high_n or high
    return error, low <= t.weight_n <= high


def _peak(f: Features, t: Truth) -> tuple[bool | None, float | None, bool | None]:
    """Covered, error; and for a true lower bound whether the reader kept it one."""
    error = _relative(f.peak_n, t.peak_n)
    if f.peak_n is None:
        return None, None, None
    u = f.peak_n_u or 0.0
    if t.flags & {"clipped", "gap_in_peak"}:
        return None, error, f.peak_is_lower_bound and f.peak_n - u <= t.peak_n
    if f.peak_is_lower_bound:
        return None, error, f.peak_n - u <= t.peak_n
    return abs(f.peak_n - t.peak_n) <= u, error, None


def _start(f: Features, name: str) -> float | None:
    return next((phase.start_s for phase in f.phases if phase.name == name), None)


def _within(value: float | None, low: float, high: float) -> bool:
    return value is not None and low <= value <= high


def wrong_phases(f: Features, t: Truth) -> tuple[str, ...]:
    """Names of the phases that the reader did not place rightly.

    Notes
    -----
    Start of the load and of a hand-over at once within 0.3 s; a slow hand-over anywhere in
    it; a hand-over without a change of 6 % may be unseen; hang between hand-over and
    lowering; lowering within 1.2 s (it starts over 0.8 s); touchdown from 0.6 s before the
    ground is met to 0.6 s after the rope is slack.
    """
    slow = 0.3 + (t.release_end_s - t.release_s if "catch" not in t.kinds else 0.0)
    checks = {
        "load": _within(
            _start(f, "pretension") if t.settled_n is not None else f.release_time_s,
            t.first_load_s - 0.3, t.first_load_s + 0.3,
        ),
        "hand_over": "none" in t.kinds or _within(f.release_time_s, t.release_s - 0.3, t.release_s + slow),
        "hang": _within(f.hang_start_s, t.release_s, t.lowering_s)
        and _within(f.hang_end_s, t.release_s, t.lowering_s + 0.7),
        "lowering": _within(_start(f, "lowering"), t.lowering_s - 1.2, t.lowering_s + 1.2),
        "touchdown": _within(_start(f, "touchdown"), t.touchdown_s - 0.6, t.unloaded_s + 0.6),
    }  # fmt: skip
    return tuple(name for name, right in checks.items() if not right)


def mark(f: Features, t: Truth) -> Mark:
    """Marks of one reading."""
    hang, covered = _hang(f, t)
    peak_covered, peak_error, bound = _peak(f, t)
    told = set(f.flags)
    ea = None
    if f.rope_ea_low_n is not None and f.rope_ea_high_n is not None:
        ea = f.rope_ea_low_n <= t.ea_n <= f.rope_ea_high_n
    return Mark(
        truth=t, hang_error=hang, hang_covered=covered, peak_covered=peak_covered,
        peak_error=peak_error, bound_kept=bound, ea_error=_relative(f.rope_ea_n, t.ea_n),
        ea_covered=ea, fall_error=_relative(f.free_fall_m, t.fall_m),
        settled_error=_relative(f.pretension_settled_n, t.settled_n),
        kind_right=f.release_kind in t.kinds, wrong=wrong_phases(f, t),
        doubted=bool(told & DOUBT),
        missed_flags=frozenset(n for n in t.flags if not FLAGS[n] & told),
        false_flags=frozenset(n for n in FLAGS if n not in t.flags and n != "rate_low" and FLAGS[n] <= told),
    )  # fmt: skip


def share(marks: Iterable[bool | None]) -> float | None:
    """Share that is true among those asked."""
    asked = [m for m in marks if m is not None]
    return sum(asked) / len(asked) if asked else None


def median_abs(marks: Iterable[float | None]) -> float | None:
    """Median size of the errors given."""
    given = [abs(m) for m in marks if m is not None]
    return float(np.median(given)) if given else None


def figures(marks: Sequence[Mark]) -> dict[str, float | None]:
    """The figures of a table's row; shares and relative errors."""
    return {
        "hang_median": median_abs(m.hang_error for m in marks),
        "hang_covered": share(m.hang_covered for m in marks),
        "peak_median": median_abs(m.peak_error for m in marks if m.peak_covered is not None),
        "peak_covered": share(m.peak_covered for m in marks),
        "ea_median": median_abs(m.ea_error for m in marks),
        "ea_covered": share(m.ea_covered for m in marks),
        "ea_given": share(m.ea_error is not None for m in marks),
        "fall_median": median_abs(m.fall_error for m in marks),
        "settled_median": median_abs(m.settled_error for m in marks),
        "kind_right": share(m.kind_right for m in marks),
        "phases_right": share(not m.wrong for m in marks),
        "wrong_unflagged": share(bool(m.wrong) and not m.doubted for m in marks),
    }


def is_place(*stations: str) -> Callable[[Mark], bool]:
    """Whether a mark is of one of the stations."""
    return lambda m: m.truth.station in stations


GOALS: tuple[tuple[str, str, Callable[[Mark], bool], float, float], ...] = (
    ("hang weight, median error, lead end and piece sling", "hang_median", is_place("lead", "piece_sling"), 0.0, 0.005),
    ("hang weight, median error, B's end", "hang_median", is_place("b_end"), 0.0, 0.01),
    ("hang weight, stated band covers, fall", "hang_covered", is_place("fall"), 0.95, 1.0),
    ("peak, 95 % interval covers", "peak_covered", lambda m: True, 0.93, 0.97),
    ("ring-down EA, median error", "ea_median", lambda m: True, 0.0, 0.05),
    ("equivalent free fall, median error, lead end", "fall_median", is_place("lead"), 0.0, 0.10),
    ("phases right", "phases_right", lambda m: True, 0.97, 1.0),
    ("phases wrong and no flag", "wrong_unflagged", lambda m: True, 0.0, 0.0),
)  # fmt: skip
"""What it is, which figure, of which lowerings, and from where to where it should lie."""
