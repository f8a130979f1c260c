"""``ropetally check``: verify a logbook and say what it holds.

Comes in: a path. Goes out: lines or JSON; exit code 0 when all is well, 1 when not. Must
not: mend anything.
"""

from __future__ import annotations

from pathlib import Path

import click
import msgspec

from logger.commands.output import json_option, logbook_argument, print_json
from logger.logbook.check import Report, StreamReport, check


@click.command()
@logbook_argument
@json_option
@click.pass_context
def command(context: click.Context, logbook: Path, as_json: bool) -> None:
    """Verify LOGBOOK: sums, counts, gaps, windows, keys.

    Reads every stored sample. Works while the logbook is being recorded.
    """
    report = check(logbook)
    if as_json:
        print_json({"logbook": str(logbook), **as_plain(report)})
    else:
        click.echo("\n".join(lines(logbook, report)))
    if not report.ok:
        context.exit(1)


def as_plain(report: Report) -> dict[str, object]:
    """Turn a report into JSON values with stable keys."""
    plain: dict[str, object] = msgspec.to_builtins(report)
    return plain


def lines(logbook: Path, report: Report) -> list[str]:
    """Say what was found in lines that a person understands."""
    n = len(report.problems)
    text = [f"{logbook}: {'all is well' if report.ok else f'{n} problem{_s(n)}'}"]
    text += [f"  problem: {finding}" for finding in report.problems]
    text += [f"  note: {finding}" for finding in report.notes]
    text += [f"  {_stream(stream)}" for stream in report.streams]
    lowerings = len({lowering.number for lowering in report.lowerings})
    text.append(
        f"  {_n(len(report.sessions), 'recording')}, {_n(lowerings, 'lowering')}, "
        f"{_n(report.records, 'record')}, {_n(report.predictions, 'prediction')}, "
        f"{_n(report.marks, 'mark')}"
    )
    if not report.ok:
        text.append(
            "  Keep this file as it is. What is not named above is intact and can be read; "
            "restore the rest from a copy if there is one."
        )
    return text


def _stream(stream: StreamReport) -> str:
    at = f" at {stream.station}" if stream.station else ""
    gaps = f"{_n(stream.gaps, 'gap')}"
    if stream.gaps:
        gaps += f" ({stream.missing} missing)"
    faults = _n(stream.faults, "fault")
    if stream.fault_kinds:
        faults += f" ({', '.join(f'{kind} {n}' for kind, n in stream.fault_kinds.items())})"
    seconds = stream.samples / stream.sample_rate_hz
    end = f"closed: {stream.reason}" if stream.closed else "not closed"
    return (
        f"stream {stream.id}, {stream.cell}{at}: {_n(stream.samples, 'sample')} "
        f"({seconds:.1f} s), {gaps}, {faults}, {end}"
    )


def _n(count: int, noun: str) -> str:
    return f"{count} {noun}{_s(count)}"


def _s(count: int) -> str:
    return "" if count == 1 else "s"
