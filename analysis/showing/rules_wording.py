"""Fitted rules and scores in words: headings, table rows, sentences.

Comes in: rule results, scores, a unit. Goes out: plain text. Must not: fit, compute, or word
a number so that it could be obeyed.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Final

from analysis.learning.rule_result import GroupResult, Residual, RuleResult
from analysis.learning.rules import Rule
from analysis.learning.scoring import FEWEST_FOR_KS, Bias, MethodScore, Pit
from analysis.learning.season_scores import PersonScore, SeasonScores
from logger.units import ForceUnit, format_force

CAUTIONS: Final = (
    "A rule of thumb or a planning number is never permission to stand closer or cut bigger.",
    "It holds for this crew's own pieces within the range seen; outside it the default returns.",
    "The strength of the tree is not in it. Local codes and competent persons decide.",
)
"""Cautions that stand beside every rule."""

RULE_HEAD: Final = ("group", "n", "jobs", "constant", "its 90 %", "next piece", "95/95", "planning")
RULE_KEY: Final = (
    "Constant: posterior median, its 90 % interval beside it. Next piece: 90 % interval of what "
    "the next piece, of a new job, will show. 95/95: bound of 95 % of pieces with 95 % "
    "confidence, on the side that hurts. n with ≥: so many of them are lower bounds (clipped)."
)
SCORE_HEAD: Final = ("method", "n", "measured/predicted", "spread", "within 5 to 95 %", "KS p")
SCORE_KEY: Final = (
    "Peaks against the prediction stored before each lowering. Measured/predicted: geometric "
    "mean over the predicted median; spread: SD of its logarithm. Within: share of peaks inside "
    "the stored 5 to 95 % band, 90 % if all is well (90 % interval of that share). KS p: "
    "Kolmogorov-Smirnov test of the percentiles against a uniform spread, from "
    f"{FEWEST_FOR_KS} peaks on; with fewer it says nothing."
)
WEIGHT_HEAD: Final = ("who", "n", "weight/said", "spread", "typical error", "computed on those")
WEIGHT_KEY: Final = (
    "Hang weight over what was said before the cut, geometric mean; spread: SD of its logarithm; "
    "typical error: mean size of that logarithm. Last: the computed weight on the same pieces."
)
_PLACES: Final = {
    "estimate_n": "computed weight",
    "guess_n": "guess",
    "fall_over_rope": "fall over rope in play",
    "fall_over_run": "fall over braking distance",
    "share_carried": "share carried",
    "angle_rad": "angle from plumb",
    "lead_n": "tension of the lead",
}


def plain(name: str) -> str:
    """Name as people write it.

    Examples
    --------
    >>> plain("let_run_drop")
    'let run drop'
    """
    return name.replace("_", " ")


def number(value: float | None) -> str:
    """Write a constant or ratio; a dash where there is none.

    Examples
    --------
    >>> number(1.4368), number(math.nan)
    ('1.44', '-')
    """
    return "-" if value is None or not math.isfinite(value) else f"{value:.2f}"


def span(pair: tuple[float, float], to: str = " to ") -> str:
    """Low to high.

    Examples
    --------
    >>> span((1.341, 1.526))
    '1.34 to 1.53'
    """
    return f"{number(pair[0])}{to}{number(pair[1])}"


def adverse_bound(group: GroupResult) -> float:
    """95/95 bound on the side that hurts."""
    return group.upper_95_95 if group.candidates.adverse == "high" else group.lower_95_95


def heading_of(rule: Rule) -> str:
    """Say what the rule says, in one line."""
    if rule.reference == "one" and rule.form == "ratio":
        return f"{rule.title} ({rule.name}): {rule.what} = constant, from {rule.from_what}"
    return f"{rule.title} ({rule.name}): {rule.what} = constant × {rule.from_what}"


def default_of(rule: Rule) -> str:
    """Default and its origin."""
    return f"Default {rule.default:g}: {rule.default_origin}."


def rule_row(group: GroupResult) -> tuple[str, ...]:
    """One group in a row of :data:`RULE_HEAD`."""
    count = f"{group.n} ({group.clipped}≥)" if group.clipped else str(group.n)
    return (
        plain(group.group),
        count,
        str(group.jobs),
        number(group.constant),
        span(group.constant_interval_90, "–"),
        span(group.next_interval_90, "–"),
        number(adverse_bound(group)),
        number(group.planning.number),
    )


def group_words(group: GroupResult, unit: ForceUnit, other_side: str = "") -> str:
    """Say what a row cannot: the default's place, the evidence, the range, the reason."""
    where = "outside" if group.default_excluded else "inside"
    met = "" if group.evidence_missing else " Evidence met."
    words = [
        f"{plain(group.group)}: the default lies {where} the constant's 90 % interval.{met}",
        f"Planning number {number(group.planning.number)}: {group.planning.reason}.",
        f"Range seen: {range_words(group, unit)}.",
    ]
    if other_side:
        other = group.lower_95_95 if group.candidates.adverse == "high" else group.upper_95_95
        words.append(f"To the other side the 95/95 bound is {number(other)}: {other_side}.")
    return " ".join(words)


def range_words(group: GroupResult, unit: ForceUnit) -> str:
    """Range of the pieces in the fit."""
    name = _PLACES.get(group.range_name, plain(group.range_name))
    if group.range_seen is None:
        return f"{name}, not on record"
    low, high = group.range_seen
    if group.range_name.endswith("_n"):
        return f"{name} {format_force(low, unit).removesuffix(f' {unit}')} to {format_force(high, unit)}"
    if group.range_name.endswith("_rad"):
        return f"{name} {math.degrees(low):.0f}° to {math.degrees(high):.0f}°"
    return f"{name} {span((low, high))}"


def residual_words(result: RuleResult, row: Residual) -> str:
    """One large residual."""
    least = "at least " if row.at_least else ""
    off = (
        f"{least}{row.off:.2f} times what the rule expects"
        if result.rule.form == "ratio"
        else f"{least}{row.off:+.2f} estimated weights off the rule"
    )
    return (
        f"{row.lowering}, {plain(result.rule.name)} rule, {plain(row.group)}: {off} "
        f"({row.spreads:+.1f} spreads)"
    )


def ks_words(pit: Pit) -> str:
    """P value of the percentiles, or how many peaks it needs.

    Examples
    --------
    >>> ks_words(Pit((0.0, 1.0), (1.0,), 0.5, None, 3, 0))
    'needs 11'
    """
    if pit.ks_p is None:
        return f"needs {FEWEST_FOR_KS}"
    return f"{pit.ks_p:.2g}"


def _bias_cells(bias: Bias) -> tuple[str, str]:
    return number(bias.ratio), number(bias.sd_log)


def score_rows(scores: SeasonScores) -> list[tuple[str, ...]]:
    """Methods, then all of them, in rows of :data:`SCORE_HEAD`."""
    overall = () if scores.overall is None else (scores.overall,)
    return [_score_row(score) for score in (*scores.methods, *overall)]


def _score_row(score: MethodScore) -> tuple[str, ...]:
    bias = score.bias
    cover = next(each for each in score.coverage if abs(each.level - 0.9) < 1e-9)
    low, high = cover.interval_90
    return (
        plain(score.method),
        f"{bias.n} ({bias.clipped}≥)" if bias.clipped else str(bias.n),
        *_bias_cells(bias),
        f"{100 * cover.share:.0f} % ({100 * low:.0f} to {100 * high:.0f})",
        ks_words(score.pit),
    )


def weight_rows(scores: SeasonScores) -> list[tuple[str, ...]]:
    """Lay out computed weight, then everyone who guessed, in rows of :data:`WEIGHT_HEAD`."""
    rows: list[tuple[str, ...]] = []
    if scores.computed is not None:
        own = scores.computed
        rows.append(
            (
                "computed weight",
                str(own.bias.n),
                *_bias_cells(own.bias),
                _error(own.mean_abs_log),
                "",
            )
        )
    return rows + [_person_row(person) for person in scores.people]


def _error(mean_abs_log: float) -> str:
    return f"{100 * mean_abs_log:.0f} %"


def _person_row(person: PersonScore) -> tuple[str, ...]:
    guessed, computed = person.guessed, person.computed
    same = f"{number(computed.bias.ratio)}, {_error(computed.mean_abs_log)}"
    return (
        person.name, str(guessed.bias.n), *_bias_cells(guessed.bias),
        _error(guessed.mean_abs_log), same,
    )  # fmt: skip


def together_words(scores: SeasonScores) -> str:
    """Everyone on the same pieces; empty where there are none such."""
    if not scores.together:
        return ""
    told = ", ".join(
        f"{score.name} {number(score.bias.ratio)} (typical error {_error(score.mean_abs_log)})"
        for score in scores.together
    )
    return f"On the {scores.together[0].bias.n} pieces that all of them judged: {told}."


def exclusions(results: Sequence[RuleResult]) -> list[tuple[str, str, str]]:
    """List what was left out: lowering, rules, reason; one row a lowering and reason."""
    found: dict[tuple[str, str], list[str]] = {}
    heard = sum(1 for result in results if result.groups or result.excluded)
    for result in results:
        for row in result.excluded:
            rules = found.setdefault((row.lowering, row.reason), [])
            if result.rule.name not in rules:
                rules.append(result.rule.name)
    return [
        (lowering, _rules(names, heard), reason)
        for (lowering, reason), names in sorted(found.items(), key=lambda one: _place(one[0]))
    ]


def _rules(names: Iterable[str], of: int) -> str:
    """Names of rules, shortened to 'all' when it is every one that any lowering spoke of."""
    listed = [plain(name) for name in names]
    return "all rules" if len(listed) == of > 1 else ", ".join(listed)


def _place(key: tuple[str, str]) -> tuple[str, int, str]:
    """Logbook, number, reason: 2 before 10."""
    name, _, at = key[0].rpartition(":")
    return name, int(at) if at.isdigit() else 0, key[1]


def missing_words(unrecorded: Sequence[str], not_tied: Sequence[str], said: int | None) -> str:
    """Say how much of the season is not in the data."""
    told = (
        "How many other pieces were not recorded is not known"
        if said is None
        else f"Pieces not recorded, as entered: {said}"
    )
    return (
        f"Pieces on the sheets without a lowering: {len(unrecorded)}; lowerings not tied to a "
        f"piece: {len(not_tied)}. {told}; crews log the calm ones."
    )
