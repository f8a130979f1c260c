"""What would narrow a weight: each measurement tried by estimating again with it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from analysis.predicting.narrowing import DISC_REL_U, Narrowing, narrowings
from analysis.predicting.piece import estimate
from analysis.predicting.volume import profile_at, shape_of
from logger.records import Diameter, Piece


def piece(*diameters: tuple[float, float], **more: Any) -> Piece:
    taken = tuple(Diameter(at_m=at, diameter_m=d) for at, d in diameters)
    return Piece(name="P", rig="R", length_m=4.0, diameters=taken, **more)


def by_key(of: Piece) -> dict[str, Narrowing]:
    return {one.key: one for one in narrowings(of)}


def test_each_is_really_the_estimate_with_it() -> None:
    butt = piece((0.0, 0.4), species="white oak", brush_share=0.2)
    now, found = estimate(butt), by_key(butt)
    tried = {
        "diameter_tip": replace(butt, diameters=(*butt.diameters, Diameter(at_m=4.0, diameter_m=0.4))),
        "diameter_mid": replace(butt, diameters=(*butt.diameters, Diameter(at_m=2.0, diameter_m=0.4))),
        "disc": replace(
            butt, density_kg_per_m3=now.density_kg_per_m3, density_rel_u=DISC_REL_U
        ),
        "brush": replace(butt, brush_share=0.0),
    }  # fmt: skip
    assert set(found) == set(tried)
    for key, with_it in tried.items():
        ratio = estimate(with_it).rel_u / now.rel_u
        assert found[key].ratio == pytest.approx(ratio)
        assert found[key].weight_u_n == pytest.approx(ratio * now.weight_u_n)


def test_the_best_comes_first_and_what_is_measured_is_not_asked_again() -> None:
    found = narrowings(piece((0.0, 0.4), species="white oak"))
    assert [one.ratio for one in found] == sorted(one.ratio for one in found)
    known = piece(
        (0.0, 0.4), (2.0, 0.3), (4.0, 0.2), density_kg_per_m3=900.0, density_rel_u=DISC_REL_U
    )
    assert narrowings(known) == ()


def test_the_sapwoods_thickness_is_asked_where_moistures_differ_and_are_published() -> None:
    cedar = piece((0.0, 0.4), (4.0, 0.3), species="western redcedar")
    assert "sapwood" in by_key(cedar)
    assert "sapwood" not in by_key(replace(cedar, sapwood_m=0.05))
    assert "sapwood" not in by_key(replace(cedar, species="baobab"))
    assert "sapwood" not in by_key(replace(cedar, density_kg_per_m3=700.0))


@pytest.mark.parametrize(
    ("ratio", "words"),
    [(0.5, "halves the ±"), (0.66, "takes a third off the ±"), (0.3, "takes 70 % off the ±")],
)
def test_words(ratio: float, words: str) -> None:
    one = Narrowing("disc", "weigh a disc", 100.0, ratio)
    assert one.effect == words
    assert one.to_dict() == {
        "key": "disc", "measure": "weigh a disc", "weight_u_n": 100.0, "ratio": ratio,
        "effect": words,
    }  # fmt: skip


@settings(max_examples=15, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(0.0, 4.0), st.floats(0.05, 0.6)), min_size=1, max_size=3,
        unique_by=lambda one: round(one[0], 1),
    ),
    st.floats(0.0, 4.0),
)  # fmt: skip
def test_a_diameter_more_never_widens_the_shape(
    taken: list[tuple[float, float]], at: float
) -> None:
    if any(abs(at - one) < 0.3 for one, _ in taken):
        return
    now = piece(*taken, density_kg_per_m3=900.0)
    more = piece(*taken, (at, max(profile_at(now, at), 0.01)), density_kg_per_m3=900.0)
    assert shape_of(more).form_rel_u <= shape_of(now).form_rel_u + 1e-12
