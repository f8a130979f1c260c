"""Releases near balance: shares from 0.8 to 1.3, where the transient may be a percent."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from synthetic_traces import FINE_HZ, Cell, Made, Piece, make, random_cell, random_piece

from analysis.reading.balance import calm_levels
from analysis.reading.features import Features, read_features
from analysis.reading.filters import Blocks
from analysis.reading.levels import Zero
from analysis.reading.trace import Chain, make_trace
from logger.simcell.scenario import load_scenario
from logger.simcell.world import LoweringTruth, make_world

HISTORY_S = 10.0
AFTER_S = 1.5
SHARES = [round(0.85 + 0.01 * i, 2) for i in range(46)]
CLEAR = 0.0399
"""Nearer to a share of 1 the kind is not asked for."""

Measured = tuple[LoweringTruth, float, Features]


def measured_world(factor: float, rate_hz: float, seed: int) -> list[Measured]:
    """Every lowering of the demo with heavier or lighter pieces, read from its window."""
    rng = np.random.default_rng(seed)
    world = make_world(load_scenario("demo"), factor)
    chain = Chain(calibration_rel_u=0.002, filter_delay_s=0.5 / rate_hz)
    inside = (np.arange(8) - 3.5) / 8.0 / rate_hz
    out, before = [], 0.0
    for truth in world.lowerings:
        start_s = max(before, truth.start_s - HISTORY_S)
        time_s = np.arange(
            start_s + rng.uniform(0, 1 / rate_hz), truth.end_s + AFTER_S, 1 / rate_hz
        )
        force = world.force_n((time_s[:, None] + inside).ravel()).reshape(-1, 8).mean(axis=1)
        force = np.round((force + 15.0 + rng.normal(0.0, 2.5, force.size)) / 0.5) * 0.5
        trace = make_trace(time_s - start_s, force, chain=chain)
        out.append((truth, start_s, read_features(trace)))
        before = truth.end_s + 0.7
    return out


@pytest.mark.no_cover
@pytest.mark.parametrize(
    "rate_hz", [1000.0, *(pytest.param(hz, marks=pytest.mark.slow) for hz in (320.0, 4000.0))]
)
@pytest.mark.parametrize(
    "factor",
    [
        0.8,
        0.9,
        1.05,
        1.25,
        *(pytest.param(f, marks=pytest.mark.slow) for f in (1.1, 1.15, 1.2, 1.3)),
    ],
)
def test_the_demo_with_other_weights(factor: float, rate_hz: float) -> None:
    for truth, start_s, found in measured_world(factor, rate_hz, 7):
        assert found.hang_weight_n == pytest.approx(truth.weight_n, rel=0.01), truth.name
        assert "hang_not_still" not in found.flags
        if truth.pretension_settled_n > 1.0:
            assert found.pretension_settled_n == pytest.approx(truth.pretension_settled_n, rel=0.01)
        if abs(truth.share_at_release - 1.0) < CLEAR:
            continue
        assert found.release_kind == truth.release_kind, truth.name
        if truth.release_kind in {"rise", "drop"}:
            assert found.release_time_s == pytest.approx(truth.release_s - start_s, abs=0.25)
        if truth.release_peak_n is not None and found.release_kind == "rise":
            assert found.release_peak_n == pytest.approx(truth.release_peak_n, rel=0.01)
        if truth.first_extreme_n is not None:
            assert found.first_extreme_n == pytest.approx(truth.first_extreme_n, rel=0.01)


def drawn(share: float, seed: int) -> tuple[Piece, Made]:
    rng = np.random.default_rng([seed, round(100 * share)])
    piece = replace(random_piece("span", rng), share=share)
    return piece, make(piece, random_cell(piece, rng), seed)


@pytest.mark.no_cover
@pytest.mark.parametrize("seed", [0, pytest.param(1, marks=pytest.mark.slow)])
@pytest.mark.parametrize("share", SHARES)
def test_made_pieces_near_balance(share: float, seed: int) -> None:
    piece, made = drawn(share, seed)
    found = read_features(made.trace)
    assert found.hang_weight_n == pytest.approx(piece.weight_n, rel=0.01)
    if abs(share - 1.0) < CLEAR:
        return
    assert found.release_kind == made.truth.release_kind
    assert found.release_time_s == pytest.approx(made.truth.release_s, abs=0.25)
    assert found.pretension_settled_n == pytest.approx(
        made.truth.settled_n, abs=0.01 * piece.weight_n
    )


def test_without_any_transient_the_hang_is_right_and_it_is_said() -> None:
    found = read_features(make(Piece(share=1.0), Cell(noise_n=1.0)).trace)
    assert found.hang_weight_n == pytest.approx(2000.0, rel=0.005)
    assert found.release_kind == "gradual"
    assert found.release_peak_n is None
    assert "hand_over_unseen" in found.flags
    for share in (0.7, 0.95, 1.05):
        clear = read_features(make(Piece(share=share), Cell(noise_n=1.0)).trace)
        assert "hand_over_unseen" not in clear.flags


def recorded(*parts: tuple[float, float, float]) -> Features:
    """Read a record made of holds: (level, seconds, ring amplitude at its start)."""
    force = [np.zeros(round(2.0 * FINE_HZ))]
    for level, length_s, ring in parts:
        t = np.arange(round(length_s * FINE_HZ)) / FINE_HZ
        ringing = ring * np.exp(-2.5 * t) * np.cos(2.0 * np.pi * 2.5 * t)
        force.append(level + ringing)
    force.append(np.zeros(round(1.5 * FINE_HZ)))
    whole = np.concatenate(force)[::8]
    noise = np.random.default_rng(3).normal(0.0, 2.0, whole.size)
    return read_features(make_trace(np.arange(whole.size) / 1000.0, whole + noise))


DIP = ((1900.0, 0.2, -300.0), (2700.0, 0.08, 0.0))
"""Start of a lowering and touchdown, short after the hang."""


@pytest.mark.parametrize(
    ("level", "ring", "kind"),
    [
        (2500.0, 90.0, "drop"),
        (2460.0, 55.0, "drop"),
        (2340.0, -55.0, "rise"),
        (2300.0, -90.0, "rise"),
        (2400.0, -35.0, "drop"),
        (2400.0, 35.0, "rise"),
        (2500.0, 0.0, "drop"),
    ],
)
def test_the_dip_of_the_lowering_is_not_the_release(level: float, ring: float, kind: str) -> None:
    """The recorded case: 2.5 kN, a small ring, 1.5 s still at 2.4 kN, then a deep dip."""
    found = recorded((1250.0, 1.5, 0.0), (level, 1.5, 0.0), (2400.0, 2.3, ring), *DIP)
    assert found.hang_weight_n == pytest.approx(2400.0, rel=0.005)
    assert found.release_kind == kind
    assert found.release_time_s == pytest.approx(5.0, abs=0.15)
    assert found.pretension_settled_n == pytest.approx(level, rel=0.005)


def test_calm_levels_join_what_touches_and_reads_alike() -> None:
    mean = np.concatenate(
        (np.zeros(20), np.full(20, 1000.0), np.full(20, 1006.0), np.full(20, 900.0))
    )
    blocks = Blocks(0.0, 0.05, mean, 0.1)
    zero = Zero(0.0, 0.1, 1.0, 1000.0, 40.0, found=True)
    first, second = calm_levels(blocks, zero, 4.0)
    assert (first.start_s, first.end_s) == pytest.approx((1.0, 3.0))
    assert first.last_n == 1006.0
    assert second.level_n == 900.0
