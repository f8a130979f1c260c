"""``ropetally copy``: copy a logbook into one closed, checked file.

Comes in: two paths. Goes out: the copy; exit code 1 when the check of it finds something.
Must not: stall a recording or replace a file unasked.
"""

from __future__ import annotations

from pathlib import Path

import click

from logger.commands.check import as_plain, lines
from logger.commands.output import json_option, logbook_argument, print_json
from logger.logbook.copy import copy


@click.command()
@logbook_argument
@click.argument("target", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Replace TARGET if it is there.")
@json_option
@click.pass_context
def command(
    context: click.Context, logbook: Path, target: Path, force: bool, as_json: bool
) -> None:
    """Copy LOGBOOK to TARGET, also while it records; then check the copy."""
    report = copy(logbook, target, force=force)
    if as_json:
        print_json({"logbook": str(logbook), "copy": str(target), **as_plain(report)})
    else:
        click.echo("\n".join([f"copied {logbook} to {target}", *lines(target, report)]))
    if not report.ok:
        context.exit(1)
