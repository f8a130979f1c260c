"""What planning costs: 200 pieces of invented rigs, planned one after another.

Run ``python tests/benchmarks/plans_before_the_cut.py [--pieces N] [--json]``. The pieces of
the invented sheets in ``sample_logs/rigs`` (one of each method there) are taken in turn, each
with another length, so that no result is used twice. A plan is the weight, the whole predicted
distribution (2000 draws), the loads at every cell, leg and sling against the limits, the
pretension band and the hinge window. Drawing, and the search for a bigger or smaller piece, which
predicts some dozens of pieces itself, are timed apart, for one piece.

Printed: processor seconds; one process, one thread.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path
from typing import Any, Final

import msgspec

from analysis.predicting.plan import Plan, plan_piece, with_search
from logger.records import Limit, Piece, Rig, Rope
from logger.sheet import read_sheet

PIECES: Final = 200
RIGS: Final = Path(__file__).resolve().parents[2] / "sample_logs" / "rigs"

Case = tuple[Piece, Rig, Rope, tuple[Limit, ...]]


def cases(count: int) -> list[Case]:
    """Pieces in turn, each a little longer than the one before on its rig."""
    known: list[Case] = []
    for path in sorted(RIGS.glob("*.toml")):
        sheet = read_sheet(path)
        rigs = {rig.name: rig for rig in sheet.rig}
        ropes = {rope.name: rope for rope in sheet.rope}
        piece = sheet.piece[0]
        rig = rigs[piece.rig]
        known.append((piece, rig, ropes[rig.rope], sheet.limit))
    made = []
    for i in range(count):
        piece, rig, rope, limits = known[i % len(known)]
        longer = msgspec.structs.replace(
            piece, name=f"{piece.name}-{i}", length_m=piece.length_m * (1.0 + 0.001 * i)
        )
        made.append((longer, rig, rope, limits))
    return made


def timed(count: int) -> dict[str, Any]:
    """Plan the pieces and time it."""
    wanted = cases(count)
    plan_piece(*wanted[0])
    started = time.process_time()
    plans: list[Plan] = [plan_piece(*case) for case in wanted]
    plan_s = time.process_time() - started
    started = time.process_time()
    with_search(plans[0])
    return {
        "pieces": count,
        "methods": len({plan.rig.method for plan in plans}),
        "plan_cpu_s": plan_s,
        "ms_each": 1e3 * plan_s / count,
        "search_cpu_s": time.process_time() - started,
        "heaviest_n": max(plan.estimate.weight_n for plan in plans),
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pieces", type=int, default=PIECES)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    found = timed(given.pieces)
    if given.json:
        print(json.dumps(found))
        return
    print(
        f"{found['pieces']} pieces planned   {found['plan_cpu_s']:.2f} s ({found['ms_each']:.1f} ms each)"
    )
    print(f"one search more     {found['search_cpu_s']:.2f} s")


if __name__ == "__main__":
    main()
