"""The planning number moves only as the guard rails allow."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from analysis.learning.guard_rails import (
    Candidates,
    missing_evidence,
    more_careful,
    plan,
    plan_outside,
)
from analysis.learning.hierarchy import Side
from analysis.learning.rules import Acceptance

ENOUGH: tuple[str, ...] = ()
LACK = ("2 of 3 jobs",)
PEAK = Candidates(default=1.0, constant=0.7, bound=0.85, adverse="high", missing=ENOUGH)


def accepted(number: float) -> Acceptance:
    return Acceptance("peak", "snubbed_drop", number, "R. Example", "2026-06-01")


def test_evidence_needs_pieces_and_jobs() -> None:
    assert missing_evidence(6, 3) == ()
    assert missing_evidence(5, 2) == ("5 of 6 unclipped pieces", "2 of 3 jobs")


def test_below_the_default_only_when_accepted() -> None:
    waiting = plan(PEAK)
    assert (waiting.number, waiting.source) == (1.0, "default")
    assert "no named person" in waiting.reason
    done = plan(replace(PEAK, acceptance=accepted(0.85)))
    assert (done.number, done.source) == (0.85, "accepted")
    assert "R. Example (2026-06-01)" in done.reason


def test_acceptance_without_evidence_changes_nothing() -> None:
    early = plan(replace(PEAK, missing=LACK, acceptance=accepted(0.85)))
    assert (early.number, early.source) == (1.0, "default")
    assert "2 of 3 jobs" in early.reason


def test_towards_caution_it_moves_at_once() -> None:
    few = plan(replace(PEAK, constant=1.3, bound=2.5, missing=LACK))
    assert (few.number, few.source) == (1.3, "constant")
    many = plan(replace(PEAK, constant=1.3, bound=1.6))
    assert (many.number, many.source) == (1.6, "bound")


def test_an_acceptance_that_no_longer_holds_gives_way_to_the_bound() -> None:
    later = plan(replace(PEAK, bound=0.95, acceptance=accepted(0.85)))
    assert (later.number, later.source) == (0.95, "bound")
    assert "no longer support" in later.reason


def test_a_smaller_bound_needs_a_new_acceptance() -> None:
    assert plan(replace(PEAK, bound=0.8, acceptance=accepted(0.85))).number == 0.85


def test_the_low_side_is_guarded_alike() -> None:
    tip = Candidates(default=0.8, constant=1.0, bound=0.9, adverse="low", missing=ENOUGH)
    assert plan(tip).number == 0.8
    assert plan(replace(tip, acceptance=accepted(0.9))).number == 0.9
    assert plan(replace(tip, bound=0.5)).number == 0.5


def test_outside_the_range_seen_the_default_returns() -> None:
    done = replace(PEAK, acceptance=accepted(0.85))
    outside = plan_outside(done, 2.0, (0.2, 1.1))
    assert (outside.number, outside.source) == (1.0, "default")
    assert "0.2 to 1.1" in outside.reason
    assert "beyond the default" not in outside.reason
    assert (
        "beyond the default (1.3)"
        in plan_outside(replace(PEAK, constant=1.3), 2.0, (0.2, 1.1)).reason
    )
    assert plan_outside(PEAK, 2.0, None).reason == "the default: the range seen is not known"


numbers = st.floats(0.05, 20.0)


@given(
    default=numbers,
    constant=numbers,
    bound=numbers,
    adverse=st.sampled_from(["high", "low"]),
    missing=st.sampled_from([ENOUGH, LACK]),
    number=st.none() | numbers,
)
def test_never_past_the_default_without_evidence_and_a_name(
    default: float,
    constant: float,
    bound: float,
    adverse: Side,
    missing: tuple[str, ...],
    number: float | None,
) -> None:
    record = None if number is None else accepted(number)
    planned = plan(Candidates(default, constant, bound, adverse, missing, record))
    if missing or record is None:
        assert planned.number == more_careful(planned.number, default, adverse)
    else:
        assert planned.number == more_careful(planned.number, bound, adverse)
    assert planned.reason
