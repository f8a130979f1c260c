"""Which default rules are wrong in the season, from the truth alone.

Comes in: the truth of every job and its sheet. Goes out: for each rule and group the
constant over these pieces. Must not: look at what was recorded.
"""  # noqa: INP001 - a script's module, not a package

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from logger.records import Sheet

DEFAULTS: Final = {"tip": 0.8}
"""As in ``analysis/learning/rules.py``; 1 for all others."""
WRONG: Final = 0.20


def wrong_defaults(
    truths: Sequence[Mapping[str, Any]], sheets: Mapping[str, Sheet]
) -> list[dict[str, Any]]:
    """Constants of the peak, tip, guess and weight rules over these pieces.

    Parameters
    ----------
    truths : sequence of mapping
        As written for each job.
    sheets : mapping of str to Sheet
        Of each job.

    Returns
    -------
    list of dict
        ``rule``, ``group``, ``default``, ``constant`` (geometric mean of the true value
        over the reference), ``scatter`` (SD of its logarithm), ``n``, ``jobs``,
        ``wrong_by_more_than_20_percent``. Lowerings with a tight tag line or a touch are left
        out.
    """
    logs: dict[tuple[str, str], list[tuple[float, str]]] = {}
    for rule, group, job, ratio in _ratios(truths, sheets):
        logs.setdefault((rule, group), []).append((math.log(ratio), job))
    found = []
    for (rule, group), entries in sorted(logs.items()):
        values = [value for value, _ in entries]
        mean = math.fsum(values) / len(values)
        spread = math.fsum((value - mean) ** 2 for value in values) / max(1, len(values) - 1)
        constant, default = math.exp(mean), DEFAULTS.get(rule, 1.0)
        found.append(
            {
                "rule": rule,
                "group": group,
                "default": default,
                "constant": constant,
                "scatter": math.sqrt(spread),
                "n": len(values),
                "jobs": len({job for _, job in entries}),
                "wrong_by_more_than_20_percent": abs(constant / default - 1.0) > WRONG,
            }
        )
    return found


def _ratios(
    truths: Sequence[Mapping[str, Any]], sheets: Mapping[str, Sheet]
) -> Iterator[tuple[str, str, str, float]]:
    for truth in truths:
        pieces = {piece.name: piece for piece in sheets[truth["job"]].piece}
        for true in truth["lowerings"]:
            happening = true["happening"]
            if happening is not None and happening["kind"] in {"tag_line_tight", "touched"}:
                continue
            predicted_n = true["predicted_peak_p50_n"]
            if predicted_n is not None:
                yield "peak", true["method"], truth["job"], true["peak_n"] / predicted_n
            if true["tip_mark_s"] is not None:
                yield "tip", true["method"], truth["job"], true["tip_share"]
            weight_n = true["weight_n"]
            yield "weight", truth["species"], truth["job"], weight_n / true["estimate_n"]
            for guess in pieces[true["piece"]].guesses:
                if guess.weight_n is not None:
                    yield "guess", guess.by, truth["job"], weight_n / guess.weight_n
