"""Two cells on one lowering against the generator's known block, and published pairs."""

from __future__ import annotations

import csv
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from lowering_generator import station_force_n
from lowering_generator_motion import Run, run
from lowering_generator_plan import Draw, contacts, draw, schedule

from analysis.reading.features import read_features
from analysis.reading.place import Place, Reads
from analysis.reading.trace import Chain, make_trace
from analysis.reading.two_cells import (
    CellReading,
    compare_cells,
    fall_from_sling_n,
    friction_of_pair,
)

READS: dict[str, Reads] = {"lead": "piece", "fall": "fall", "sling_a": "sling"}


@pytest.fixture(scope="module")
def played() -> tuple[Draw, Run]:
    rng = np.random.default_rng(8)
    d = draw(rng, "tip_tied", frozenset())
    return d, run(d.path, schedule(rng, d), d.start_m, contacts(rng, d), 3.0)


def cell(
    played: tuple[Draw, Run],
    station: str,
    *,
    rate_hz: float = 320.0,
    offset_s: float = 0.0,
    slope: float = 1.0,
    zero_n: float = 0.0,
) -> CellReading:
    d, r = played
    force = station_force_n(d, r, station)
    time = np.arange(offset_s, r.time_s[-1], 1.0 / rate_hz)
    rng = np.random.default_rng(1)
    read = slope * np.interp(time, r.time_s, force) + zero_n + rng.normal(0.0, 1.0, time.size)
    trace = make_trace(
        time - offset_s, read, chain=Chain(calibration_rel_u=0.002), place=Place(READS[station])
    )
    return CellReading(station, station, READS[station], trace, read_features(trace), offset_s)


@pytest.mark.parametrize("other", ["fall", "sling_a"])
def test_block_friction_is_found_within_its_u(played: tuple[Draw, Run], other: str) -> None:
    d, _ = played
    angle = d.fall_angle_rad
    told = compare_cells(
        cell(played, "lead"), cell(played, other, rate_hz=80.0, offset_s=0.4), angle
    )
    assert told is not None
    assert told.source == "raising and lowering"
    assert told.wrap_friction is not None
    assert told.wrap_friction_u is not None
    assert told.wrap_friction == pytest.approx(-math.log(d.path.eta), abs=0.01)
    assert told.wrap_friction_u < 0.03
    assert told.efficiency == pytest.approx(d.path.eta, abs=0.01)
    assert not told.disagree


def test_fall_and_sling_tell_the_lead(played: tuple[Draw, Run]) -> None:
    d, _ = played
    told = compare_cells(cell(played, "fall"), cell(played, "sling_a"), d.fall_angle_rad)
    assert told is not None
    assert told.efficiency == pytest.approx(d.path.eta, abs=0.015)


def test_calibrations_cancel_between_raising_and_lowering(played: tuple[Draw, Run]) -> None:
    """A slope 3 % off moves either ratio by 3 %, and their half log ratio not at all."""
    good = compare_cells(cell(played, "lead"), cell(played, "fall"))
    off = compare_cells(cell(played, "lead", slope=1.03), cell(played, "fall"))
    assert good is not None
    assert off is not None
    assert off.wrap_friction == pytest.approx(good.wrap_friction, abs=0.001)
    ratios = {r.motion: r.lead_over_fall for r in good.ratios}
    for ratio in off.ratios:
        assert ratio.lead_over_fall == pytest.approx(1.03 * ratios[ratio.motion], rel=0.002)


def test_lowering_alone_carries_the_calibrations_in_u(played: tuple[Draw, Run]) -> None:
    d, _ = played
    lead = cell(played, "lead")
    lead = replace(lead, features=replace(lead.features, strokes=()))
    told = compare_cells(lead, cell(played, "fall"))
    assert told is not None
    assert told.source == "lowering"
    assert told.wrap_friction == pytest.approx(-math.log(d.path.eta), abs=0.015)
    assert told.wrap_friction_u is not None
    assert told.wrap_friction_u >= 2.0 * math.hypot(0.002, 0.002)


def test_first_drop_gives_an_efficiency_of_its_own(played: tuple[Draw, Run]) -> None:
    d, _ = played
    told = compare_cells(cell(played, "lead", rate_hz=1000.0), cell(played, "fall", rate_hz=1000.0))
    assert told is not None
    assert told.drop_efficiency is not None
    assert told.drop_efficiency_u is not None
    assert abs(told.drop_efficiency - d.path.eta) < told.drop_efficiency_u + 0.01


def test_swapped_places_are_told(played: tuple[Draw, Run]) -> None:
    lead, fall = cell(played, "lead"), cell(played, "fall")
    told = compare_cells(replace(lead, reads="fall"), replace(fall, reads="piece"))
    assert told is not None
    assert told.disagree


def test_places_that_say_nothing_of_the_block_give_nothing(played: tuple[Draw, Run]) -> None:
    lead = cell(played, "lead")
    assert compare_cells(lead, replace(lead, reads="standing")) is None
    late = replace(cell(played, "fall"), offset_s=1e4)
    assert compare_cells(lead, late) is None


def test_nothing_is_read_inside_a_gap(played: tuple[Draw, Run]) -> None:
    """The fall's cell dies before the lowering: what came before is still told."""
    lead, fall = cell(played, "lead"), cell(played, "fall")
    assert fall.features.hang_end_s is not None
    keep = fall.trace.time_s < fall.features.hang_end_s - 0.2
    dead = replace(
        fall,
        trace=make_trace(fall.trace.time_s[keep], fall.trace.force_n[keep], chain=fall.trace.chain),
    )
    told = compare_cells(lead, dead)
    assert told is not None
    assert "lowering" not in {ratio.motion for ratio in told.ratios}
    assert told.source == "raising"
    assert told.to_dict()["source"] == "raising"


def test_raise_and_lower_pairs_as_published() -> None:
    """R. Delaney, Physics for Roping Technicians, 2022, p. 88: nine pairs, mu within 0.006."""
    data = Path(__file__).resolve().parents[2] / "data" / "friction_pairs.csv"
    with data.open(encoding="utf-8", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert len(rows) == 9
    for row in rows:
        friction, _ = friction_of_pair(float(row["t_raise_kgf"]), float(row["t_lower_kgf"]))
        mu = friction / math.radians(float(row["angle_deg"]))
        assert mu == pytest.approx(float(row["mu_published"]), abs=0.006)
    assert friction_of_pair(2.0, 1.0, 0.03, 0.04)[1] == pytest.approx(0.05)


def test_sling_and_one_leg_give_the_other() -> None:
    lead, fall, angle = 1000.0, 910.0, 0.4
    sling = math.sqrt(lead**2 + fall**2 + 2 * lead * fall * math.cos(angle))
    assert fall_from_sling_n(np.array([sling]), np.array([lead]), angle)[0] == pytest.approx(fall)
