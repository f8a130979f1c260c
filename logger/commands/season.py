"""Several logbooks read as one season: what every lowering says, and what is not in it.

Comes in: paths of logbooks. Goes out: a :class:`Season`. Must not: fit rules, write, or
count one recording twice.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from analysis.errors import AnalysisError
from analysis.learning.observations import DISCARDED, NOT_TIED, Observed, observe
from analysis.learning.review import Review, review_lowering
from analysis.learning.rules import Acceptance, Observation
from analysis.source import load_lowering, lowering_numbers
from logger.errors import InputError
from logger.logbook.reader import LogbookReader
from logger.records import Piece, RuleAcceptance, Tag, piece_key

TIP_MOVED: Final = "tip_moved"


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A lowering that says nothing for any rule, and why."""

    lowering: str
    job: str
    reason: str


@dataclass(frozen=True, slots=True)
class Season:
    """Lowerings of one or several logbooks.

    Parameters
    ----------
    logbooks : tuple of Path
    observed : tuple of Observed
        Lowerings tied to a piece, by logbook and number.
    left_out : tuple of LeftOut
        Not tied, not readable, or in two of the logbooks.
    unrecorded : tuple of str
        Pieces written down that no lowering is tied to.
    acceptances : tuple of Acceptance
        On record, in order of time.
    invented : bool
        Some job says that it is invented.
    """

    logbooks: tuple[Path, ...]
    observed: tuple[Observed, ...]
    left_out: tuple[LeftOut, ...]
    unrecorded: tuple[str, ...]
    acceptances: tuple[Acceptance, ...]
    invented: bool

    @property
    def jobs(self) -> tuple[str, ...]:
        """Names of the jobs, in order."""
        return tuple(dict.fromkeys(seen.job for seen in self.observed if seen.job))

    @property
    def crews(self) -> tuple[str, ...]:
        """Pseudonyms of the crews, in order."""
        return tuple(dict.fromkeys(seen.crew for seen in self.observed if seen.crew))

    @property
    def n_lowerings(self) -> int:
        """All lowerings that the logbooks hold."""
        return len(self.observed) + len(self.left_out)

    @property
    def not_tied(self) -> tuple[str, ...]:
        """Lowerings that are not tied to a piece."""
        return tuple(each.lowering for each in self.left_out if each.reason == NOT_TIED)

    def of_rule(self, rule: str) -> tuple[Observation, ...]:
        """Observations for one rule."""
        return tuple(one for seen in self.observed for one in seen.observations.get(rule, ()))


class _Reading:
    """Collects while logbooks are read one after the other."""

    def __init__(self) -> None:
        self.observed: list[Observed] = []
        self.left_out: list[LeftOut] = []
        self.unrecorded: list[str] = []
        self.invented = False
        self._windows: dict[tuple[object, ...], str] = {}

    def read(self, reader: LogbookReader, name: str) -> None:
        """Read all of a logbook."""
        for number in lowering_numbers(reader):
            self._lowering(reader, number, f"{name}:{number}")
        tied = {piece_key(tag.job, tag.piece) for tag in reader.all_records(Tag).values()}
        self.unrecorded += [key for key in reader.all_records(Piece) if key not in tied]

    def _lowering(self, reader: LogbookReader, number: int, label: str) -> None:
        tag = reader.record(Tag, str(number)) or Tag()
        if not tag.piece:
            reason = DISCARDED if tag.discarded else NOT_TIED
            self.left_out.append(LeftOut(label, tag.job, reason))
            return
        try:
            review = review_lowering(load_lowering(reader, number), explained=False)
        except AnalysisError as error:
            self.left_out.append(LeftOut(label, tag.job, f"not readable: {error}"))
            return
        source = review.source
        window = (
            source.stream.cell, source.stream.anchor_wall_ns, source.first_index, source.last_index,
        )  # fmt: skip
        first = self._windows.setdefault(window, label)
        if first != label:
            self.left_out.append(LeftOut(label, tag.job, f"the same recording as {first}"))
            return
        self.invented = self.invented or review.invented
        self.observed.append(observe(review, label, tuple(_tip_moved(reader, review))))


def logbooks_of(paths: Sequence[Path]) -> tuple[Path, ...]:
    """Replace each folder by the logbooks in it, by name.

    Parameters
    ----------
    paths : sequence of Path
        Logbooks and folders.

    Returns
    -------
    tuple of Path

    Raises
    ------
    InputError
        A folder without a logbook.
    """
    found: list[Path] = []
    for path in paths:
        inside = sorted(path.glob("*.logbook")) if path.is_dir() else [path]
        if not inside:
            raise InputError(f"{path}: this folder holds no .logbook file; name a logbook")
        found += inside
    return tuple(found)


def read_season(paths: Sequence[Path]) -> Season:
    """Read logbooks as one season.

    Parameters
    ----------
    paths : sequence of Path
        Logbooks; each is read once.

    Returns
    -------
    Season

    Raises
    ------
    InputError
        A logbook is named twice.
    LogbookError
        One of them cannot be read.
    """
    resolved = [path.resolve() for path in paths]
    for at, path in enumerate(resolved):
        if path in resolved[:at]:
            raise InputError(f"{paths[at]} is named twice; name each logbook once")
    stems = [path.stem for path in paths]
    reading = _Reading()
    for path in paths:
        name = path.stem if stems.count(path.stem) == 1 else str(path)
        with LogbookReader(path) as reader:
            reading.read(reader, name)
    return Season(
        logbooks=tuple(paths),
        observed=tuple(reading.observed),
        left_out=tuple(reading.left_out),
        unrecorded=tuple(reading.unrecorded),
        acceptances=read_acceptances(paths),
        invented=reading.invented,
    )


def _tip_moved(reader: LogbookReader, review: Review) -> Iterator[float]:
    """Seconds of the trace at which 'tip moved' was marked."""
    stream, trace = review.source.stream, review.source.trace
    offset_ns = stream.anchor_wall_ns - stream.anchor_boot_ns - review.source.start_wall_ns
    for mark in reader.marks(stream.session):
        at_s = (mark.at_ns + offset_ns) / 1e9
        if mark.kind == TIP_MOVED and 0.0 <= at_s <= trace.duration_s:
            yield at_s


def read_acceptances(paths: Sequence[Path]) -> tuple[Acceptance, ...]:
    """Read the acceptances that stand in any of the logbooks, in order of time."""
    found: list[tuple[int, Acceptance]] = []
    for path in paths:
        with LogbookReader(path) as reader:
            found += _acceptances(reader)
    return tuple(acceptance for _, acceptance in sorted(found, key=lambda each: each[0]))


def _acceptances(reader: LogbookReader) -> Iterator[tuple[int, Acceptance]]:
    for key in reader.keys("rule_acceptance"):
        version = reader.versions("rule_acceptance", key)[-1]
        record = reader.record(RuleAcceptance, key)
        if record is not None:
            date = dt.datetime.fromtimestamp(version.written_wall_ns / 1e9, dt.UTC).date()
            yield (
                version.written_wall_ns,
                Acceptance(record.rule, record.group, record.number, record.by, date.isoformat()),
            )
