"""A load set against a limit at its own place: measured there, else inferred with its band."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.learning.margins import Margin, load_at, margin_of
from analysis.learning.measured_at import CellLoad, Readings, State, _saw
from analysis.reading.features import read_features
from analysis.reading.trace import Gap, make_trace
from analysis.reading.two_cells import CellReading
from logger.records import Limit, LimitKind, Node, Rig, Station

NODES = (
    Node(name="device", role="device", contact="wrap", z_m=1.0),
    Node(name="high block", role="high_block", z_m=10.0, efficiency=0.9),
)
LEAD = Rig(
    name="stem",
    method="snubbed_drop",
    rope="blue",
    station=Station(name="rope end", mount="end", leg="lead"),
    more_stations=(Station(name="below", mount="running_line", leg="fall", cell="grey"),),
    nodes=NODES,
)
RED = CellLoad(
    "red", frozenset({"red", "rope end"}), ("leg", "lead"), 4000.0, 40.0, "peak",
    station=LEAD.station,
)  # fmt: skip
GREY = CellLoad("grey", frozenset({"grey", "below"}), ("leg", "fall"), 3500.0, 35.0, "peak")


def limit(on: str, kind: LimitKind = "peak_allowance") -> Limit:
    return Limit(on=on, kind=kind, force_n=10_000.0, by="Wren", entered="2026-05-03")


def margin(on: str, state: State = "peak", rig: Rig | None = LEAD) -> Margin | None:
    return margin_of(limit(on), Readings(rig, replace(RED, state=state)))


@pytest.mark.parametrize("on", ["red", "rope end"])
def test_a_limit_at_the_cell_takes_the_reading(on: str) -> None:
    found = margin(on)
    assert found is not None
    assert (found.load.force_n, found.margin_n, found.share) == (4000.0, 6000.0, 0.4)
    assert found.reading_at_limit_n == 10_000.0
    assert (found.load.inferred, found.load.cell, found.load.u_n) == (False, "red", 40.0)


def test_the_ropes_load_in_a_catch_is_the_leads() -> None:
    found = margin("blue")
    assert found is not None
    load = found.load
    assert (load.force_n, load.low_n, load.high_n) == pytest.approx((4000.0, 4000.0, 4000.0))
    assert not load.inferred


def test_the_blocks_load_in_a_catch_is_the_sum_of_two_plumb_legs() -> None:
    found = margin("high block")
    assert found is not None
    load = found.load
    assert load.force_n == pytest.approx(4000.0 * 1.9, rel=1e-6)
    assert load.low_n < load.force_n < load.high_n
    assert load.inferred
    assert found.reading_at_limit_n == pytest.approx(10_000.0 / 1.9, rel=1e-6)


def test_while_winching_up_the_fall_carries_more_than_the_lead() -> None:
    found = margin("blue", "pretension")
    assert found is not None
    assert found.load.force_n == pytest.approx(4000.0 / 0.9, rel=1e-6)


def test_at_rest_friction_may_stand_on_either_side() -> None:
    found = margin("high block", "hang")
    assert found is not None
    assert found.load.low_n < 4000.0 * 1.9 < 4000.0 * (1 + 1 / 0.9) < found.load.high_n


def test_no_margin_for_a_breaking_strength_an_unknown_place_or_no_rig() -> None:
    assert margin_of(limit("red", "breaking_strength"), Readings(LEAD, RED)) is None
    assert margin("somewhere") is None
    assert margin("blue", rig=None) is None
    assert margin_of(limit("red"), Readings(LEAD)) is None


def test_no_margin_where_the_rig_cannot_be_computed() -> None:
    bad = Rig(
        name="stem",
        method="snubbed_drop",
        rope="blue",
        station=Station(name="x", mount="end", leg="standing"),
        nodes=NODES,
    )
    assert margin("high block", rig=bad) is None


@pytest.mark.parametrize("on", ["grey", "below"])
def test_a_load_that_another_cell_read_is_measured_not_inferred(on: str) -> None:
    alone = load_at(on, Readings(LEAD, RED))
    both = load_at(on, Readings(LEAD, RED, (GREY,)))
    assert alone is not None
    assert both is not None
    assert alone.inferred
    assert alone.force_n == pytest.approx(0.9 * 4000.0)
    assert alone.low_n < alone.force_n < alone.high_n
    assert (both.force_n, both.low_n, both.high_n, both.u_n) == (3500.0, 3500.0, 3500.0, 35.0)
    assert (both.inferred, both.cell) == (False, "grey")
    assert both.from_main_n == alone.force_n
    assert both.normalised is not None
    assert -1.0 < both.normalised < 0.0
    assert not both.doubted


def test_a_rope_bears_what_its_most_loaded_leg_does_measured_where_a_cell_sat() -> None:
    winched = replace(RED, state="pretension")
    more = replace(GREY, force_n=4600.0, state="pretension")
    load = load_at("blue", Readings(LEAD, winched, (more,)))
    assert load is not None
    assert (load.force_n, load.cell, load.inferred) == (4600.0, "grey", False)
    # By the lead alone the fall would be 4000/0.9: the line at the main cell stays at that.
    assert load.from_main_n == pytest.approx(4000.0 / 0.9)


def test_a_lower_bound_counts_where_it_is_more_than_what_is_inferred() -> None:
    less = load_at("grey", Readings(LEAD, RED, (replace(GREY, lower_bound=True),)))
    more = load_at("grey", Readings(LEAD, RED, (replace(GREY, force_n=3900.0, lower_bound=True),)))
    assert less is not None
    assert more is not None
    assert (less.inferred, less.lower_bound) == (True, False)
    assert less.force_n == pytest.approx(3600.0)
    assert (more.inferred, more.lower_bound, more.force_n) == (False, True, 3900.0)
    assert more.normalised is None


def test_a_cell_that_reads_far_less_than_is_inferred_is_doubted() -> None:
    load = load_at("grey", Readings(LEAD, RED, (replace(GREY, force_n=2000.0),)))
    assert load is not None
    assert load.force_n == 2000.0
    assert load.doubted
    high = load_at("grey", Readings(LEAD, RED, (replace(GREY, force_n=9000.0),)))
    assert high is not None
    assert not high.doubted  # more load than expected hides no limit
    clipped = replace(RED, lower_bound=True)
    less = load_at("grey", Readings(LEAD, clipped, (replace(GREY, force_n=2000.0),)))
    more = load_at("grey", Readings(LEAD, clipped, (replace(GREY, force_n=4000.0),)))
    assert less is not None
    assert more is not None
    assert less.doubted
    assert more.normalised is None


def test_another_cell_tells_its_place_where_the_main_one_tells_nothing() -> None:
    for main in (None, replace(RED, place=None, names=frozenset({"red"}))):
        load = load_at("below", Readings(LEAD, main, (GREY,)))
        assert load is not None
        assert (load.force_n, load.from_main_n) == (3500.0, None)
        found = margin_of(limit("below"), Readings(LEAD, main, (GREY,)))
        assert found is not None
        assert found.reading_at_limit_n is None
        assert load_at("high block", Readings(LEAD, main, (GREY,))) is None


@pytest.mark.parametrize(
    ("peak_s", "offset_s", "alignment_u_s", "saw"),
    [
        (5.0, 0.0, 0.0, True),
        (10.05, 0.0, 0.0, False),  # it stopped recording in the middle of the peak
        (0.05, 0.0, 0.0, False),
        (12.0, 4.0, 0.0, True),
        (9.7, 0.0, 0.0, True),
        (9.7, 0.0, 0.2, False),  # nobody knows to 0.4 s when its record ended
        (7.0, 0.0, 0.0, False),  # samples are missing there
    ],
)
def test_a_cell_saw_a_peak_that_it_recorded_whole(
    peak_s: float, offset_s: float, alignment_u_s: float, *, saw: bool
) -> None:
    time_s = np.arange(0.0, 10.0, 0.01)
    trace = make_trace(time_s, np.full(time_s.size, 900.0), gaps=(Gap(6.95, 7.02),))
    one = CellReading("grey", "", "fall", trace, read_features(trace), offset_s, alignment_u_s)
    assert _saw(one, peak_s) is saw
