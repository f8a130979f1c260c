"""One lowering reviewed: measured beside predicted, guesses, limits, flags.

Comes in: a :class:`~analysis.source.LoweringSource`. Goes out: a :class:`Review` that gives
itself as JSON, and what words and pictures are made of (``wording.py``). Must not: read a
logbook, predict again, or choose words for a screen.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import msgspec

from analysis.elsewhere import Elsewhere, loads_elsewhere
from analysis.errors import PredictionError
from analysis.learning.compare import Comparison, compare_peak
from analysis.learning.margins import Margin, margin_of
from analysis.learning.measured_at import Readings, readings_of
from analysis.learning.why import Why, explain
from analysis.reading.features import FLAG_WORDS, Features, read_features
from analysis.several_cells import ONE_CELL, Cells, cells_of
from analysis.source import LoweringSource
from logger.records import Limit, piece_key

LATE_PHASES: Final = frozenset({"hang", "lowering", "touchdown", "after"})
"""Phases whose peaks no prediction is about."""


@dataclass(frozen=True, slots=True)
class PeakToCompare:
    """The measured peak that a prediction is about: release or catch, or the pretension."""

    force_n: float
    u_n: float | None
    words: str


@dataclass(frozen=True, slots=True)
class GuessScore:
    """A person's guess beside what was measured; ratios are measured over guessed."""

    by: str
    how: str
    weight_n: float | None
    drop_m: float | None
    weight_ratio: float | None
    made_before: bool


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """A lowering with everything that is said of it.

    Parameters
    ----------
    source : LoweringSource
        Window and records.
    features : Features
        What the trace says.
    compared : PeakToCompare or None
        Which measured peak is set beside the predicted one.
    comparison : Comparison or None
        None without a prediction for this station, or without a peak.
    guesses : tuple of GuessScore
        In the order written.
    margins : tuple of Margin
        Peak against every limit that can be set against it; hang against working limits. What
        a cell at the limit's place measured, else what is inferred there.
    unplaced : tuple of Limit
        Limits that nothing was set against.
    cautions : tuple of str
        From source, comparison and prediction; not the flags.
    why : Why or None
        Measured quantities tested as the explanation; None without a comparison.
    elsewhere : tuple of Elsewhere
        Loads inferred at the other places, at hang and peak; measured ones beside them.
    cells : Cells
        The other cells of the lowering beside this one; empty where it was alone.
    """

    source: LoweringSource
    features: Features
    compared: PeakToCompare | None
    comparison: Comparison | None
    guesses: tuple[GuessScore, ...]
    margins: tuple[Margin, ...]
    unplaced: tuple[Limit, ...]
    cautions: tuple[str, ...]
    why: Why | None = None
    elsewhere: tuple[Elsewhere, ...] = ()
    cells: Cells = ONE_CELL

    @property
    def piece(self) -> str | None:
        """Key of the piece, None when the lowering is not tied."""
        tag = self.source.tag
        return piece_key(tag.job, tag.piece) if tag.piece else None

    @property
    def station(self) -> str:
        """Where the cell sat, in the crew's words; its cell's name when nobody said."""
        return self.source.trace.station or self.source.stream.cell

    @property
    def invented(self) -> bool:
        """Whether the job says that it is invented."""
        job = self.source.job
        return job is not None and job.invented

    def as_json(self) -> dict[str, Any]:
        """Plain values under stable keys, SI."""
        source = self.source
        return {
            "lowering": source.number,
            "job": source.tag.job or None,
            "piece": self.piece,
            "method": source.rig.method if source.rig is not None else None,
            "cell": source.stream.cell,
            "station": self.station,
            "start_wall_ns": source.start_wall_ns,
            "timing": source.trace.timing.to_dict() if source.trace.timing is not None else None,
            "invented": self.invented,
            "calibration": source.origin,
            "measured": self.features.as_json(),
            "predicted": self._predicted_json(),
            "comparison": self._comparison_json(),
            "why": self.why.to_dict() if self.why is not None else None,
            "elsewhere": [one.to_dict() for one in self.elsewhere],
            "cells": self.cells.to_dict(),
            "guesses": [msgspec.to_builtins(guess) for guess in self.guesses],
            "limits": [
                *(_margin_json(margin) for margin in self.margins),
                *(_limit_json(limit) for limit in self.unplaced),
            ],
            "flags": list(self.features.flags),
            "flag_words": {flag: FLAG_WORDS[flag] for flag in self.features.flags},
            "faults": [msgspec.to_builtins(fault) for fault in source.faults],
            "note": source.tag.note,
            "discarded": source.tag.discarded,
            "cautions": list(self.cautions),
        }

    def _predicted_json(self) -> dict[str, Any] | None:
        stored = self.source.prediction
        if stored is None:
            return None
        return {
            **stored.result,
            "made_before": stored.made_before,
            "made_wall_ns": stored.made_wall_ns,
            "software": stored.software,
        }

    def _comparison_json(self) -> dict[str, Any] | None:
        if self.comparison is None or self.compared is None:
            return None
        return {**self.comparison.to_dict(), "what": self.compared.words}


def review_lowering(source: LoweringSource, *, explained: bool = True) -> Review:
    """Read a lowering and set it beside what was predicted, guessed and entered.

    Parameters
    ----------
    source : LoweringSource
        As loaded.
    explained : bool
        Whether measured quantities are tested as the explanation of the difference, and
        loads inferred elsewhere; a season of lowerings needs neither.

    Returns
    -------
    Review
        Without prediction or limits, those parts are empty and a caution says so.
    """
    features = read_features(source.trace)
    cautions = list(source.cautions)
    compared = peak_to_compare(features)
    comparison = _compare(source, features, compared, cautions)
    cells = cells_of(source, features)
    margins, unplaced = _margins(
        source.limits,
        readings_of(source, features, cells, "peak"),
        readings_of(source, features, cells, "hang"),
    )
    return Review(
        source=source,
        features=features,
        compared=compared,
        comparison=comparison,
        guesses=_guesses(source, features),
        margins=margins,
        unplaced=unplaced,
        cautions=tuple(cautions),
        why=_why(source, features, comparison, cautions) if explained else None,
        elsewhere=loads_elsewhere(source, features, cells) if explained else (),
        cells=cells,
    )


def phase_words(name: str) -> str:
    """Name a phase as people write it.

    Examples
    --------
    >>> phase_words("hand_over"), phase_words("hang")
    ('hand-over', 'hang')
    """
    return name.replace("_", "-")


def peak_to_compare(features: Features) -> PeakToCompare | None:
    """Choose the measured peak that a prediction is about.

    The largest force of the lowering, unless it came after the hang (a brake jerk, a
    touchdown): then the release or catch peak.
    """
    if features.peak_n is None:
        return None
    phase = phase_words(features.peak_phase or "")
    if features.peak_phase in LATE_PHASES and features.release_peak_n is not None:
        words = f"release peak (the largest force came later, in {phase})"
        return PeakToCompare(features.release_peak_n, features.release_peak_n_u, words)
    return PeakToCompare(
        features.peak_n, features.peak_n_u, f"peak in {phase}" if phase else "peak"
    )


def _compare(
    source: LoweringSource,
    features: Features,
    compared: PeakToCompare | None,
    cautions: list[str],
) -> Comparison | None:
    """Set the peak beside the prediction, if both are at the same station."""
    stored = source.prediction
    if stored is None:
        cautions.append(
            "no prediction is stored for this lowering"
            if source.piece is not None
            else "not tied to a piece, so nothing was predicted: ropetally tag LOGBOOK "
            f"{source.number} --piece JOB/PIECE"
        )
        return None
    if not stored.made_before:
        cautions.append("the prediction was made after the lowering: it is not a test of it")
    at, cell_at = stored.result.get("station"), source.trace.station
    if cell_at and at != cell_at:
        cautions.append(f"the prediction is for {at}, the cell was at {cell_at}: not compared")
        return None
    if compared is None:
        return None
    try:
        return compare_peak(
            stored.result,
            compared.force_n,
            measured_u_n=compared.u_n,
            clipped=features.peak_is_lower_bound,
        )
    except PredictionError as error:
        cautions.append(str(error))
        return None


def _why(
    source: LoweringSource,
    features: Features,
    comparison: Comparison | None,
    cautions: list[str],
) -> Why | None:
    """Re-predict with measured values from the inputs of the stored prediction."""
    if comparison is None or source.prediction is None:
        return None
    try:
        return explain(
            source.prediction.inputs,
            source.prediction.result,
            features,
            measured_n=comparison.measured_n,
            clipped=comparison.censored,
        )
    except (PredictionError, KeyError) as error:
        cautions.append(f"why they differ was not looked into: {error}")
        return None


def _guesses(source: LoweringSource, features: Features) -> tuple[GuessScore, ...]:
    """Set each guess of the weight beside the hang weight."""
    measured_n = features.hang_weight_n
    return tuple(
        GuessScore(
            guess.by,
            guess.how,
            guess.weight_n,
            guess.drop_m,
            measured_n / guess.weight_n if guess.weight_n and measured_n is not None else None,
            guess.made_before,
        )
        for guess in source.guesses
    )


def _margins(
    limits: Sequence[Limit], peak: Readings, hang: Readings
) -> tuple[tuple[Margin, ...], tuple[Limit, ...]]:
    """Set peak and hang against the limits."""
    margins: list[Margin] = []
    unplaced: list[Limit] = []
    for limit in limits:
        moments = (peak, hang) if limit.kind == "working_limit" else (peak,)
        found = [margin_of(limit, readings) for readings in moments]
        known = [margin for margin in found if margin is not None]
        margins += known
        if not known:
            unplaced.append(limit)
    return tuple(margins), tuple(unplaced)


def _limit_json(limit: Limit) -> dict[str, Any]:
    """Plain values of a limit that nothing was set against."""
    return {
        "on": limit.on,
        "kind": limit.kind,
        "force_n": limit.force_n,
        "by": limit.by,
        "entered": limit.entered,
        "note": limit.note,
        "against": None,
    }


def _margin_json(margin: Margin) -> dict[str, Any]:
    """Plain values of a limit and the load set against it."""
    load = margin.load
    return {
        **_limit_json(margin.limit),
        "against": load.state,
        **load.to_dict(),
        "load_is_lower_bound": load.lower_bound,
        "margin_n": margin.margin_n,
        "share": margin.share,
        "static": margin.limit.kind == "working_limit",
    }
