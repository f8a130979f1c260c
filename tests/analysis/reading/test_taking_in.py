"""A hang that ends in a rise: rope was taken in, or a brake gripped; letting out dips first."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.reading.stretches import Hang
from analysis.reading.taking_in import Rise, ends_in_a_rise
from analysis.reading.trace import FloatArray

LEVEL_N = 1000.0
TIME_S: FloatArray = np.arange(1000) / 100.0
END_S = 6.0


def rise(force_n: FloatArray, hang: Hang, noise_n: float = 1.0) -> Rise | None:
    return ends_in_a_rise(TIME_S, force_n, hang, float(TIME_S[-1]), noise_n)


def after_the_hang(share: float) -> FloatArray:
    """Half a second up, half a second down (or the other way), which fades."""
    since = np.clip(TIME_S - END_S, 0.0, None)
    return np.asarray(share * LEVEL_N * np.exp(-since) * np.sin(2.0 * np.pi * since))


@pytest.mark.parametrize("share", [0.06, 0.3])
def test_a_rise_is_told_with_its_top_and_the_level_that_it_left(share: float) -> None:
    found = rise(LEVEL_N + after_the_hang(share), Hang(2.0, END_S, still=True, period_s=0.0))
    assert found is not None
    assert found.top_s == pytest.approx(END_S + 0.225, abs=0.03)
    assert found.from_n == pytest.approx(LEVEL_N, rel=1e-6)


def test_a_dip_or_a_small_rise_is_none() -> None:
    hang = Hang(2.0, END_S, still=True, period_s=0.0)
    for share in (-0.06, -0.3, 0.02, 0.0):
        assert rise(LEVEL_N + after_the_hang(share), hang) is None
    assert rise(LEVEL_N + after_the_hang(0.06), hang, noise_n=15.0) is None


@pytest.mark.parametrize(("swing", "told"), [(0.02, True), (0.25, False)])
def test_what_is_no_larger_than_the_swings_before_is_none(swing: float, told: bool) -> None:
    """Of 0.4 s: the mean over one does not move."""
    swings = LEVEL_N * swing * np.sin(2.0 * np.pi * TIME_S / 0.4)
    force = LEVEL_N + swings + after_the_hang(0.2)
    found = rise(force, Hang(2.0, END_S, still=False, period_s=0.4))
    assert (found is not None) == told


def test_of_a_hang_shorter_than_its_end_is_known_nothing_is_told() -> None:
    force = LEVEL_N + after_the_hang(0.3)
    assert rise(force, Hang(END_S - 0.5, END_S, still=True, period_s=0.0)) is None
    assert rise(force, Hang(END_S - 0.7, END_S, still=True, period_s=0.0)) is not None
