"""A catch begins where the rope came tight, though it first ran through a light hand."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.reading.filters import Blocks
from analysis.reading.levels import Plateau, Zero
from analysis.reading.release import Release, ReleaseKind, from_running_rope

WIDTH_S, SCALE_N, TIGHT_S, BRAKED_S = 0.05, 2000.0, 3.0, 3.7
ZERO = Zero(20.0, 0.5, TIGHT_S, SCALE_N, 80.0, found=True)


def blocks(light_n: float, tight_s: float = TIGHT_S) -> Blocks:
    """Slack, then a light load, then the brake; newtons above the zero."""
    time_s = np.arange(0.0, 6.0, WIDTH_S) + 0.5 * WIDTH_S
    light = np.where(time_s > tight_s, light_n, 0.0)
    mean = np.where(time_s > BRAKED_S, SCALE_N, light)
    return Blocks(0.0, WIDTH_S, mean + ZERO.zero_n, 0.5)


def caught(kind: ReleaseKind = "catch", settled: Plateau | None = None) -> Release:
    return Release(kind, BRAKED_S, 4.0, 4.1, 6.0, None, settled)


def test_a_rope_that_ran_before_the_brake_took_it_is_loaded_from_then_on() -> None:
    found = from_running_rope(caught(), blocks(120.0), ZERO)
    assert found.start_s == pytest.approx(TIGHT_S, abs=WIDTH_S)
    assert (found.first_s, found.kind) == (4.0, "catch")


def test_a_light_level_before_a_catch_is_no_pretension() -> None:
    running = Plateau(TIGHT_S, BRAKED_S, 120.0, 120.0, 120.0)
    found = from_running_rope(caught("rise", running), blocks(120.0), ZERO)
    assert (found.kind, found.settled) == ("catch", None)
    assert found.start_s == pytest.approx(TIGHT_S, abs=WIDTH_S)


@pytest.mark.parametrize(
    ("release", "record", "zero"),
    [
        (caught(), blocks(0.0), ZERO),
        (caught(), blocks(120.0, tight_s=0.5), ZERO),  # tight for longer than a hand takes
        (caught("rise", Plateau(1.0, BRAKED_S, 900.0, 900.0, 900.0)), blocks(900.0), ZERO),
        (caught(), blocks(120.0), Zero(0.0, 0.0, 0.0, SCALE_N, 80.0, found=False)),
    ],
    ids=["slack", "long tight", "pretension", "no zero"],
)
def test_else_a_release_stays_as_it_was(release: Release, record: Blocks, zero: Zero) -> None:
    assert from_running_rope(release, record, zero) is release


def test_a_gap_before_the_brake_is_not_taken_for_a_tight_rope() -> None:
    record = blocks(120.0)
    record.mean_n[60:70] = math.nan
    found = from_running_rope(caught(), record, ZERO)
    assert found.start_s == pytest.approx(70 * WIDTH_S, abs=WIDTH_S)
