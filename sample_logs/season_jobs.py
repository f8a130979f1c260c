"""The invented season as a table: jobs, methods, and what shall go wrong where.

Comes in: nothing. Goes out: literal data. Must not: draw or compute. Crew, people, sites
and trees are invented; the names of people are birds.
"""  # noqa: INP001 - a script's module, not a package

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

CREW: Final = "Kestrel"
SEED: Final = 20260414


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody who guesses weights.

    ``guess_over_true`` is hidden: the median of guess over true weight; ``scatter`` the
    standard deviation of its logarithm. ``unit`` is the one the person thinks in.
    """

    name: str
    how: str
    unit: str
    guess_over_true: float
    scatter: float


PEOPLE: Final = (
    Person("Wren", "gut", "kgf", 0.72, 0.15),
    Person("Siskin", "log chart", "kgf", 1.04, 0.08),
    Person("Dunlin", "girth", "lbf", 0.93, 0.11),
)

SPECIES_BIAS: Final[Mapping[str, float]] = {
    "northern red oak": 1.06,
    "American beech": 1.09,
    "white ash": 0.92,
    "Norway maple": 0.98,
    "Norway spruce": 1.16,
    "Scotch pine": 1.10,
}
"""Hidden: true weight over the table's, as the median of a species."""

PIECE_SCATTER: Final = 0.08
JOB_WEIGHT_SCATTER: Final = 0.04
JOB_ROPE_SCATTER: Final = 0.12
RUN_OVER_PLANNED: Final = 0.50
"""Hidden: the hand stops a let-run piece in this part of the distance that was planned."""
TIP_SHARE: Final = 0.50
TIP_SHARE_SCATTER: Final = 0.12
"""Hidden: share of the weight carried when the tip moves; SD of its logarithm."""
PRESSED: Final = 0.75
"""How often somebody presses the key when it does."""

ZERO_COUNTS: Final = 1850
COUNTS_PER_N: Final = 100.0
CALIBRATION_ERROR: Final = 0.002
"""Hidden: with the sheet's calibration the cell reads this much too high."""

METHOD_OF: Final[Mapping[str, str]] = {
    "butt": "butt_tied",
    "tip": "tip_tied",
    "span": "span_rig",
    "snub": "snubbed_drop",
    "run": "let_run_drop",
    "swing": "swing",
}


@dataclass(frozen=True, slots=True)
class Happening:
    """What happens at one piece besides the plan; ``told`` whether the crew notes it.

    ``kind``: ``tag_line_tight``, ``touched``, ``tip_first``, ``gap_at_peak``, ``gap_later``.
    """

    kind: str
    told: bool = True


@dataclass(frozen=True, slots=True)
class SeasonJob:
    """One job: a day, a tree, a rope, a cell, its pieces in order.

    ``clip_n`` is the force at which the converter's amplifier ends; None for the usual
    range. ``happenings`` by the piece's number, from 1.
    """

    name: str
    date: str
    species: str
    rope: str
    methods: tuple[str, ...]
    rate_hz: float = 640.0
    clip_n: float | None = None
    span_cell: str = "piece"
    happenings: Mapping[int, Happening] = field(default_factory=dict)
    note: str = ""


ROPES: Final[Mapping[str, tuple[float, float, str]]] = {
    "blue 14": (85_000.0, 0.014, "until it was retired in July"),
    "white 16": (110_000.0, 0.016, "new in July"),
}
"""Name -> stiffness as the crew knows it (N), diameter (m), remark."""

JOBS: Final = (
    SeasonJob(
        "old-orchard", "2026-04-14", "northern red oak", "blue 14",
        ("span", "span", "tip", "butt", "swing", "snub", "snub", "run"),
        happenings={5: Happening("tag_line_tight"), 7: Happening("gap_later")},
    ),
    SeasonJob(
        "ferry-house", "2026-04-29", "Norway spruce", "blue 14",
        ("snub", "snub", "run", "snub", "run", "butt", "run", "snub"),
        happenings={6: Happening("tip_first")},
    ),
    SeasonJob(
        "mill-pond", "2026-05-12", "American beech", "blue 14",
        ("span", "tip", "span", "swing", "tip", "span", "swing", "butt"),
        happenings={
            2: Happening("touched"), 4: Happening("tag_line_tight", told=False),
            8: Happening("tip_first"),
        },
    ),
    SeasonJob(
        "chapel-lane", "2026-06-03", "white ash", "blue 14",
        ("run", "butt", "run", "snub", "butt", "tip", "snub", "swing"),
        rate_hz=320.0,
        happenings={2: Happening("touched"), 4: Happening("gap_at_peak")},
        note="Ash with dieback; the old cell at 320 samples a second.",
    ),
    SeasonJob(
        "north-drive", "2026-06-25", "Norway maple", "blue 14",
        ("span", "swing", "tip", "span", "tip", "swing", "snub", "run"),
        happenings={3: Happening("tag_line_tight"), 6: Happening("touched", told=False)},
    ),
    SeasonJob(
        "quarry-edge", "2026-07-16", "Scotch pine", "white 16",
        ("snub", "run", "snub", "run", "snub", "run", "butt", "tip"),
        rate_hz=1000.0, clip_n=4800.0,
        happenings={7: Happening("tip_first")},
        note="Borrowed amplifier: its range ends early.",
    ),
    SeasonJob(
        "walled-garden", "2026-08-19", "northern red oak", "white 16",
        ("span", "span", "butt", "swing", "span", "tip", "butt", "tip"),
        span_cell="far anchor",
        happenings={3: Happening("tag_line_tight"), 6: Happening("tag_line_tight", told=False)},
        note="Span rig with the cell between rope end and far anchor.",
    ),
    SeasonJob(
        "long-meadow", "2026-09-09", "American beech", "white 16",
        ("butt", "tip", "swing", "snub", "run", "snub", "run", "swing"),
        happenings={1: Happening("touched"), 6: Happening("gap_later")},
    ),
    SeasonJob(
        "station-road", "2026-10-06", "Norway maple", "white 16",
        ("span", "snub", "run", "span", "snub", "run", "swing", "butt"),
        happenings={4: Happening("tag_line_tight"), 8: Happening("touched")},
    ),
)  # fmt: skip
