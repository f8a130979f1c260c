"""Evidence: the pooled sampler draws from the posterior it states (uniform ranks).

Seeded; writes ``rules_ranks.csv`` beside itself::

    python tests/evidence/rules_ranks.py
"""

from __future__ import annotations

import argparse
import csv
import sys
from pathlib import Path

import numpy as np
from scipy.stats import kstest

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "helpers"))

from pooling_ranks import ranks  # noqa: E402


def main() -> None:
    """Run and write the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--worlds", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=260_701)
    parser.add_argument("--out", type=Path, default=HERE)
    args = parser.parse_args()
    with (args.out / "rules_ranks.csv").open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["quantity", "worlds", "mean_rank", "inside_90", "ks_distance", "ks_p"])
        for name, found in ranks(args.worlds, args.seed).items():
            tested = kstest(found, "uniform")
            inside = np.mean((found > 0.05) & (found < 0.95))
            numbers = (found.mean(), inside, tested.statistic, tested.pvalue)
            line = [name, found.size, *(f"{value:.4f}" for value in numbers)]
            writer.writerow(line)
            print(*line)


if __name__ == "__main__":
    main()
