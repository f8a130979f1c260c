"""One rule for the digits of a value and its uncertainty, in every unit."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.units import UNITS, ForceUnit, format_force, from_si, uncertainty_decimals

UNIT_NAMES: list[ForceUnit] = ["N", "kN", "kgf", "lbf"]
LEAST = {"N": 0, "kN": 2, "kgf": 0, "lbf": 0}
WITH_U = re.compile(r"^-?\d+(?:\.(\d+))? ± (\d+(?:\.(\d+))?) (\w+)$")
SMALLEST_N = 1e-6

forces = st.floats(-1e5, 1e5)
uncertainties = st.floats(SMALLEST_N, 1e5)
units = st.sampled_from(UNIT_NAMES)


@given(forces, uncertainties, units)
def test_an_uncertainty_shows_a_digit_and_the_value_as_many_decimals(
    force_n: float, u_n: float, unit: ForceUnit
) -> None:
    shown = WITH_U.match(format_force(force_n, unit, u_n=u_n))
    assert shown is not None
    of_value, text, of_u, name = shown.groups()
    assert name == unit
    decimals = len(of_u or "")
    assert len(of_value or "") == decimals
    assert decimals >= LEAST[unit]
    u, printed = from_si(u_n, "force", unit), float(text)
    assert printed > 0.0
    starts_with_one = f"{u:.1e}".startswith("1")
    tolerance = 0.05 if starts_with_one else 0.25
    assert abs(printed - u) <= tolerance * u * (1 + 1e-9)
    significant = len(text.replace(".", "").lstrip("0"))
    if decimals > LEAST[unit]:
        assert significant == (2 if starts_with_one else 1) or f"{u:.0e}".startswith("1e")


@given(forces, uncertainties, units)
def test_the_value_is_rounded_and_no_more(force_n: float, u_n: float, unit: ForceUnit) -> None:
    text = format_force(force_n, unit, u_n=u_n).partition(" ±")[0]
    half_step = 0.5 * 10.0 ** -len(text.partition(".")[2])
    away = abs(float(text) - force_n / UNITS["force"][unit])
    assert away <= half_step * (1 + 1e-6) + 1e-9
    assert not re.fullmatch(r"-0(\.0+)?", text)


@pytest.mark.parametrize(
    ("u_n", "text"),
    [
        (0.4, "0.7669 ± 0.0004 kN"),
        (1.39, "0.7669 ± 0.0014 kN"),
        (1.96, "0.767 ± 0.002 kN"),
        (4.0, "0.767 ± 0.004 kN"),
        (9.6, "0.77 ± 0.01 kN"),
        (14.0, "0.767 ± 0.014 kN"),
        (25.1, "0.77 ± 0.03 kN"),
        (130.0, "0.77 ± 0.13 kN"),
        (1300.0, "0.77 ± 1.30 kN"),
    ],
)
def test_digits_by_hand(u_n: float, text: str) -> None:
    assert format_force(766.87, "kN", u_n=u_n) == text


def test_no_uncertainty_or_none_to_speak_of_prints_the_value_alone() -> None:
    assert format_force(766.87, "kN") == format_force(766.87, "kN", u_n=0.0) == "0.77 kN"
    assert format_force(766.87, "N", u_n=1.39) == "766.9 ± 1.4 N"
    assert format_force(766.87, "N", u_n=float("inf")) == "767 ± inf N"


def test_decimals_never_fall_below_the_least() -> None:
    assert [uncertainty_decimals(u, 2) for u in (5000.0, 0.0, float("nan"))] == [2, 2, 2]
    assert uncertainty_decimals(5000.0) == 0
