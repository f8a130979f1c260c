"""A job in one piece: its pieces, lowerings, comparison, gear, what was left out and why.

Comes in: what people wrote of the job, and the reviews of its lowerings. Goes out: a
:class:`JobReport` that gives itself as JSON, and what the page is made of
(``job_page.py``). Must not: read a logbook, predict again, or draw.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec

from analysis.learning.review import Review
from analysis.reading.features import FLAG_WORDS
from analysis.showing.job_gear import GearUse, gear_of
from analysis.showing.wording import STANDING
from logger.records import Guess, Job, Piece, piece_key


@dataclass(frozen=True, slots=True)
class Correction:
    """A later version of something written down: what, when, by whom, which change."""

    kind: str
    key: str
    version: int
    written_wall_ns: int
    author: str
    change: str


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A lowering that is not compared, and the reason."""

    lowering: int
    piece: str | None
    reason: str


@dataclass(frozen=True, slots=True)
class PieceLine:
    """A piece as written, with its computed weight.

    Parameters
    ----------
    key : str
        Of the piece.
    piece : Piece
        As it stands now.
    weight_n, weight_u_n : float or None
        Computed weight and its expanded uncertainty (k = 2), from the prediction that its
        lowering is compared with, else from the newest.
    guesses : tuple of Guess
        In the order written.
    lowerings : tuple of int
        Those tied to it.
    """

    key: str
    piece: Piece
    weight_n: float | None
    weight_u_n: float | None
    guesses: tuple[Guess, ...]
    lowerings: tuple[int, ...]

    def as_json(self) -> dict[str, Any]:
        """Plain values under stable keys, SI."""
        return {
            "piece": self.key,
            "species": self.piece.species or None,
            "length_m": self.piece.length_m,
            "diameters": [msgspec.to_builtins(each) for each in self.piece.diameters],
            "condition": self.piece.condition,
            "weight_n": self.weight_n,
            "weight_u_n": self.weight_u_n,
            "guesses": [msgspec.to_builtins(guess) for guess in self.guesses],
            "lowerings": list(self.lowerings),
        }


@dataclass(frozen=True, slots=True)
class JobRecords:
    """What was written of a job, as the command found it.

    Parameters
    ----------
    job : Job
        As it stands now.
    pieces : mapping
        Key → piece, in the order written.
    predictions : mapping
        Key of a piece → result of its newest prediction.
    corrections : sequence of Correction
        In time order.
    refused : sequence of LeftOut
        Lowerings that could not be read.
    merged : mapping
        Number of a lowering → the one that it is part of now.
    """

    job: Job
    pieces: Mapping[str, Piece]
    predictions: Mapping[str, Mapping[str, Any]]
    corrections: Sequence[Correction] = ()
    refused: Sequence[LeftOut] = ()
    merged: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class JobReport:
    """Everything that is said of a job.

    Parameters
    ----------
    records : JobRecords
        What was written.
    pieces : tuple of PieceLine
        In the order written.
    reviews : tuple of Review
        Every lowering that could be read, discarded ones too.
    compared : tuple of Review
        Those whose peak stands beside a prediction and that nobody discarded.
    left_out : tuple of LeftOut
        All others, with the reason.
    gear : tuple of GearUse
        What they loaded.
    """

    records: JobRecords
    pieces: tuple[PieceLine, ...]
    reviews: tuple[Review, ...]
    compared: tuple[Review, ...]
    left_out: tuple[LeftOut, ...]
    gear: tuple[GearUse, ...]

    @property
    def job(self) -> Job:
        """As it stands now."""
        return self.records.job

    def flags(self) -> dict[str, tuple[int, ...]]:
        """Flag → the lowerings that have it, in the order of the flags' table."""
        return {
            flag: numbers
            for flag in FLAG_WORDS
            if (numbers := tuple(r.source.number for r in self.reviews if flag in r.features.flags))
        }

    def places(self) -> dict[str, tuple[int, ...]]:
        """Where the measured peaks lie → lowerings: inside, above, below, cannot_tell."""
        found: dict[str, list[int]] = {"inside": [], "above": [], "below": [], "cannot_tell": []}
        for review in self.compared:
            found[place_of(review)].append(review.source.number)
        return {place: tuple(numbers) for place, numbers in found.items()}

    def cautions(self) -> tuple[str, ...]:
        """Give the standing ones, and those of the predictions, each once."""
        stored = [r.source.prediction for r in self.reviews if r.source.prediction is not None]
        said = [str(text) for each in stored for text in each.result.get("cautions", ())]
        return tuple(dict.fromkeys([*STANDING, *said]))

    def as_json(self) -> dict[str, Any]:
        """Plain values under stable keys, SI."""
        return {
            "job": msgspec.to_builtins(self.job),
            "invented": self.job.invented,
            "pieces": [line.as_json() for line in self.pieces],
            "lowerings": [review.as_json() for review in self.reviews],
            "compared": [review.source.number for review in self.compared],
            "places": {place: list(numbers) for place, numbers in self.places().items()},
            "left_out": [msgspec.to_builtins(entry) for entry in self.left_out],
            "gear": [use.as_json() for use in self.gear],
            "flags": {flag: list(numbers) for flag, numbers in self.flags().items()},
            "corrections": [msgspec.to_builtins(entry) for entry in self.records.corrections],
            "cautions": list(self.cautions()),
        }


def place_of(review: Review) -> str:
    """Say where a compared peak lies: inside the 5 to 95 % band, above, below, cannot_tell."""
    comparison = review.comparison
    assert comparison is not None  # noqa: S101 - only compared ones are asked
    if comparison.within_90 is None:
        return "cannot_tell"
    if comparison.within_90:
        return "inside"
    return "above" if comparison.measured_n > comparison.predicted_n else "below"


def job_report(records: JobRecords, reviews: Sequence[Review]) -> JobReport:
    """Put a job together.

    Parameters
    ----------
    records : JobRecords
        What was written.
    reviews : sequence of Review
        Of every lowering of the job that could be read.

    Returns
    -------
    JobReport
    """
    left_out = [_left_out(review) for review in reviews]
    return JobReport(
        records=records,
        pieces=tuple(_piece_line(records, key, reviews) for key in records.pieces),
        reviews=tuple(reviews),
        compared=tuple(r for r, out in zip(reviews, left_out, strict=True) if out is None),
        left_out=tuple(
            sorted(
                [
                    *(out for out in left_out if out is not None),
                    *records.refused,
                    *_merged(records),
                ],
                key=lambda out: out.lowering,
            )
        ),
        gear=gear_of(reviews),
    )


def _merged(records: JobRecords) -> list[LeftOut]:
    return [
        LeftOut(number, None, f"merged into lowering {into}: its samples are part of that")
        for number, into in records.merged.items()
    ]


def _left_out(review: Review) -> LeftOut | None:
    """Why a lowering is not compared, None when it is."""
    tag = review.source.tag
    if tag.discarded:
        reason = f"discarded by a person: {tag.discard_reason or 'no reason written'}"
    elif review.comparison is None:
        reason = _why_not(review)
    else:
        return None
    return LeftOut(review.source.number, review.piece, reason)


def _why_not(review: Review) -> str:
    """Give the caution that explains a missing comparison."""
    known = ("no prediction", "not tied", "the prediction is for", "the stored prediction")
    said = [text for text in review.cautions if text.startswith(known)]
    if said:
        return said[0]
    return "no peak was found" if review.compared is None else "; ".join(review.cautions[-1:])


def _piece_line(records: JobRecords, key: str, reviews: Sequence[Review]) -> PieceLine:
    """Gather a piece."""
    own = [review for review in reviews if review.piece == key]
    stored = [r.source.prediction.result for r in own if r.source.prediction is not None]
    result: Mapping[str, Any] = stored[0] if stored else records.predictions.get(key, {})
    weight = result.get("weight", {})
    piece = records.pieces[key]
    return PieceLine(
        key=key,
        piece=piece,
        weight_n=weight.get("weight_n"),
        weight_u_n=weight.get("weight_u_n"),
        guesses=piece.guesses,
        lowerings=tuple(review.source.number for review in own),
    )


def pieces_of(pieces: Mapping[str, Piece], job: str) -> dict[str, Piece]:
    """Pieces of one job.

    Examples
    --------
    >>> pieces_of({}, "orchard")
    {}
    """
    return {key: piece for key, piece in pieces.items() if key.startswith(piece_key(job, ""))}
