"""What would narrow a piece's weight: each measurement tried, by estimating again with it.

Comes in: a piece. Goes out: the measurements that are left to take, the most useful first.
Must not: invent a value; a measurement is taken to confirm what is estimated, so that only
the uncertainty changes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Any, Final

import msgspec

from analysis.predicting.piece import estimate
from analysis.predicting.volume import profile_at
from analysis.predicting.wood import find_species
from logger.records import Diameter, Piece

DISC_REL_U: Final = 0.04
"""Own assumption: how well one weighed disc stands for the wood of a whole piece."""

LEAST_GAIN: Final = 0.03
"""Less than this part off the ± is not worth a climb."""

_NEAR: Final = 0.1
_SAPWOOD_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True)
class Narrowing:
    """One measurement and what it would do.

    Parameters
    ----------
    key : str
        Name for programs.
    measure : str
        What to do, for people.
    weight_u_n : float
        Expanded uncertainty (k = 2) of the weight with it, at the weight now estimated.
    ratio : float
        That over the expanded uncertainty now.
    """

    key: str
    measure: str
    weight_u_n: float
    ratio: float

    @property
    def effect(self) -> str:
        """What it does to the ±, in words.

        Examples
        --------
        >>> [Narrowing("", "", 1.0, r).effect for r in (0.3, 0.5, 0.62, 0.9)]
        ['takes 70 % off the ±', 'halves the ±', 'takes a third off the ±', 'takes 10 % off the ±']
        """
        if 0.46 <= self.ratio <= 0.54:
            return "halves the ±"
        if 0.62 <= self.ratio <= 0.70:
            return "takes a third off the ±"
        return f"takes {100 * (1 - self.ratio):.0f} % off the ±"

    def to_dict(self) -> dict[str, Any]:
        """Give plain values, SI."""
        return {**asdict(self), "effect": self.effect}


def narrowings(piece: Piece) -> tuple[Narrowing, ...]:
    """Try each measurement that is left, by estimating again with it.

    Parameters
    ----------
    piece : Piece
        As measured so far.

    Returns
    -------
    tuple of Narrowing
        The most useful first; those that take less than 3 % off the ± are left out.

    Raises
    ------
    PredictionError
        The piece cannot be estimated.

    Examples
    --------
    >>> butt = Piece(name="P", rig="R", length_m=4.0, density_kg_per_m3=900.0, density_rel_u=0.04,
    ...              diameters=(Diameter(at_m=0.0, diameter_m=0.4),))
    >>> best = narrowings(butt)[0]
    >>> best.measure, best.effect
    ('measure the diameter at the tip', 'takes 65 % off the ±')
    """
    now = estimate(piece)
    found = []
    for key, measure, tried in candidates(piece):
        ratio = estimate(tried).rel_u / now.rel_u
        if ratio <= 1.0 - LEAST_GAIN:
            found.append(Narrowing(key, measure, ratio * now.weight_u_n, ratio))
    return tuple(sorted(found, key=lambda one: (round(one.ratio, 9), one.key)))


def candidates(piece: Piece) -> Iterator[tuple[str, str, Piece]]:
    """Give each measurement that is left: its key, its words, the piece with it taken."""
    yield from _diameters(piece)
    yield from _of_the_wood(piece)
    if piece.brush_share > 0:
        stripped = msgspec.structs.replace(piece, brush_share=0.0)
        yield "brush", "take the brush off first", stripped


def _diameters(piece: Piece) -> Iterator[tuple[str, str, Piece]]:
    for key, name, share in (("mid", "middle", 0.5), ("butt", "butt", 0.0), ("tip", "tip", 1.0)):
        at_m = share * piece.length_m
        if any(abs(d.at_m - at_m) <= _NEAR * piece.length_m for d in piece.diameters):
            continue
        taken = Diameter(at_m=at_m, diameter_m=profile_at(piece, at_m))
        tried = msgspec.structs.replace(piece, diameters=(*piece.diameters, taken))
        yield f"diameter_{key}", f"measure the diameter at the {name}", tried


def _of_the_wood(piece: Piece) -> Iterator[tuple[str, str, Piece]]:
    now = estimate(piece)
    if piece.density_rel_u is None:
        weighed = msgspec.structs.replace(
            piece, density_kg_per_m3=now.density_kg_per_m3, density_rel_u=DISC_REL_U
        )
        yield "disc", "weigh a disc of its wood and measure its volume", weighed
    if piece.density_kg_per_m3 is not None or piece.sapwood_m is not None:
        return
    species = find_species(piece.species) if piece.species else None
    if species is not None and species.heart_pct is not None and species.sap_pct is not None:
        yield "sapwood", "measure the sapwood's thickness", _with_sapwood(piece)


def _with_sapwood(piece: Piece) -> Piece:
    """Half of the piece as sapwood, since nobody has looked yet."""
    across_m = max(d.across_m for d in piece.diameters)
    shell_m = across_m * (1.0 - math.sqrt(1.0 - _SAPWOOD_SHARE)) / 2.0
    return msgspec.structs.replace(piece, sapwood_m=shell_m)
