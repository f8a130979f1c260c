"""The fit of the device's clock: times, drift, what is not believed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.timebase import TimeFit, fit_envelope, last_ticks


def simulated_link(
    rng: np.random.Generator, *, span_s: float, ppm: float, wander_ppm: float = 0.0
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Ticks, true host times and receive times of frames on a link with spikes of latency."""
    n = int(span_s * 62.5)
    tick_us = np.arange(n, dtype=np.int64) * 16_000 + 3_000_000_000
    run_s = (tick_us - tick_us[0]) / 1e6
    drift_s = ppm * 1e-6 * run_s
    drift_s += wander_ppm * 1e-6 * 600 / (2 * np.pi) * (1 - np.cos(2 * np.pi * run_s / 600))
    true_ns = np.int64(77_000_000_000) + np.rint((run_s + drift_s) * 1e9).astype(np.int64)
    late_s = 0.0004 + rng.exponential(0.003, n)
    late_s += (rng.random(n) < 0.02) * rng.uniform(0, 0.4, n)
    late_s[n // 3 : n // 3 + int(62.5 * 8)] += 0.15  # eight bad seconds
    return tick_us, true_ns, true_ns + np.rint(late_s * 1e9).astype(np.int64)


def error_ms(tick_us: np.ndarray, true_ns: np.ndarray, received_ns: np.ndarray) -> float:
    fitted = fit_envelope(tick_us, received_ns).host_ns(tick_us)
    return float(np.abs(fitted - true_ns).max() / 1e6)


@pytest.mark.no_cover
@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("ppm", [-120.0, 0.0, 12.0, 120.0])
@pytest.mark.parametrize("span_s", [45.0, 300.0, 2400.0])
def test_fitted_times_are_within_two_milliseconds(seed: int, ppm: float, span_s: float) -> None:
    link = simulated_link(np.random.default_rng(seed), span_s=span_s, ppm=ppm)
    assert error_ms(*link) < 2.0


def test_the_fit_follows_a_wandering_clock() -> None:
    link = simulated_link(np.random.default_rng(5), span_s=3600.0, ppm=20.0, wander_ppm=5.0)
    assert error_ms(*link) < 2.0


def test_drift_is_said() -> None:
    tick_us, _, received_ns = simulated_link(np.random.default_rng(6), span_s=1200.0, ppm=40.0)
    assert fit_envelope(tick_us, received_ns).drift_ppm == pytest.approx(40.0, abs=1.0)


def test_the_slope_is_held_until_thirty_seconds() -> None:
    tick_us, _, received_ns = simulated_link(np.random.default_rng(7), span_s=29.0, ppm=400.0)
    fit = fit_envelope(tick_us, received_ns)
    assert fit.drift_ppm == 0.0
    assert np.ptp(fit.host_ns(tick_us) - tick_us * 1000) == 0
    assert (fit.host_ns(tick_us) <= received_ns).all()


def test_knots_are_at_most_about_five_minutes_apart() -> None:
    tick_us, _, received_ns = simulated_link(np.random.default_rng(8), span_s=2400.0, ppm=1.0)
    fit = fit_envelope(tick_us, received_ns)
    assert np.diff(fit.knot_tick_us).max() <= 301e6
    assert (fit.knot_tick_us[0], fit.knot_tick_us[-1]) == (tick_us[0], tick_us[-1])


def test_the_line_is_continued_beyond_the_ends() -> None:
    tick_us, true_ns, received_ns = simulated_link(
        np.random.default_rng(9), span_s=600.0, ppm=100.0
    )
    fit = fit_envelope(tick_us, received_ns)
    ahead = fit.host_ns(tick_us[[0, -1]] + np.array([-10_000_000, 10_000_000]))
    expected = true_ns[[0, -1]] + np.array([-1, 1]) * round(10e9 * (1 + 100e-6))
    assert np.abs(ahead - expected).max() < 2e6


def test_order_of_frames_does_not_matter() -> None:
    tick_us, _, received_ns = simulated_link(np.random.default_rng(10), span_s=100.0, ppm=5.0)
    shuffled = np.random.default_rng(1).permutation(len(tick_us))
    assert np.array_equal(
        fit_envelope(tick_us[shuffled], received_ns[shuffled]).host_ns(tick_us),
        fit_envelope(tick_us, received_ns).host_ns(tick_us),
    )


@given(
    knots=st.lists(st.integers(0, 10**9), min_size=2, max_size=8, unique=True).map(sorted),
    ticks=st.lists(st.integers(-(10**9), 2 * 10**9), min_size=1, max_size=40).map(sorted),
    seed=st.integers(0, 2**32 - 1),
)
def test_a_fit_is_a_line_from_knot_to_knot_and_beyond_the_ends(
    knots: list[int], ticks: list[int], seed: int
) -> None:
    rng = np.random.default_rng(seed)
    at, errors_ns = np.array(knots, dtype=float), rng.uniform(0, 1e6, len(knots))
    value = 5e12 + np.cumsum(rng.uniform(-0.1, 0.1, len(knots)) * np.diff(at, prepend=at[0]))
    fit = TimeFit(at, value, 0.0, knot_error_ns=errors_ns)
    for tick, host_ns in zip(ticks, fit.host_ns(ticks).tolist(), strict=True):
        k = min(max(sum(knot < tick for knot in knots) - 1, 0), len(knots) - 2)
        slope = (value[k + 1] - value[k]) / (at[k + 1] - at[k])
        assert abs(host_ns - tick * 1000 - value[k] - slope * (tick - at[k])) <= 0.51
    assert fit.most_error_ns(ticks) == fit.error_ns(ticks).max()


def test_a_long_gap_leaves_a_fit() -> None:
    tick_us, true_ns, received_ns = simulated_link(
        np.random.default_rng(11), span_s=1800.0, ppm=30.0
    )
    kept = (tick_us < tick_us[0] + 100_000_000) | (tick_us > tick_us[0] + 1_700_000_000)
    assert error_ms(tick_us[kept], true_ns[kept], received_ns[kept]) < 2.0


def test_two_frames_far_apart() -> None:
    fit = fit_envelope([0, 60_000_000], [5_000_000_000, 65_000_300_000])
    assert fit.host_ns([0, 60_000_000]).tolist() == [5_000_000_000, 65_000_300_000]


def test_an_impossible_drift_is_not_believed() -> None:
    fit = fit_envelope([0, 60_000_000], [0, 61_000_000_000])
    assert fit.drift_ppm is not None
    assert abs(fit.drift_ppm) <= 500.0


def test_one_frame_is_enough() -> None:
    assert fit_envelope([1000], [5_000_000]).host_ns([1000, 2000]).tolist() == [
        5_000_000,
        6_000_000,
    ]


@pytest.mark.parametrize("sizes", [(0, 0), (2, 3)])
def test_no_fit_without_frames(sizes: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="at least one frame"):
        fit_envelope(np.zeros(sizes[0]), np.zeros(sizes[1]))


def test_the_tick_of_the_last_sample() -> None:
    assert last_ticks([0, 5000], [16, 1], 320.0).tolist() == [46_875, 5000]


@settings(deadline=None)
@given(
    late_ns=st.lists(st.integers(0, 10**9), min_size=2, max_size=200),
    span_s=st.floats(1, 4000),
)
def test_no_fitted_time_less_its_error_is_after_its_frame_arrived(
    late_ns: list[int], span_s: float
) -> None:
    tick_us = np.linspace(0, span_s * 1e6, len(late_ns)).astype(np.int64)
    received = tick_us * 1000 + np.array(late_ns)
    fit = fit_envelope(tick_us, received)
    assert (fit.host_ns(tick_us) - fit.error_ns(tick_us) <= received + 1).all()
    if span_s < 30:
        assert (fit.host_ns(tick_us) <= received + 1).all()
