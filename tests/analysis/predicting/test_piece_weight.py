"""Volume, weight, centre of mass: published volumes, slices, and first order against draws."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from reference_physics import sliced_log

from analysis.errors import PredictionError
from analysis.predicting.piece import draw, estimate
from analysis.predicting.volume import frustum_m3, huber_m3, newton_m3, shape_of, smalian_m3
from logger.records import Diameter, Piece
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G

FOOT, INCH = 0.3048, 0.0254


def piece(*diameters: tuple[float, float], length: float = 4.0, **more: Any) -> Piece:
    taken = tuple(Diameter(at_m=at, diameter_m=d) for at, d in diameters)
    given = {"density_kg_per_m3": 900.0, **more}
    return Piece(name="P", length_m=length, rig="R", diameters=taken, **given)


def test_larsen_volumes_in_feet() -> None:
    # Source: D. Larsen, course notes on log volume: 10 in and 12 in, 16 ft.
    ends = (10 * INCH, 12 * INCH, 16 * FOOT)
    assert smalian_m3(*ends) / FOOT**3 == pytest.approx(10.647, abs=5e-4)
    assert frustum_m3(*ends) / FOOT**3 == pytest.approx(10.588, abs=5e-4)


def test_larsen_volumes_in_metres() -> None:
    # Source: the same: 25 cm, 29 cm, 5 m; middle 27 cm.
    assert smalian_m3(0.25, 0.29, 5.0) == pytest.approx(0.287848, abs=5e-7)
    assert frustum_m3(0.25, 0.29, 5.0) == pytest.approx(0.286801, abs=5e-7)
    assert huber_m3(0.27, 5.0) == pytest.approx(0.286278, abs=5e-7)
    assert newton_m3(0.25, 0.27, 0.29, 5.0) == pytest.approx(frustum_m3(0.25, 0.29, 5.0))


@pytest.mark.parametrize(
    ("diameters", "rule", "volume"),
    [
        ([(2.5, 0.27)], "huber", huber_m3(0.27, 5.0)),
        ([(0.0, 0.25), (5.0, 0.29)], "frustums", frustum_m3(0.25, 0.29, 5.0)),
        ([(0.0, 0.30), (2.5, 0.26), (5.0, 0.20)], "newton", newton_m3(0.30, 0.26, 0.20, 5.0)),
        (
            [(5.0, 0.20), (0.0, 0.30), (2.0, 0.26)],
            "frustums",
            frustum_m3(0.30, 0.26, 2.0) + frustum_m3(0.26, 0.20, 3.0),
        ),
    ],
)
def test_rule_follows_what_was_measured(
    diameters: list[tuple[float, float]], rule: str, volume: float
) -> None:
    found = estimate(piece(*diameters, length=5.0))
    assert found.rule == rule
    assert found.volume_m3 == pytest.approx(volume, rel=1e-12)
    assert found.weight_n == pytest.approx(900.0 * G * volume)
    assert not found.warnings


def test_smalian_stands_beside_two_ends() -> None:
    # Source: D. Larsen, course notes on log volume: 25 cm, 29 cm, 5 m: Smalian 0.287848 m³.
    both = estimate(piece((0.0, 0.25), (5.0, 0.29), length=5.0))
    assert "Smalian's mean of the end areas: 0.288 m³" in both.basis[1]
    assert "Smalian" not in estimate(piece((0.0, 0.25), (4.0, 0.29), length=5.0)).basis[1]


def test_moments_agree_with_slices() -> None:
    found = estimate(piece((0.0, 0.4), (1.5, 0.3), (4.0, 0.12)))

    def diameter(x: float) -> float:
        return 0.4 - x * 0.1 / 1.5 if x < 1.5 else 0.3 - (x - 1.5) * 0.18 / 2.5

    volume, centre, gyration = sliced_log(diameter, 4.0)
    assert found.volume_m3 == pytest.approx(volume, rel=1e-7)
    assert found.centre_from_butt_m == pytest.approx(centre, rel=1e-7)
    assert found.gyration_m == pytest.approx(gyration, rel=1e-7)


def test_a_cylinder_balances_at_its_middle() -> None:
    found = estimate(piece((2.0, 0.3)))
    assert found.centre_from_butt_m == pytest.approx(2.0)
    assert found.gyration_m == pytest.approx(4.0 / math.sqrt(12.0))


def test_taper_goes_on_to_the_ends() -> None:
    inner = estimate(piece((1.0, 0.35), (3.0, 0.25)))
    whole = estimate(piece((0.0, 0.40), (4.0, 0.20)))
    assert inner.volume_m3 == pytest.approx(whole.volume_m3)
    assert "cover only 50 %" in inner.warnings[0]


def test_taper_stops_at_half_and_at_one_and_a_quarter() -> None:
    found = estimate(piece((1.5, 0.40), (2.0, 0.20)))
    expected = frustum_m3(0.5, 0.4, 1.5) + frustum_m3(0.4, 0.2, 0.5) + frustum_m3(0.2, 0.1, 2.0)
    assert found.volume_m3 == pytest.approx(expected)


def test_a_single_diameter_off_the_middle_is_said_and_wide() -> None:
    found = estimate(piece((0.2, 0.3)))
    assert "not at the middle" in found.warnings[0]
    assert found.rel_u > estimate(piece((2.0, 0.3))).rel_u


def test_brush_is_a_share_of_the_whole_weight_and_moves_the_centre_out() -> None:
    bare = estimate(piece((0.0, 0.3), (4.0, 0.1)))
    bushy = estimate(piece((0.0, 0.3), (4.0, 0.1), brush_share=0.25))
    assert bushy.weight_n == pytest.approx(bare.weight_n / 0.75)
    expected = 0.75 * bare.centre_from_butt_m + 0.25 * 3.0
    assert bushy.centre_from_butt_m == pytest.approx(expected)
    # Brush spread evenly over half the length, about three quarters of the way out: 2 m to 4 m.
    along = np.linspace(2.0, 4.0, 200_001)
    square = 0.75 * (bare.gyration_m**2 + bare.centre_from_butt_m**2) + 0.25 * np.mean(along**2)
    assert bushy.gyration_m == pytest.approx(math.sqrt(square - expected**2), rel=1e-4)
    assert bushy.rel_u > bare.rel_u


def test_a_cavity_takes_its_square_away() -> None:
    solid = estimate(piece((2.0, 0.5)))
    hollow = estimate(piece((2.0, 0.5), cavity_ratio=0.5))
    assert hollow.weight_n == pytest.approx(0.75 * solid.weight_n)
    assert hollow.parts["cavity"] == pytest.approx(0.1 / 0.75)


@pytest.mark.parametrize(
    "given",
    [
        piece((2.0, 0.3)),
        piece((0.0, 0.35), (4.0, 0.25), species="white oak", density_kg_per_m3=None),
        piece((0.0, 0.35), (2.0, 0.3), (4.0, 0.25), brush_share=0.2),
        piece((0.3, 0.35), (2.0, 0.31), (3.6, 0.25), cavity_ratio=0.4, brush_share=0.1),
        piece((0.0, 0.35), (4.0, 0.25), species="red pine", condition="standing_dead",
              density_kg_per_m3=None),
    ],
)  # fmt: skip
def test_first_order_and_draws_agree(given: Piece) -> None:
    found = estimate(given)
    drawn = draw(given, np.random.default_rng(7), 40_000)
    assert float(np.mean(drawn.weight_n)) == pytest.approx(found.weight_n, rel=0.02)
    assert 2 * float(np.std(drawn.weight_n)) == pytest.approx(found.weight_u_n, rel=0.06)
    middle = float(np.mean(drawn.centre_from_butt_m))
    assert middle == pytest.approx(found.centre_from_butt_m, rel=0.02)
    assert 2 * float(np.std(drawn.centre_from_butt_m)) == pytest.approx(found.centre_u_m, rel=0.15)
    assert float(np.mean(drawn.gyration_m)) == pytest.approx(found.gyration_m, rel=0.03)


def test_girths_and_diameters_mix() -> None:
    taped = Piece(
        name="P", length_m=4.0, rig="R", density_kg_per_m3=900.0,
        diameters=(Diameter(at_m=0.0, girth_m=math.pi * 0.3), Diameter(at_m=4.0, diameter_m=0.2)),
    )  # fmt: skip
    assert estimate(taped).weight_n == pytest.approx(
        estimate(piece((0.0, 0.3), (4.0, 0.2))).weight_n
    )
    both: dict[str, float] = {"diameter_m": 0.3, "girth_m": 1.0}
    for wrong in ({}, both):
        with pytest.raises(ValueError, match="exactly one of both"):
            Diameter(at_m=0.0, **wrong)


def test_a_shell_of_sapwood_by_hand() -> None:
    # Western redcedar: heart 58 %, sap 249 % (Wood Handbook, Table 4-1). A cylinder of 0.4 m
    # with a shell of 0.05 m: heartwood 0.3 m across, 9/16 of the volume.
    given: dict[str, Any] = {"species": "western redcedar", "density_kg_per_m3": None}
    gravity = estimate(piece((2.0, 0.4), **given)).density_kg_per_m3 / (1 + 39.6 / 100)
    moisture = 58 * 9 / 16 + 249 * 7 / 16
    found = estimate(piece((2.0, 0.4), **given, sapwood_m=0.05))
    assert found.density_kg_per_m3 == pytest.approx(gravity * (1 + moisture / 100))
    assert "44 % of it sapwood" in found.basis[0]
    all_sap = estimate(piece((2.0, 0.4), **given, sapwood_m=0.3))
    assert all_sap.density_kg_per_m3 == pytest.approx(gravity * 3.49)


def test_sapwood_moves_the_centre_of_mass_as_slices_say() -> None:
    found = estimate(
        piece((0.0, 0.4), (4.0, 0.12), species="western redcedar", density_kg_per_m3=None,
              sapwood_m=0.04)
    )  # fmt: skip
    ratio = (100 + 249) / (100 + 58)
    x = (np.arange(200_000) + 0.5) * 4.0 / 200_000
    across = 0.4 - 0.07 * x
    heart = np.maximum(across - 0.08, 0.0)
    mass = heart**2 + ratio * (across**2 - heart**2)
    centre = float(np.sum(mass * x) / np.sum(mass))
    assert found.centre_from_butt_m == pytest.approx(centre, rel=2e-3)
    assert centre > 1.05 * estimate(piece((0.0, 0.4), (4.0, 0.12))).centre_from_butt_m


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"species": "baobab", "density_kg_per_m3": None}, "no moistures of heart"),
        ({"species": "western redcedar"}, "do not change it"),
        (
            {"species": "western redcedar", "density_kg_per_m3": None,
             "condition": "standing_dead"},
            "do not hold in dead wood",
        ),
    ],
)  # fmt: skip
def test_sapwood_that_cannot_be_used_is_said(more: dict[str, Any], words: str) -> None:
    plain, shell = (estimate(piece((2.0, 0.4), **more, sapwood_m=s)) for s in (None, 0.05))
    assert shell.centre_from_butt_m == plain.centre_from_butt_m
    assert shell.weight_n == pytest.approx(plain.weight_n)
    assert words in " ".join(shell.warnings)


def test_decay_judged_by_eye_and_a_weighed_disc() -> None:
    sound = estimate(piece((2.0, 0.4), species="white oak", density_kg_per_m3=None))
    soft = estimate(
        piece((2.0, 0.4), species="white oak", density_kg_per_m3=None, decay_factor=0.6)
    )
    assert soft.weight_n == pytest.approx(0.6 * sound.weight_n)
    assert soft.density_parts["decay"] == pytest.approx(0.20)
    disc = estimate(piece((2.0, 0.4), density_rel_u=0.03))
    assert disc.density_parts == {"density": 0.03}


def test_the_band_of_the_weight_is_that_of_the_draws() -> None:
    given = piece((2.0, 0.3), brush_share=0.1)
    drawn = draw(given, np.random.default_rng(5), 40_000).weight_n
    low, high = estimate(given).weight_band_n
    assert float(np.quantile(drawn, 0.05)) == pytest.approx(low, rel=0.01)
    assert float(np.quantile(drawn, 0.95)) == pytest.approx(high, rel=0.01)


def test_a_single_diameter_off_the_middle_leaves_the_centre_open() -> None:
    assert estimate(piece((0.2, 0.3))).centre_u_m > 0.3
    assert estimate(piece((2.0, 0.3))).centre_u_m < 0.1


def test_draws_repeat_with_the_seed() -> None:
    first = draw(piece((2.0, 0.3)), np.random.default_rng(3), 5)
    again = draw(piece((2.0, 0.3)), np.random.default_rng(3), 5)
    np.testing.assert_array_equal(first.weight_n, again.weight_n)


def test_weight_scales_with_the_cube_of_size() -> None:
    small = estimate(piece((0.0, 0.3), (4.0, 0.2)))
    large = estimate(piece((0.0, 0.6), (8.0, 0.4), length=8.0))
    assert large.weight_n == pytest.approx(8.0 * small.weight_n)
    assert large.gyration_m == pytest.approx(2.0 * small.gyration_m)


@pytest.mark.parametrize(
    ("bad", "words"),
    [
        (piece((2.0, 0.3), length=math.nan), "piece 'P': length_m is nan"),
        (piece((2.0, 0.3), length=0.0), "length_m must be more than 0"),
        (piece((2.0, -0.3)), r"diameters\[0\].diameter_m is -0.3"),
        (piece((2.0, 0.0)), r"diameters\[0\].diameter_m must be more than 0"),
        (piece((5.0, 0.3)), "beyond the piece's end"),
        (piece((2.0, 0.3), (2.0, 0.2)), "two diameters at the same place"),
        (piece((2.0, 0.3), brush_share=0.95), "brush_share"),
        (piece((2.0, 0.3), cavity_ratio=1.0), "cavity_ratio"),
        (piece(), "diameters is missing"),
    ],
)
def test_unusable_numbers_are_named(bad: Piece, words: str) -> None:
    with pytest.raises(PredictionError, match=words):
        estimate(bad)


def test_results_are_frozen() -> None:
    found = estimate(piece((2.0, 0.3)))
    assert replace(found, rule="other").rule == "other"
    with pytest.raises(AttributeError):
        found.rule = "other"  # type: ignore[misc]
    assert shape_of(piece((2.0, 0.3))).rule == "huber"
