"""One table of exact unit constants, and parsing and printing with it.

Comes in: text such as ``"12 kN"`` or SI numbers. Goes out: SI floats, or text in the
user's unit. Must not: guess a unit that was not given.

References
----------
Exact definitions: international yard and pound agreement of 1959 (ft, in, lb), standard
gravity 9.80665 m/s² (3rd CGPM, 1901), from which kgf and lbf follow.
"""

from __future__ import annotations

import math
import re
from typing import Final, Literal

from logger.errors import UnitError

STANDARD_GRAVITY_M_PER_S2: Final = 9.80665

Dimension = Literal["force", "length", "mass", "angle", "time", "speed", "stiffness", "density"]
ForceUnit = Literal["N", "kN", "kgf", "lbf"]
LengthUnit = Literal["m", "cm", "mm", "ft", "in"]

_POUND_KG: Final = 0.45359237
_FOOT_M: Final = 0.3048

UNITS: Final[dict[Dimension, dict[str, float]]] = {
    "force": {
        "N": 1.0,
        "kN": 1000.0,
        "kgf": STANDARD_GRAVITY_M_PER_S2,
        "lbf": _POUND_KG * STANDARD_GRAVITY_M_PER_S2,
    },
    "length": {"m": 1.0, "cm": 0.01, "mm": 0.001, "ft": _FOOT_M, "in": _FOOT_M / 12.0},
    "mass": {"kg": 1.0, "t": 1000.0, "lb": _POUND_KG},
    "angle": {"rad": 1.0, "deg": math.pi / 180.0, "°": math.pi / 180.0},
    "time": {"s": 1.0, "ms": 0.001, "us": 1e-6, "min": 60.0},
    "speed": {"m/s": 1.0, "ft/s": _FOOT_M},
    "stiffness": {"N/m": 1.0, "kN/m": 1000.0},
    "density": {"kg/m3": 1.0, "lb/ft3": _POUND_KG / _FOOT_M**3},
}

SUFFIXES: Final[dict[str, Dimension]] = {
    "_n_per_m": "stiffness",
    "_kg_per_m3": "density",
    "_m_per_s": "speed",
    "_rad": "angle",
    "_kg": "mass",
    "_m": "length",
    "_n": "force",
    "_s": "time",
}
"""Ending of a field's name -> its dimension, longest first."""

_QUANTITY: Final = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(\S+)\s*$")


def parse(text: str, dimension: Dimension) -> float:
    """Read ``"12 kN"`` as SI.

    Parameters
    ----------
    text : str
        Number and unit.
    dimension : str
        Which kind of quantity is wanted.

    Returns
    -------
    float
        Value in the SI unit of the dimension.

    Raises
    ------
    UnitError
        No number, no unit, or a unit of another kind.

    Examples
    --------
    >>> parse("12 kN", "force")
    12000.0
    >>> round(parse("1 lbf", "force"), 10)
    4.4482216153
    """
    units = UNITS[dimension]
    known = ", ".join(units)
    match = _QUANTITY.match(text)
    if match is None:
        msg = f"{text!r} is not a number with a unit of {dimension}; write for example '3 {next(iter(units))}' (units: {known})"
        raise UnitError(msg)
    factor = units.get(match.group(2))
    if factor is None:
        msg = f"{text!r}: {match.group(2)!r} is not a unit of {dimension}; use one of {known}"
        raise UnitError(msg)
    return float(match.group(1)) * factor


def dimension_of(name: str) -> Dimension | None:
    """Dimension that a field's name ends in, None when it has no unit suffix.

    Examples
    --------
    >>> dimension_of("tie_above_block_m"), dimension_of("species")
    ('length', None)
    """
    for suffix, dimension in SUFFIXES.items():
        if name.endswith(suffix):
            return dimension
    return None


def from_si(value: float, dimension: Dimension, unit: str) -> float:
    """Convert an SI value into ``unit``.

    Raises
    ------
    UnitError
        The unit does not belong to the dimension.

    Examples
    --------
    >>> from_si(9.80665, "force", "kgf")
    1.0
    """
    factor = UNITS[dimension].get(unit)
    if factor is None:
        msg = f"{unit!r} is not a unit of {dimension}; use one of {', '.join(UNITS[dimension])}"
        raise UnitError(msg)
    return value / factor


_FORCE_DECIMALS: Final[dict[str, int]] = {"N": 0, "kN": 2, "kgf": 0, "lbf": 0}
_LENGTH_DECIMALS: Final[dict[str, int]] = {"m": 2, "cm": 0, "mm": 0, "ft": 1, "in": 1}


def uncertainty_decimals(u: float, least: int = 0) -> int:
    """Decimals that an uncertainty needs: one significant digit, two when it starts with 1.

    Parameters
    ----------
    u : float
        Expanded uncertainty, in the unit that is printed.
    least : int
        Never fewer decimals than this; trailing zeros say how fine the value is.

    Returns
    -------
    int
        ``least`` when u is 0 or not finite.

    Notes
    -----
    GUM (JCGM 100:2008) 7.2.6: at most two significant digits; one that starts with 1 would
    lose up to half of itself if it kept but one.

    Examples
    --------
    >>> [uncertainty_decimals(u, 2) for u in (0.25, 0.09, 0.004, 0.0013, 0.0096, 0.0)]
    [2, 2, 3, 4, 2, 2]
    """
    if not math.isfinite(u) or u <= 0.0:
        return least
    first, _, exponent = f"{u:.1e}".partition("e")
    if first.startswith("1"):
        return max(1 - int(exponent), least)
    return max(-int(f"{u:.0e}".partition("e")[2]), least)


def format_force(force_n: float, unit: ForceUnit = "kN", *, u_n: float | None = None) -> str:
    """Force in the user's unit, with its expanded uncertainty when given.

    The uncertainty decides the decimals of both (:func:`uncertainty_decimals`); one of 0
    says nothing and is left out.

    Examples
    --------
    >>> format_force(4512.0), format_force(4512.0, "kN", u_n=90.0)
    ('4.51 kN', '4.51 ± 0.09 kN')
    >>> format_force(766.87, "kN", u_n=1.39)
    '0.7669 ± 0.0014 kN'
    """
    digits, value = _FORCE_DECIMALS[unit], from_si(force_n, "force", unit)
    if u_n is None or u_n == 0.0:
        return f"{value:z.{digits}f} {unit}"
    u = from_si(u_n, "force", unit)
    digits = uncertainty_decimals(u, digits)
    return f"{value:z.{digits}f} ± {u:.{digits}f} {unit}"


def format_stiffness(ea_n: float, unit: ForceUnit = "kN") -> str:
    """Stiffness of a rope (force at a strain of one) in the user's unit: three digits, no more.

    Examples
    --------
    >>> [format_stiffness(ea, "kN") for ea in (118_790.0, 63_980.0, 1_234_567.0)]
    ['119 kN', '64.0 kN', '1230 kN']
    >>> format_stiffness(118_790.0, "lbf")
    '26700 lbf'
    """
    value = float(f"{from_si(ea_n, 'force', unit):.3g}")
    return f"{value:.0f} {unit}" if abs(value) >= 100.0 else f"{value:#.3g} {unit}"


def format_length(length_m: float, unit: LengthUnit = "m") -> str:
    """Length in the user's unit.

    Examples
    --------
    >>> format_length(3.048, "ft")
    '10.0 ft'
    """
    return f"{from_si(length_m, 'length', unit):.{_LENGTH_DECIMALS[unit]}f} {unit}"


def format_seconds(time_s: float) -> str:
    """Short time to two digits, in milliseconds below a second.

    Examples
    --------
    >>> format_seconds(0.0021), format_seconds(0.176), format_seconds(10.02)
    ('2.1 ms', '180 ms', '10 s')
    """
    value, unit = (time_s, "s") if time_s >= 1.0 else (time_s * 1e3, "ms")
    return f"{float(f'{value:.2g}'):g} {unit}"


def counted(n: int, noun: str) -> str:
    """Give number and noun.

    Examples
    --------
    >>> counted(1, "lowering"), counted(2, "lowering")
    ('1 lowering', '2 lowerings')
    """
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"
