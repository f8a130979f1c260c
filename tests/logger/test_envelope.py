"""Lines under points and bounds of an offset, against a slow, obvious twin."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import reference_envelope as slow
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_clocks import any_link, simulate

from logger.envelope import Points, envelope, highest, lowest, nearby_least, pieces_of

TIMES = st.lists(st.integers(0, 400), min_size=2, max_size=40, unique=True)
LATE = st.integers(0, 10**9)


@st.composite
def points(draw: st.DrawFn, step_s: float = 0.15) -> Points:
    """Points on a grid, late by up to a second, over at most a minute."""
    ticks = sorted(draw(TIMES))
    late = draw(st.lists(LATE, min_size=len(ticks), max_size=len(ticks)))
    return Points(np.array(ticks) * step_s, np.array(late, dtype=np.float64))


def pairs(given: Points) -> slow.Pairs:
    return list(zip(given.at_s.tolist(), given.offset_ns.tolist(), strict=True))


@settings(deadline=None)
@given(given=points())
def test_a_line_is_the_highest_of_all_that_no_point_lies_below(given: Points) -> None:
    knots = envelope(given, 60.0)
    assert (given.less(knots).offset_ns >= -1e-3).all()
    at_s, highest_ns, _ = slow.line_under(pairs(given))
    mean_ns = float(knots.value(np.array([at_s]))[0])
    assert mean_ns == pytest.approx(highest_ns, abs=2.0)


@settings(deadline=None)
@given(given=points(), slope=st.floats(0, 1e6), at=st.lists(st.floats(-50, 110), min_size=1))
def test_bounds_are_those_of_every_point_looked_at(
    given: Points, slope: float, at: list[float]
) -> None:
    at_s = np.array(at)
    high = [slow.highest_by_looking(pairs(given), slope, one) for one in at]
    low = [slow.lowest_by_looking(pairs(given), slope, one) for one in at]
    assert np.allclose(highest(given, slope, at_s), high, rtol=1e-12, atol=1e-3)
    assert np.allclose(lowest(given, slope, at_s), low, rtol=1e-12, atol=1e-3)
    nothing = Points(np.empty(0), np.empty(0))
    assert np.isposinf(highest(nothing, slope, at_s)).all()
    assert np.isneginf(lowest(nothing, slope, at_s)).all()


@given(given=points(step_s=0.25), reach=st.integers(0, 40))
def test_the_least_nearby_is_that_of_every_point_looked_at(given: Points, reach: int) -> None:
    """Quarters of a second are exact, so that the edge of the reach is the same for both."""
    expected = slow.least_by_looking(pairs(given), reach * 0.25)
    assert nearby_least(given, reach * 0.25).tolist() == expected


@given(given=points(step_s=2.0))
def test_pieces_are_cut_at_the_same_moments(given: Points) -> None:
    assert [pairs(piece) for piece in pieces_of(given, 60.0)] == slow.cut(pairs(given))


@pytest.mark.parametrize("seed", range(12))
def test_a_whole_fit_is_that_of_the_twin(seed: int) -> None:
    """Times to 10 ns; the stated error is above the twin's by what its grid of 5 s may miss."""
    rng = np.random.default_rng([seed, 3])
    link = any_link(rng)
    run = simulate(replace(link, span_s=min(link.span_s, 200.0)), rng)
    run = run.silent() if seed % 3 == 0 else run
    fit, twin = run.fit(), slow.slow_fit(run.tick_us, run.received_ns, run.exchanges)
    ticks = run.tick_us[:: max(1, len(run.tick_us) // 60)]
    off_ns = fit.host_ns(ticks) - np.array([twin.host_ns(tick) for tick in ticks.tolist()])
    assert np.abs(off_ns).max() < 10.0
    assert fit.slack_ppm == pytest.approx(twin.slope / 1e3, rel=1e-6)
    here_ns = np.array([twin.off_ns(tick) for tick in ticks.tolist()])
    assert (fit.error_ns(ticks) >= here_ns - 10.0).all()
    all_over = np.linspace(run.tick_us[0], run.tick_us[-1], 300).astype(np.int64)
    most_ns = max(twin.off_ns(tick) for tick in all_over.tolist())
    assert fit.knot_error_ns.max() <= most_ns + 5.0 * twin.slope
