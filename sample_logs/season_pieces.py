"""One job of the season drawn: what the crew writes down, and what is hidden from it.

Comes in: a :class:`~season_jobs.SeasonJob` and a random generator. Goes out: the job sheet
as plain tables, and for each piece the hidden world of its lowering. Must not: record,
predict, or let a hidden number into the sheet.
"""  # noqa: INP001 - a script's module, not a package

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from season_jobs import (
    JOB_ROPE_SCATTER,
    JOB_WEIGHT_SCATTER,
    METHOD_OF,
    PEOPLE,
    PIECE_SCATTER,
    PRESSED,
    ROPES,
    RUN_OVER_PLANNED,
    SPECIES_BIAS,
    TIP_SHARE,
    TIP_SHARE_SCATTER,
    Happening,
    Person,
    SeasonJob,
)
from season_sheet import (
    DROPS,
    FALL_M,
    LEAD_M,
    LONG_LEAD_M,
    SPAN_BELOW_M,
    Tables,
    sheet_of,
)

from analysis.predicting.piece import estimate
from logger.records import Piece, convert, to_si
from logger.simcell import scenario as world
from logger.units import STANDARD_GRAVITY_M_PER_S2 as G_M_PER_S2

LIGHTEST_N: Final = 330.0
HEAVIEST_N: Final = 5500.0
HEAVIEST_DROP_N: Final = 2300.0
LBF_N: Final = 4.4482216152605


@dataclass(frozen=True, slots=True)
class HiddenPiece:
    """What is true of a piece and what happens at it; ``lowering`` is the world's part.

    ``tip_share`` is the share of the weight at which the tip moves, ``pressed_after_s`` how
    much later somebody presses the key; None when nobody does.
    """

    name: str
    kind: str
    lowering: world.Lowering
    estimate_n: float
    happening: Happening | None
    tip_share: float | None
    pressed_after_s: float | None


@dataclass(frozen=True, slots=True)
class DrawnJob:
    """A job as the crew writes it, and as it is."""

    sheet: Tables
    pieces: tuple[HiddenPiece, ...]
    weight_factor: float
    rope_factor: float


@dataclass(frozen=True, slots=True)
class _Draw:
    """One piece on its way."""

    job: SeasonJob
    kind: str
    rng: np.random.Generator
    weight_factor: float
    rope_factor: float

    def between(self, low: float, high: float, digits: int = 2) -> float:
        return round(float(self.rng.uniform(low, high)), digits)

    def factor(self, scatter: float) -> float:
        return math.exp(scatter * float(self.rng.standard_normal()))


def draw_job(job: SeasonJob, rng: np.random.Generator) -> DrawnJob:
    """Draw a job.

    Parameters
    ----------
    job : SeasonJob
        Its row of the table.
    rng : numpy.random.Generator
        The same state gives the same job.
    """
    weight_factor = SPECIES_BIAS[job.species] * _factor(rng, JOB_WEIGHT_SCATTER)
    rope_factor = _factor(rng, JOB_ROPE_SCATTER)
    written, hidden = [], []
    for number, kind in enumerate(job.methods, 1):
        draw = _Draw(job, kind, rng, weight_factor, rope_factor)
        piece, true = _draw_piece(draw, number)
        written.append(piece)
        hidden.append(true)
    return DrawnJob(sheet_of(job, written), tuple(hidden), weight_factor, rope_factor)


def _factor(rng: np.random.Generator, scatter: float) -> float:
    return math.exp(scatter * float(rng.standard_normal()))


# --- the piece as written ----------------------------------------------------------------

_SIZES: Final[Mapping[str, tuple[float, float, float, float]]] = {
    "span": (3.0, 4.8, 0.22, 0.46),
    "butt": (2.4, 4.2, 0.16, 0.42),
    "tip": (2.6, 4.2, 0.13, 0.25),
    "swing": (2.8, 4.4, 0.15, 0.27),
    "snub": (0.8, 1.5, 0.26, 0.46),
    "run": (0.8, 1.5, 0.26, 0.46),
}
"""Lengths from … to, butt diameters from … to, metres."""


def _draw_piece(draw: _Draw, number: int) -> tuple[Tables, HiddenPiece]:
    while True:
        written = _size(draw, number)
        estimate_n = estimate(convert(to_si(written), Piece)).weight_n
        heaviest = HEAVIEST_DROP_N if draw.kind in DROPS else HEAVIEST_N
        if LIGHTEST_N < estimate_n < heaviest:
            break
    weight_n = estimate_n * draw.weight_factor * draw.factor(PIECE_SCATTER)
    base = world.Lowering(
        name=f"L{number}",
        piece=written["name"],
        method=METHOD_OF[draw.kind],  # type: ignore[arg-type] # a literal of the same names
        weight_n=round(weight_n, 1),
        rope=_rope(draw),
    )
    lowering = _WORLDS[draw.kind](draw, written, estimate_n, base)
    happening = draw.job.happenings.get(number)
    lowering = _let_happen(lowering, happening)
    written["guesses"] = [_guess(draw, person, weight_n) for person in _guessers(draw, number)]
    tip_share = draw.factor(TIP_SHARE_SCATTER) * TIP_SHARE if "release" in written else None
    delay_s = draw.between(0.2, 0.4) if draw.rng.random() < PRESSED else None
    return written, HiddenPiece(
        written["name"], draw.kind, lowering, estimate_n, happening, tip_share, delay_s
    )


def _size(draw: _Draw, number: int) -> Tables:
    shortest, longest, thin, thick = _SIZES[draw.kind]
    length_m = draw.between(shortest, longest, 1)
    butt_m = draw.between(thin, thick)
    taper = draw.between(0.92, 0.98) if draw.kind in DROPS else draw.between(0.5, 0.7)
    brush = 0.0 if draw.kind in DROPS else draw.between(0.08, 0.25)
    stations = [(0.0, 1.0), (length_m, taper)]
    if draw.kind not in DROPS:
        stations.insert(1, (round(length_m / 2, 1), (1.0 + taper) / 2.0))
    return {
        "name": f"P{number}",
        "species": draw.job.species,
        "rig": draw.kind,
        "length_m": length_m,
        "diameters": [{"at_m": at, "diameter_m": round(butt_m * part, 2)} for at, part in stations],
        **({"brush_share": brush} if brush else {}),
    }


def _guessers(draw: _Draw, number: int) -> list[Person]:
    """Two people a piece at most; Dunlin joins the crew in June."""
    here = [p for p in PEOPLE if p.name != "Dunlin" or draw.job.date >= "2026-06"]
    first = here[number % len(here)]
    second = here[(number + 1) % len(here)]
    return [first, second] if draw.rng.random() < 0.7 else [first]


def _guess(draw: _Draw, person: Person, weight_n: float) -> Tables:
    guess_n = weight_n * person.guess_over_true * draw.factor(person.scatter)
    unit_n = G_M_PER_S2 if person.unit == "kgf" else LBF_N
    step = 10.0 if guess_n / unit_n > 60 else 5.0
    shown = max(step, step * round(guess_n / unit_n / step))
    return {"by": person.name, "weight_n": f"{shown:.0f} {person.unit}", "how": person.how}


# --- the hidden world --------------------------------------------------------------------


def _rope(draw: _Draw) -> world.RopeTable:
    stiffness_n = ROPES[draw.job.rope][0] * draw.rope_factor
    return world.RopeTable(round(stiffness_n), stiffening=12.0, viscosity_s=0.065)


def _rig(draw: _Draw, **more: float) -> world.RigTable:
    return world.RigTable(
        fall_m=FALL_M[draw.kind],
        efficiency=draw.between(0.90, 0.93, 3),
        light_efficiency=draw.between(0.82, 0.86, 3),
        scale_n=1500.0,
        **more,
    )


def _down(draw: _Draw, after_s: float) -> world.DownTable:
    return world.DownTable(
        after_s=after_s,
        drop_m=draw.between(0.8, 1.2) if draw.kind == "span" else draw.between(1.6, 2.3),
        speed_m_per_s=draw.between(0.6, 0.9),
        jerk=draw.between(0.015, 0.05, 3),
        jerk_hz=1.7,
        ramp_s=draw.between(1.0, 1.4),
    )


def _stilled(draw: _Draw, weight_n: float, after_s: float) -> world.DragTable:
    """Air and tag line, in proportion to the mass."""
    mass_kg = weight_n / G_M_PER_S2
    return world.DragTable(
        side_n_s_per_m=round(0.10 * mass_kg, 1),
        spin_n_m_s=round(2.2 * mass_kg, 1),
        tag_n_s_per_m=round(draw.between(4.0, 5.0) * mass_kg, 1),
        tag_after_s=after_s,
    )


def _pretension(draw: _Draw, force_n: float) -> world.PretensionTable:
    return world.PretensionTable(
        force_n=round(force_n, 1),
        strokes=int(draw.rng.integers(3, 6)),
        stroke_s=draw.between(0.5, 0.75),
        fall_back=draw.between(0.10, 0.16),
        creep=draw.between(0.015, 0.03, 3),
        settle_s=draw.between(1.2, 2.0),
    )


def _tension(draw: _Draw, written: Tables, estimate_n: float, shares: tuple[float, float]) -> float:
    """Write the share that is meant; the crew winches to that share of its estimate."""
    share = draw.between(*shares)
    written["release"] = {"share_carried": share, "offset_m": draw.between(0.0, 0.12)}
    return share * estimate_n * draw.factor(0.05)


def _span(draw: _Draw, written: Tables, estimate_n: float, base: world.Lowering) -> world.Lowering:
    force_n = _tension(draw, written, estimate_n, (0.62, 0.9))
    piece_efficiency = draw.between(0.93, 0.95, 3)
    return replace(
        base,
        body=world.Body(_gyration(written), written["release"]["offset_m"], 0.55),
        rig=_rig(
            draw, span_m=6.0, piece_x_m=3.0, piece_below_m=SPAN_BELOW_M,
            piece_efficiency=piece_efficiency, piece_light_efficiency=piece_efficiency - 0.04,
        ),
        pretension=_pretension(draw, force_n),
        release=world.ReleaseTable(hinge_s=0.06),
        drag=_stilled(draw, base.weight_n, 0.3),
        down=_down(draw, draw.between(3.2, 3.8)),
    )  # fmt: skip


def _tip(draw: _Draw, written: Tables, estimate_n: float, base: world.Lowering) -> world.Lowering:
    force_n = _tension(draw, written, estimate_n, (0.45, 0.85))
    return replace(
        base,
        body=world.Body(_gyration(written), written["release"]["offset_m"], 0.6),
        rig=_rig(draw, lead_m=LONG_LEAD_M),
        pretension=_pretension(draw, force_n),
        release=world.ReleaseTable(hinge_s=0.08, initial_n=round(force_n, 1)),
        drag=_stilled(draw, base.weight_n, 0.4),
        down=_down(draw, draw.between(3.6, 4.4)),
    )


def _butt(draw: _Draw, written: Tables, estimate_n: float, base: world.Lowering) -> world.Lowering:
    lowering = _tip(draw, written, estimate_n, base)
    release = replace(lowering.release, hinge_s=draw.between(0.15, 0.5))
    return replace(lowering, release=release)


def _swing(
    draw: _Draw, written: Tables, _estimate_n: float, base: world.Lowering
) -> world.Lowering:
    angle_deg = draw.between(28.0, 55.0, 0)
    written["swing"] = {"angle_rad": f"{angle_deg:.0f} deg"}
    true_rad = math.radians(angle_deg) + 0.05 * float(draw.rng.standard_normal())
    return replace(
        base,
        rig=_rig(draw, lead_m=LONG_LEAD_M),
        release=world.ReleaseTable(
            hinge_s=0.12,
            angle_rad=round(true_rad, 3),
            initial_n=round(0.85 * base.weight_n * math.cos(true_rad), 1),
        ),
        drag=_stilled(draw, base.weight_n, 0.8),
        down=_down(draw, draw.between(4.2, 4.8)),
    )


def _fall(draw: _Draw, written: Tables) -> float:
    """Write the drop's geometry; give the true free fall of the centre of mass."""
    half_m = written["length_m"] / 2.0
    tie_m, centre_m = draw.between(0.2, 0.35), round(half_m - draw.between(0.15, 0.25), 2)
    slack_m = draw.between(0.0, 0.08)
    written["drop"] = {
        "tie_above_block_m": tie_m, "centre_above_tie_m": centre_m, "slack_m": slack_m,
    }  # fmt: skip
    angle = draw.rng.uniform(math.radians(60.0), math.radians(110.0))
    return float(2.0 * tie_m + slack_m + centre_m * (1.0 + math.cos(angle)))


def _snub(draw: _Draw, written: Tables, _estimate_n: float, base: world.Lowering) -> world.Lowering:
    return replace(
        base,
        rig=_rig(draw, lead_m=LEAD_M),
        release=world.ReleaseTable(hinge_s=0.1, fall_m=round(_fall(draw, written), 3)),
        down=_down(draw, draw.between(4.2, 4.8)),
    )


def _run(draw: _Draw, written: Tables, estimate_n: float, base: world.Lowering) -> world.Lowering:
    lowering = _snub(draw, written, estimate_n, base)
    planned_m, reaction_s = draw.between(1.6, 2.2, 1), draw.between(0.20, 0.28)
    written["drop"] |= {"run_m": planned_m}
    fall_m = lowering.release.fall_m
    speed = math.sqrt(2.0 * G_M_PER_S2 * fall_m)
    run_m = speed * reaction_s + G_M_PER_S2 * reaction_s**2 / 2.0
    stopped_m = planned_m * RUN_OVER_PLANNED * draw.factor(0.05)
    lead_n = base.weight_n * (1.0 + (fall_m + run_m) / stopped_m)
    return replace(
        lowering,
        run=world.RunTable(
            drag_n=round(0.12 * base.weight_n, 1),
            brake_n=round(lead_n * lowering.rig.efficiency, 1),
            reaction_s=reaction_s,
            ramp_s=0.2,
            unsteady=draw.between(0.03, 0.08),
        ),
    )


_World = Callable[[_Draw, Tables, float, world.Lowering], world.Lowering]
_WORLDS: Final[Mapping[str, _World]] = {
    "span": _span, "tip": _tip, "butt": _butt, "swing": _swing, "snub": _snub, "run": _run,
}  # fmt: skip


def _gyration(written: Tables) -> float:
    return round(float(written["length_m"]) / math.sqrt(12.0), 2)


def _let_happen(lowering: world.Lowering, happening: Happening | None) -> world.Lowering:
    """Put into the world what goes wrong there; gaps are the link's."""
    if happening is None:
        return lowering
    if happening.kind == "tag_line_tight":
        drag = replace(lowering.drag, tag_pull_n=round(0.16 * lowering.weight_n, 1))
        return replace(lowering, drag=drag)
    if happening.kind == "touched":
        return replace(lowering, touch=world.TouchTable(share=0.55, after_m=0.7, hold_s=0.35))
    if happening.kind == "tip_first":
        return replace(lowering, down=replace(lowering.down, brush_m=0.6, brush_share=0.75))
    return lowering
