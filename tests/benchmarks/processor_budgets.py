"""Processor time of single steps against what the design gives them, and against a yardstick.

Run ``python tests/benchmarks/processor_budgets.py [--repeats N] [--json]``. The yardstick is
``numpy.sort`` of a million doubles, timed in the same run: seconds change with the machine and
its load, the ratio much less. For each step the least of all repeats counts.

Nothing here is asserted; a step over its budget is printed with ``OVER``.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np

from analysis.predicting.band import plan_pretension
from analysis.predicting.predict import predict
from analysis.reading.features import read_features
from logger.decoders import open_decoder
from logger.records import Diameter, Drop, Hinge, Node, Piece, Release, Rig, Rope, Station
from logger.samples import Scaling
from logger.simcell import wire
from logger.trigger import find_windows

sys.path.append(str(Path(__file__).resolve().parents[1] / "helpers"))

Step = Callable[[], object]

ROPE: Final = Rope(name="blue", stiffness_n=60e3, damping_ratio=0.1)
BLOCK: Final = Node(name="A", role="high_block", z_m=10.0)
DEVICE: Final = Node(name="D", role="device")
ENDS: Final = (Diameter(at_m=0.0, diameter_m=0.24), Diameter(at_m=4.0, diameter_m=0.20))


def limb(**given: Any) -> Piece:
    """A limb of 4 m."""
    body: dict[str, Any] = {"release": Release(share_carried=0.8), **given}
    return Piece(
        name="P1", rig="R", length_m=4.0, diameters=ENDS, species="northern red oak", **body
    )


def one_rope() -> Rig:
    """One rope over one block; the cell at the tie."""
    return Rig(
        name="R", method="snubbed_drop", rope="blue", nodes=(BLOCK, DEVICE),
        station=Station(name="tie", mount="end", leg="lead"), lead_length_m=1.2,
    )  # fmt: skip


def span() -> Rig:
    """A span over two blocks; the cell at B's end."""
    far = Node(name="B", role="anchor", x_m=6.0, z_m=9.0)
    return Rig(
        name="R", method="span_rig", rope="blue", rope_length_m=9.0,
        station=Station(name="cell", mount="end", node="B"),
        nodes=(DEVICE, BLOCK, Node(name="P", role="piece_block"), far),
    )  # fmt: skip


def steps() -> list[tuple[str, float, Step]]:
    """Each step: name, budget in seconds, what to run."""
    from synthetic_traces import Cell, make
    from synthetic_traces import Piece as Lowered

    rng = np.random.default_rng(3)
    counts = rng.integers(400, 600, 3_600_000).astype(np.int32)
    blocks = [(i, counts[i : i + 4000]) for i in range(0, len(counts), 4000)]
    scaling = Scaling(zero_counts=500.0, n_per_count=0.1, rel_u=0.0, offset_u_n=0.0, origin="test")
    said = wire.talk("binary")
    rows = rng.integers(-(2**31), 2**31, (5000, 16)).astype(np.int32)
    data = b"".join(said.data(i * 16, i * 16_000, row) for i, row in enumerate(rows))
    parts = [data[i : i + 512] for i in range(0, len(data), 512)]

    def decode() -> None:
        decoder = open_decoder("binary")
        for part in parts:
            decoder.feed(part, 0)

    minute = make(
        Lowered(strokes=6, stroke_s=3.0, settle_s=12.0, hang_s=16.0, slack_s=10.0), Cell()
    ).trace
    falling = limb(drop=Drop(tie_above_block_m=0.6, centre_above_tie_m=0.7))
    held = limb(release=Release(share_carried=0.3))
    hinged = limb(hinge=Hinge(width_m=0.22, thickness_m=0.02))
    return [
        ("windows in an hour at 1000/s", 2.0, lambda: find_windows(blocks, scaling, 1000.0)),
        ("decode 5000 binary frames", 0.5, decode),
        ("read a minute at 1000/s", 0.030, lambda: read_features(minute)),
        ("2000 draws, snubbed drop", 0.020, lambda: predict(falling, one_rope(), ROPE)),
        ("2000 draws, span in closed form", 0.020, lambda: predict(limb(), span(), ROPE)),
        ("span release simulated in time", 0.8, lambda: predict(held, span(), ROPE)),
        ("pretension plan of a span", 0.015, lambda: plan_pretension(hinged, span(), ROPE)),
    ]  # fmt: skip


def least_s(step: Step, repeats: int) -> float:
    """Least processor seconds of some runs."""
    found = []
    for _ in range(repeats):
        started = time.process_time()
        step()
        found.append(time.process_time() - started)
    return min(found)


def timed(repeats: int) -> dict[str, Any]:
    """Every step and the yardstick, one run."""
    numbers = np.random.default_rng(1).standard_normal(1_000_000)
    yardstick = least_s(lambda: np.sort(numbers), repeats)
    rows = []
    for name, budget_s, step in steps():
        used_s = least_s(step, repeats)
        rows.append(
            {"step": name, "cpu_s": used_s, "budget_s": budget_s, "yardsticks": used_s / yardstick}
        )
    return {"yardstick_cpu_s": yardstick, "steps": rows}


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--repeats", type=int, default=10)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    found = timed(given.repeats)
    if given.json:
        print(json.dumps(found))
        return
    print(f"yardstick: a million doubles sorted in {found['yardstick_cpu_s'] * 1e3:.1f} ms")
    print(f"{'step':34s} {'ms':>8s} {'budget':>8s} {'yardsticks':>11s}")
    for row in found["steps"]:
        over = "  OVER" if row["cpu_s"] > row["budget_s"] else ""
        print(
            f"{row['step']:34s} {row['cpu_s'] * 1e3:8.1f} {row['budget_s'] * 1e3:8.0f}"
            f" {row['yardsticks']:11.3f}{over}"
        )


if __name__ == "__main__":
    main()
