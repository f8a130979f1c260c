"""Entry point: finds the command's module, maps errors to exit codes in one place.

Comes in: the command line. Goes out: an exit code and, for errors, one line on stderr.
Must not: import a command's module before it is named.

Exit codes: 0 well; 1 the check found something wrong; 2 input to correct; 3 a cell or
port; 4 the logbook or another file; 5 recording had to stop; 70 a fault of the program
itself (``ROPETALLY_TRACEBACK=1`` shows where); 130 interrupted.
"""

from __future__ import annotations

import importlib
import os
import sys
from typing import Final, cast

import click

from logger.commands import COMMANDS
from logger.errors import InputError, LogbookError, LoggerError, RecordingError, TransportError

EXIT_CODES: Final[tuple[tuple[type[BaseException], int], ...]] = (
    (InputError, 2),
    (TransportError, 3),
    (LogbookError, 4),
    (RecordingError, 5),
    (LoggerError, 2),
    (OSError, 4),
)
OWN_FAULT: Final = 70
"""Exit code for a fault of the program itself (EX_SOFTWARE of sysexits.h)."""


class Ropetally(click.Group):
    """A group whose commands are imported only when run."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names in table order."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the named command's module."""
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        return cast("click.Command", importlib.import_module(entry[0]).command)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the table's help lines without importing anything."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])


@click.group(cls=Ropetally, epilog="A number from this program is never a permission. See README.")
@click.version_option(package_name="ropetally", prog_name="ropetally")
def cli() -> None:
    """Measure rope loads in tree work and set them beside the predicted ones."""


def exit_code_of(error: BaseException) -> int | None:
    """Exit code for an error that a user should see as one line, None for a bug."""
    if type(error).__module__.startswith("analysis."):
        return 2
    return next((code for kind, code in EXIT_CODES if isinstance(error, kind)), None)


def message_of(error: BaseException) -> str:
    """Say what, where and what to do next, in one line."""
    if isinstance(error, OSError) and not isinstance(error, LoggerError) and error.strerror:
        where = f"{error.filename}: " if error.filename else ""
        return f"{where}{error.strerror}; check the path, its rights and the room on the disk"
    return str(error)


def fault_of(error: BaseException) -> str:
    """Say in one line that the program itself is at fault, and where."""
    last = error.__traceback__
    while last is not None and last.tb_next is not None:
        last = last.tb_next
    code = None if last is None else last.tb_frame.f_code
    where = "" if last is None or code is None else f" at {code.co_filename}:{last.tb_lineno}"
    what = " ".join(f"{type(error).__name__}: {error}".split())
    return (
        f"a fault of the program, not of your input ({what}{where}); report it with the command "
        "you gave; ROPETALLY_TRACEBACK=1 before it shows more"
    )


def main() -> None:
    """Run the command line."""
    try:
        result = cli.main(standalone_mode=False)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.ClickException as error:
        click.echo(f"ropetally: {error.format_message()}", err=True)
        hint = getattr(error, "ctx", None)
        if hint is not None:
            click.echo(f"try: {hint.command_path} --help", err=True)
        sys.exit(error.exit_code)
    except (click.Abort, KeyboardInterrupt):
        click.echo("ropetally: interrupted", err=True)
        sys.exit(130)
    except Exception as error:
        code = exit_code_of(error)
        if code is None and os.environ.get("ROPETALLY_TRACEBACK"):
            raise
        text = fault_of(error) if code is None else message_of(error)
        click.echo(f"ropetally: {text}", err=True)
        sys.exit(OWN_FAULT if code is None else code)
    sys.exit(result if isinstance(result, int) else 0)
