"""A review in words: tables for a terminal or a page, remarks, and the picture's content.

Comes in: a :class:`~analysis.learning.review.Review` and a unit. Goes out: plain text and a
:class:`~analysis.showing.figures.Picture`. Must not: compute what ``report.py`` did not, or
word a number so that it could be obeyed.
"""

from __future__ import annotations

import datetime as dt
from typing import Final

from analysis.learning.margins import Margin, PlaceLoad
from analysis.learning.review import GuessScore, Review, phase_words
from analysis.reading.features import FLAG_WORDS
from analysis.showing.elsewhere import elsewhere_rows
from analysis.showing.elsewhere import heading_of as elsewhere_heading
from analysis.showing.reading_wording import identified_rows, weight_words
from analysis.showing.two_cells import HEADING as CELLS_HEADING
from analysis.showing.two_cells import cell_rows
from analysis.showing.why_wording import HEADING as WHY_HEADING
from analysis.showing.why_wording import budget_groups, why_rows
from logger.records import Limit
from logger.units import ForceUnit, format_force, format_length

Rows = list[tuple[str, str]]
Groups = list[tuple[str, Rows]]

STANDING: Final = (
    "A measured or computed load is never permission to stand closer or cut bigger.",
    "The calibration is static; by itself it does not cover shock.",
)
"""Cautions that stand beside every reviewed lowering."""

KINDS: Final = {
    "working_limit": "working limit",
    "peak_allowance": "peak allowance",
    "breaking_strength": "breaking strength",
}
INVENTED: Final = "INVENTED: crew, site, tree and numbers are made up."
DOUBTED: Final = "LESS than inferred there by more than both U: look at which cell sat where"
"""Said of a measured load that is lower than the main cell, rig and friction tell."""
RELEASES: Final = {
    "rise": "rise: the rope took more when the hinge let go",
    "drop": "drop: the rope held more than the piece weighs and eased",
    "gradual": "gradual: no rise or drop stands out",
    "staged": "staged: in steps",
    "catch": "catch: from a slack rope",
    "none": "none found",
}


def title_of(review: Review) -> str:
    """Name a lowering in one line."""
    piece = review.piece or "not tied to a piece"
    return f"Lowering {review.source.number}: {piece}{_method(review, ', ')}"


def _method(review: Review, before: str) -> str:
    rig = review.source.rig
    return f"{before}{rig.method.replace('_', ' ')}" if rig is not None else ""


def local(wall_ns: int) -> str:
    """Wall time in this machine's time zone, to the minute."""
    moment = dt.datetime.fromtimestamp(wall_ns / 1e9).astimezone()
    return moment.strftime("%Y-%m-%d %H:%M")


OVERVIEW: Final = ("no", "piece", "hang", "peak", "predicted", "ratio", "at", "remarks")
"""Heading of the table of several lowerings."""


def overview_row(review: Review, unit: ForceUnit) -> tuple[str, ...]:
    """One lowering in a row: forces in ``unit``, ± U, predicted 5 to 95 %."""
    features, comparison = review.features, review.comparison
    least = "≥ " if features.peak_is_lower_bound else ""
    predicted = ratio = at = "-"
    stored = review.source.prediction
    if stored is not None and comparison is not None:
        peak = stored.result["peak_n"]
        predicted = f"{_bare(peak['p05'], None, unit)} to {_bare(peak['p95'], None, unit)}"
        predicted += "" if stored.made_before else " AFTER"
        ratio = f"{least}{comparison.measured_n / comparison.predicted_n:.2f}"
        at = f"{least}{_place(comparison.percentile)}"
    remarks = [flag.replace("_", " ") for flag in features.flags]
    return (
        str(review.source.number),
        review.piece or "not tied",
        _bare(features.hang_weight_n, features.hang_weight_n_u, unit),
        least + _bare(features.peak_n, features.peak_n_u, unit),
        predicted,
        ratio,
        at,
        ", ".join([*remarks, *(["discarded"] if review.source.tag.discarded else [])]),
    )


def _bare(force_n: float | None, u_n: float | None, unit: ForceUnit) -> str:
    """Show a force without its unit's name."""
    if force_n is None:
        return "-"
    return format_force(force_n, unit, u_n=u_n).removesuffix(f" {unit}")


def groups_of(review: Review, unit: ForceUnit) -> Groups:
    """Everything said of a lowering, as tables of (name, value) under headings."""
    return [
        ("Lowering", _about(review)),
        ("Measured", _measured(review, unit)),
        ("Identified from the trace", identified_rows(review.features, unit)),
        (_predicted_heading(review), _predicted(review, unit)),
        ("Measured beside predicted", _comparison(review)),
        (WHY_HEADING, why_rows(review.why, unit)),
        (CELLS_HEADING, cell_rows(review.cells, unit)),
        (elsewhere_heading(review.elsewhere), elsewhere_rows(review.elsewhere, unit)),
        ("Guesses", [_guess(guess, unit) for guess in review.guesses]),
        ("Limits", [*_margins(review, unit), *(_unplaced(x, unit) for x in review.unplaced)]),
        *budget_groups(review.features, unit),
    ]


def remarks_of(review: Review) -> list[str]:
    """Give flags, faults and cautions in words; what to doubt comes first."""
    features, source = review.features, review.source
    remarks = [_sentence(FLAG_WORDS[flag]) for flag in features.flags if flag != "gap"]
    if features.n_gaps:
        missing = source.last_index - source.first_index + 1 - features.n_samples
        remarks.append(f"Gaps in the window: {features.n_gaps} ({missing} samples missing).")
    kinds: dict[str, int] = {}
    for fault in source.faults:
        kinds[fault.kind] = kinds.get(fault.kind, 0) + fault.n
    if kinds:
        told = ", ".join(f"{kind.replace('_', ' ')} {n}" for kind, n in kinds.items())
        remarks.append(f"Faults noted meanwhile: {told}.")
    if source.tag.discarded:
        remarks.append("Discarded: left out of comparisons by a person.")
    remarks += [_sentence(caution) for caution in review.cautions]
    if source.prediction is not None:
        remarks += [_sentence(text) for text in source.prediction.result.get("warnings", ())]
    return [*dict.fromkeys(remarks), *STANDING]


def _sentence(text: str) -> str:
    """Capital letter and full stop."""
    return f"{text[:1].upper()}{text[1:].rstrip('.')}." if text else ""


def _about(review: Review) -> Rows:
    source = review.source
    rows: Rows = [("piece", review.piece or "not tied to a piece")]
    if source.piece is not None:
        species = f"{source.piece.species}, " if source.piece.species else ""
        condition = source.piece.condition.replace("_", " ")
        rows.append(("wood", f"{species}{format_length(source.piece.length_m)}, {condition}"))
    if source.rig is not None:
        rows.append(("method", source.rig.method.replace("_", " ")))
    station = source.rig.station.mount.replace("_", " ") if source.rig is not None else ""
    mount = f" ({station})" if station else ""
    rows.append(("station", f"{review.station}{mount}, cell {source.stream.cell}"))
    rate = f"{review.features.rate_hz:.0f} samples/s"
    rows.append(("start", f"{local(source.start_wall_ns)}, {rate}"))
    if source.trace.timing is not None:
        rows.append(("times", source.trace.timing.words()))
    if source.tag.note:
        rows.append(("note", source.tag.note))
    return rows


# --- measured ------------------------------------------------------------------------


def _measured(review: Review, unit: ForceUnit) -> Rows:
    features = review.features
    rows: Rows = []
    rows.append(("hang weight", weight_words(features, unit) or "not found"))
    if features.hang_reading_n is not None and features.hang_reading_n != features.hang_weight_n:
        _add(rows, "hang, at the cell", features.hang_reading_n, features.hang_reading_n_u, unit)
    if features.pretension_max_n is not None:
        most = format_force(features.pretension_max_n, unit)
        settled = "never settled"
        if features.pretension_settled_n is not None:
            settled = "settled " + format_force(
                features.pretension_settled_n, unit, u_n=features.pretension_settled_n_u
            )
        rows.append(("pretension", f"{settled}, at most {most}"))
    rows.append(("release", RELEASES[features.release_kind]))
    if features.release_peak_n is not None and features.release_peak_n != features.peak_n:
        _add(rows, "release peak", features.release_peak_n, features.release_peak_n_u, unit)
    rows.append(("peak", peak_words(review, unit)))
    if features.dynamic_factor is not None:
        u = f" ± {features.dynamic_factor_u:.2f}" if features.dynamic_factor_u is not None else ""
        least = "at least " if features.peak_is_lower_bound else ""
        over = "release peak" if features.release_peak_n != features.peak_n else "peak"
        factor = f"{least}{features.dynamic_factor:.2f}{u} ({over} over hang)"
        rows.append(("dynamic factor", factor))
    return rows


def _add(rows: Rows, name: str, value: float | None, u: float | None, unit: ForceUnit) -> None:
    """Add a force that is known, or that it is not."""
    rows.append((name, "not found" if value is None else format_force(value, unit, u_n=u)))


def peak_words(review: Review, unit: ForceUnit) -> str:
    """Peak with its uncertainty, phase and time."""
    features = review.features
    if features.peak_n is None or features.peak_time_s is None:
        return "not found"
    least = "at least " if features.peak_is_lower_bound else ""
    force = format_force(features.peak_n, unit, u_n=features.peak_n_u)
    phase = f" in {phase_words(features.peak_phase)}" if features.peak_phase else ""
    return f"{least}{force}{phase}, at {features.peak_time_s:.2f} s"


# --- predicted -----------------------------------------------------------------------


def _predicted_heading(review: Review) -> str:
    stored = review.source.prediction
    if stored is None:
        return "Predicted"
    when = "stored before the lowering" if stored.made_before else "made AFTER the lowering"
    return f"Predicted, {when} ({local(stored.made_wall_ns)})"


def _predicted(review: Review, unit: ForceUnit) -> Rows:
    stored = review.source.prediction
    if stored is None:
        return []
    names = (("peak_n", "peak"), ("hang_weight_n", "hang weight"))
    return [(name, three(stored.result[key], unit)) for key, name in names if key in stored.result]


def three(band: dict[str, float], unit: ForceUnit) -> str:
    """Show a distribution by its 5, 50 and 95 %.

    Examples
    --------
    >>> three({"p05": 3000.0, "p50": 4000.0, "p95": 6000.0}, "kN")
    '4.00 kN, 5 to 95 %: 3.00 to 6.00 kN'
    """
    low, middle, high = (format_force(band[key], unit) for key in ("p05", "p50", "p95"))
    return f"{middle}, 5 to 95 %: {low.removesuffix(f' {unit}')} to {high}"


def _comparison(review: Review) -> Rows:
    comparison = review.comparison
    rows: Rows = []
    if comparison is not None and review.compared is not None:
        ratio = comparison.measured_n / comparison.predicted_n
        least = "at least " if comparison.censored else ""
        rows.append(("peak", f"{least}{ratio:.2f} × the predicted median"))
        rows.append(
            ("percentile", f"{least}{_place(comparison.percentile)} of 100 ({_inside(review)})")
        )
        rows.append(("compared", review.compared.words))
    stored, weight = review.source.prediction, review.features.hang_weight_n
    if stored is not None and weight is not None and "hang_weight_n" in stored.result:
        ratio = weight / stored.result["hang_weight_n"]["p50"]
        rows.append(("hang weight", f"{ratio:.2f} × the predicted median"))
    return rows


def _place(percentile: float) -> str:
    """Show a percentile, its tails to a tenth."""
    return f"{percentile:.0f}" if 1 <= percentile <= 99 else f"{percentile:.1f}"


def _inside(review: Review) -> str:
    """Say where the measured peak lies in the predicted band."""
    comparison, stored = review.comparison, review.source.prediction
    assert comparison is not None  # noqa: S101 - asked only with one
    assert stored is not None  # noqa: S101 - a comparison comes from one
    if comparison.within_90 is None:
        return "a lower bound cannot tell"
    if comparison.within_90:
        return "inside the 5 to 95 % band"
    above = comparison.measured_n > comparison.predicted_n
    return f"{'above' if above else 'below'} the 5 to 95 % band"


# --- guesses and limits ----------------------------------------------------------------


def _guess(guess: GuessScore, unit: ForceUnit) -> tuple[str, str]:
    """Set a guess beside what was measured."""
    words = []
    if guess.weight_n is not None:
        words.append(f"weight {format_force(guess.weight_n, unit)}")
        if guess.weight_ratio is not None:
            words.append(f"measured {guess.weight_ratio:.2f} × that")
    if guess.drop_m is not None:
        words.append(f"drop {format_length(guess.drop_m)}")
    if guess.how:
        words.append(f"by {guess.how}")
    if not guess.made_before:
        words.append("entered AFTER the lowering")
    return guess.by, ", ".join(words)


def entered(limit: Limit) -> str:
    """Whose limit it is, and since when."""
    return f"{limit.by}, {limit.entered}"


def _margins(review: Review, unit: ForceUnit) -> Rows:
    return [(f"{margin.limit.on}", margin_words(margin, unit)) for margin in review.margins]


def margin_words(margin: Margin, unit: ForceUnit) -> str:
    """Name a limit, its type, who entered it and when, and the load set against it."""
    limit = margin.limit
    load = load_words(margin.load, unit)
    side = "below" if margin.margin_n >= 0 else "ABOVE"
    gap = format_force(abs(margin.margin_n), unit)
    share = f"{100 * margin.share:.0f} %"
    if margin.load.lower_bound:
        load, share = f"at least {load}", f"at least {share}"
        gap = f"at {'most' if margin.margin_n >= 0 else 'least'} {gap}"
    static = "; a static limit: shock is counted twice" if _counts_twice(margin) else ""
    doubt = f"; {DOUBTED}" if margin.load.doubted else ""
    return (
        f"{KINDS[limit.kind]} {format_force(limit.force_n, unit)} ({entered(limit)}): "
        f"{margin.load.state} {load} is {gap} {side} it ({share}){static}{doubt}"
    )


def load_words(load: PlaceLoad, unit: ForceUnit) -> str:
    """Give a load with what is known of it, and whether it was measured there or inferred."""
    if load.inferred:
        low, high = format_force(load.low_n, unit), format_force(load.high_n, unit)
        told = f"{format_force(load.force_n, unit)}, inferred"
        return f"{told} ({low.removesuffix(f' {unit}')} to {high})"
    return f"{format_force(load.force_n, unit, u_n=load.u_n)}, measured (cell {load.cell}),"


def _counts_twice(margin: Margin) -> bool:
    """Whether a shock is set against a limit that already allows for shock."""
    return margin.limit.kind == "working_limit" and margin.load.state == "peak"


def _unplaced(limit: Limit, unit: ForceUnit) -> tuple[str, str]:
    """Name a limit that nothing was set against."""
    why = (
        "not a limit to work to; nothing is set against it"
        if limit.kind == "breaking_strength"
        else "the load there is not known"
    )
    force = format_force(limit.force_n, unit)
    return limit.on, f"{KINDS[limit.kind]} {force} ({entered(limit)}): {why}"
