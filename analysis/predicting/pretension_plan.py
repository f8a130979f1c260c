"""What a pretension plan says: band, rows, ceilings, hinge window, offset, words.

Comes in: numbers from ``band.plan_pretension``. Goes out: frozen records with ``to_dict``. Must
not: compute.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any, Final

CAUTIONS: Final = (
    "Tension during the back cut can split the stem lengthwise (common practice, no source).",
    "No tension while the notch is cut; tension before the back cut (common practice, no source).",
    "The climber calls the stop; silence is not a go.",
    "The settled pull counts, not the highest of a stroke: it falls back on the pawl and creeps.",
    "Estimates, not permission: local codes and competent persons decide.",
)
THICK_HINGE: Final = (
    "Stop winching. More tension can split the stem or throw the piece. The climber decides, "
    "from outside its path, whether to ease tension first."
)
UNSOUND_HINGE: Final = (
    "Dead, decayed or hollow wood breaks without warning: the hinge window is wide and no "
    "reassurance."
)
NO_BAND: Final = "No band: the weight is not known well enough."
FRICTION_UNKNOWN: Final = "No band: the blocks' friction is not known well enough."


@dataclass(frozen=True, slots=True)
class Band:
    """From and to, and what decides each end."""

    low_n: float
    high_n: float
    low_by: str
    high_by: str


@dataclass(frozen=True, slots=True)
class PlanRow:
    """What a pull at the winch does; weights at 5 %, 50 % and 95 %.

    ``share`` and ``balance`` are for the heavy, middle and light piece in that order, so that
    they rise; ``release_peak_n`` is the vertical load at the piece after the hinge has let go,
    for the light, middle and heavy piece.
    """

    winch_n: float
    reading_n: float
    share: tuple[float, float, float]
    balance: tuple[float, float, float]
    release_peak_n: tuple[float, float, float]
    hinge: str | None


@dataclass(frozen=True, slots=True)
class HingeRow:
    """The window at a thickness, as pull at the winch; ``closed_n`` once the notch has closed."""

    thickness_m: float
    low_n: float
    high_n: float
    closed_n: float


@dataclass(frozen=True, slots=True)
class Ceiling:
    """The pull at the winch at which something is reached."""

    name: str
    winch_n: float
    kind: str = ""
    by: str = ""
    entered: str = ""
    limit_n: float | None = None


@dataclass(frozen=True, slots=True)
class Offset:
    """Where the rig lifts, seen from the centre of mass.

    ``indications_n`` are the two upper figures for the middle weight, where the lift is off
    centre by more than a tenth of the length; they replace the central figure.
    """

    offset_m: float
    of_length: float
    indications_n: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class PretensionPlan:
    """What to tension to, and what the hinge and the release will do.

    ``band`` is the pull at the winch, winching up, and ``reading`` the reading at the main
    station; each has the friction between it and the piece in it, so one may be there without
    the other. ``easing`` and ``easing_reading`` are the same for a rope that is paid out down
    to them, where friction helps the winch.
    """

    weight_n: tuple[float, float, float]
    tie_from_butt_m: float
    aim: float | None
    band: Band | None
    reading: Band | None
    station: str
    ceilings: tuple[Ceiling, ...]
    rows: tuple[PlanRow, ...]
    hinge: tuple[HingeRow, ...]
    offset: Offset
    words: tuple[str, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS
    hinge_thickness_m: float | None = None
    easing: Band | None = None
    easing_reading: Band | None = None

    def to_dict(self) -> dict[str, Any]:
        """Give plain values, SI."""
        return asdict(self)
