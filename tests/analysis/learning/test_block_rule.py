"""The block rule: what two cells say, brought to 180°, pooled by block, guarded like any rule."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from logbook_factory import FakeClock, make_logbook
from lowering_generator_motion import run
from lowering_generator_plan import contacts, draw, schedule
from sheets import SHEET, write_sheet

from analysis.learning import block_friction as told
from analysis.learning.block_friction import said_of_block
from analysis.learning.hierarchy import Sampling
from analysis.learning.observations import observe
from analysis.learning.review import Review, review_lowering
from analysis.learning.rule_fit import expected, fit_rule
from analysis.learning.rules import Acceptance, Observation, default_rule
from analysis.predicting.friction import efficiency_180, sheave_efficiency
from analysis.reading.two_cells import Ratio, TwoCells
from analysis.several_cells import ONE_CELL, Cells
from analysis.showing.rules_wording import group_words, heading_of
from analysis.showing.two_cells import cell_rows
from analysis.source import load_lowering
from logger.commands.planning import store_sheet
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.records import Node, Rig, Station, Tag
from logger.samples import WindowClosed, WindowOpened
from logger.sheet import read_sheet

BLOCK = default_rule("block")
QUICK = Sampling(seed=3, chains=8, warm_up=60, sweeps=150)
RIG = Rig(
    name="R", method="butt_tied", rope="blue",
    station=Station(name="tie", mount="end", leg="lead", cell="red"),
    more_stations=(Station(name="fall", mount="running_line", leg="fall", cell="grey"),),
    nodes=(
        Node(name="device", role="device"),
        Node(name="old block", role="high_block", z_m=9.0, efficiency=0.98),
    ),
)  # fmt: skip


def pair(slip: float = 0.1, cells: float = 1.0, drop: float | None = 0.15) -> TwoCells:
    """Ratios of a block with μθ ``slip``, read by cells whose calibrations differ by ``cells``."""
    motions = {"raising": -slip, "lowering": slip} | ({} if drop is None else {"first_drop": drop})
    ratios = tuple(
        Ratio(motion, cells * math.exp(log), 0.01, 0.002, 900.0, 800.0, 9)  # type: ignore[arg-type]
        for motion, log in motions.items()
    )
    return TwoCells(
        ("red", "grey"), ("tie", "fall"), ratios, slip, 0.01, math.exp(-slip), 0.01,
        "raising and lowering", None, None, disagree=slip < -0.01,
    )  # fmt: skip


def cells_with(*pairs: TwoCells) -> Cells:
    return Cells((None, None), pairs)  # type: ignore[arg-type]


@pytest.mark.parametrize("eta", [0.8, 0.9, 0.97, 1.0])
@pytest.mark.parametrize("wrap_rad", [0.6, 1.57, 2.5, math.pi])
def test_an_efficiency_comes_back_from_any_wrap(eta: float, wrap_rad: float) -> None:
    at_wrap = float(sheave_efficiency(eta, wrap_rad))
    assert efficiency_180(at_wrap, wrap_rad) == pytest.approx(eta, abs=1e-9)


def test_calibrations_cancel_in_both_and_the_written_efficiency_is_not_used() -> None:
    for calibrations in (1.0, 1.05):
        slow, drop = said_of_block(cells_with(pair(cells=calibrations)), RIG)
        assert (slow.quantity, slow.block, slow.reason) == ("block_efficiency", "old block", "")
        assert slow.measured == pytest.approx(math.exp(-0.1))
        assert slow.x == {"lead_n": 900.0}
        assert drop.quantity == "block_efficiency_drop"
        assert drop.measured == pytest.approx(math.exp(-0.15))


def test_of_several_pairs_the_one_with_the_smallest_u_counts() -> None:
    wide = replace(pair(0.3), wrap_friction_u=0.2)
    none = replace(pair(0.4), wrap_friction_u=None)
    slow, _ = said_of_block(cells_with(none, wide, pair()), RIG)
    assert slow.measured == pytest.approx(math.exp(-0.1))


def test_what_spoils_it_is_said() -> None:
    one_way = replace(pair(), ratios=pair().ratios[1:])
    for pairs, reason in (((), told.NO_PAIR), ((one_way,), told.ONE_WAY)):
        assert {one.reason for one in said_of_block(cells_with(*pairs), RIG)} == {reason}
    assert said_of_block(cells_with(pair(-0.1)), RIG)[0].reason == told.DISAGREE
    slow, drop = said_of_block(cells_with(pair(drop=None)), RIG)
    assert (slow.reason, drop.reason) == ("", told.NO_DROP)
    ring = Rig(
        name="R", method="butt_tied", rope="blue", station=RIG.station,
        nodes=(Node(name="ring", role="high_block", contact="wrap", friction_angle=0.4),),
    )  # fmt: skip
    assert said_of_block(cells_with(pair()), ring)[0].reason == told.NOT_A_SHEAVE
    assert said_of_block(ONE_CELL, RIG) == said_of_block(cells_with(pair()), None) == ()


def seen(eta: float, block: str, job: str, number: int, lead_n: float = 1500.0) -> Observation:
    return Observation(
        lowering=f"{block}-{number}", job=job, crew="Heron", method="tip_tied", species_group="oak",
        quantity="block_efficiency", measured=eta, block=block, x={"lead_n": lead_n},
    )  # fmt: skip


def season(seed: int, pieces: int = 10) -> tuple[list[Observation], list[Observation]]:
    """Lowerings over two blocks, and later ones in new jobs, with constants of their own."""
    rng = np.random.default_rng(seed)
    now: list[Observation] = []
    later: list[Observation] = []
    for block in ("new block", "old block"):
        friction, spread = rng.uniform(0.02, 0.22), rng.uniform(0.01, 0.05)
        job_sd = rng.uniform(0.0, 0.03)
        for rows, prefix, jobs, n in ((now, "J", 4, pieces), (later, "K", 20, 40)):
            shifts = rng.normal(0.0, job_sd, jobs)
            for number in range(n):
                log = -friction + shifts[number % jobs] + rng.normal(0.0, spread)
                rows.append(
                    seen(
                        math.exp(log), block, f"{prefix}{number % jobs}", number, 800 + 100 * number
                    )
                )
    return now, later


def share_covered(seeds: range) -> float:
    """Share of later lowerings inside the 90 % interval of the next one."""
    inside = n = 0
    for seed in seeds:
        now, later = season(seed)
        result = fit_rule(BLOCK, now, sampling=QUICK)
        for block in ("new block", "old block"):
            mine = [one for one in later if one.block == block]
            low, _, high = expected(result, mine[0])
            inside += sum(low <= one.measured <= high for one in mine)
            n += len(mine)
    return inside / n


@pytest.mark.slow
def test_next_lowerings_are_covered() -> None:
    assert 0.86 <= share_covered(range(25)) <= 0.94


def test_blocks_of_known_efficiency_are_found_and_guarded() -> None:
    rng = np.random.default_rng(5)
    now = [
        seen(eta * math.exp(rng.normal(0.0, 0.01)), block, f"J{number % 4}", number)
        for block, eta in (("new block", 0.96), ("old block", 0.82))
        for number in range(8)
    ]
    result = fit_rule(BLOCK, now, sampling=QUICK)
    new, old = result.group("new block"), result.group("old block")
    for group, eta in ((new, 0.96), (old, 0.82)):
        low, high = group.constant_interval_90
        assert low < eta < high
        assert high - low < 0.06
    assert old.planning.source == "bound"
    assert old.planning.number < 0.82
    assert new.planning.number == BLOCK.default, "away from caution only by signature"
    signed = Acceptance("block", "new block", new.lower_95_95, "R. Example", "2026-06-01")
    after = fit_rule(BLOCK, now, acceptances=[signed], sampling=QUICK).group("new block")
    assert after.planning.number == pytest.approx(new.lower_95_95)
    words = group_words(new, "kN", BLOCK.other_side)
    assert f"To the other side the 95/95 bound is {new.upper_95_95:.2f}" in words
    assert "tension of the lead 1.50 to 1.50 kN" in words
    assert heading_of(BLOCK).startswith("Block rule (block): efficiency of the high block")


def test_a_reading_above_one_stays_in() -> None:
    """Noise may put a good block above 1: leaving those out would read the friction high."""
    rng = np.random.default_rng(6)
    now = [seen(math.exp(rng.normal(-0.01, 0.02)), "b", f"J{n % 3}", n) for n in range(12)]
    assert sum(one.measured > 1.0 for one in now) >= 3
    result = fit_rule(BLOCK, now, sampling=QUICK)
    assert result.group("b").n == 12
    assert result.excluded == ()


def played(folder: Path, seed: int, eta: float, block: str, name: str) -> Path:
    """A logbook of one generated two-cell lowering over a block of known efficiency."""
    lead_n, fall_n = forces(seed, eta)
    stations = """station = {name = "tie", mount = "end", leg = "lead", cell = "red"}
more_stations = [{name = "fall", mount = "running_line", leg = "fall", cell = "grey"}]
nodes = [{name = "device", role = "device", z_m = 1.0},
         {name = "BLOCK", role = "high_block", z_m = 10.0, efficiency = 0.7}]
"""
    old = 'rope = "blue 14"\nstation = {name = "rope end", mount = "end", leg = "lead"}\n\n'
    assert SHEET.count(old) == 1
    text = SHEET.replace(old, f'rope = "blue 14"\n{stations.replace("BLOCK", block)}\n')
    path = folder / f"{name}.logbook"
    store_sheet(path, read_sheet(write_sheet(folder, text, f"{name}.toml")), clock=FakeClock())
    made = make_logbook(path, [lead_n], station=None, rate_hz=500.0)
    make_logbook(path, [1.03 * fall_n], station=None, cell="grey", rate_hz=500.0)
    first, last = made.windows[0]
    with LogbookWriter(path, clock=FakeClock()) as writer:
        writer.write([WindowOpened(1, 2, first + 1000, first), WindowClosed(1, 2, last)])
    with LogbookEntries(path) as entries:
        entries.put_record("1", Tag(job="orchard", piece="P2"))
    return path


@cache
def forces(seed: int, eta: float) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    d = draw(rng, "tip_tied", frozenset())
    d = replace(d, path=replace(d.path, eta=eta))
    r = run(d.path, schedule(rng, d), d.start_m, contacts(rng, d), 3.0)
    t = np.arange(0.0, r.time_s[-1], 1.0 / 500.0)
    noise = np.random.default_rng(seed + 1).normal(0.0, 1.0, (2, t.size))
    lead_n, fall_n = (np.interp(t, r.time_s, force) for force in (r.lead_n, r.fall_n))
    return lead_n + noise[0], fall_n + noise[1]


def reviewed(path: Path) -> Review:
    with LogbookReader(path) as reader:
        return review_lowering(load_lowering(reader, 1), explained=False)


def observed(review: Review, name: str) -> tuple[Observation, Observation]:
    found = observe(review, name).observations
    (slow,), (drop,) = found["block"], found["block_drop"]
    return slow, drop


def test_a_recorded_lowering_tells_the_rule(tmp_path: Path) -> None:
    """From counts in a file: two cells 3 % apart, a block of 0.91, 0.7 written on the sheet."""
    review = reviewed(played(tmp_path, 8, 0.91, "arch", "one"))
    slow, drop = observed(review, "one:1")
    assert (slow.quantity, slow.block, slow.excluded_reason) == ("block_efficiency", "arch", "")
    assert slow.measured == pytest.approx(0.91, abs=0.01)
    assert drop.measured == pytest.approx(0.91, abs=0.04)
    assert slow.x["lead_n"] > 100.0
    # The page of that lowering says the same, with its U.
    (told,) = review.cells.pairs
    assert told.efficiency == pytest.approx(slow.measured)
    assert abs((told.efficiency or 0.0) - 0.91) <= (told.efficiency_u or 0.0)
    words = dict(cell_rows(review.cells, "kN"))["high block"]
    assert words.startswith(f"efficiency {told.efficiency:.3f} ± ")
    assert words.endswith("measured from raising and lowering")


@pytest.mark.slow
def test_recorded_lowerings_of_two_blocks_cover_their_truth(tmp_path: Path) -> None:
    found: list[Observation] = []
    for number in range(8):
        block, eta = (("good", 0.95), ("worn", 0.87))[number % 2]
        name = f"p{number}"
        said = observed(reviewed(played(tmp_path, 40 + number, eta, block, name)), f"{name}:1")
        found += [replace(one, job=f"J{number // 2 % 3}") for one in said]
    slow = fit_rule(BLOCK, found)
    assert len(slow.residuals) + len(slow.excluded) == 8
    assert len(slow.residuals) >= 6
    for block, eta in (("good", 0.95), ("worn", 0.87)):
        low, high = slow.group(block).constant_interval_90
        assert low < eta < high
        next_low, next_high = slow.group(block).next_interval_90
        assert next_low < eta < next_high
