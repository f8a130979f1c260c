"""``ropetally simcell``: a simulated cell behind a pseudo-terminal.

Comes in: options. Goes out: a running cell until it is told to end. Must not: import the
capture side; whoever records from it must not be able to tell it from a real port.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from logger.errors import InputError

_FRACTION = click.FloatRange(0.0, 1.0)
_FILE = click.Path(dir_okay=False, path_type=Path)


@click.command("simcell")
@click.option("--link", required=True, type=_FILE, help="Path under which the port appears.")
@click.option("--scenario", default="demo", show_default=True, help="Scenario file, or 'demo'.")
@click.option(
    "--rate",
    default=1000.0,
    show_default=True,
    type=click.FloatRange(1.0, 50_000.0),
    help="Samples per second.",
)
@click.option(
    "--format",
    "form",
    default="binary",
    show_default=True,
    type=click.Choice(["binary", "ascii"]),
    help="How it talks.",
)
@click.option(
    "--seed",
    default=1,
    show_default=True,
    type=click.IntRange(0),
    help="Seed of noise, boot ids and misbehaviour.",
)
@click.option(
    "--weight-factor",
    default=1.0,
    show_default=True,
    type=click.FloatRange(0.05, 20.0),
    help="Multiplies every true weight.",
)
@click.option("--device-id", default="simcell-1", show_default=True, help="What INFO says.")
@click.option(
    "--per-frame",
    default=16,
    show_default=True,
    type=click.IntRange(1, 255),
    help="Samples in a frame.",
)
@click.option(
    "--fifo",
    default=1024,
    show_default=True,
    type=click.IntRange(64),
    help="Bytes of the device's FIFO.",
)
@click.option(
    "--baud",
    default=0,
    show_default=True,
    type=click.IntRange(0),
    help="Speed of the link; 0: as fast as the port takes it.",
)
@click.option(
    "--noise-n",
    default=3.0,
    show_default=True,
    type=click.FloatRange(0.0),
    help="Standard deviation of the noise, newtons.",
)
@click.option("--drift-n-per-min", default=2.0, show_default=True, help="Drift of the zero.")
@click.option("--zero-counts", default=0, show_default=True, help="Counts under no force.")
@click.option("--counts-per-n", default=100.0, show_default=True, help="Counts per newton.")
@click.option(
    "--count-limit",
    default=2_097_152,
    show_default=True,
    type=click.IntRange(1, 2**31 - 1),
    help="The converter clips here.",
)
@click.option(
    "--averaging-s",
    default=None,
    type=click.FloatRange(0.0),
    help="Averaging window of the converter [default: one sample interval].",
)
@click.option("--clock-ppm", default=12.0, show_default=True, help="How fast its clock runs.")
@click.option("--first-tick-us", default=0, show_default=True, help="Tick at boot.")
@click.option("--corrupt", default=0.0, type=_FRACTION, help="Fraction of bytes damaged.")
@click.option("--drop", default=0.0, type=_FRACTION, help="Fraction of frames lost.")
@click.option("--duplicate", default=0.0, type=_FRACTION, help="Fraction of frames sent twice.")
@click.option("--reset-at", default=None, type=float, help="Seconds from START to a reset.")
@click.option("--stop-at", default=None, type=float, help="Seconds from START to silence.")
@click.option("--sent", default=None, type=_FILE, help="The sender's own record (for tests).")
@click.option("--truth", default=None, type=_FILE, help="The hidden truth (for tests).")
@click.option(
    "--exit-when-done",
    default=None,
    type=click.FloatRange(0.0),
    metavar="SECONDS",
    help="End this long after the scenario.",
)
def command(**given: Any) -> None:
    """Run a simulated cell behind a pseudo-terminal until SIGTERM.

    Prints "ready LINK" once the port is there. Control words on standard input: unplug,
    replug, reset, stop, quit. Its forces are invented.
    """  # fmt: skip
    from logger.simcell.device import Converter, DeviceOptions, Misbehaviour
    from logger.simcell.process import CellProcess, ProcessOptions
    from logger.simcell.scenario import ScenarioError, load_scenario
    from logger.simcell.world import make_world

    try:
        world = make_world(load_scenario(given["scenario"]), given["weight_factor"])
    except ScenarioError as error:
        raise InputError(str(error)) from error
    converter = Converter(
        rate_hz=given["rate"],
        counts_per_n=given["counts_per_n"],
        zero_counts=given["zero_counts"],
        noise_n=given["noise_n"],
        drift_n_per_min=given["drift_n_per_min"],
        averaging_s=given["averaging_s"],
        count_limit=given["count_limit"],
        clock_ppm=given["clock_ppm"],
    )
    wrong = Misbehaviour(
        corrupt=given["corrupt"],
        drop=given["drop"],
        duplicate=given["duplicate"],
        reset_at_s=given["reset_at"],
        stop_at_s=given["stop_at"],
    )
    device = DeviceOptions(
        converter=converter,
        misbehaviour=wrong,
        device_id=given["device_id"],
        form=given["form"],
        per_frame=given["per_frame"],
        fifo_bytes=given["fifo"],
        first_tick_us=given["first_tick_us"],
        seed=given["seed"],
    )
    options = ProcessOptions(
        link=given["link"],
        sent=given["sent"],
        truth=given["truth"],
        baud=given["baud"],
        exit_after_s=given["exit_when_done"],
    )
    try:
        cell = CellProcess(options, device, world)
    except OSError as error:
        raise InputError(f"{error.filename}: {error.strerror}; give another path") from error
    cell.run()
