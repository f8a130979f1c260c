"""A plan in words: tables and remarks, for a terminal, a page and a figure.

Comes in: a :class:`~analysis.predicting.plan.Plan` and units. Goes out: text. Must not:
compute, or word a number so that it could be obeyed.
"""

from __future__ import annotations

import re
from typing import Final

from analysis.predicting.place_loads import SHOCK_TWICE
from analysis.predicting.plan import Plan
from analysis.predicting.predict import CAUTIONS
from analysis.showing.page_units import Units
from analysis.showing.pretension_wording import big_numbers, ground_hand, hinge_rows
from analysis.showing.rig_wording import METHODS, margin_words, not_judged, place_words
from logger.records import Guess
from logger.units import LengthUnit, format_force, format_length, from_si, uncertainty_decimals

Rows = list[tuple[str, str]]
Groups = list[tuple[str, Rows]]

GROUND_HAND: Final = "For the ground hand"
PIECE: Final = "Piece"
HINGE: Final = "Hinge window, as pull at the winch"
LIMITS: Final = "Limits entered"
SEARCH: Final = "Smaller or bigger"
_HINGE_PARTS: Final = (0.5, 0.75, 1.0, 1.5)
_NEAREST: Final = 2
_IN_KN: Final = re.compile(r"(\d+\.\d+) kN\b")
_IN_M: Final = re.compile(r"(\d+\.\d+) m\b")


def title_of(plan: Plan, job: str) -> str:
    """Name a plan in one line."""
    return f"Before the cut: {job}/{plan.piece.name}, {METHODS[plan.rig.method]}"


def groups_of(plan: Plan, units: Units) -> Groups:
    """Everything that stands on the page, as tables of (name, value) under headings."""
    return [
        (PIECE, _piece(plan, units)),
        (GROUND_HAND, _band(plan, units)),
        (HINGE, _hinge(plan, units)),
        (_peak_heading(plan), _peak(plan, units)),
        ("Load at every cell, leg and sling", _places(plan, units)),
        (LIMITS, _limits(plan, units)),
        (SEARCH, _search(plan, units)),
    ]


def numbers_of(plan: Plan, units: Units) -> tuple[tuple[str, str], ...]:
    """Give what is read at arm's length, with what it is of."""
    if plan.pretension is not None:
        found = big_numbers(plan.pretension, units.force)
        return found or (("For the ground hand: nothing to aim at", "No band"),)
    peak = plan.told["peak_n"]
    label = f"Predicted peak at {plan.told['station']} (5 to 95 %), nothing to aim at"
    return ((label, units.band(peak["p05"], peak["p95"])),)


def ground_hand_words(plan: Plan, units: Units) -> list[str]:
    """Give what :func:`numbers_of` leaves to say to the ground hand."""
    if plan.pretension is None:
        return [plan.no_pretension]
    numbers = big_numbers(plan.pretension, units.force)
    return ground_hand(plan.pretension, units.force)[len(numbers) :]


def nearest_limits(plan: Plan, units: Units) -> list[str]:
    """Give the entered limits that are nearest, and all that are passed; how many more there are."""
    passed = sum(margin.margin_n < 0 for margin in plan.margins)
    shown = plan.margins[: max(passed, _NEAREST)]
    said = [margin_words(margin, units) for margin in shown]
    more = len(plan.margins) - len(shown)
    return [*said, *([f"{more} more on the page, further from their limits"] if more else [])]


def remarks_of(plan: Plan) -> list[str]:
    """Give what makes the numbers doubtful, then the cautions."""
    cautions = () if plan.pretension is None else plan.pretension.cautions
    said = [*plan.warnings, *cautions, *CAUTIONS]
    return list(dict.fromkeys(f"{text[:1].upper()}{text[1:].rstrip('.')}." for text in said))


def length_words(length_m: float, u_m: float, units: Units) -> str:
    """Write a length with its expanded uncertainty.

    Examples
    --------
    >>> length_words(1.234, 0.21, Units())
    '1.23 ± 0.21 m'
    """
    value, u = (from_si(one, "length", units.length) for one in (length_m, u_m))
    digits = uncertainty_decimals(u, 2 if units.length == "m" else 0)
    return f"{value:.{digits}f} ± {u:.{digits}f} {units.length}"


def _piece(plan: Plan, units: Units) -> Rows:
    known, piece = plan.estimate, plan.piece
    weight = format_force(known.weight_n, units.force, u_n=known.weight_u_n)
    rows = [
        ("weight", f"{weight} (k = 2, estimate)"),
        ("centre of mass", f"{length_words(known.centre_from_butt_m, known.centre_u_m, units)} from the butt"),
        ("wood", (f"{piece.species or 'species not written'}, {piece.condition.replace('_', ' ')}, "
         f"{format_length(piece.length_m, units.length)} long")),
    ]  # fmt: skip
    rows += [(f"guess by {guess.by}", _guess(guess, units)) for guess in piece.guesses]
    if plan.narrowing:
        best = plan.narrowing[0]
        rows.append(("narrows it most", f"{best.measure}: {best.effect}"))
    return rows


def _guess(guess: Guess, units: Units) -> str:
    said = []
    if guess.weight_n is not None:
        said.append(format_force(guess.weight_n, units.force))
    if guess.drop_m is not None:
        said.append(f"drop {format_length(guess.drop_m, units.length)}")
    return ", ".join([*said, *([guess.how] if guess.how else [])])


def _band(plan: Plan, units: Units) -> Rows:
    """Give the two numbers first."""
    pretension = plan.pretension
    if pretension is None:
        return [("no band", plan.no_pretension)]
    said = ground_hand(pretension, units.force)
    rows: Rows = []
    if pretension.reading is not None:
        low, high = (
            format_force(one, units.force)
            for one in (pretension.reading.low_n, pretension.reading.high_n)
        )
        rows.append((f"read at {pretension.station}", f"from {low} to {high}, settled, estimate"))
        said = said[1:]
    return rows + [("", text) for text in said]


def _hinge(plan: Plan, units: Units) -> Rows:
    pretension = plan.pretension
    if pretension is None or not pretension.hinge:
        return []
    planned = pretension.hinge_thickness_m or pretension.hinge[0].thickness_m
    wanted = {
        min(pretension.hinge, key=lambda one: abs(one.thickness_m - part * planned)).thickness_m
        for part in _HINGE_PARTS
    }
    return [
        (
            f"{format_length(one.thickness_m, _small(units))} standing",
            f"{_downward(row[1])}, breaks up above {row[2]}; notch closed: above {row[3]}",
        )
        for one, row in zip(pretension.hinge, hinge_rows(pretension, units.force), strict=True)
        if one.thickness_m in wanted
    ]


def _downward(edge: str) -> str:
    """Say where the hinge fails downward; one that always holds has no such pull.

    Examples
    --------
    >>> _downward("0.50 kN"), _downward("never")
    ('fails down below 0.50 kN', 'does not fail down')
    """
    return "does not fail down" if edge == "never" else f"fails down below {edge}"


def _small(units: Units) -> LengthUnit:
    """Choose a unit for a hinge."""
    return "in" if units.length in {"ft", "in"} else "mm"


def _peak_heading(plan: Plan) -> str:
    return f"Predicted at {plan.told['station']}"


def _peak(plan: Plan, units: Units) -> Rows:
    told = plan.told

    def band(key: str) -> str:
        one = told[key]
        middle = format_force(one["p50"], units.force)
        return f"{units.band(one['p05'], one['p95'])} (5 to 95 %), median {middle}"

    rows = [("peak", band("peak_n")), ("reading when it hangs", band("hang_reading_n"))]
    factor = told["dynamic_factor"]
    rows.append(
        (
            "times its weight",
            f"{factor['p05']:.1f} to {factor['p95']:.1f}, median {factor['p50']:.1f}",
        )
    )
    rows += _stages(plan, units)
    free = told.get("upper_indications", {})
    if "tie_held_n" in free:
        rows.append(
            (
                "lifted off centre",
                (
                    f"upper indications {format_force(free['tie_held_n']['p50'], units.force)} (tie held) "
                    f"and {format_force(free['tie_free_n']['p50'], units.force)} (tie free); stretch can "
                    "exceed both"
                ),
            )
        )
    return rows


def _stages(plan: Plan, units: Units) -> Rows:
    """Say that the hinge is taken to give in stages, and what it does when it does not wait."""
    stages = () if plan.piece.release is None else plan.piece.release.stages
    if not stages or not plan.told["simulated"]:
        return []
    said = f"gives in {len(stages)} stage(s) as written"
    at_once = plan.told.get("hinge_at_once_n")
    if at_once is None:
        return [("hinge", f"{said}; gone at once it can pull harder")]
    band = units.band(at_once["p05"], at_once["p95"])
    return [("hinge", f"{said}; gone at once: peak {band} (5 to 95 %) at the piece")]


def _places(plan: Plan, units: Units) -> Rows:
    rows = []
    for load in plan.loads:
        name, _, words = place_words(load, units).partition(": ")
        rows.append((name, words))
    return rows


def _limits(plan: Plan, units: Units) -> Rows:
    rows = []
    for margin in plan.margins:
        name, _, words = margin_words(margin, units).partition(": ")
        rows.append((name, words.removesuffix(f"; {SHOCK_TWICE}")))
    for said in not_judged(plan.limits, plan.rig, units):
        name, _, words = said.partition(": ")
        rows.append((name, words))
    if any(one.judged == "peak" and one.limit.kind == "working_limit" for one in plan.margins):
        rows.append(("note", f"{SHOCK_TWICE[:1].upper()}{SHOCK_TWICE[1:]}."))
    return rows or [("none", "no limit is entered on anything in this rig, so nothing is compared")]


def _search(plan: Plan, units: Units) -> Rows:
    """Open on smaller."""
    search = plan.longest
    if search is None:
        return [("", plan.no_longest)]
    rows = [("smaller" if i == 0 else "", said) for i, said in enumerate(search.smaller)]
    rows.append(("bigger", search.bigger))
    if search.statement:
        rows.append(("", search.statement))
    if search.cuts is not None:
        rows.append(("whole limb", search.cuts.said.removeprefix("Whole limb: ")))
    return [(name, in_units(said, units)) for name, said in rows]


def in_units(said: str, units: Units) -> str:
    """Give a sentence that tells kN and m in the reader's units.

    Examples
    --------
    >>> in_units("3.05 m, about 9.81 kN", Units("kgf", "ft"))
    '10.0 ft, about 1000 kgf'
    """
    forces = _IN_KN.sub(lambda found: format_force(1e3 * float(found[1]), units.force), said)
    return _IN_M.sub(lambda found: format_length(float(found[1]), units.length), forces)
