"""What a figure shows, gathered from a review; everything as the station reads it.

Comes in: a :class:`~analysis.learning.review.Review` and a unit. Goes out: a
:class:`Picture` in SI. Must not: draw, or load matplotlib.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final

import numpy as np

from analysis.learning.margins import Margin
from analysis.learning.review import Review, phase_words
from analysis.reading.trace import Trace
from analysis.showing.wording import KINDS, STANDING, entered, local, title_of
from logger.units import ForceUnit, format_force, format_length

NEAR_BEFORE_S: Final = 0.6
NEAR_AFTER_S: Final = 1.5
_TOGETHER_S: Final = 4.0


@dataclass(frozen=True, slots=True)
class Span:
    """A named stretch of the trace, seconds on the trace's own clock."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class LimitLine:
    """A typed limit at the station; ``label`` says whose it is and of what kind."""

    kind: str
    force_n: float
    label: str


@dataclass(frozen=True, slots=True)
class Band:
    """Predicted peak: 5, 50 and 95 %, with words on when that was made; the middle half."""

    p05_n: float
    p50_n: float
    p95_n: float
    label: str
    p25_n: float | None = None
    p75_n: float | None = None


@dataclass(frozen=True, slots=True)
class Picture:
    """What a picture shows. Forces are above zero, so that the zero line is the slack rope.

    Parameters
    ----------
    title, subtitle : str
        Two lines of words above the trace.
    trace : Trace
        Samples as read.
    zero_n : float
        Slack level, taken from every sample.
    phases : tuple of Span
        In order, from the trace's reading.
    hang_n, hang_u_n : float or None
        Hang as the station reads it and its expanded uncertainty (k = 2).
    hang_words : str
        What is said of it in the key.
    peak_n, peak_u_n, peak_time_s : float or None
        Peak, its expanded uncertainty and its time.
    peak_words : str
        What is said of the peak in the key (phase, "at least" when clipped).
    peak_is_lower_bound : bool
        The true peak is at least this.
    near_s : (start_s, end_s) or None
        What the near view shows; by default a little before the peak and more after it.
    band : Band or None
        Predicted peak.
    limits : tuple of LimitLine
        Never a breaking strength.
    cautions : tuple of str
        Words below the key.
    unit : str
        Unit of force.
    """

    title: str
    subtitle: str
    trace: Trace
    zero_n: float = 0.0
    phases: tuple[Span, ...] = ()
    hang_n: float | None = None
    hang_u_n: float | None = None
    hang_words: str = ""
    peak_n: float | None = None
    peak_u_n: float | None = None
    peak_time_s: float | None = None
    peak_words: str = ""
    peak_is_lower_bound: bool = False
    near_s: tuple[float, float] | None = None
    band: Band | None = None
    limits: tuple[LimitLine, ...] = ()
    cautions: tuple[str, ...] = ()
    unit: ForceUnit = "kN"


def picture_of(review: Review, unit: ForceUnit) -> Picture:
    """Gather a lowering's figure.

    Parameters
    ----------
    review : Review
        The lowering.
    unit : str
        Unit of force.

    Returns
    -------
    Picture
        Everything as the station reads it: the hang is a reading, and a limit elsewhere is
        drawn where the station would read when it is reached.
    """
    features = review.features
    phase = phase_words(features.peak_phase or "")
    words = [f"in {phase}"] if phase else []
    if features.peak_is_lower_bound:
        words.insert(0, "a lower bound: the true peak is at least this")
    return Picture(
        title=title_of(review),
        subtitle=_subtitle(review),
        trace=review.source.trace,
        zero_n=features.zero_n,
        phases=tuple(
            Span(phase_words(phase.name), phase.start_s, phase.end_s) for phase in features.phases
        ),
        hang_n=features.hang_reading_n,
        hang_u_n=features.hang_reading_n_u,
        hang_words=_hang_words(review, unit),
        peak_n=features.peak_n,
        peak_u_n=features.peak_n_u,
        peak_time_s=features.peak_time_s,
        peak_words=", ".join(words),
        peak_is_lower_bound=features.peak_is_lower_bound,
        near_s=_near(review),
        band=_band(review),
        limits=_lines(review.margins, unit),
        cautions=STANDING[:1],
        unit=unit,
    )


def alt_text(review: Review, unit: ForceUnit) -> str:
    """Say the figure in one sentence."""
    features = review.features
    if features.peak_n is None:
        return f"{title_of(review)}: force against time; nothing was loaded."
    peak = format_force(features.peak_n, unit, u_n=features.peak_n_u)
    return f"{title_of(review)}: force against time, whole and around the peak of {peak}."


def _subtitle(review: Review) -> str:
    """Name wood, place and time; a line breaks only between them."""
    source = review.source
    words = []
    if source.piece is not None:
        words.append(f"{source.piece.species or 'wood'}, {format_length(source.piece.length_m)}")
    words.append(f"cell at {review.station}")
    words.append(local(source.start_wall_ns))
    if review.invented:
        words.append("an invented job")
    return "\u00a0· ".join(part.replace(" ", "\u00a0") for part in words)


def _near(review: Review) -> tuple[float, float] | None:
    """Show peak and release together where they are not far apart."""
    features = review.features
    times = [features.peak_time_s, features.release_time_s, features.release_peak_time_s]
    known = [time_s for time_s in times if time_s is not None]
    if not known or max(known) - min(known) > _TOGETHER_S:
        return None
    return min(known) - NEAR_BEFORE_S, max(known) + NEAR_AFTER_S


def _hang_words(review: Review, unit: ForceUnit) -> str:
    """Name the weight where the station does not read it directly."""
    features = review.features
    if features.hang_weight_n is None or features.hang_weight_n == features.hang_reading_n:
        return ""
    weight = format_force(features.hang_weight_n, unit, u_n=features.hang_weight_n_u)
    return f"at the cell; weight {weight}"


def _band(review: Review) -> Band | None:
    """Predicted peak, only where it is for this station."""
    stored = review.source.prediction
    if stored is None or review.comparison is None:
        return None
    peak = stored.result["peak_n"]
    when = "stored before the lowering" if stored.made_before else "made AFTER the lowering"
    said = f"{when}, {local(stored.made_wall_ns)}"
    held = stored.result.get("peak_quantiles")
    inner = np.interp((0.25, 0.75), held["p"], held["force_n"]).tolist() if held else (None, None)
    return Band(peak["p05"], peak["p50"], peak["p95"], said, *inner)


def _lines(margins: Iterable[Margin], unit: ForceUnit) -> tuple[LimitLine, ...]:
    """Place each limit once, at the peak, where it is known what the station reads then."""
    found = []
    for margin in margins:
        limit, here_n = margin.limit, margin.reading_at_limit_n
        if margin.load.state == "hang" or here_n is None:
            continue
        place = f"{limit.on}: {KINDS[limit.kind]} {format_force(limit.force_n, unit)}"
        if margin.load.from_main_n != margin.reading_n:
            place += f", reached at about {format_force(here_n, unit)} here"
        static = "; static: against a peak, shock is counted twice"
        tail = static if limit.kind == "working_limit" else ""
        found.append(LimitLine(limit.kind, here_n, f"{place} ({entered(limit)}){tail}"))
    return tuple(found)
