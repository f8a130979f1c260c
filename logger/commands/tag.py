"""``ropetally tag``: ties lowerings to pieces; corrects what was written, keeping all of it.

Comes in: a logbook and what a person says. Goes out: new record versions and a line on
each thing done. Must not: change or remove an older version, or touch samples.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click
import msgspec

from logger.clock import Clock
from logger.commands import planning
from logger.commands.correcting import (
    Done,
    calibrate,
    correct,
    guess,
    history,
    known_piece,
    limit,
)
from logger.commands.output import json_option, listed, logbook_argument, print_json
from logger.commands.selecting import lowering_number
from logger.commands.windows import corrected_window, join, split, undo
from logger.errors import InputError
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Job, Record, Rig, Rope, Tag, piece_key
from logger.sheet import read_sheet

Step = Callable[[Path, dict[str, Any], str | None, list[str]], Done]


def option(name: str, text: str, **more: Any) -> Callable[[Any], Any]:
    """Shorten an option with its help."""
    return click.option(name, help=text, **more)


@click.command()
@logbook_argument
@click.argument("words", nargs=-1, metavar="[N] [FIELD=VALUE]…")
@option("--sheet", "Store this job sheet; tie lowerings in order.", type=click.Path(path_type=Path))
@option("--piece", "Piece to tie to, or to guess: JOB/PIECE.", metavar="JOB/PIECE")
@option("--note", "A note on lowering N.")
@option("--touched/--no-touched", "The piece touched stem or roof.", default=None)
@option("--tag-line-tight/--tag-line-slack", "The tag line pulled on the piece.", default=None)
@option("--discard/--keep", "Leave lowering N out of comparisons, or not.", default=None)
@option("--reason", "Why it is discarded.")
@option("--split-at", "Split lowering N here: 12.5s from its start, or a sample.", metavar="WHEN")
@option("--join", "Join lowering N and this neighbour of the same stream.", metavar="M")
@option("--undo", "Undo the last join, split or window correction of N.", is_flag=True)
@option("--stream", "Which stream's window to correct, when N has several.", type=int)
@option("--first-index", "Correct where the window begins (sample).", type=int)
@option("--last-index", "Correct where the window ends (sample, inclusive).", type=int)
@option("--set", "Correct a record: FIELD=VALUE …", nargs=2, metavar="KIND KEY", type=str)
@option("--history", "Every version of a record.", nargs=2, metavar="KIND KEY", type=str)
@option("--guess-weight", "Somebody's own guess of the weight.", metavar="FORCE")
@option("--guess-drop", "Somebody's own guess of the drop.", metavar="LENGTH")
@option("--guess-by", "Whose guess it is.", metavar="NAME")
@option("--guess-how", "How it was guessed (log chart, girth, gut).", default="")
@option("--limit", "Enter a limit on this rope, node, cell or station.", metavar="NAME")
@option("--limit-kind", "working_limit, peak_allowance or breaking_strength.")
@option("--limit-force", "The limit, with its unit.", metavar="FORCE")
@option("--limit-by", "Who enters it.", metavar="NAME")
@option("--limit-note", "Where the figure comes from.", default="")
@option("--by", "Who writes or corrects.", metavar="NAME", default="")
@json_option
def command(logbook: Path, words: tuple[str, ...], as_json: bool, **said: Any) -> None:
    """Tie lowerings to job and piece; correct what was written.

    \b
    tag LOGBOOK --sheet SHEET                 all lowerings in order to the sheet's pieces
    tag LOGBOOK N --piece JOB/PIECE           one lowering; also --note, --touched …
    tag LOGBOOK N --discard --reason "tag line was on the truck" --by NAME
    tag LOGBOOK N --split-at 12.5s --by NAME  two pieces in one window
    tag LOGBOOK N --join M --by NAME          one piece in two windows; --undo takes it back
    tag LOGBOOK --set piece JOB/PIECE length_m="3.1 m" --by NAME
    tag LOGBOOK --guess-weight "300 kgf" --guess-by NAME --piece JOB/PIECE
    tag LOGBOOK --limit "blue 14" --limit-kind working_limit --limit-force "12 kN" --limit-by NAME
    tag LOGBOOK --history piece JOB/PIECE

    A correction is a new version; the old ones stay, with time and author. A joined lowering
    is kept too: lowerings --all lists it.
    """  # noqa: D301 - click's mark for a paragraph that keeps its lines
    number = next((word for word in words if "=" not in word), None)
    assignments = [word for word in words if "=" in word]
    done = _step(said, number, assignments)(logbook, said, number, assignments)
    lines = done.pop("lines")
    if as_json:
        print_json(done)
    else:
        click.echo("\n".join(lines))


def _step(said: dict[str, Any], number: str | None, assignments: list[str]) -> Step:
    """Choose the one thing that was asked for."""
    asked: dict[Step, bool] = {
        history: said["history"] is not None,
        correct: said["set"] is not None,
        limit: said["limit"] is not None,
        guess: said["guess_weight"] is not None or said["guess_drop"] is not None,
        tie_sheet: said["sheet"] is not None,
        split: said["split_at"] is not None,
        join: said["join"] is not None,
        undo: said["undo"],
    }
    asked[tie_one] = number is not None and not any(asked[step] for step in (split, join, undo))
    wanted = [step for step, is_asked in asked.items() if is_asked]
    if not wanted:
        raise InputError("say what to tag: a lowering's number, --sheet, --set, --limit, --history")
    if wanted[0] in {split, join, undo} and number is None:
        raise InputError("say which lowering: tag LOGBOOK N …")
    if len(wanted) > 1:
        raise InputError(
            "one thing at a time: a number, --sheet, --set, --guess-…, --limit, --split-at, --join"
        )
    if assignments and wanted[0] is not correct:
        raise InputError(f"{assignments[0]!r} goes with --set KIND KEY")
    return wanted[0]


# --- ties ----------------------------------------------------------------------------


def tie_sheet(
    logbook: Path,
    said: dict[str, Any],
    _number: str | None,
    _a: list[str],
    clock: Clock | None = None,
) -> Done:
    """Store a sheet if it is new; tie untagged lowerings in order to its pieces in order.

    ``clock`` stamps what is written; the machine's own when left out.
    """
    with LogbookReader(logbook) as reader:
        rigs, ropes = reader.all_records(Rig), reader.all_records(Rope)
    sheet = read_sheet(said["sheet"], known_rigs=rigs, known_ropes=ropes)
    stored = planning.store_sheet(logbook, sheet, said["by"], clock)
    calibrated = calibrate(logbook, sheet.cell)
    with LogbookReader(logbook) as reader:
        windows = reader.lowerings()
        numbers = sorted({w.number for w in windows if w.merged_into is None})
        tags = {int(key): tag for key, tag in reader.all_records(Tag).items()}
    tied_already = {piece_key(tag.job, tag.piece) for tag in tags.values() if tag.piece}
    free = [n for n in numbers if n not in tags or not (tags[n].piece or tags[n].discarded)]
    waiting = [key for key in stored.pieces if key not in tied_already]
    pairs = list(zip(free, waiting, strict=False))
    author = said["by"] or sheet.job.crew
    with LogbookEntries(logbook, clock=clock) as entries:
        for number, key in pairs:
            tag = msgspec.structs.replace(tags.get(number, Tag()), **_piece_fields(key))
            entries.put_record(str(number), tag, author=author)
    left, unused = free[len(pairs) :], waiting[len(pairs) :]
    return {
        "job": stored.job,
        "records_written": stored.n_written,
        "predicted": list(stored.predicted),
        "unpredicted": dict(stored.unpredicted),
        "calibrated_streams": calibrated,
        "tied": [{"lowering": number, "piece": key} for number, key in pairs],
        "lowerings_without_piece": left,
        "pieces_without_lowering": unused,
        "lines": _tie_lines(logbook, stored, calibrated, pairs, left, unused),
    }


def _tie_lines(
    logbook: Path,
    stored: planning.StoredSheet,
    calibrated: list[int],
    pairs: list[tuple[int, str]],
    left: list[int],
    unused: list[str],
) -> list[str]:
    """Say what was stored and tied, and what does not add up."""
    lines = []
    if stored.n_written:
        lines.append(f"stored the sheet of job {stored.job}: {stored.n_written} records written")
    if calibrated:
        lines.append(f"calibrated streams {listed(calibrated)} from the sheet")
    lines += [f"lowering {number} is {key}" for number, key in pairs]
    if not pairs:
        lines.append("nothing new to tie")
    lines += [f"caution: {key} could not be predicted: {why}" for key, why in stored.unpredicted]
    if left:
        lines.append(
            f"caution: without a piece: lowerings {listed(left)}; "
            f"tie each with: ropetally tag {logbook} N --piece JOB/PIECE"
        )
    if unused:
        lines.append(f"caution: without a lowering: {listed(unused)}")
    return lines


def _piece_fields(key: str) -> dict[str, str]:
    """Split ``job/piece`` for a tag."""
    job, _, piece = key.partition("/")
    return {"job": job, "piece": piece}


def tie_one(
    logbook: Path,
    said: dict[str, Any],
    number: str | None,
    _a: list[str],
    clock: Clock | None = None,
) -> Done:
    """Tag one lowering; ``clock`` as for :func:`tie_sheet`."""
    changes = {
        field: said[name]
        for field, name in (
            ("note", "note"),
            ("touched", "touched"),
            ("tag_line_tight", "tag_line_tight"),
            ("discarded", "discard"),
            ("discard_reason", "reason"),
        )
        if said[name] is not None
    }
    if said["discard"] is False:
        changes["discard_reason"] = ""
    with LogbookReader(logbook) as reader:
        chosen = lowering_number(reader, number or "last")
        if said["piece"]:
            changes |= _piece_fields(known_piece(reader, said["piece"]))
        before = reader.record(Tag, str(chosen)) or Tag()
        tag = msgspec.structs.replace(before, **changes)
        _check_tag(reader, chosen, tag, said)
        job = reader.record(Job, tag.job) if tag.job else None
        records = _records(reader, chosen, tag if changes else None, said)
    author = said["by"] or (job.crew if job is not None else "")
    with LogbookEntries(logbook, clock=clock) as entries:
        version = entries.put_records(records, author=author)[0]
    what = piece_key(tag.job, tag.piece) if tag.piece else "not tied to a piece"
    words = [f"lowering {chosen}: {what}"]
    words += [
        text
        for text, is_true in (
            ("touched", tag.touched),
            ("tag line tight", tag.tag_line_tight),
            ("discarded", tag.discarded),
            (f"because: {tag.discard_reason}", bool(tag.discard_reason)),
            ("window corrected", said["first_index"] is not None or said["last_index"] is not None),
            (f"note: {tag.note}", bool(tag.note)),
        )
        if is_true
    ]
    return {
        "lowering": chosen,
        "version": version,
        "tag": msgspec.to_builtins(tag),
        "lines": [f"{', '.join(words)} (version {version})"],
    }


def _check_tag(reader: LogbookReader, number: int, tag: Tag, said: dict[str, Any]) -> None:
    """Refuse what would not make sense of one lowering."""
    if said["reason"] and not tag.discarded:
        raise InputError("--reason says why a lowering is discarded: add --discard")
    into = reader.lowering(number)[0].merged_into
    if said["piece"] and into is not None:
        raise InputError(f"lowering {number} is merged into {into}; tie that one")


def _records(
    reader: LogbookReader, number: int, tag: Tag | None, said: dict[str, Any]
) -> list[tuple[str, Record]]:
    """Give what to write: the tag, the window, or both."""
    records: list[tuple[str, Record]] = [] if tag is None else [(str(number), tag)]
    ends = said["first_index"], said["last_index"]
    if ends != (None, None):
        window = corrected_window(reader, number, *ends, said["stream"])
        records.append((str(number), window))
    if not records:
        raise InputError(f"say what to note on lowering {number}: --piece, --note, --touched, …")
    return records
