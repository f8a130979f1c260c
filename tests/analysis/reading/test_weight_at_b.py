"""What a cell at B's end can know of a piece at rest: two weights that leave the same trace.

A rope that came to rest after lowering holds the lighter piece, one that came to rest after
raising the heavier one, at the same place and with the same tension at B. No reader of that
trace can tell them apart; the stated range must hold both. While the piece is lowered the
direction, and with it the side of the band, is known: that is left to two levels.
"""

from __future__ import annotations

import numpy as np
import pytest
from lowering_generator_motion import RopePath, Run, Schedule, run

from analysis.reading.features import read_features
from analysis.reading.place import Place
from analysis.reading.trace import Chain, make_trace

ETA = 0.92
B_M = (6.0, 0.5)
START_M = (3.0, 3.6)


def came_to_rest(weight_n: float, ea_n: float, pay_m: float) -> Run:
    """Pay out (or winch in) rope evenly for 4 s from a rig that hangs there, then wait."""
    x, y = START_M
    lead, stand = float(np.hypot(x, y)), float(np.hypot(B_M[0] - x, y - B_M[1]))
    path = RopePath(weight_n, ea_n, 0.02, lead, 8.0, 0.95, ETA, stand, *B_M)
    t = np.arange(0.0, 14.0, 1.0 / 1000.0)
    no, fast = np.zeros_like(t), np.full_like(t, 1e12)
    # the first second and a half settles the slack rig with a strong damper
    pay = 0.6 - 0.5 * np.sign(pay_m) + pay_m * np.clip((t - 3.0) / 4.0, 0.0, 1.0)
    return run(path, Schedule(t, t < 0.0, no, no, no + 0.2, pay, no, fast, no, no), START_M)


@pytest.mark.slow
def test_two_weights_at_rest_leave_the_same_trace() -> None:
    lowered = came_to_rest(2000.0, 1e6, 0.5)
    raised = came_to_rest(2000.0, 1e6, -0.5)
    late = lowered.time_s > 12.0
    light, heavy = (float(r.standing_n[late].mean()) for r in (lowered, raised))
    assert light > 1.03 * heavy
    heavy_n = 2000.0 * light / heavy
    again = came_to_rest(heavy_n, 1e6 * light / heavy, -0.5)
    assert heavy_n > 1.03 * 2000.0
    assert again.standing_n[late] == pytest.approx(lowered.standing_n[late], rel=0.005)

    reading = light
    low, high = 2000.0 / reading, heavy_n / reading
    middle = 0.5 * (low + high)
    chain = Chain(
        gain=middle, gain_rel_u=(high - low) / middle / np.sqrt(12.0), gain_low=low, gain_high=high
    )
    for trace_of in (lowered, again):
        hang = trace_of.standing_n[trace_of.time_s > 9.0][::5]
        force = np.concatenate((np.zeros(300), np.linspace(0.0, hang[0], 100), hang, np.zeros(300)))
        noise = np.random.default_rng(1).normal(0.0, 1.0, force.size)
        told = read_features(
            make_trace(
                np.arange(force.size) / 200.0,
                force + noise,
                chain=chain,
                place=Place("standing", "span_rig"),
            )
        )
        assert told.hang_weight_low_n is not None
        assert told.hang_weight_high_n is not None
        assert told.hang_weight_low_n < 2000.0 < heavy_n < told.hang_weight_high_n
