"""Weight, centre of mass and radius of gyration of a piece, each with its uncertainty.

Comes in: a piece as measured before the cut. Goes out: a :class:`PieceEstimate` (first
order) and :class:`PieceDraws` (sampled), which agree. Must not: know about ropes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from analysis.errors import PredictionError
from analysis.predicting.density import Density, density_of
from analysis.predicting.inputs import check_numbers, missing, name_of
from analysis.predicting.volume import Body, Shape, body_of, shape_of, smalian_m3
from analysis.predicting.wood import find_species
from logger.records import Piece
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

FloatArray = NDArray[np.float64]

P95: Final = 1.6449
"""Standard deviations from the middle of a normal to its 95 % quantile."""

TAPE_DIAMETER_U_M: Final = 0.003
"""Standard uncertainty of one taped diameter, independent at each station."""

BARK_OVALITY_REL_U: Final = 0.01
"""Own assumption: bark and out-of-round, the same at every station."""

TAPE_LENGTH_U_M: Final = 0.02
TAPE_LENGTH_REL_U: Final = 0.005

BRUSH_REL_U: Final = 0.3
"""Own assumption: standard uncertainty of the brush share, relative to itself."""

BRUSH_CENTRE_SHARE: Final = 0.75
BRUSH_CENTRE_U_SHARE: Final = 0.08
"""Own assumption: brush spreads over the outer half, centred at 3/4 of the length."""

TAPER_CENTRE_U_SHARE: Final = 0.04
"""Own assumption: standard uncertainty of the centre of mass, as a part of the length, where
one diameter away from the middle leaves the taper unknown."""

CAVITY_U: Final = 0.1
"""Own assumption: standard uncertainty of a stated cavity ratio."""


@dataclass(frozen=True, slots=True)
class PieceEstimate:
    """A piece's weight and where it acts.

    Parameters
    ----------
    piece : Piece
        As measured.
    weight_n : float
        Expected weight with brush.
    weight_u_n : float
        Expanded uncertainty, k = 2, first order.
    parts : dict of str to float
        Relative standard uncertainty of the weight by input.
    density_parts : dict of str to float
        What that of the density is made of.
    mass_kg, volume_m3, density_kg_per_m3 : float
        Mass with brush; over-bark volume of the wood less its cavity; density of the wood.
    centre_from_butt_m : float
        Centre of mass, from the butt end.
    gyration_m : float
        Radius of gyration about the centre of mass.
    rule : str
        How the volume was computed.
    basis, warnings : tuple of str
        For people to read.
    """

    piece: Piece
    weight_n: float
    weight_u_n: float
    parts: dict[str, float]
    mass_kg: float
    volume_m3: float
    density_kg_per_m3: float
    centre_from_butt_m: float
    gyration_m: float
    rule: str
    basis: tuple[str, ...]
    warnings: tuple[str, ...]
    density_parts: dict[str, float] = field(default_factory=dict)

    @property
    def rel_u(self) -> float:
        """Relative standard uncertainty of the weight."""
        return self.weight_u_n / (2.0 * self.weight_n)

    def to_dict(self) -> dict[str, Any]:
        """Give plain values, SI."""
        return {
            "weight_n": self.weight_n,
            "weight_u_n": self.weight_u_n,
            "rel_u_by_input": dict(self.parts),
            "mass_kg": self.mass_kg,
            "volume_m3": self.volume_m3,
            "density_kg_per_m3": self.density_kg_per_m3,
            "centre_from_butt_m": self.centre_from_butt_m,
            "centre_u_m": self.centre_u_m,
            "gyration_m": self.gyration_m,
            "rule": self.rule,
        }

    @property
    def centre_u_m(self) -> float:
        """Expanded uncertainty of the centre of mass, k = 2, from sampled draws."""
        return _centre_u_m(self.piece)

    @property
    def weight_band_n(self) -> tuple[float, float]:
        """Weight that 5 % and 95 % of such pieces stay below: a log-normal of that mean and U."""
        spread = math.sqrt(math.log1p(self.rel_u**2))
        middle = self.weight_n / math.sqrt(1.0 + self.rel_u**2)
        return middle * math.exp(-P95 * spread), middle * math.exp(P95 * spread)


@dataclass(frozen=True, slots=True, eq=False)
class PieceDraws:
    """Sampled pieces: weight (newtons), centre from the butt, radius of gyration; (n,) each."""

    weight_n: FloatArray
    centre_from_butt_m: FloatArray
    gyration_m: FloatArray


def _check(piece: Piece) -> None:
    check_numbers(piece)
    who = name_of(piece)
    if piece.length_m <= 0:
        raise PredictionError(f"{who}: length_m must be more than 0")
    if not piece.diameters:
        raise missing(piece, "diameters", "write at least one, with its distance from the butt")
    for i, d in enumerate(piece.diameters):
        if d.across_m <= 0:
            raise PredictionError(f"{who}: diameters[{i}].diameter_m must be more than 0")
        if d.at_m > piece.length_m * (1 + 1e-9):
            raise PredictionError(
                f"{who}: diameters[{i}].at_m: {d.at_m:g} m lies beyond the piece's end at "
                f"{piece.length_m:g} m; distances are from the butt"
            )
    if len({d.at_m for d in piece.diameters}) < len(piece.diameters):
        raise PredictionError(f"{who}: two diameters at the same place; keep one")
    if piece.brush_share > 0.9:
        raise PredictionError(f"{who}: brush_share: write a share of the whole weight, 0 to 0.9")
    if piece.cavity_ratio >= 1:
        raise PredictionError(f"{who}: cavity_ratio: write cavity over outer diameter, below 1")


def _with_brush(
    body: Body, length: FloatArray, brush: FloatArray, centre: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Centre of mass and radius of gyration of wood and brush together."""
    wood_x = body.first_m4 / body.volume_m3
    wood_square = body.second_m5 / body.volume_m3
    brush_x = np.maximum(centre * length, wood_x)
    brush_square = brush_x**2 + (length / 2.0) ** 2 / 12.0
    x = (1.0 - brush) * wood_x + brush * brush_x
    square = (1.0 - brush) * wood_square + brush * brush_square
    return x, np.sqrt(np.maximum(square - x**2, 0.0))


def _length_rel_u(length_m: float) -> float:
    return math.hypot(TAPE_LENGTH_U_M / length_m, TAPE_LENGTH_REL_U)


def _tape_rel_u(shape: Shape) -> float:
    """Relative uncertainty of the volume from independent tape errors, by differences."""
    k = shape.at_m.size
    moved = shape.diameter_m + TAPE_DIAMETER_U_M * np.eye(k + 1, k, -1)
    volume = body_of(shape, moved, np.ones(k + 1)).volume_m3
    shifts = volume[1:] / volume[0] - 1.0
    return float(np.sqrt(np.sum(shifts**2)))


def _heart(piece: Piece, diameter: FloatArray) -> FloatArray:
    """Diameters of the heartwood under the measured shell of sapwood."""
    return np.maximum(diameter - 2.0 * (piece.sapwood_m or 0.0), 0.0)


def _density(piece: Piece, shape: Shape) -> Density:
    """Find the density of the piece's wood, with what was measured of sapwood and decay."""
    sap_share = None
    if piece.sapwood_m is not None:
        outer = shape.diameter_m[None, :]
        heart, whole = (
            body_of(shape, d, np.ones(1)).volume_m3[0] for d in (_heart(piece, outer), outer)
        )
        sap_share = float(1.0 - heart / whole)
    return density_of(
        piece.species,
        piece.condition,
        piece.density_kg_per_m3,
        user_rel_u=piece.density_rel_u,
        sap_share=sap_share,
        decay_factor=piece.decay_factor,
    )


def _balanced(piece: Piece, shape: Shape, diameter: FloatArray, stretch: FloatArray) -> Body:
    """Volume and moments, the moments weighted where the sapwood weighs more.

    Thin ends have the larger part of sapwood, which moves the centre of mass outward.
    """
    body = body_of(shape, diameter, stretch)
    ratio = sapwood_ratio(piece) if piece.sapwood_m is not None else None
    if ratio is None:
        return body
    heart = body_of(shape, _heart(piece, diameter), stretch)
    mass = ratio * body.volume_m3 - (ratio - 1.0) * heart.volume_m3
    scale = body.volume_m3 / mass
    return Body(
        body.volume_m3,
        scale * (ratio * body.first_m4 - (ratio - 1.0) * heart.first_m4),
        scale * (ratio * body.second_m5 - (ratio - 1.0) * heart.second_m5),
    )


def sapwood_ratio(piece: Piece) -> float | None:
    """Density of sapwood over that of heartwood, None where it is not published or not used."""
    if piece.density_kg_per_m3 is not None or piece.condition == "standing_dead":
        return None
    species = find_species(piece.species) if piece.species else None
    if species is None or species.heart_pct is None or species.sap_pct is None:
        return None
    return (100.0 + species.sap_pct) / (100.0 + species.heart_pct)


def _parts(piece: Piece, shape: Shape, density: Density) -> dict[str, float]:
    parts = {
        "density": density.rel_u,
        "diameters": math.hypot(_tape_rel_u(shape), 2.0 * BARK_OVALITY_REL_U),
        "length": _length_rel_u(shape.length_m),
        "form": shape.form_rel_u,
    }
    if piece.brush_share > 0:
        parts["brush"] = BRUSH_REL_U * piece.brush_share / (1.0 - piece.brush_share)
    if piece.cavity_ratio > 0:
        ratio = piece.cavity_ratio
        parts["cavity"] = 2.0 * ratio * CAVITY_U / (1.0 - ratio**2)
    return parts


def lognormal(rng: np.random.Generator, rel_u: float, n: int) -> FloatArray:
    """Draw positive factors of mean 1 and relative standard deviation ``rel_u``."""
    sigma = math.sqrt(math.log1p(rel_u**2))
    return np.exp(sigma * rng.standard_normal(n) - sigma**2 / 2.0)


def draw(piece: Piece, rng: np.random.Generator, n: int) -> PieceDraws:
    """Sample pieces within the uncertainties of their inputs.

    Parameters
    ----------
    piece : Piece
        As measured.
    rng : numpy.random.Generator
        Source of randomness; the same state gives the same draws.
    n : int
        Number of draws.

    Returns
    -------
    PieceDraws

    Raises
    ------
    PredictionError
        A value that is not usable, or a misspelt species.
    """
    _check(piece)
    shape = shape_of(piece)
    density = _density(piece, shape)
    return _draw(piece, shape, density, rng, n)


def _draw(
    piece: Piece, shape: Shape, density: Density, rng: np.random.Generator, n: int
) -> PieceDraws:
    factor = lognormal(rng, density.rel_u, n) * lognormal(rng, shape.form_rel_u, n)
    stretch = lognormal(rng, _length_rel_u(shape.length_m), n)
    k = shape.at_m.size
    common = 1.0 + BARK_OVALITY_REL_U * rng.standard_normal(n)
    noise = TAPE_DIAMETER_U_M * rng.standard_normal((n, k))
    diameter = np.maximum(shape.diameter_m * common[:, None] + noise, 0.1 * shape.diameter_m)
    body = _balanced(piece, shape, diameter, stretch)
    brush = piece.brush_share * (1.0 + BRUSH_REL_U * rng.standard_normal(n))
    brush = np.clip(brush, 0.0, 0.95)
    centre = BRUSH_CENTRE_SHARE + BRUSH_CENTRE_U_SHARE * rng.standard_normal(n)
    cavity = np.full(n, piece.cavity_ratio)
    if piece.cavity_ratio > 0:
        cavity = np.clip(cavity + CAVITY_U * rng.standard_normal(n), 0.0, 0.98)
    wood_kg = density.kg_per_m3 * factor * body.volume_m3 * (1.0 - cavity**2)
    x, gyration = _with_brush(body, shape.length_m * stretch, brush, np.clip(centre, 0.0, 1.0))
    if shape.rule == "cylinder":
        x = x + TAPER_CENTRE_U_SHARE * shape.length_m * rng.standard_normal(n)
    return PieceDraws(G_M_PER_S2 * wood_kg / (1.0 - brush), x, gyration)


def _beside(shape: Shape) -> str:
    """Say what Smalian's rule makes of the two ends, where only those were measured."""
    ends = shape.at_m.size == 2 and shape.at_m[0] == 0.0 and shape.at_m[1] == shape.length_m
    if not ends:
        return ""
    volume = smalian_m3(float(shape.diameter_m[0]), float(shape.diameter_m[1]), shape.length_m)
    return f" (Smalian's mean of the end areas: {volume:.3f} m³, with any cavity)"


@lru_cache(maxsize=512)
def _centre_u_m(piece: Piece) -> float:
    sampled = draw(piece, np.random.default_rng(0), 500)
    return 2.0 * float(np.std(sampled.centre_from_butt_m))


@lru_cache(maxsize=512)
def estimate(piece: Piece) -> PieceEstimate:
    """Weight ± U (k = 2), centre of mass and radius of gyration of a piece.

    Parameters
    ----------
    piece : Piece
        As measured before the cut.

    Returns
    -------
    PieceEstimate

    Raises
    ------
    PredictionError
        A value that is not usable, or a misspelt species.

    Examples
    --------
    >>> from logger.records import Diameter
    >>> log = Piece(name="P", length_m=5.0, rig="R", density_kg_per_m3=800.0,
    ...             diameters=(Diameter(at_m=2.5, diameter_m=0.27),))
    >>> round(estimate(log).weight_n), round(estimate(log).weight_u_n)
    (2246, 489)
    """
    _check(piece)
    shape = shape_of(piece)
    density = _density(piece, shape)
    body = _balanced(piece, shape, shape.diameter_m[None, :], np.ones(1))
    volume = float(body.volume_m3[0]) * (1.0 - piece.cavity_ratio**2)
    mass = density.kg_per_m3 * volume / (1.0 - piece.brush_share)
    x, gyration = _with_brush(
        body,
        np.array([shape.length_m]),
        np.array([piece.brush_share]),
        np.array([BRUSH_CENTRE_SHARE]),
    )
    parts = _parts(piece, shape, density)
    rel_u = math.sqrt(math.fsum(part**2 for part in parts.values()))
    return PieceEstimate(
        piece=piece,
        weight_n=G_M_PER_S2 * mass,
        weight_u_n=2.0 * rel_u * G_M_PER_S2 * mass,
        parts=parts,
        mass_kg=mass,
        volume_m3=volume,
        density_kg_per_m3=density.kg_per_m3,
        centre_from_butt_m=float(x[0]),
        gyration_m=float(gyration[0]),
        rule=shape.rule,
        basis=(density.basis, f"volume: {shape.rule}{_beside(shape)}"),
        warnings=(*density.warnings, *shape.warnings),
        density_parts=dict(density.parts),
    )
