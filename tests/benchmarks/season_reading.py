"""What a season costs: lowerings loaded, read and compared from raw counts, then the rules.

Run ``python tests/benchmarks/season_reading.py [--lowerings N] [--json]``. The season's
logbooks are read again and again until N lowerings are through, each time from the file:
unpacking the counts, fitting the clock, finding the phases, comparing with the stored
prediction, and turning it into observations. One process, one thread. After that the rules
are fitted once from the whole season.

Printed: seconds per 200 lowerings, processor and wall, and what fitting the rules adds.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any, Final

from analysis.learning.rule_fit import fit_rule
from analysis.learning.rules import RULES
from analysis.learning.season_scores import score_season
from logger.commands.season import Season, read_season

FOLDER: Final = Path(__file__).resolve().parents[2] / "sample_logs" / "season"
PER: Final = 200


def timed(lowerings: int, folder: Path = FOLDER) -> dict[str, Any]:
    """Read at least ``lowerings`` of them; seconds per 200, and of one fit of all rules."""
    logbooks = sorted(folder.glob("*.logbook"))
    if not logbooks:
        raise SystemExit(f"{folder}: no logbooks; run from a checkout")
    read, rounds = 0, 0
    season: Season | None = None
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    while read < lowerings:
        season = read_season(logbooks)
        read += season.n_lowerings
        rounds += 1
    wall_s, cpu_s = time.perf_counter() - wall_s, time.process_time() - cpu_s
    assert season is not None
    fit_s = time.process_time()
    groups = sum(len(fit_rule(rule, season.of_rule(rule.name)).groups) for rule in RULES)
    score_season(season.observed)
    return {
        "lowerings": read,
        "rounds": rounds,
        "wall_s_per_200": wall_s * PER / read,
        "cpu_s_per_200": cpu_s * PER / read,
        "rules_cpu_s": time.process_time() - fit_s,
        "groups": groups,
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lowerings", type=int, default=PER)
    parser.add_argument("--json", action="store_true")
    said = parser.parse_args()
    told = timed(said.lowerings)
    if said.json:
        print(json.dumps(told))
        return
    print(
        f"{told['lowerings']} lowerings loaded, read and compared: "
        f"{told['cpu_s_per_200']:.1f} s of processor and {told['wall_s_per_200']:.1f} s on the "
        f"clock per {PER} (target: at most 10 s); rules from a season: "
        f"{told['rules_cpu_s']:.1f} s of processor for {told['groups']} groups"
    )


if __name__ == "__main__":
    main()
