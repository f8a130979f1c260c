"""The solver of free pieces against slow twins that share no code with it, and 1000 rigs."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from reference_statics import Belly, relax, rest, tension_from_energy, winch_tension

from analysis.predicting.hanging import hang_on_giving_anchors, hanging
from analysis.predicting.path import Loads, hang, loads_per_newton, setting
from analysis.predicting.places import Places
from analysis.predicting.rig import friction_ends
from logger.records import Node, Rig, Station

Array = NDArray[np.float64]

SLING = Station(name="block", mount="sling", node="P")


def span_rig(
    top: Array,
    far: Array,
    winch: Array,
    rope_m: float,
    *,
    efficiency: float = 1.0,
    soft: bool = False,
) -> Rig:
    def node(name: str, role: str, at: Array, **more: float) -> Node:
        x, y, z = (float(v) for v in at)
        return Node(name=name, role=role, x_m=x, y_m=y, z_m=z, **more)  # type: ignore[arg-type]

    give: tuple[dict[str, float], dict[str, float]] = (
        ({"stiffness_n_per_m": 3e4}, {"stiffness_n_per_m": 8e3}) if soft else ({}, {})
    )
    nodes = (
        node("D", "device", winch),
        node("A", "high_block", top, efficiency=efficiency, **give[0]),
        Node(name="P", role="piece_block", efficiency=efficiency),
        node("B", "anchor", far, **give[1]),
    )
    return Rig(
        name="S", method="span_rig", rope="r", station=SLING, nodes=nodes, rope_length_m=rope_m
    )


def drawn(rng: np.random.Generator) -> tuple[Array, Array, Array, float]:
    """High block, far anchor, winch and rope of a feasible rig in space."""
    top = np.array([0.0, 0.0, rng.uniform(8.0, 15.0)])
    far = np.array([*rng.uniform(-7.0, 7.0, 2), top[2] + rng.uniform(-3.0, 3.0)])
    winch = np.array([*rng.uniform(-3.0, 3.0, 2), 1.0])
    return top, far, winch, float(np.linalg.norm(far - top)) * rng.uniform(1.1, 2.0)


@pytest.mark.parametrize("seed", range(3))
def test_least_energy_without_friction_agrees(seed: int) -> None:
    rng = np.random.default_rng(seed)
    top, far, winch, rope = drawn(rng)
    tag = np.array([*rng.uniform(-400.0, 400.0, 2), rng.uniform(-300.0, 0.0)])
    loads = hanging(span_rig(top, far, winch, rope), 2000.0, 0.0, tag_n=tag)
    whole = rope + float(np.linalg.norm(winch - top))
    twin = Belly(top, far, winch, tag + np.array([0.0, 0.0, -2000.0]), whole)
    assert float(loads.legs["lead"]) == pytest.approx(tension_from_energy(twin), rel=1e-6)
    assert float(loads.legs["standing"]) == pytest.approx(float(loads.winch), rel=1e-9)
    assert loads.span is not None
    direction = loads.pulls["A"][0][1]
    np.testing.assert_allclose(top + float(loads.span.lead_m) * direction, rest(twin)[0], atol=1e-5)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(100, 125))
def test_least_energy_agrees_on_many_rigs(seed: int) -> None:
    test_least_energy_without_friction_agrees(seed)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(200, 225))
def test_relaxing_in_time_agrees_on_many_rigs(seed: int) -> None:
    test_relaxing_in_time_with_friction_agrees(seed, raising=seed % 2 == 0)


def test_least_energy_on_anchors_that_give_way_agrees() -> None:
    rng = np.random.default_rng(11)
    top, far, winch, rope = drawn(rng)
    found = hang_on_giving_anchors(span_rig(top, far, winch, rope, soft=True), 2500.0, 0.0)
    high = top + found.moved_m["A"]
    assert float(np.linalg.norm(found.moved_m["A"])) > 0.02
    whole = rope + float(np.linalg.norm(winch - high))
    twin = Belly(top, far, winch, np.array([0.0, 0.0, -2500.0]), whole, 3e4, 8e3)
    assert float(found.loads.legs["lead"]) == pytest.approx(tension_from_energy(twin), rel=1e-6)


@pytest.mark.parametrize(("seed", "raising"), [(21, True), (22, False), (23, True), (24, False)])
def test_relaxing_in_time_with_friction_agrees(seed: int, raising: bool) -> None:
    rng = np.random.default_rng(seed)
    top, far, winch, rope = drawn(rng)
    tag = np.array([*rng.uniform(-300.0, 300.0, 2), -100.0])
    twin = relax(top, far, tag + np.array([0.0, 0.0, -2000.0]), rope, 0.88, raising=raising)
    rig = span_rig(top, far, winch, twin.lead_m + twin.standing_m, efficiency=0.88)
    loads = hanging(rig, 2000.0, 1.0 if raising else -1.0, tag_n=tag)
    assert float(loads.legs["lead"]) == pytest.approx(twin.lead_n, rel=1e-6)
    assert float(loads.legs["standing"]) == pytest.approx(twin.standing_n, rel=1e-6)
    (fall,) = winch_tension(twin.lead_n, twin.place - top, [(top, 0.88)], winch, raising=raising)
    assert float(loads.winch) == pytest.approx(fall, rel=1e-6)


def many(n: int, seed: int) -> tuple[Rig, Places, dict[str, Array], Array, Array]:
    """One rig whose nodes stand in n random places, with loads and rope lengths."""
    rng = np.random.default_rng(seed)
    at = {
        "A": np.column_stack([rng.uniform(-1, 1, (n, 2)), rng.uniform(6, 15, n)]),
        "B": np.column_stack([rng.uniform(-9, 9, (n, 2)), rng.uniform(5, 16, n)]),
        "D": np.column_stack([rng.uniform(-4, 4, (n, 2)), np.ones(n)]),
    }
    zero = np.zeros(3)
    rig = span_rig(zero, zero, zero, 1.0, efficiency=0.9)
    load = np.column_stack([rng.uniform(-0.2, 0.2, (n, 2)), rng.uniform(-1.2, -0.8, n)])
    gap = np.linalg.norm(at["B"] - at["A"], axis=-1)
    rope = gap * (1.0 + 10.0 ** rng.uniform(-2.0, 0.3, n))
    return rig, Places(at), at, load, rope


def solved(n: int, seed: int) -> tuple[Loads, dict[str, Array], Array, Array]:
    rig, places, at, load, rope = many(n, seed)
    motion = np.random.default_rng(seed + 1).uniform(-1.0, 1.0, n)
    at_motion = setting(motion, 0.0, 0.0, drop=False)
    return hang(rig, at_motion, load, rope_m=rope, places=places), at, load, rope


def test_a_thousand_rigs_are_in_equilibrium() -> None:
    loads, at, load, rope = solved(1000, 5)
    (lead, along_lead), _ = loads.pulls["A"]
    ((standing, along_standing),) = loads.pulls["B"]
    size = np.linalg.norm(load, axis=-1)
    residual = load - lead[:, None] * along_lead - standing[:, None] * along_standing
    assert np.max(np.linalg.norm(residual, axis=-1) / size) <= 1e-9
    assert loads.span is not None
    l1, l2 = loads.span.lead_m[:, None], loads.span.standing_m[:, None]
    np.testing.assert_allclose(at["A"] + l1 * along_lead, at["B"] + l2 * along_standing, atol=1e-9)
    np.testing.assert_allclose((l1 + l2)[:, 0], rope, rtol=1e-12)
    np.testing.assert_allclose(np.linalg.norm(along_lead, axis=-1), 1.0, rtol=1e-12)


def test_resultants_as_vectors_are_as_large_as_the_slings() -> None:
    loads, *_ = solved(200, 6)
    for name, vector in loads.vectors.items():
        np.testing.assert_allclose(np.linalg.norm(vector, axis=-1), loads.slings[name], rtol=1e-9)


def test_the_mirrored_rig_carries_the_mirrored_loads() -> None:
    rig, places, at, load, rope = many(200, 7)
    still = setting(0.7, 0.0, 0.0, drop=False)
    one = hang(rig, still, load, rope_m=rope, places=places)
    flip = np.array([-1.0, 1.0, 1.0])
    mirrored = Places({name: place * flip for name, place in at.items()})
    other = hang(rig, still, load * flip, rope_m=rope, places=mirrored)
    for name, vector in one.vectors.items():
        np.testing.assert_allclose(vector, other.vectors[name] * flip, atol=1e-9)


def test_the_friction_band_holds_the_value_without_friction() -> None:
    # In a narrow span both ends of the lead's band can lie below its value without
    # friction, so the band is looked at between its ends too.
    rng = np.random.default_rng(8)
    outside = 0
    for _ in range(30):
        top, far, winch, rope = drawn(rng)
        free = loads_per_newton(span_rig(top, far, winch, rope, efficiency=1.0), 0.0)
        rig = span_rig(top, far, winch, rope, efficiency=0.85)
        band = friction_ends(rig, "holding")
        ends = loads_per_newton(rig, [-1.0, 1.0])
        for leg, value in free.legs.items():
            outside += not np.min(ends.legs[leg]) <= value <= np.max(ends.legs[leg])
            assert np.min(band.legs[leg][1:]) <= value + 1e-12
            assert value <= np.max(band.legs[leg][1:]) + 1e-12
    assert outside > 0


def test_without_friction_raising_is_lowering() -> None:
    rig = span_rig(*drawn(np.random.default_rng(9)))
    loads = loads_per_newton(rig, [-1.0, 0.3, 1.0])
    for vector in loads.vectors.values():
        np.testing.assert_allclose(vector, np.broadcast_to(vector[0], vector.shape), atol=1e-12)


def test_no_span_halves_the_weight() -> None:
    top = np.array([0.0, 0.0, 9.0])
    rig = span_rig(top, top - [0.0, 0.0, 1.0], np.zeros(3), 4.0)
    loads = loads_per_newton(rig, 0.0)
    assert float(loads.legs["lead"]) == pytest.approx(0.5, rel=1e-12)
    assert float(loads.slings["A"]) == pytest.approx(1.0, rel=1e-12)
