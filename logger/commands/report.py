"""``ropetally report``: a whole job on one HTML page that needs nothing else.

Comes in: a logbook and a job. Goes out: a page, or JSON. Must not: write into the logbook,
or compute what the analysis does.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, cast

import click

from logger.commands.correcting import changes
from logger.commands.output import json_option, logbook_argument, print_json, units_option
from logger.commands.selecting import job_name
from logger.commands.targets import PAGE
from logger.errors import LogbookMissingError
from logger.logbook.reader import LogbookReader
from logger.records import Job, Limit, Piece, Rig, Tag
from logger.units import ForceUnit

if TYPE_CHECKING:
    from analysis.learning.review import Review
    from analysis.showing.job_report import Correction, JobRecords, JobReport


@click.command()
@logbook_argument
@click.option("--job", help="Which job; may be left out when there is only one.")
@click.option("--out", type=PAGE, help="The .html file; report-JOB.html here when left out.")
@units_option
@json_option
def command(logbook: Path, job: str | None, out: Path | None, units: str, as_json: bool) -> None:
    """Write the report of a job of LOGBOOK: one page, for a phone and for paper.

    Job, pieces, measured beside predicted, each lowering, the gear touched, flags, what was
    left out and why, corrections, cautions. With --json the page is written only if --out
    says where. Nothing in it is a permission.
    """
    report = _report(logbook, job)
    path = out if out is not None or as_json else Path(f"report-{_plain(report.job.name)}.html")
    if path is not None:
        from analysis.showing.job_page import write_job_page

        write_job_page(report, path, cast("ForceUnit", units), logbook.name)
    if as_json:
        files = [] if path is None else [str(path)]
        print_json({**report.as_json(), "logbook": str(logbook), "files": files})
        return
    counts = {place: len(numbers) for place, numbers in report.places().items()}
    click.echo(
        f"job {report.job.name}: {len(report.pieces)} pieces, {len(report.reviews)} lowerings, "
        f"{len(report.compared)} compared: {counts['inside']} inside the predicted 5 to 95 %, "
        f"{counts['above']} above, {counts['below']} below, {counts['cannot_tell']} cannot tell"
    )
    for entry in report.left_out:
        click.echo(f"caution: lowering {entry.lowering} is not compared: {entry.reason}")
    click.echo(f"written: {path}")


def _plain(name: str) -> str:
    """Make a file's name of a job's."""
    return re.sub(r"[^\w.-]+", "-", name).strip("-.") or "job"


def _report(logbook: Path, job: str | None) -> JobReport:
    """Read the job and put it together."""
    from analysis.showing.job_report import job_report

    with LogbookReader(logbook) as reader:
        name = job_name(reader, job)
        reviews, records = _read(reader, name)
    return job_report(records, reviews)


def _read(reader: LogbookReader, name: str) -> tuple[list[Review], JobRecords]:
    """Review the lowerings of a job and gather what was written of it."""
    from analysis.errors import AnalysisError
    from analysis.learning.review import review_lowering
    from analysis.showing.job_report import JobRecords, LeftOut, pieces_of
    from analysis.source import load_lowering

    tags = {int(key): tag for key, tag in reader.all_records(Tag).items() if key.isdigit()}
    windows = reader.lowerings()
    links = {w.number: w.merged_into for w in windows if w.merged_into is not None}
    numbers = sorted({w.number for w in windows if tags.get(w.number, Tag()).job == name})
    merged = {n: into for n, into in links.items() if n in numbers or into in numbers}
    reviews: list[Review] = []
    refused: list[LeftOut] = []
    for number in numbers:
        if number in merged:
            continue
        try:
            reviews.append(review_lowering(load_lowering(reader, number)))
        except AnalysisError as error:
            refused.append(LeftOut(number, tags[number].piece or None, f"cannot be read: {error}"))
    pieces = pieces_of(reader.all_records(Piece), name)
    if not numbers and not pieces:
        raise LogbookMissingError(
            f"{reader.path}: job {name} has neither pieces nor lowerings to report"
        )
    record = reader.record(Job, name)
    assert record is not None  # noqa: S101 - its key was just found
    made = {key: reader.predictions(key) for key in pieces}
    return reviews, JobRecords(
        job=record,
        pieces=pieces,
        predictions={key: stored[-1].result for key, stored in made.items() if stored},
        corrections=_corrections(reader, name, {*numbers, *merged}, pieces),
        refused=refused,
        merged=merged,
    )


def _corrections(
    reader: LogbookReader, job: str, numbers: Iterable[int], pieces: dict[str, Piece]
) -> list[Correction]:
    """Later versions of all that the job rests on, in time order."""
    own = [str(number) for number in sorted(numbers)]
    rigs = {piece.rig for piece in pieces.values()}
    known = {name: rig for name, rig in reader.all_records(Rig).items() if name in rigs}
    touched = {rig.rope for rig in known.values()} | {
        node.name for rig in known.values() for node in rig.nodes
    }
    touched |= {rig.station.name for rig in known.values()} | set(reader.keys("cell"))
    keys = {
        "job": [job],
        "piece": list(pieces),
        "rig": sorted(known),
        "rope": sorted({rig.rope for rig in known.values()}),
        "cell": list(reader.keys("cell")),
        "limit": [key for key, x in reader.all_records(Limit).items() if x.on in touched],
        "tag": own,
        "window": own,
    }
    found = [
        correction
        for kind, names in keys.items()
        for key in names
        for correction in _later(reader, kind, key)
    ]
    return sorted(found, key=lambda entry: entry.written_wall_ns)


def _later(reader: LogbookReader, kind: str, key: str) -> list[Correction]:
    """Versions after the first; of a window all, since the trigger's is the first."""
    from analysis.showing.job_report import Correction

    versions = reader.versions(kind, key)
    return [
        Correction(kind, key, v.version, v.written_wall_ns, v.author, change)
        for v, change in zip(versions, changes(versions), strict=True)
        if v.version > 1 or kind == "window"
    ]
