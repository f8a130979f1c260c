"""The unseen set of lowerings: reproducible, and with peaks that a slow cell misses."""

from __future__ import annotations

import numpy as np
import pytest
from lowering_generator import SEED as FROZEN_SEED
from lowering_generator import make_lowering
from lowering_generator_unseen import COUNT, RATES_HZ, SEED, make_unseen


@pytest.mark.slow
def test_the_same_number_gives_the_same_unseen_lowering() -> None:
    first, again = make_unseen(64), make_unseen(64)
    assert np.array_equal(first.trace.force_n, again.trace.force_n)
    assert first.truth == again.truth
    assert first.truth.rate_hz == min(RATES_HZ)
    assert {"rate_low", "slow_rate"} <= first.truth.flags
    assert first.truth.peak_samples_n < first.truth.peak_n


@pytest.mark.slow
def test_it_is_another_set_than_the_frozen_one() -> None:
    assert SEED != FROZEN_SEED
    assert COUNT >= 200
    unseen, frozen = make_unseen(6).truth, make_lowering(6).truth
    assert (unseen.method, unseen.station) == (frozen.method, frozen.station)
    assert unseen.weight_n != frozen.weight_n
    assert unseen.fall_m is not None
    assert 0.0 < unseen.fall_m < 6.0
