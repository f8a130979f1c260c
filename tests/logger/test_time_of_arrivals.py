"""Times of sensors without a clock: the stated error covers the true one; old files as before."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import replace
from pathlib import Path

import logbook_items as items
import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from simulated_arrivals import Stream, any_stream, record

from logger.decoders.declared import DeclaredDecoder
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.profile import Line, Profile, Tick, Value
from logger.samples import CellInfo
from logger.timebase import Exchanges, TimeFit, fit_arrivals, fit_envelope, fit_times

FEW, MANY = 25, 1000


def judged(seed: int, bursty: float) -> tuple[bool, float, float]:
    """Whether every time of a run is covered; the median stated error and the worst true one."""
    rng = np.random.default_rng([seed, 2611])
    run = record(any_stream(rng, bursty), rng)
    fit = fit_times(run.info, run.least_tick_us, run.least_received_ns)
    error_ns = np.abs(fit.host_ns(run.tick_us) - run.true_ns)
    stated_ns = fit.error_ns(run.tick_us)
    assert fit.latency_ns is None
    return bool((error_ns <= stated_ns).all()), float(np.median(stated_ns)), float(error_ns.max())


def assert_covered(seeds: range, bursty: float = 0.05) -> None:
    covered, stated_ns, worst_ns = map(
        np.array, zip(*(judged(seed, bursty) for seed in seeds), strict=True)
    )
    assert covered.mean() >= 0.95
    # The bound is no fig leaf: half of the runs state no more than a few times their worst error.
    assert np.median(stated_ns / worst_ns) < 4
    assert np.median(stated_ns) < 25e6


def test_the_stated_error_covers_the_true_one() -> None:
    assert_covered(range(FEW))


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_the_stated_error_covers_the_true_one_in_a_thousand_runs() -> None:
    assert_covered(range(FEW, FEW + MANY))


def test_without_late_seconds_the_stated_error_is_a_few_times_the_worst() -> None:
    rng = np.random.default_rng(5)
    run = record(Stream(span_s=60.0, jitter_s=0.001, bursty=0.0), rng)
    fit = fit_times(run.info, run.least_tick_us, run.least_received_ns)
    worst_ns = np.abs(fit.host_ns(run.tick_us) - run.true_ns).max()
    assert worst_ns <= fit.error_ns(run.tick_us).max() < 12e6


def test_late_seconds_bend_the_envelope_and_not_the_one_offset() -> None:
    """Why such ticks have a fit of their own: the envelope takes their straying for drift."""
    rng = np.random.default_rng(6)
    runs = [record(Stream(span_s=45.0, rate_hz=20.0, together=True), rng) for _ in range(12)]
    bent = [fit_envelope(run.least_tick_us, run.least_received_ns) for run in runs]
    level = [fit_arrivals(run.least_tick_us, run.least_received_ns) for run in runs]
    assert max(abs(fit.drift_ppm or 0.0) for fit in bent) > 50.0
    assert all(np.ptp(fit.knot_offset_ns) == 0.0 for fit in level)
    assert {(fit.drift_ppm, fit.wander_ppm) for fit in level} == {(None, None)}


def test_one_bad_minute_widens_the_error_of_that_minute_only() -> None:
    tick_us = np.arange(0, 600_000_000, 250_000)
    late_ns = np.where((tick_us >= 330_000_000) & (tick_us < 335_000_000), 80_000_000, 0)
    fit = fit_arrivals(tick_us, tick_us * 1000 + late_ns, jitter_us=1000)
    before, within, after = fit.error_ns([200_000_000, 332_000_000, 400_000_000]) / 1e6
    assert (before, after) == (1.0, 1.0)
    assert within == pytest.approx(81.0)
    assert fit.error_ns([10**9]).tolist() == [1e6]


def test_a_minute_without_a_message_has_the_largest_error() -> None:
    tick_us = np.array([0, 250_000, 500_000, 590_000_000, 600_000_000])
    fit = fit_arrivals(tick_us, tick_us * 1000 + np.array([0, 0, 0, 0, 7_000_000]))
    assert fit.error_ns([300_000_000])[0] == fit.knot_error_ns.max() > 0.0


def test_one_message_is_enough_and_none_is_not() -> None:
    fit = fit_arrivals([4000], [9_000_000], jitter_us=2000)
    assert fit.host_ns([4000, 5000]).tolist() == [9_000_000, 10_000_000]
    assert fit.error_ns([4000]).tolist() == [2e6]
    with pytest.raises(ValueError, match="at least one frame"):
        fit_arrivals([], [])


@settings(deadline=None)
@given(late_ns=st.lists(st.integers(0, 10**9), min_size=1, max_size=60), step_s=st.floats(0.1, 30))
def test_order_does_not_matter_and_every_lone_message_is_inside(
    late_ns: list[int], step_s: float
) -> None:
    tick_us = (np.arange(len(late_ns)) * step_s * 1e6).astype(np.int64)
    received = tick_us * 1000 + np.array(late_ns)
    fit = fit_arrivals(tick_us, received)
    back = fit_arrivals(tick_us[::-1], received[::-1])
    assert np.array_equal(fit.host_ns(tick_us), back.host_ns(tick_us))
    if step_s > 1.01:
        off_ns = np.abs(fit.host_ns(tick_us) - received)
        assert (off_ns <= fit.error_ns(tick_us) + 1).all()


# --- which fit a stream gets -------------------------------------------------------------


@pytest.mark.parametrize("clock", [None, Tick(field="t", per_s=1e6)])
def test_a_declared_sensor_says_whether_the_host_times_it(clock: Tick | None) -> None:
    profile = Profile(
        name="p", sample_rate_hz=10.0, value=Value(fields=("v",)), line=Line(fields=("v", "t")),
        tick=clock,
    )  # fmt: skip
    assert DeclaredDecoder(profile).info().host_timed == (clock is None)


def test_answers_to_time_bound_nothing_of_ticks_that_the_host_told() -> None:
    asked = Exchanges(*(np.array([n]) for n in (1000, 900_000, 1_100_000)))
    info = replace(items.info(), jitter_bound_us=50)
    ticks, came = [0, 250_000], [5_000_000, 255_000_000]
    assert fit_times(info, ticks, came, asked).latency_ns is not None
    told = fit_times(replace(info, host_timed=True), ticks, came, asked)
    assert told.latency_ns is None
    assert told.error_ns([0]).tolist() == [50_000.0]


def stored(path: Path, info: CellInfo) -> TimeFit:
    """The fit of a stream of two chunks, an old one or a new."""
    opened = replace(items.opened(1), info=info)
    with LogbookWriter(path) as writer:
        writer.write([opened, items.frame(1, 0), items.frame(1, 16, late_ns=40_000_000)])
    with LogbookReader(path) as reader:
        assert reader.stream(1).info == info
        return reader.time_fit(1)


def test_the_flag_travels_in_the_logbook(tmp_path: Path) -> None:
    info = replace(items.info(), wire_version=255)
    assert stored(tmp_path / "a.logbook", info).drift_ppm is not None
    assert stored(tmp_path / "b.logbook", replace(info, host_timed=True)).drift_ppm is None


def test_a_stream_stored_without_the_flag_reads_as_before(tmp_path: Path) -> None:
    """The row of an older program lacks the key; a row with it can be read by that program."""
    path = tmp_path / "old.logbook"
    info = replace(items.info(), wire_version=255, remark="timed on the host")
    fit = stored(path, info)
    old = msgspec.json.decode(msgspec.json.encode(info))
    assert old.pop("host_timed") is False
    connection = sqlite3.connect(path)
    connection.execute("DROP TRIGGER stream_no_update")
    connection.execute("UPDATE stream SET info = ?", (json.dumps(old),))
    connection.commit()
    connection.close()
    with LogbookReader(path) as reader:
        assert reader.stream(1).info == info
        again = reader.time_fit(1)
    assert again.host_ns([0, 16_000]).tolist() == fit.host_ns([0, 16_000]).tolist()
    assert again.drift_ppm is not None
