"""``ropetally demo``: the whole job on an invented crew, by public commands only.

Comes in: a folder to write to. Goes out: a logbook, a figure per lowering and a page.
Must not: do any work itself that a public command does, or read the simulated truth.
"""

from __future__ import annotations

import contextlib
import os
import shlex
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from importlib import resources
from pathlib import Path
from typing import Any, Final

import click

from logger.errors import InputError, RecordingError, TransportError

LOWERINGS: Final = 5
READY_TIMEOUT_S: Final = 90.0
SHEET: Final = "job_sheet.toml"
LOGBOOK: Final = "demo.logbook"
PAGE: Final = "lowerings.html"
SEASON_RULES: Final = "season-rules.png"
SEASON_PEAKS: Final = "season-peaks.png"
PORT: Final = "simulated-port"
SEASON: Final = Path("sample_logs") / "season"
"""Where a checkout keeps the season; it is not installed with the program."""


def program() -> list[str]:
    """How to start ``ropetally`` as a child: the installed script, else the module."""
    beside = Path(sys.executable).with_name("ropetally")
    return [str(beside)] if beside.exists() else [sys.executable, "-m", "logger"]


def announce(arguments: list[str]) -> None:
    """Print a command as a user would type it."""
    click.secho(f"\n$ ropetally {shlex.join(arguments)}", bold=True)
    sys.stdout.flush()


def run(arguments: list[str], folder: Path) -> None:
    """Print and run one public command; its output goes straight through.

    Raises
    ------
    RecordingError
        The command failed; its own message stands above.
    """
    announce(arguments)
    complain(subprocess.run([*program(), *arguments], cwd=folder, check=False).returncode)


def run_beside(calls: list[list[str]], folder: Path) -> None:
    """Run public commands two at a time; print each with its output, in order.

    Raises
    ------
    RecordingError
        One of them failed.
    """

    def finish(arguments: list[str]) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*program(), *arguments], cwd=folder, check=False,
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip

    with ThreadPoolExecutor(max_workers=2) as pool:
        for arguments, done in zip(calls, pool.map(finish, calls), strict=True):
            announce(arguments)
            click.echo(done.stdout, nl=False)
            complain(done.returncode)


def complain(code: int) -> None:
    """Stop the demo when a step failed; its own message stands above."""
    if code:
        raise RecordingError(
            f"the step above ended with exit code {code}; correct it, then run demo again "
            "with another --out"
        )


@contextlib.contextmanager
def simulated_cell(folder: Path, rate: int, weight_factor: float) -> Iterator[None]:
    """Keep a simulated cell running behind ``folder/simulated-port``."""
    arguments = [
        "simcell", "--link", PORT, "--scenario", "demo",
        "--rate", str(rate), "--truth", "simulated_truth.json",
    ]  # fmt: skip
    if weight_factor != 1.0:
        arguments += ["--weight-factor", f"{weight_factor:g}"]
    announce(arguments)
    cell = subprocess.Popen([*program(), *arguments], cwd=folder, stdin=subprocess.DEVNULL)
    try:
        wait_for_port(folder / PORT, cell)
        yield
    finally:
        cell.terminate()
        try:
            cell.wait(timeout=5)
        except subprocess.TimeoutExpired:
            cell.kill()
            cell.wait()


def wait_for_port(link: Path, cell: subprocess.Popen[Any]) -> None:
    """Wait until the simulated cell's port is there.

    Raises
    ------
    TransportError
        The cell ended or its port did not appear in time.
    """
    deadline = time.monotonic() + READY_TIMEOUT_S
    while not link.exists():
        if cell.poll() is not None or time.monotonic() > deadline:
            raise TransportError("not_found", f"no simulated cell at {link}: see its message above")
        time.sleep(0.02)


def find_season(given: Path | None, places: Sequence[Path]) -> Path | None:
    """Find the folder of logbooks to read as a season.

    Parameters
    ----------
    given : Path or None
        What the user named.
    places : sequence of Path
        Where a checkout may be when nothing was named.

    Returns
    -------
    Path or None
        None when there is none.

    Raises
    ------
    InputError
        The folder that was named holds no logbook.
    """
    for folder in [given] if given is not None else [place / SEASON for place in places]:
        if any(folder.glob("*.logbook")):
            return folder.resolve()
    if given is not None:
        raise InputError(f"{given}: no .logbook in it; name a folder of logbooks with --season")
    return None


def season_call(season: Path, folder: Path) -> list[str]:
    """Give the call that fits and draws the rules of a season."""
    where = os.path.relpath(season, folder)
    return ["rules", where, "--figure", SEASON_RULES, "--pit", SEASON_PEAKS]


@contextlib.contextmanager
def meanwhile(arguments: list[str] | None, folder: Path) -> Iterator[subprocess.Popen[str] | None]:
    """Keep a public command working at low priority; stop it when the demo ends early."""
    if arguments is None:
        yield None
        return
    behind = ["nice", "-n", "10"] if shutil.which("nice") else []
    child = subprocess.Popen(
        [*behind, *program(), *arguments], cwd=folder, stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    with child:
        try:
            yield child
        finally:
            if child.poll() is None:
                child.terminate()


def show_season(child: subprocess.Popen[str] | None, arguments: list[str] | None) -> None:
    """Print the season's rules, or that there is no season here.

    Raises
    ------
    RecordingError
        The command failed.
    """
    if child is None or arguments is None:
        click.echo(
            f"\nNo {SEASON} here (it comes with a checkout, not with the installed program), so no "
            "rules of a season; another folder of logbooks: --season FOLDER"
        )
        return
    output, _ = child.communicate()
    announce(arguments)
    click.echo(output, nl=False)
    complain(child.returncode)


def prepare(folder: Path) -> None:
    """Make the folder and put the invented job sheet there.

    Raises
    ------
    InputError
        The folder already holds a demo.
    """
    folder.mkdir(parents=True, exist_ok=True)
    if (folder / LOGBOOK).exists():
        raise InputError(
            f"{folder / LOGBOOK} is there already and is never overwritten; "
            "choose another folder with --out, or move it away"
        )
    with resources.as_file(resources.files("logger.commands") / "demo_sheet.toml") as source:
        shutil.copyfile(source, folder / SHEET)


@click.command()
@click.option(
    "--out", type=click.Path(file_okay=False, path_type=Path), required=True,
    help="Folder for the logbook, the figures and the page.",
)  # fmt: skip
@click.option(
    "--rate", default=1000, show_default=True, type=click.IntRange(100, 20_000),
    help="Samples per second of the cell.",
)  # fmt: skip
@click.option(
    "--weight-factor", default=1.0, show_default=True, type=click.FloatRange(0.5, 2.0),
    help="Make the simulated pieces this much heavier than they are, unknown to the sheet.",
)  # fmt: skip
@click.option(
    "--season", type=click.Path(file_okay=False, path_type=Path),
    help="Folder of logbooks to fit rules from; ./sample_logs/season if there.",
)  # fmt: skip
def command(out: Path, rate: int, weight_factor: float, season: Path | None) -> None:
    """Run the whole job on an invented crew and a simulated cell.

    Records five lowerings through a real serial path, ties them to the job sheet and
    reviews each; then fits rules of thumb from them and from an invented season. Takes
    about a minute. Crew, site and tree are invented.
    """
    folder = out.resolve()
    many = find_season(season, (Path.cwd(), Path(__file__).resolve().parents[2]))
    prepare(folder)
    click.echo(f"An invented crew, an invented tree. Everything is written to {out}.")
    click.echo(f"Recording takes about 40 s: {LOWERINGS} lowerings at {rate} samples/s.")
    call = season_call(many, folder) if many is not None else None
    with meanwhile(call, folder) as child:
        work(folder, rate, weight_factor)
        show_season(child, call)
    click.echo(
        f"\nDone. Open {out / PAGE} in a browser, or the figures lowering-1.png … beside it."
    )
    if many is not None:
        click.echo(f"The season's rules: {out / SEASON_RULES}; its peaks: {out / SEASON_PEAKS}")
    click.echo(f"The logbook is {out / LOGBOOK}: ropetally review {out / LOGBOOK} last")


def work(folder: Path, rate: int, weight_factor: float) -> None:
    """Record, tie, check, list, review, fit: the public commands in order."""
    with simulated_cell(folder, rate, weight_factor):
        run(
            ["record", LOGBOOK, "--cell", f"serial:{PORT}", "--sheet", SHEET,
             "--hold-s", "1.5", "--lowerings", str(LOWERINGS)],
            folder,
        )  # fmt: skip
    run(["tag", LOGBOOK, "--sheet", SHEET], folder)
    run(["check", LOGBOOK], folder)
    run(["lowerings", LOGBOOK], folder)
    reviews = [["review", LOGBOOK, str(number)] for number in range(1, LOWERINGS + 1)]
    pages = ["review", LOGBOOK, "all", "--out", "."]
    run_beside([*reviews, pages, ["rules", LOGBOOK]], folder)
