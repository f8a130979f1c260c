"""What the search for a bigger or smaller piece gives.

Comes in: numbers of :mod:`analysis.predicting.longest`. Goes out: frozen results with
``to_dict()``. Must not: compute loads, or call a length anything but what it is.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

from analysis.predicting.place_loads import Judged
from analysis.predicting.rig import PlaceKind
from logger.records import Limit, LimitKind

STATEMENT: Final = (
    "Length at which the first entered working limit is reached: {length} (governed by "
    "{governed}). Not a recommendation; the tree's strength is not in it."
)
"""Fill in ``length`` (in the reader's unit) and ``governed``; nothing else may stand for it."""

TWICE: Final = (
    "A working limit's design factor already allows for knots and shock; the predicted peak is "
    "set against it all the same, so shock counts twice here, on the careful side."
)

BASIS: Final = (
    (
        "pieces cut from the tip; brush share, release, drop and swing as for the planned piece; "
        "distances along the piece grow with its length"
    ),
    (
        "against a working limit stands the larger of the 95 % predicted peak and the 95 % heavy "
        "piece raised with one standard uncertainty more friction than written"
    ),
    TWICE,
)
"""What a length rests on, for people."""


@dataclass(frozen=True, slots=True)
class RangeSeen:
    """Pieces from which the crew's rules come, by their computed weight.

    ``pieces`` is how many there were, ``rule`` which rule.
    """

    low_n: float
    high_n: float
    pieces: int = 0
    rule: str = ""


@dataclass(frozen=True, slots=True)
class PlaceCurve:
    """Load at a place against the length of the piece; one value for each length.

    Parameters
    ----------
    kind, place : str
        ``station``, ``leg`` or ``sling``, and its name.
    hang_n : tuple of float
        The estimated piece hanging, without friction.
    hang_high_n : tuple of float
        The 95 % heavy piece on the high side of friction.
    peak_p50_n, peak_p95_n : tuple of float
        Predicted peak of the method.
    """

    kind: PlaceKind
    place: str
    hang_n: tuple[float, ...]
    hang_high_n: tuple[float, ...]
    peak_p50_n: tuple[float, ...]
    peak_p95_n: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Reached:
    """A typed limit and the length at which the load reaches it.

    Parameters
    ----------
    length_m : float
        Of the piece, from the limb's tip.
    weight_n : float
        Computed weight of that piece.
    limit : Limit
        As entered, with who and when.
    judged : {"peak", "hang"}
        Which load reaches it: the 95 % predicted peak, or the 95 % heavy piece raised.
    """

    length_m: float
    weight_n: float
    limit: Limit
    judged: Judged

    @property
    def governed(self) -> str:
        """Which component decides, in words."""
        load = "predicted peak" if self.judged == "peak" else "hanging load"
        kinds: dict[LimitKind, str] = {
            "working_limit": "working limit",
            "peak_allowance": "peak allowance",
            "breaking_strength": "breaking strength",
        }
        kind = kinds[self.limit.kind]
        return f"{self.limit.on}: {load} against its {kind}, entered by {self.limit.by} {self.limit.entered}"

    def to_dict(self) -> dict[str, Any]:
        """Give plain values, SI."""
        return {
            "length_m": self.length_m,
            "weight_n": self.weight_n,
            "on": self.limit.on,
            "kind": self.limit.kind,
            "limit_n": self.limit.force_n,
            "by": self.limit.by,
            "entered": self.limit.entered,
            "judged": self.judged,
            "governed": self.governed,
        }


@dataclass(frozen=True, slots=True)
class Cuts:
    """Pieces into which the whole limb goes with no piece past a working limit.

    Parameters
    ----------
    equal : int or None
        Number of pieces of one length; None when there would be too many.
    equal_length_m : float or None
        That length.
    by_taper_m : tuple of float
        Lengths from the tip, each as long as its own weight lets it be; empty when there
        would be too many.
    by_taper_weight_n : tuple of float
        Their computed weights.
    said : str
        The same in words, with what capped the pieces.
    """

    equal: int | None
    equal_length_m: float | None
    by_taper_m: tuple[float, ...]
    by_taper_weight_n: tuple[float, ...]
    said: str


@dataclass(frozen=True, slots=True)
class Longest:
    """Bigger or smaller: loads against length, and where the first working limit is reached.

    Parameters
    ----------
    limb, rig, method : str
        What it is about.
    planned_m : float
        Length of the planned piece, from the limb's tip.
    planned_weight_n : float
        Its computed weight.
    lengths_m, weights_n : tuple of float
        Lengths looked at, and computed weights.
    places : tuple of PlaceCurve
        Load at every station, leg and node.
    reached : Reached or None
        Where the first working limit is reached; None when it is not, or refused.
    reached_hanging : Reached or None
        The same by the hanging load alone.
    allowances : tuple of Reached
        Peak allowances reached on the limb.
    cuts : Cuts or None
        For the whole limb.
    smaller : tuple of str
        What to know first: about the planned piece and shorter ones. Show it first.
    bigger : str
        About longer pieces; when ``refused`` why nothing is said.
    refused : bool
        No length beyond the planned one is given.
    statement : str
        :data:`STATEMENT` in metres, or that no limit is reached; empty when refused.
    range_seen : RangeSeen or None
        As given.
    basis, warnings : tuple of str
        For people to read.
    """

    limb: str
    rig: str
    method: str
    planned_m: float
    planned_weight_n: float
    lengths_m: tuple[float, ...]
    weights_n: tuple[float, ...]
    places: tuple[PlaceCurve, ...]
    reached: Reached | None
    reached_hanging: Reached | None
    allowances: tuple[Reached, ...]
    cuts: Cuts | None
    smaller: tuple[str, ...]
    bigger: str
    refused: bool
    statement: str
    range_seen: RangeSeen | None
    basis: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_dict(self) -> dict[str, Any]:
        """Give plain values, SI, ready for JSON; what is about smaller pieces first."""
        return {
            "limb": self.limb,
            "rig": self.rig,
            "method": self.method,
            "opens_on": "smaller",
            "smaller": list(self.smaller),
            "planned_length_m": self.planned_m,
            "planned_weight_n": self.planned_weight_n,
            "bigger": self.bigger,
            "bigger_refused": self.refused,
            "statement": self.statement,
            "reached": None if self.reached is None else self.reached.to_dict(),
            "reached_hanging": (
                None if self.reached_hanging is None else self.reached_hanging.to_dict()
            ),
            "allowances": [found.to_dict() for found in self.allowances],
            "cuts": None if self.cuts is None else asdict(self.cuts),
            "lengths_m": list(self.lengths_m),
            "weights_n": list(self.weights_n),
            "places": [asdict(curve) for curve in self.places],
            "range_seen": None if self.range_seen is None else asdict(self.range_seen),
            "basis": list(self.basis),
            "warnings": list(self.warnings),
        }
