"""Make the invented season: sheets, logbooks, truth.

    python sample_logs/make_season.py --out FOLDER [--job NAME]

Comes in: the table of jobs and the seed in ``season_jobs.py``. Goes out: ``sheets/``,
``season/`` and ``truth/`` below the folder. Must not: overwrite a logbook that is there, or
write a row of one except through the program's own functions.
"""  # noqa: INP001 - a script, not a package

from __future__ import annotations

import argparse
import datetime as dt
import sys
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np
from season_files import json_text, toml_text
from season_jobs import (
    CALIBRATION_ERROR,
    COUNTS_PER_N,
    CREW,
    JOBS,
    PEOPLE,
    RUN_OVER_PLANNED,
    SEED,
    SPECIES_BIAS,
    TIP_SHARE,
    ZERO_COUNTS,
    Happening,
    SeasonJob,
)
from season_pieces import DrawnJob, HiddenPiece, draw_job
from season_recording import KeyPress, SeasonClock, Stall, record
from season_sheet import station_of, world_station
from season_truth import wrong_defaults

from logger.cell_line import CellPlan
from logger.commands.planning import store_sheet
from logger.commands.tag import tie_one, tie_sheet
from logger.logbook.reader import LogbookReader
from logger.records import Sheet
from logger.samples import CellInfo, Scaling
from logger.scaling import scaling_of
from logger.sheet import read_sheet
from logger.simcell import scenario
from logger.simcell.device import Converter, Device, DeviceOptions
from logger.simcell.motion import pretension_stairs
from logger.simcell.world import World, make_world, truth_dict

HEADING: Final = (
    "Job sheet of an INVENTED job of an invented crew: no such people, trees or sites exist.\n"
    "Made by sample_logs/make_season.py; the numbers are drawn, nothing was measured."
)
SHEET_AT: Final = dt.time(7, 30)
FIRST_CUT_AT: Final = dt.time(8, 40)
TAGGED_AT: Final = dt.time(17, 15)
MINUTES_APART: Final = (31, 62)
WORLD_STEP_S: Final = 0.001
QUIET_START_S: Final = 2.5
AT_ONCE: Final = 4
"""Jobs made at once; each waits for the disk most of the time."""
COUNT_LIMIT: Final = 2_097_152
WIRE_BYTES_PER_SAMPLE: Final = 5.3
"""Four of counts, and a share of header, check and stuffing at 16 samples a frame."""

SAID: Final = (
    "note", "touched", "tag_line_tight", "discard", "first_index", "last_index", "piece",
    "reason", "stream",
)  # fmt: skip
TOLD: Final[Mapping[str, Mapping[str, object]]] = {
    "tag_line_tight": {"tag_line_tight": True},
    "touched": {"touched": True, "note": "brushed the stem on the way down"},
    "tip_first": {"note": "came down tip first"},
    "gap_at_peak": {"note": "the laptop hung for a moment"},
    "gap_later": {"note": "the laptop hung for a moment"},
}
"""What happened -> what a crew member enters about it."""


def wall_ns(date: str, at: dt.time) -> int:
    """Moment of an invented day, UTC."""
    moment = dt.datetime.combine(dt.date.fromisoformat(date), at, tzinfo=dt.UTC)
    return int(moment.timestamp()) * 1_000_000_000


def make_job(job: SeasonJob, out: Path) -> dict[str, Any]:
    """Make one job: sheet, predictions, recordings, tags, truth.

    Parameters
    ----------
    job : SeasonJob
        Its row of the table.
    out : Path
        Folder that gets ``sheets/``, ``season/`` and ``truth/``.

    Returns
    -------
    dict
        The job's truth, as written.
    """
    rng = np.random.default_rng([SEED, JOBS.index(job)])
    drawn = draw_job(job, rng)
    places = {name: out / name for name in ("sheets", "season", "truth")}
    for place in places.values():
        place.mkdir(parents=True, exist_ok=True)
    sheet_path = places["sheets"] / f"{job.name}.toml"
    sheet_path.write_text(toml_text(drawn.sheet, HEADING), encoding="utf-8")
    sheet = read_sheet(sheet_path)
    logbook = places["season"] / f"{job.name}.logbook"
    if logbook.exists():
        raise SystemExit(f"{logbook} is there already and is never overwritten; choose --out")
    clock = SeasonClock(offset_ns=wall_ns(job.date, dt.time(6, 50)))
    clock.move_to_wall(wall_ns(job.date, SHEET_AT))
    store_sheet(logbook, sheet, CREW, clock)
    clock.move_to_wall(wall_ns(job.date, FIRST_CUT_AT))
    lowerings = []
    for number, piece in enumerate(drawn.pieces, 1):
        lowerings.append(_lower(job, sheet, piece, number, logbook, clock))
        clock.sleep(60.0 * float(rng.uniform(*MINUTES_APART)))
    clock.move_to_wall(max(wall_ns(job.date, TAGGED_AT), clock.wall_ns()))
    _tag(logbook, sheet_path, drawn, clock)
    truth = _truth(job, drawn, logbook, lowerings)
    (places["truth"] / f"{job.name}.json").write_text(json_text(truth), encoding="utf-8")
    return truth


def _lower(
    job: SeasonJob,
    sheet: Sheet,
    piece: HiddenPiece,
    number: int,
    logbook: Path,
    clock: SeasonClock,
) -> dict[str, Any]:
    """Record one lowering; give its truth."""
    world = make_world(_scenario(job, piece))
    device = Device(_device_options(job, number), world)
    known = scaling_of(sheet.cell[0])

    def scaling(_info: CellInfo) -> tuple[Scaling | None, float | None]:
        return known, sheet.cell[0].overload_n

    station = str(station_of(job, piece.kind)["name"])
    cell = CellPlan(sheet.cell[0].name, "simulated", scaling, station)
    moved_s = _tip_moved_s(piece)
    presses = []
    if moved_s is not None and piece.pressed_after_s is not None:
        presses.append(KeyPress("tip_moved", moved_s + piece.pressed_after_s))
    record(logbook, cell, device, clock, _stall(job, piece.happening, world), presses)
    true = truth_dict(world)["lowerings"][0]
    return {
        "lowering": number,
        **true,
        "estimate_n": piece.estimate_n,
        "tip_share": piece.tip_share,
        "tip_moved_s": moved_s,
        "tip_mark_s": presses[0].at_s if presses else None,
        "happening": asdict(piece.happening) if piece.happening else None,
        "world": asdict(piece.lowering),
        "counts_clipped": device.clipped,
        "samples_lost": device.overruns,
        "peak_counts": device.seen[0].counts,
    }


def _tip_moved_s(piece: HiddenPiece) -> float | None:
    """When the tip moves; None when the pretension never carries that much."""
    stairs = pretension_stairs(piece.lowering, WORLD_STEP_S)
    if piece.tip_share is None:
        return None
    reached = np.flatnonzero(stairs >= piece.tip_share * piece.lowering.weight_n)
    return QUIET_START_S + float(reached[0]) * WORLD_STEP_S if reached.size else None


def _scenario(job: SeasonJob, piece: HiddenPiece) -> scenario.Scenario:
    timing = scenario.Timing(
        title=f"{job.name} {piece.name}",
        station=world_station(job, piece.kind),
        quiet_start_s=QUIET_START_S,
        quiet_end_s=5.8,
        step_s=WORLD_STEP_S,
    )
    return scenario.Scenario(timing, (piece.lowering,))


def _device_options(job: SeasonJob, number: int) -> DeviceOptions:
    limit = COUNT_LIMIT
    if job.clip_n is not None:
        limit = ZERO_COUNTS + round(job.clip_n * COUNTS_PER_N)
    return DeviceOptions(
        converter=Converter(
            rate_hz=job.rate_hz,
            counts_per_n=COUNTS_PER_N,
            zero_counts=ZERO_COUNTS,
            noise_n=2.0,
            drift_n_per_min=3.0,
            count_limit=limit,
        ),
        device_id="cell-1-borrowed-amplifier" if job.clip_n is not None else "cell-1-own",
        seed=SEED + 100 * JOBS.index(job) + number,
        battery_pct=96 - 5 * number,
        temperature_c=14.0 + number,
    )


def _stall(job: SeasonJob, happening: Happening | None, world: World) -> Stall | None:
    """When the host is away long enough for the device's FIFO to overflow."""
    fill_s = 1024 / (job.rate_hz * WIRE_BYTES_PER_SAMPLE)
    (true,) = world.lowerings
    if happening is not None and happening.kind == "gap_at_peak":
        return Stall(true.peak_s - fill_s - 0.12, true.peak_s + 0.15)
    if happening is not None and happening.kind == "gap_later":
        return Stall(true.down_s, true.down_s + fill_s + 0.3)
    return None


def _tag(logbook: Path, sheet_path: Path, drawn: DrawnJob, clock: SeasonClock) -> None:
    """Tie lowerings to pieces and note what the crew noticed, as ``ropetally tag`` does."""
    tie_sheet(logbook, {"sheet": sheet_path, "by": "Siskin"}, None, [], clock)
    for number, piece in enumerate(drawn.pieces, 1):
        happening = piece.happening
        if happening is None or not happening.told:
            continue
        clock.sleep(20.0)
        said = {**dict.fromkeys(SAID), **TOLD[happening.kind], "by": "Siskin"}
        tie_one(logbook, said, str(number), [], clock)


def _truth(
    job: SeasonJob, drawn: DrawnJob, logbook: Path, lowerings: list[dict[str, Any]]
) -> dict[str, Any]:
    with LogbookReader(logbook) as reader:
        for true in lowerings:
            made = reader.predictions(f"{job.name}/{true['piece']}")
            true["predicted_peak_p50_n"] = made[-1].result["peak_n"]["p50"] if made else None
    return {
        "invented": True,
        "job": job.name,
        "species": job.species,
        "species_and_job_weight_factor": drawn.weight_factor,
        "rope_stiffness_factor": drawn.rope_factor,
        "calibration_error": CALIBRATION_ERROR,
        "lowerings": lowerings,
    }


def season_truth(truths: Sequence[dict[str, Any]], out: Path) -> dict[str, Any]:
    """Gather what is hidden in the season as a whole."""
    sheets = {truth["job"]: read_sheet(out / "sheets" / f"{truth['job']}.toml") for truth in truths}
    return {
        "invented": True,
        "seed": SEED,
        "species_weight_over_table": dict(SPECIES_BIAS),
        "guess_over_true_weight": {person.name: person.guess_over_true for person in PEOPLE},
        "tip_share": TIP_SHARE,
        "let_run_stopping_distance_over_planned": RUN_OVER_PLANNED,
        "rules_over_these_pieces": wrong_defaults(truths, sheets),
    }


def main(arguments: Sequence[str] | None = None) -> int:
    """Make all jobs, or one."""
    parser = argparse.ArgumentParser(description="Make the invented season.")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    parser.add_argument("--job", choices=[job.name for job in JOBS], help="only this one")
    given = parser.parse_args(arguments)
    started = time.monotonic()
    wanted = [job for job in JOBS if given.job in {None, job.name}]
    truths = []
    with ProcessPoolExecutor(max_workers=min(AT_ONCE, len(wanted))) as workers:
        for truth in workers.map(make_job, wanted, [given.out] * len(wanted)):
            truths.append(truth)
            sys.stdout.write(f"{time.monotonic() - started:5.1f} s  {truth['job']}\n")
            sys.stdout.flush()
    if given.job is None:
        text = json_text(season_truth(truths, given.out))
        (given.out / "truth" / "season.json").write_text(text, encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
