"""The table of species, and which of them a written name means.

Comes in: a species name as a person wrote it. Goes out: a :class:`Species`, its relatives, or
nothing. Must not: know about pieces or densities, or guess what a slip of the pen meant.

References
----------
``wood.csv``: specific gravity (oven-dry mass over green volume) and green moisture of
Miles & Smith 2009 (USFS NRS-38); heartwood and sapwood moisture of the Wood Handbook
(FPL-GTR-282), Table 4-1; the rows say which.
"""

from __future__ import annotations

import csv
import difflib
import math
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Final

from analysis.errors import PredictionError

MOISTURE_CV: Final = 0.15
"""Own assumption: relative standard uncertainty of green moisture content."""

SAPWOOD_SPREAD: Final = 0.6 / math.sqrt(12.0)
"""Own assumption: the sapwood's part of a piece lies anywhere from 0.2 to 0.8."""

_CONIFER_GENERA: Final = (
    "abies", "calocedrus", "chamaecyparis", "juniperus", "larix", "picea", "pinus",
    "pseudotsuga", "sequoia", "taxodium", "thuja", "tsuga",
)  # fmt: skip
CONIFER_WORDS: Final = (
    "softwood", "conifer", "cedar", "cypress", "fir", "hemlock", "larch", "pine", "redwood",
    "sequoia", "spruce", "tamarack", "yew", "cedrus", "cupressus", "taxus",
)  # fmt: skip
_TYPO_CUTOFF: Final = 0.84
_LATIN_CUTOFF: Final = 0.90


@dataclass(frozen=True, slots=True)
class Species:
    """One row of the wood table.

    Parameters
    ----------
    common, latin : str
        Names as listed.
    gravity : float
        Oven-dry mass over green volume, relative to water.
    moisture_pct : float
        Green moisture, per cent of dry mass.
    heart_pct, sap_pct : float or None
        The same for heartwood and sapwood where published.
    """

    common: str
    latin: str
    gravity: float
    moisture_pct: float
    heart_pct: float | None
    sap_pct: float | None

    @property
    def softwood(self) -> bool:
        """Whether the genus is a conifer."""
        return self.latin.split()[0].lower() in _CONIFER_GENERA

    @property
    def moisture_u_pct(self) -> float:
        """Standard uncertainty of the green moisture of one piece."""
        u = MOISTURE_CV * self.moisture_pct
        if self.heart_pct is None or self.sap_pct is None:
            return u
        return max(u, SAPWOOD_SPREAD * abs(self.sap_pct - self.heart_pct))


def _number(text: str) -> float | None:
    return float(text) if text else None


@cache
def table() -> tuple[Species, ...]:
    """All listed species, in the table's order."""
    source = resources.files("analysis.predicting") / "wood.csv"
    with source.open(encoding="utf-8") as lines:
        return tuple(
            Species(
                common=row["common_name"],
                latin=row["latin_name"],
                gravity=float(row["sg_green"]),
                moisture_pct=float(row["mc_green_pct"]),
                heart_pct=_number(row["mc_heart_pct"]),
                sap_pct=_number(row["mc_sap_pct"]),
            )
            for row in csv.DictReader(lines)
        )


def _letters(name: str) -> str:
    return re.sub(r"[^a-z]", "", name.lower())


def words_of(name: str) -> list[str]:
    """Give the words of a name, in small letters."""
    return re.findall(r"[a-z]+", name.lower())


@cache
def _by_letters() -> dict[str, Species]:
    names: dict[str, Species] = {}
    for species in table():
        names[_letters(species.common)] = species
        names[_letters(species.latin)] = species
    return names


@cache
def find_species(name: str) -> Species | None:
    """Look up a common or Latin name; case, spaces and hyphens do not matter.

    Parameters
    ----------
    name : str
        As a person wrote it.

    Returns
    -------
    Species or None
        None when no listed name is meant.

    Raises
    ------
    PredictionError
        Not listed, but so close to a listed name that it must be a slip of the pen.

    Examples
    --------
    >>> find_species("QUERCUS alba").common, find_species("douglas fir").latin
    ('white oak', 'Pseudotsuga menziesii')
    >>> find_species("baobab") is None
    True
    """
    known = _by_letters()
    key = _letters(name)
    if key in known:
        return known[key]
    if relatives(name):
        return None
    close = difflib.get_close_matches(key, known, n=3, cutoff=_TYPO_CUTOFF)
    if close:
        meant = " or ".join(dict.fromkeys(f"{known[c].common!r}" for c in close))
        raise PredictionError(
            f"piece.species: {name!r} is not listed; did you mean {meant}? "
            "Write a listed name, or give density_kg_per_m3"
        )
    return None


@cache
def relatives(name: str) -> tuple[Species, ...]:
    """Find listed species of the same kind: a shared ending ("red oak", "oak") or genus.

    A name that only starts like a listed one does not count, nor does one whose first
    word is nearly a listed first word (that is a slip of the pen).

    Examples
    --------
    >>> [s.common for s in relatives("red oak")]
    ['southern red oak', 'northern red oak']
    """
    words = words_of(name)
    if not words:
        return ()
    tail = tuple(s for s in table() if words_of(s.common)[-len(words) :] == words)
    if tail:
        return tail
    key = _letters(name)
    genus = tuple(s for s in table() if words_of(s.latin)[0] == words[0])
    if genus:
        names = [_letters(s.latin) for s in genus]
        slip = len(words) > 1 and difflib.get_close_matches(key, names, 1, _LATIN_CUTOFF)
        return () if slip else genus
    kin = tuple(s for s in table() if words_of(s.common)[-1] == words[-1])
    names = [_letters(s.common) for s in kin]
    if difflib.get_close_matches(key, names, 1, _TYPO_CUTOFF):
        return ()
    return kin
