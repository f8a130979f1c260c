"""Made lowerings of every kind, drawn anew for each seed, read against their truth."""

from __future__ import annotations

import pytest
from synthetic_traces import Made, Piece, sweep

from analysis.reading.features import Features, read_features

pytestmark = pytest.mark.no_cover

SEEDS = range(6)
MORE_SEEDS = range(6, 12)
ORDER = {
    "span": ["slack", "pretension", "hand_over", "ring_down", "hang", "lowering", "touchdown", "after"],
    "staged": ["slack", "pretension", "hand_over", "ring_down", "hang", "lowering", "touchdown", "after"],
    "gradual": ["slack", "pretension", "hand_over", "hang", "lowering", "touchdown", "after"],
    "snub": ["slack", "catch", "ring_down", "hang", "lowering", "touchdown", "after"],
    "let_run": ["slack", "catch", "ring_down", "hang", "lowering", "touchdown", "after"],
    "swing": ["slack", "hand_over", "ring_down", "hang", "lowering", "touchdown", "after"],
}  # fmt: skip
MAY_MISS = {"lowering", "slack", "pretension"}

Read = tuple[int, Piece, Made, Features]


@pytest.fixture(
    scope="module",
    params=[
        *(pytest.param((kind, SEEDS), id=kind) for kind in sorted(ORDER)),
        *(
            pytest.param((kind, MORE_SEEDS), id=f"{kind}-more", marks=pytest.mark.slow)
            for kind in sorted(ORDER)
        ),
    ],
)
def lowerings(request: pytest.FixtureRequest) -> list[Read]:
    kind, seeds = request.param
    return [
        (seed, piece, made, read_features(made.trace)) for seed, piece, made in sweep(kind, seeds)
    ]


def test_hang_weight_within_half_a_percent_or_flagged_and_within_u(lowerings: list[Read]) -> None:
    for seed, piece, _, found in lowerings:
        assert found.hang_weight_n is not None, seed
        assert found.hang_weight_n_u is not None
        error = abs(found.hang_weight_n - piece.weight_n)
        if "hang_not_still" in found.flags:
            assert error <= found.hang_weight_n_u, (piece.kind, seed)
        else:
            assert error <= 0.005 * piece.weight_n, (piece.kind, seed)
            assert found.hang_weight_n_u < 0.02 * piece.weight_n, (piece.kind, seed)


def test_peak_within_its_uncertainty(lowerings: list[Read]) -> None:
    for seed, piece, made, found in lowerings:
        assert found.peak_n is not None
        assert found.peak_n_u is not None
        assert abs(found.peak_n - made.truth.peak_n) <= found.peak_n_u, (piece.kind, seed)
        assert found.peak_n_u < 0.05 * found.peak_n, (piece.kind, seed)


def test_release_kind_and_release_peak(lowerings: list[Read]) -> None:
    for seed, piece, made, found in lowerings:
        kind = made.truth.release_kind
        pause_seen = piece.frequency_hz > 2.6
        if kind == "staged" and not pause_seen:
            assert found.release_kind in {"staged", "rise"}
        else:
            assert found.release_kind == kind, (piece.kind, seed)
        if kind != "gradual":
            assert found.release_peak_n is not None
            assert found.release_peak_n_u is not None
            away = abs(found.release_peak_n - made.truth.release_peak_n)
            assert away <= max(found.release_peak_n_u, 0.005 * piece.weight_n), (piece.kind, seed)


def test_settled_pretension_is_never_the_maximum(lowerings: list[Read]) -> None:
    for seed, piece, made, found in lowerings:
        settled = made.truth.settled_n
        if settled < 0.08 * piece.weight_n:
            continue
        assert found.pretension_settled_n is not None, (piece.kind, seed)
        assert abs(found.pretension_settled_n - settled) < 0.01 * piece.weight_n, (piece.kind, seed)
        assert found.pretension_max_n is not None
        assert found.pretension_max_n >= found.pretension_settled_n
        assert abs(found.pretension_strokes - piece.strokes) <= 1, (piece.kind, seed)


def test_phases_stand_in_order_without_holes(lowerings: list[Read]) -> None:
    for seed, piece, made, found in lowerings:
        names = [phase.name for phase in found.phases]
        order = ORDER[piece.kind]
        assert names == [name for name in order if name in names], (piece.kind, seed, names)
        assert set(order) - set(names) <= MAY_MISS, (piece.kind, seed, names)
        ends = [phase.end_s for phase in found.phases[:-1]]
        assert ends == [phase.start_s for phase in found.phases[1:]]
        assert found.phases[0].start_s == pytest.approx(float(made.trace.time_s[0]))
        after = found.phases[-1]
        assert after.start_s == pytest.approx(made.truth.slack_again_s, abs=0.4), (piece.kind, seed)


def test_release_time(lowerings: list[Read]) -> None:
    for seed, piece, made, found in lowerings:
        if piece.kind in {"gradual", "staged"} or piece.share < 0.05:
            continue
        assert found.release_time_s is not None
        assert found.release_time_s == pytest.approx(made.truth.release_s, abs=0.25), (
            piece.kind,
            seed,
        )
