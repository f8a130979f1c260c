"""Density by species and condition, against published tables."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from analysis.errors import PredictionError
from analysis.predicting.density import density_of, green_density
from analysis.predicting.wood import find_species, relatives, table

DATA = Path(__file__).resolve().parents[2] / "data"
LB_PER_FT3 = 0.45359237 / 0.3048**3


def park_service_densities() -> dict[str, float]:
    with (DATA / "green_log_weights_nps.csv").open(encoding="utf-8", newline="") as lines:
        return {row["species"]: float(row["lb_per_ft3"]) for row in csv.DictReader(lines)}


@pytest.mark.parametrize(("gravity", "moisture", "expected"), [(0.50, 60, 800), (0.40, 12, 448)])
def test_density_formula(gravity: float, moisture: float, expected: float) -> None:
    # Source: Wood Handbook relation, worked values in references §2.
    assert green_density(gravity, moisture) == pytest.approx(expected)


@pytest.mark.parametrize(
    ("name", "park_name"),
    [
        ("American beech", "Beech"),
        ("red maple", "Maple, Red"),
        ("eastern hemlock", "Hemlock, Eastern"),
        ("white oak", "Oak, White"),
        ("northern red oak", "Oak, Red"),
        ("black walnut", "Walnut, Black"),
    ],
)
def test_density_agrees_with_park_service(name: str, park_name: str) -> None:
    # Source: US National Park Service green log weights, against Miles & Smith 2009.
    published = park_service_densities()[park_name] * LB_PER_FT3
    assert density_of(name).kg_per_m3 == pytest.approx(published, rel=0.035)


def test_the_known_outlier_is_still_one() -> None:
    # Source: references §2: yellow-poplar 609 (Park Service) against 780 kg/m³.
    assert park_service_densities()["Poplar, Yellow"] * LB_PER_FT3 == pytest.approx(609, abs=1)
    assert density_of("yellow-poplar").kg_per_m3 == pytest.approx(780, abs=1)


def test_the_table_has_every_row() -> None:
    assert len(table()) == 69
    assert len({species.latin for species in table()}) == 69
    assert sum(species.softwood for species in table()) == 29


@pytest.mark.parametrize(
    "name", ["white oak", "WHITE OAK", "Quercus alba", "quercus  ALBA", "white-oak"]
)
def test_names_in_any_spelling(name: str) -> None:
    found = find_species(name)
    assert found is not None
    assert found.common == "white oak"


@pytest.mark.parametrize(
    ("name", "meant"),
    [
        ("Norway mapel", "Norway maple"),
        ("grand fur", "grand fir"),
        ("whit oak", "white oak"),
        ("Quercus alab", "white oak"),
    ],
)
def test_a_slip_of_the_pen_is_an_error_that_suggests(name: str, meant: str) -> None:
    with pytest.raises(PredictionError, match=f"did you mean '{meant}'"):
        density_of(name)


def test_an_unlisted_oak_takes_its_relatives_and_says_so() -> None:
    density = density_of("Quercus robur")
    assert 990 < density.kg_per_m3 < 1100
    assert "not listed" in density.warnings[0]
    assert density.rel_u > density_of("white oak").rel_u


@pytest.mark.parametrize(
    ("name", "group"),
    [
        ("hornbeam", "hardwoods and softwoods"),
        ("", "hardwoods and softwoods"),
        ("yew", "softwoods"),
        ("any softwood", "softwoods"),
        ("some hardwood", "hardwoods"),
    ],
)
def test_unknown_species_take_a_range_and_say_so(name: str, group: str) -> None:
    density = density_of(name)
    assert f"listed {group}" in density.warnings[0]
    assert density.rel_u > 0.15


def test_a_kind_of_tree_takes_its_listed_species() -> None:
    assert [species.common for species in relatives("red oak")] == [
        "southern red oak",
        "northern red oak",
    ]
    assert {species.latin.split()[0] for species in relatives("English elm")} == {"Ulmus"}


def test_relatives_of_nothing() -> None:
    assert relatives("—") == ()


def test_own_density_counts_whatever_the_condition() -> None:
    density = density_of("no such tree", "decayed", 640.0)
    assert density.kg_per_m3 == 640.0
    assert density.warnings == ()


@pytest.mark.parametrize("value", [0.0, -5.0, float("nan")])
def test_own_density_must_be_one(value: float) -> None:
    with pytest.raises(PredictionError, match="density_kg_per_m3"):
        density_of("white oak", "green", value)


@pytest.mark.parametrize("species", ["white oak", "hornbeam"])
def test_dead_and_decayed_are_lighter_and_wider(species: str) -> None:
    green = density_of(species)
    for condition in ("standing_dead", "decayed"):
        other = density_of(species, condition)
        assert other.kg_per_m3 < green.kg_per_m3
        assert other.rel_u > green.rel_u
        assert any("wide range" in warning for warning in other.warnings)


def test_heart_and_sap_moisture_widen_a_conifer() -> None:
    fir = find_species("Douglas-fir")
    assert fir is not None
    assert fir.moisture_u_pct == pytest.approx(0.6 / 12**0.5 * (115 - 37))
