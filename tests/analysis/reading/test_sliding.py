"""A piece in a span that slides along its rope and stops again still hangs."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.reading.filters import Blocks
from analysis.reading.levels import Zero
from analysis.reading.sliding import lies_until

WIDTH_S, LEVEL_N = 0.05, 400.0
ZERO = Zero(20.0, 0.5, 0.0, LEVEL_N, 20.0, found=True)


def blocks(*parts: tuple[float, float, float]) -> Blocks:
    """Stretches of so many seconds from one level to another, newtons above the zero."""
    mean = [np.linspace(a, b, round(s / WIDTH_S)) for s, a, b in parts]
    noise = np.random.default_rng(3).normal(0.0, 0.3, sum(part.size for part in mean))
    return Blocks(0.0, WIDTH_S, np.concatenate(mean) + noise + ZERO.zero_n, 0.3)


def test_an_even_level_after_a_jump_is_still_the_hang() -> None:
    record = blocks((4, 400, 400), (0.2, 400, 380), (3, 380, 380), (0.2, 380, 395), (2, 395, 395),
                    (4, 395, 300))  # fmt: skip
    assert lies_until(record, ZERO, 4.0, 13.0) == pytest.approx(9.4, abs=0.25)


@pytest.mark.parametrize(
    "after",
    [
        (4.0, 400.0, 340.0),  # the angle of the legs changes as rope is let out
        (4.0, 300.0, 300.0),  # too far away to be a piece that slid
    ],
    ids=["lowered", "far"],
)
def test_what_is_lowered_is_not_carried_on(after: tuple[float, float, float]) -> None:
    record = blocks((4, 400, 400), after)
    assert lies_until(record, ZERO, 4.0, 8.0) == pytest.approx(4.0, abs=0.25)


def test_an_even_level_that_comes_late_is_a_halt_of_the_lowering() -> None:
    record = blocks((4, 400, 400), (2.5, 400, 375), (3, 375, 375))
    assert lies_until(record, ZERO, 4.0, 9.5) == pytest.approx(4.0, abs=0.5)


def test_a_gap_is_no_level() -> None:
    record = blocks((4, 400, 400), (3, 398, 398))
    record.mean_n[80:140] = np.nan
    assert lies_until(record, ZERO, 4.0, 7.0) == 4.0
