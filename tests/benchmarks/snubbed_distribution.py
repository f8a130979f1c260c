"""What the distribution of a snubbed drop costs: all draws at once against LSODA one by one.

Run ``python tests/benchmarks/snubbed_distribution.py [--draws N] [--json]``. Weight,
stiffness, block friction and fall are drawn; the drop is advanced as one batch with a fixed
step, and then each draw once more by adaptive LSODA (``tests/helpers/reference_motion.py``,
scalar equations as lean as they go, scipy's ``odeint``). One process, one thread, the same
run.

Printed: processor seconds of both, their ratio, and the largest difference of a peak.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from typing import Any, Final

import numpy as np

from analysis.predicting.motion import shortest_period_s, simulate
from analysis.predicting.motion_cases import Tackle, snubbed
from analysis.predicting.motion_setup import Body, Line, Sheave
from analysis.predicting.rope import lead_stiffness_n_per_m

sys.path.append(str(Path(__file__).resolve().parents[1] / "helpers"))

DRAWS: Final = 1000
LEAD_M, FALL_M, TAU_S = 1.2, 10.0, 0.008
PER_PERIOD: Final = 44
PART: Final = 0.29
"""Of a period: the peak comes within a quarter and what the weight adds."""


def timed(draws: int, seed: int = 1) -> dict[str, Any]:
    """Time both ways on the same draws."""
    from reference_motion import snub_peak

    rng = np.random.default_rng(seed)
    mass = 200.0 * np.exp(0.1 * rng.standard_normal(draws))
    ea = 1e5 * np.exp(0.2 * rng.standard_normal(draws))
    eta = np.clip(0.9 + 0.03 * rng.standard_normal(draws), 0.5, 1.0)
    fall = rng.uniform(1.2, 2.6, draws)
    started = time.process_time()
    tackle = Tackle(Line(ea, TAU_S), LEAD_M, FALL_M, Sheave(eta))
    setup = snubbed(tackle, Body(mass), fall)
    step = shortest_period_s(setup) / PER_PERIOD
    period = 2.0 * np.pi / np.sqrt(lead_stiffness_n_per_m(ea, LEAD_M, FALL_M, eta) / mass)
    motion = simulate(setup, step, int(np.max(PART * period / step)) + 1, corrections=2)
    peak = motion.peak_n("lead")
    batch_s = time.process_time() - started
    started = time.process_time()
    one_by_one = np.array(
        [snub_peak(mass[i], ea[i], TAU_S, LEAD_M, FALL_M, eta[i], fall[i]) for i in range(draws)]
    )
    lsoda_s = time.process_time() - started
    return {
        "draws": draws,
        "steps": motion.time_s.shape[0],
        "batch_cpu_s": batch_s,
        "lsoda_cpu_s": lsoda_s,
        "times_faster": lsoda_s / batch_s,
        "largest_difference": float(np.abs(peak / one_by_one - 1.0).max()),
        "p50_n": float(np.median(peak)),
        "p95_n": float(np.quantile(peak, 0.95)),
    }


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=DRAWS)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    found = timed(given.draws)
    if given.json:
        print(json.dumps(found))
        return
    print(
        f"{found['draws']} draws at once    {found['batch_cpu_s']:.3f} s ({found['steps']} steps)"
    )
    print(f"one by one, LSODA   {found['lsoda_cpu_s']:.3f} s")
    print(f"times faster        {found['times_faster']:.0f}")
    print(f"largest difference  {100 * found['largest_difference']:.3f} %")


if __name__ == "__main__":
    main()
