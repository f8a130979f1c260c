"""What reading lowerings costs: from raw counts in a file to a peak beside its prediction.

Run ``python tests/benchmarks/season_reading.py [--lowerings N] [--json]``. Two measurements:

* One logbook of N lowerings (200) of 60 s at 1 kHz, made by a seeded script in a temporary
  folder through the real writer: ten generated lowerings (``tests/helpers``, own physics),
  each many times with another load and other noise, tied to pieces whose predictions are
  stored before. Each is loaded (counts unpacked and checked, clock fitted, calibrated),
  read (phases, quantities, uncertainties) and compared with its stored prediction; then
  every piece is predicted anew from the stored inputs. In one process, and in two that take
  every other pair each: kinds alternate, and reading a followed one costs several times the
  other. Beside it, in the same run: the same counts read and averaged.
* The committed season, read as one and turned into observations; the rules fitted from it.

Printed: processor seconds, and of two processes those of the slower one with its imports:
the clock's seconds where both cores are free. Aim for 200: at most 10 s on two cores.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any, Final

import msgspec
import numpy as np

HELPERS: Final = Path(__file__).resolve().parents[1] / "helpers"
FOLDER: Final = Path(__file__).resolve().parents[2] / "sample_logs" / "season"
PER: Final = 200
RATE_HZ: Final = 1000.0
LENGTH_S: Final = 60.0
_SHAPES: Final = 10


# --- one long logbook ------------------------------------------------------------------


def make_long_logbook(folder: Path, lowerings: int) -> Path:
    """Write one logbook of many lowerings, each of 60 s at 1 kHz; seeded."""
    sys.path.insert(0, str(HELPERS))
    from logbook_factory import FakeClock, make_logbook
    from sheets import SHEET, write_sheet

    from logger.commands.planning import store_sheet
    from logger.logbook.entries import LogbookEntries
    from logger.records import Tag
    from logger.sheet import read_sheet

    path = folder / "long.logbook"
    sheet = read_sheet(write_sheet(folder, many_pieces(SHEET, lowerings)))
    store_sheet(path, sheet, clock=FakeClock())
    rng = np.random.default_rng(200)
    shapes = [_shape(number) for number in range(min(_SHAPES, lowerings))]
    forces = [
        rng.uniform(0.8, 1.25) * shapes[n % len(shapes)] + rng.normal(0.0, 3.0, shapes[0].size)
        for n in range(lowerings)
    ]
    make_logbook(path, forces, rate_hz=RATE_HZ, station=None)
    with LogbookEntries(path) as entries:
        for n in range(lowerings):
            entries.put_record(str(n + 1), Tag(job="orchard", piece=f"L{n + 1}"))
    return path


def many_pieces(sheet: str, count: int) -> str:
    """Repeat the sheet's two pieces in turn, each a little longer than the one before."""
    head, first, second = sheet.split("[[piece]]\n")
    second, tail = second.split("[[cell]]\n")
    pieces = ""
    for n in range(count):
        name, length, one = ("P1", "1.2", first) if n % 2 == 0 else ("P2", "4.0", second)
        longer = f"{float(length) + 0.002 * n:.3f}"
        one = one.replace(f'"{name}"', f'"L{n + 1}"').replace(
            f"length_m = {length}", f"length_m = {longer}"
        )
        one = one.replace(f"at_m = {length}", f"at_m = {longer}")
        pieces += "[[piece]]\n" + one
    return f"{head}{pieces}[[cell]]\n{tail}"


def _shape(number: int) -> np.ndarray:
    """Play one generated lowering at the lead; slack after it, to 60 s."""
    from lowering_generator_motion import run
    from lowering_generator_plan import contacts, draw, schedule

    rng = np.random.default_rng(600 + number)
    d = draw(rng, ("snubbed_drop", "tip_tied")[number % 2], frozenset())
    r = run(d.path, schedule(rng, d), d.start_m, contacts(rng, d), 3.0)
    t = np.arange(0.0, LENGTH_S, 1.0 / RATE_HZ)
    return np.asarray(np.interp(t, r.time_s, r.lead_n, right=0.0))


# --- what is timed --------------------------------------------------------------------


def read_share(path: Path, start: int, step: int, *, predict: bool) -> dict[str, float]:
    """Load, read and compare every ``step``-th pair of lowerings; then predict its pieces anew."""
    from analysis.learning.review import review_lowering
    from analysis.predicting.predict import predict as predicted_anew
    from analysis.source import load_lowering, lowering_numbers
    from logger.logbook.reader import LogbookReader
    from logger.records import Piece, Rig, Rope

    compared = hangs = n = 0
    told = {"load_s": 0.0, "review_s": 0.0, "predict_s": 0.0}
    with LogbookReader(path) as reader:
        for i, number in enumerate(lowering_numbers(reader)):
            if i // 2 % step != start:
                continue
            at = time.process_time()
            source = load_lowering(reader, number)
            loaded = time.process_time()
            review = review_lowering(source, explained=False)
            read = time.process_time()
            if predict and source.prediction is not None:
                inputs = source.prediction.inputs
                predicted_anew(
                    msgspec.convert(inputs["piece"], Piece),
                    msgspec.convert(inputs["rig"], Rig),
                    msgspec.convert(inputs["rope"], Rope),
                )
            told["load_s"] += loaded - at
            told["review_s"] += read - loaded
            told["predict_s"] += time.process_time() - read
            compared += review.comparison is not None
            hangs += review.features.hang_weight_n is not None
            n += 1
    return {**told, "n": n, "compared": compared, "hangs": hangs, "all_s": time.process_time()}


def read_means(path: Path) -> float:
    """Processor seconds of reading the counts of every lowering and taking their mean."""
    from analysis.source import lowering_numbers
    from logger.logbook.reader import LogbookReader

    with LogbookReader(path) as reader:
        windows = reader.lowerings()
        started = time.process_time()
        for window in windows:
            assert window.last_index is not None
            counts = reader.samples(window.stream, window.first_index, window.last_index).counts
            assert np.isfinite(np.mean(counts))
        assert len(lowering_numbers(reader)) == len(windows)
        return time.process_time() - started


def timed_long(lowerings: int) -> dict[str, Any]:
    """Time one logbook of many lowerings, in one process and in two."""
    with tempfile.TemporaryDirectory() as folder:
        path = make_long_logbook(Path(folder), lowerings)
        means_s = min(read_means(path) for _ in range(2))
        one = read_share(path, 0, 1, predict=True)
        wall_s = time.perf_counter()
        children = [
            subprocess.Popen(
                [sys.executable, __file__, "--share", str(path), str(start)],
                stdout=subprocess.PIPE, text=True,
            )
            for start in (0, 1)
        ]  # fmt: skip
        halves = [json.loads(child.communicate()[0]) for child in children]
        wall_s = time.perf_counter() - wall_s
    read_s = one["load_s"] + one["review_s"]
    return {
        "lowerings": int(one["n"]),
        "compared": int(one["compared"]),
        "hangs": int(one["hangs"]),
        "load_s": one["load_s"],
        "review_s": one["review_s"],
        "predict_s": one["predict_s"],
        "one_process_s": read_s + one["predict_s"],
        "two_processes_s": max(half["all_s"] for half in halves),
        "two_processes_wall_s": wall_s,
        "two_processes_n": int(sum(half["n"] for half in halves)),
        "means_s": means_s,
        "ratio_to_means": read_s / means_s,
    }


def timed_season(folder: Path = FOLDER) -> dict[str, Any]:
    """Read the committed season; seconds per 200 lowerings, and of one fit of all rules."""
    from analysis.learning.rule_fit import fit_rule
    from analysis.learning.rules import RULES
    from analysis.learning.season_scores import score_season
    from logger.commands.season import read_season

    logbooks = sorted(folder.glob("*.logbook"))
    if not logbooks:
        raise SystemExit(f"{folder}: no logbooks; run from a checkout")
    started = time.process_time()
    season = read_season(logbooks)
    cpu_s = time.process_time() - started
    fit_s = time.process_time()
    groups = sum(len(fit_rule(rule, season.of_rule(rule.name)).groups) for rule in RULES)
    score_season(season.observed)
    return {
        "season_lowerings": season.n_lowerings,
        "season_cpu_s_per_200": cpu_s * PER / season.n_lowerings,
        "rules_cpu_s": time.process_time() - fit_s,
        "groups": groups,
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lowerings", type=int, default=PER)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--share", nargs=2, help=argparse.SUPPRESS)
    said = parser.parse_args()
    if said.share:
        print(json.dumps(read_share(Path(said.share[0]), int(said.share[1]), 2, predict=True)))
        return
    told = {**timed_long(said.lowerings), **timed_season()}
    if said.json:
        print(json.dumps(told))
        return
    print(
        f"{told['lowerings']} lowerings of {LENGTH_S:.0f} s at 1 kHz from one logbook, processor "
        f"seconds: loaded {told['load_s']:.2f}, read and compared {told['review_s']:.2f}, predicted "
        f"{told['predict_s']:.2f}; together {told['one_process_s']:.2f} in one process, "
        f"{told['two_processes_s']:.2f} on each of two cores with imports (aim for 200: 10; "
        f"{told['two_processes_wall_s']:.2f} on the clock). Counts read and averaged: "
        f"{told['means_s']:.2f}; loading and reading is {told['ratio_to_means']:.1f} times that.\n"
        f"The season's {told['season_lowerings']} lowerings: {told['season_cpu_s_per_200']:.1f} s "
        f"per {PER}; its rules {told['rules_cpu_s']:.1f} s for {told['groups']} groups."
    )


if __name__ == "__main__":
    main()
