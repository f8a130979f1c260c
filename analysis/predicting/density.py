"""Density of the wood of a piece, with its uncertainty, from species and condition.

Comes in: a species name as a person wrote it, a condition, perhaps a density of their own.
Goes out: a :class:`Density` with where it came from and what to warn of. Must not: know
about pieces, or hide that a species is not listed.

References
----------
A coefficient of variation of 10 % for specific gravity is the Wood Handbook's figure
(FPL-GTR-282); the table of species is in ``wood``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import numpy as np

from analysis.errors import PredictionError
from analysis.predicting.wood import (
    CONIFER_WORDS,
    MOISTURE_CV,
    Species,
    find_species,
    relatives,
    table,
    words_of,
)
from logger.records import Condition

GRAVITY_CV: Final = 0.10
"""Coefficient of variation of specific gravity within a species (Wood Handbook)."""

DEAD_MOISTURE_PCT: Final = 40.0
DEAD_MOISTURE_U_PCT: Final = 20.0
"""Own assumption, wide: moisture of standing dead wood that has shed bark and water."""

DECAY_FACTOR: Final = 0.75
DECAY_REL_U: Final = 0.30
"""Own assumption, wide: density left in decayed wood (mass lost, but often wet)."""

JUDGED_DECAY_REL_U: Final = 0.20
"""Own assumption: relative standard uncertainty of a decay factor that somebody judged."""

SAP_SHARE_U: Final = 0.1
"""Own assumption: standard uncertainty of the sapwood's part when its thickness was measured."""


@dataclass(frozen=True, slots=True)
class Density:
    """Density of a piece's wood.

    Parameters
    ----------
    kg_per_m3 : float
        Expected value.
    parts : dict of str to float
        Relative standard uncertainty by input.
    basis : str
        Where the value came from, for people to read.
    warnings : tuple of str
        What to say beside any number that uses it.
    """

    kg_per_m3: float
    parts: dict[str, float]
    basis: str
    warnings: tuple[str, ...] = ()

    @property
    def rel_u(self) -> float:
        """Combined relative standard uncertainty."""
        return math.sqrt(math.fsum(part**2 for part in self.parts.values()))


def green_density(gravity: float, moisture_pct: float) -> float:
    """Density of green wood, 1000 · G · (1 + MC/100).

    Parameters
    ----------
    gravity : float
        Oven-dry mass over green volume.
    moisture_pct : float
        Moisture, per cent of dry mass.

    Returns
    -------
    float
        kg/m³.

    Examples
    --------
    >>> green_density(0.50, 60.0)
    800.0
    """
    return 1000.0 * gravity * (1.0 + moisture_pct / 100.0)


def _of_group(group: tuple[Species, ...]) -> tuple[float, float]:
    values = np.array([green_density(s.gravity, s.moisture_pct) for s in group])
    return float(values.mean()), float(values.std() / values.mean())


@cache
def _unlisted(name: str) -> Density:
    own = {"species": GRAVITY_CV, "moisture": 0.06}
    kin = relatives(name)
    if kin:
        mean, spread = _of_group(kin)
        listed = ", ".join(s.common for s in kin[:4]) + (", …" if len(kin) > 4 else "")
        warning = (
            f"species {name!r} is not listed: density of its listed relatives; "
            "one weighed disc and density_kg_per_m3 would narrow it"
        )
        return Density(
            mean,
            {**own, "group": max(spread, 0.08)},
            f"mean green density of {len(kin)} listed relative(s) of {name!r} ({listed})",
            (warning,),
        )
    words = words_of(name)
    if any(word in CONIFER_WORDS for word in words):
        kind, group = "softwoods", tuple(s for s in table() if s.softwood)
    elif "hardwood" in words:
        kind, group = "hardwoods", tuple(s for s in table() if not s.softwood)
    else:
        kind, group = "hardwoods and softwoods", table()
    mean, spread = _of_group(group)
    said = f"species {name!r} is not listed" if name else "no species given"
    return Density(
        mean,
        {**own, "group": spread},
        f"range of {len(group)} listed {kind}",
        (f"{said}: the range of all listed {kind} is used; give density_kg_per_m3 to narrow it",),
    )


def _of_species(species: Species, sap_share: float | None) -> Density:
    heart, sap = species.heart_pct, species.sap_pct
    moisture, u_pct = species.moisture_pct, species.moisture_u_pct
    basis = f"{species.common} ({species.latin}), green, wood table"
    if sap_share is not None and heart is not None and sap is not None:
        moisture = heart + sap_share * (sap - heart)
        u_pct = math.hypot(MOISTURE_CV * moisture, SAP_SHARE_U * (sap - heart))
        basis += f", {100 * sap_share:.0f} % of it sapwood"
    parts = {"species": GRAVITY_CV, "moisture": u_pct / (100.0 + moisture)}
    return Density(green_density(species.gravity, moisture), parts, basis)


def _dead(species: Species | None, green: Density) -> Density:
    warning = (*green.warnings, "standing dead wood: moisture is assumed, with a wide range")
    if species is None:
        return Density(
            0.8 * green.kg_per_m3,
            {**green.parts, "condition": 0.2},
            f"{green.basis}; standing dead: × 0.8",
            warning,
        )
    moisture = min(DEAD_MOISTURE_PCT, species.moisture_pct)
    return Density(
        green_density(species.gravity, moisture),
        {"species": GRAVITY_CV, "condition": DEAD_MOISTURE_U_PCT / (100.0 + moisture)},
        f"{species.common}, standing dead: moisture {moisture:.0f} % assumed",
        warning,
    )


def _decayed(sound: Density, factor: float | None) -> Density:
    value = DECAY_FACTOR if factor is None else factor
    stated = "assumed" if factor is None else "judged by eye"
    return Density(
        value * sound.kg_per_m3,
        {**sound.parts, "decay": DECAY_REL_U if factor is None else JUDGED_DECAY_REL_U},
        f"{sound.basis}; decayed: × {value:g} {stated}",
        (*sound.warnings, f"decayed wood: its density is {stated}, with a wide range"),
    )


def _given(value: float, rel_u: float | None, *, more: bool) -> Density:
    if not (math.isfinite(value) and value > 0):
        raise PredictionError(
            f"piece.density_kg_per_m3: {value} is no density; write kg/m³, e.g. 800"
        )
    warning = (
        "the density given is that of the wood as it is: decay_factor, sapwood_m do not change it",
    )
    parts = {"density": GRAVITY_CV if rel_u is None else rel_u}
    return Density(value, parts, "density given by the user", warning if more else ())


def _unused_sapwood(species: Species | None, condition: Condition) -> tuple[str, ...]:
    if condition == "standing_dead":
        return ("sapwood_m is unused: moistures of green sapwood do not hold in dead wood",)
    if species is None or species.heart_pct is None or species.sap_pct is None:
        return ("sapwood_m is unused: no moistures of heart and sapwood are published for it",)
    return ()


def density_of(
    species: str,
    condition: Condition = "green",
    user_kg_per_m3: float | None = None,
    *,
    user_rel_u: float | None = None,
    sap_share: float | None = None,
    decay_factor: float | None = None,
) -> Density:
    """Density of the wood of a piece.

    Parameters
    ----------
    species : str
        Common or Latin name; empty when not known.
    condition : {"green", "standing_dead", "decayed"}
        State of the wood. A density of the user's own is taken as that of the wood as it
        is, so the condition does not change it.
    user_kg_per_m3 : float, optional
        The user's own density.
    user_rel_u : float, optional
        Its relative standard uncertainty; that of specific gravity when not given.
    sap_share : float, optional
        Sapwood's part of the volume, where its thickness was measured.
    decay_factor : float, optional
        Density of the wood over that of sound wood, judged by somebody who looked.

    Returns
    -------
    Density

    Raises
    ------
    PredictionError
        The name is nearly a listed one, or the density is not a positive number.

    Examples
    --------
    >>> round(density_of("white oak").kg_per_m3)
    1010
    """
    if user_kg_per_m3 is not None:
        more = decay_factor is not None or sap_share is not None
        return _given(user_kg_per_m3, user_rel_u, more=more)
    found = find_species(species) if species else None
    sound = _of_species(found, sap_share) if found is not None else _unlisted(species)
    if condition == "standing_dead":
        sound = _dead(found, sound)
    if sap_share is not None:
        sound = replace(sound, warnings=(*sound.warnings, *_unused_sapwood(found, condition)))
    if condition == "decayed" or decay_factor is not None:
        return _decayed(sound, decay_factor)
    return sound
