"""``ropetally rules``: a crew's rules of thumb from its own lowerings, and the scores.

Comes in: logbooks. Goes out: tables, JSON, figures; with ``--accept`` one record. Must not:
load matplotlib unless a figure is asked for, write anything else, or choose a number for
anybody: the guard rails say which number stands, and why.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

import click

from logger.commands.output import WIDTH, json_option, listed, print_json, table, units_option
from logger.commands.targets import figure_option
from logger.errors import InputError
from logger.units import ForceUnit, counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.learning.rule_result import GroupResult, RuleResult
    from analysis.learning.rules import Rule
    from analysis.learning.season_scores import SeasonScores
    from logger.commands.season import Season

NAMES: Final = (
    "weight", "guess", "peak", "dynamic_factor", "pretension", "tip", "block", "block_drop",
)  # fmt: skip
"""Names of the rules, for the help; a test compares them with those there are."""


@dataclass(frozen=True, slots=True)
class Learned:
    """Everything that the command shows."""

    season: Season
    results: tuple[RuleResult, ...]
    scores: SeasonScores
    not_recorded: int | None


@click.command()
@click.argument(
    "logbooks", nargs=-1, required=True, metavar="LOGBOOK…", type=click.Path(path_type=Path)
)
@click.option(
    "--rule", "names", multiple=True, type=click.Choice(NAMES),
    help="Only this rule; may be given again.",
)  # fmt: skip
@figure_option("Draw the rules")
@figure_option("Draw where the peaks lay in the stored predictions", "--pit")
@click.option(
    "--not-recorded", type=click.IntRange(min=0), metavar="N",
    help="How many pieces of the season were not recorded, if you know.",
)  # fmt: skip
@click.option(
    "--accept", metavar="RULE/GROUP",
    help="Accept a planning number on the far side of the default, on record.",
)  # fmt: skip
@click.option("--number", type=float, help="The number accepted; the 95/95 bound if not given.")
@click.option("--by", default="", metavar="NAME", help="Who accepts.")
@units_option
@json_option
def command(
    logbooks: tuple[Path, ...],
    names: tuple[str, ...],
    figure: Path | None,
    pit: Path | None,
    not_recorded: int | None,
    accept: str | None,
    number: float | None,
    by: str,
    units: str,
    as_json: bool,
) -> None:
    """Rules of thumb from the lowerings in all LOGBOOKs: constants, bounds, what backs them.

    A folder stands for every .logbook in it.

    A planning number goes towards caution at once; away from it only when the evidence is
    met and a named person accepts it: --accept RULE/GROUP --by NAME, stored in the last
    LOGBOOK. A number from here is never a permission.
    """
    if accept is not None and not by.strip():
        raise InputError("--accept needs the name of the person who accepts: --by NAME")
    unit = cast("ForceUnit", units)
    learned = learn(logbooks, names, not_recorded)
    said = []
    if accept is not None:
        learned, told = accept_number(learned, accept, number, by.strip())
        said.append(told)
    written = _draw(learned, figure, pit)
    if as_json:
        print_json({**as_plain(learned), "accepted": said, "files": [str(p) for p in written]})
        return
    click.echo("\n".join([*said, *lines_of(learned, unit)]))
    for path in written:
        click.echo(f"written: {path}")


def learn(
    logbooks: Sequence[Path], names: Sequence[str] = (), not_recorded: int | None = None
) -> Learned:
    """Read logbooks as one season, fit the rules, score the predictions.

    Parameters
    ----------
    logbooks : sequence of Path
        And folders of them.
    names : sequence of str
        Rules to fit; all when empty.
    not_recorded : int, optional
        Pieces that were not recorded, when somebody knows.

    Returns
    -------
    Learned
    """
    from analysis.learning.rules import RULES
    from analysis.learning.season_scores import score_season
    from logger.commands.season import logbooks_of, read_season

    season = read_season(logbooks_of(logbooks))
    rules = tuple(rule for rule in RULES if not names or rule.name in names)
    results = _fitted(season, rules, not_recorded)
    return Learned(season, results, score_season(season.observed), not_recorded)


def _fitted(
    season: Season, rules: Sequence[Rule], not_recorded: int | None
) -> tuple[RuleResult, ...]:
    from analysis.learning.rule_fit import fit_rule

    return tuple(
        fit_rule(
            rule,
            season.of_rule(rule.name),
            acceptances=season.acceptances,
            not_recorded=not_recorded,
        )
        for rule in rules
    )


def accept_number(
    learned: Learned, wanted: str, number: float | None, by: str
) -> tuple[Learned, str]:
    """Put an acceptance on record in the last logbook.

    Parameters
    ----------
    learned : Learned
    wanted : str
        ``RULE/GROUP``; the rule alone where it has one group.
    number : float or None
        The 95/95 bound when not given.
    by : str
        Who accepts.

    Returns
    -------
    Learned
        With the acceptance.
    str
        What was done.

    Raises
    ------
    InputError
        Nothing is to accept, or not that number.
    """
    from logger.commands.season import read_acceptances
    from logger.logbook.entries import LogbookEntries
    from logger.records import RuleAcceptance

    group = _acceptable(learned, wanted)
    bound = group.candidates.bound
    chosen = bound if number is None else number
    if not (math.isfinite(chosen) and chosen > 0):
        raise InputError(f"--number {chosen:g}: a planning number is above 0")
    if (chosen < bound) if group.candidates.adverse == "high" else (chosen > bound):
        raise InputError(
            f"{wanted}: {chosen:.3g} lies beyond the 95/95 bound {bound:.3g}, which is as far as "
            "the pieces go; accept that, or a number nearer to the default"
        )
    record = RuleAcceptance(
        rule=group.rule,
        group=group.group,
        number=chosen,
        by=by,
        bound=bound,
        pieces=group.n - group.clipped,
        jobs=group.jobs,
    )
    logbooks = learned.season.logbooks
    with LogbookEntries(logbooks[-1]) as entries:
        entries.put_record(f"{group.rule}/{group.group}", record, author=by)
    season = replace(learned.season, acceptances=read_acceptances(logbooks))
    results = _fitted(season, [result.rule for result in learned.results], learned.not_recorded)
    told = f"on record in {logbooks[-1]}: {by} accepts {chosen:.3g} for {wanted}"
    return replace(learned, season=season, results=results), told


def _acceptable(learned: Learned, wanted: str) -> GroupResult:
    """Find the group to accept a number for; refuse where nothing is to accept."""
    groups = {
        f"{group.rule}/{group.group}": group
        for result in learned.results
        for group in result.groups
    }
    chosen = [group for key, group in groups.items() if wanted in {key, group.rule}]
    if len(chosen) != 1:
        rule = wanted.partition("/")[0]
        of_rule = [key for key, group in groups.items() if group.rule == rule]
        known = ", ".join(of_rule or groups) or "none: no rule has a usable piece"
        raise InputError(f"--accept {wanted}: name one rule and group; there are {known}")
    candidates = chosen[0].candidates
    if candidates.missing:
        raise InputError(
            f"--accept {wanted}: the evidence is not met ({', '.join(candidates.missing)}); "
            "record more lowerings first"
        )
    towards_caution = (
        candidates.bound >= candidates.default
        if candidates.adverse == "high"
        else candidates.bound <= candidates.default
    )
    if towards_caution:
        raise InputError(
            f"--accept {wanted}: nothing to accept; the planning number already goes to the "
            f"95/95 bound {candidates.bound:.3g}, more careful than the default"
        )
    return chosen[0]


def lines_of(learned: Learned, unit: ForceUnit) -> list[str]:
    """Lay everything out for a terminal, in at most 80 columns."""
    from analysis.showing import rules_wording as words

    lines = _head(learned)
    for result in learned.results:
        lines += ["", *_wrapped(words.heading_of(result.rule)), *_rule_lines(result, unit)]
    lines += ["", *_wrapped(words.RULE_KEY)]
    lines += ["", "Predictions against measurements", *_score_lines(learned.scores)]
    lines += ["", *_left_out_lines(learned), "", *_large_lines(learned.results)]
    missing = words.missing_words(
        learned.season.unrecorded, learned.season.not_tied, learned.not_recorded
    )
    return [*lines, "", *_wrapped(missing), *(line for c in words.CAUTIONS for line in _wrapped(c))]


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent and f"{indent}  ",
        break_on_hyphens=False,
    )


def _head(learned: Learned) -> list[str]:
    from analysis.showing.wording import INVENTED

    season = learned.season
    crews = f", crew {', '.join(season.crews)}" if season.crews else ""
    head = f"Rules of thumb from {counted(len(season.logbooks), 'logbook')}: {_size(season)}{crews}"
    return [*_wrapped(head), *([INVENTED] if season.invented else [])]


def _size(season: Season) -> str:
    return f"{counted(season.n_lowerings, 'lowering')}, {counted(len(season.jobs), 'job')}"


def _rule_lines(result: RuleResult, unit: ForceUnit) -> list[str]:
    from analysis.showing import rules_wording as words

    lines = _wrapped(words.default_of(result.rule), "  ")
    if not result.groups:
        return [*lines, "  no usable piece: the default stays"]
    lines.append(table(words.RULE_HEAD, [words.rule_row(group) for group in result.groups]))
    for group in result.groups:
        lines += _wrapped(words.group_words(group, unit, result.rule.other_side), "  ")
    return lines


def _score_lines(scores: SeasonScores) -> list[str]:
    from analysis.showing import rules_wording as words

    rows, weights = words.score_rows(scores), words.weight_rows(scores)
    lines = [table(words.SCORE_HEAD, rows)] if rows else ["no peak to compare"]
    lines += _wrapped(words.SCORE_KEY) if rows else []
    lines += ["", "Weights: guess, chart and computed"]
    lines += [table(words.WEIGHT_HEAD, weights)] if weights else ["no weight to compare"]
    for text in (words.WEIGHT_KEY if weights else "", words.together_words(scores)):
        lines += _wrapped(text)
    return lines


def _left_out_lines(learned: Learned) -> list[str]:
    from analysis.showing.rules_wording import exclusions

    rows = [(one.lowering, "all rules", one.reason) for one in learned.season.left_out]
    rows += exclusions(learned.results)
    if not rows:
        return ["Left out: nothing"]
    together: dict[tuple[str, str], list[str]] = {}
    for lowering, rules, reason in rows:
        together.setdefault((reason, rules), []).append(lowering)
    count = len({row[0] for row in rows})
    lines = [f"Left out of a rule, with the reason: {counted(count, 'lowering')}"]
    for (reason, rules), lowerings in sorted(together.items()):
        lines += _wrapped(f"{reason} ({rules}): {listed(lowerings)}", "  ")
    return lines


def _large_lines(results: Sequence[RuleResult]) -> list[str]:
    from analysis.showing.rules_wording import residual_words

    large = [(result, row) for result in results for row in result.residuals if row.large]
    if not large:
        return ["Far off (beyond the central 99 % of next pieces): none"]
    lines = ["Far off (beyond the central 99 % of next pieces), kept in the fit:"]
    for result, row in large:
        lines += _wrapped(residual_words(result, row), "  ")
    return lines


def as_plain(learned: Learned) -> dict[str, Any]:
    """Plain values under stable keys, SI; numbers that are not finite as None."""
    from analysis.showing.rules_wording import CAUTIONS

    season = learned.season
    return cast("dict[str, Any]", _finite({
        "logbooks": [str(path) for path in season.logbooks],
        "invented": season.invented,
        "lowerings": season.n_lowerings,
        "jobs": list(season.jobs),
        "crews": list(season.crews),
        "rules": [result.to_dict() for result in learned.results],
        "scores": learned.scores.to_dict(),
        "left_out": [
            {"lowering": one.lowering, "job": one.job, "reason": one.reason}
            for one in season.left_out
        ],
        "pieces_without_lowering": list(season.unrecorded),
        "lowerings_not_tied": list(season.not_tied),
        "not_recorded": learned.not_recorded,
        "cautions": list(CAUTIONS),
    }))  # fmt: skip


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(inner) for inner in value]
    return value


def _draw(learned: Learned, figure: Path | None, pit: Path | None) -> list[Path]:
    """Draw what was asked for; give what was written."""
    if figure is None and pit is None:
        return []
    from analysis.showing.figures import save_figure
    from analysis.showing.rules_figure import draw_pit, draw_rules

    about = _size(learned.season)
    if learned.season.invented:
        about += "; INVENTED crew and numbers"
    if figure is not None:
        save_figure(draw_rules(learned.results, about), figure)
    if pit is not None:
        save_figure(draw_pit(learned.scores, about), pit)
    return [path for path in (figure, pit) if path is not None]
