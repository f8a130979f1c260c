"""Noise, constants, values that are no numbers, three samples: a typed error or a flagged result."""

from __future__ import annotations

import json

import numpy as np
import pytest

from analysis.errors import TraceError
from analysis.reading.features import read_features
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.trace import FloatArray, make_trace

PLACES = (Place(), Place("fall", "span_rig"), Place("piece", "snubbed_drop", RopeInPlay(1.0, 9.0)))


def rubbish() -> dict[str, FloatArray]:
    rng = np.random.default_rng(7)
    walk = rng.normal(0.0, 40.0, 3000).cumsum()
    holed = np.abs(walk)
    holed[::7] = np.nan
    return {
        "noise": rng.normal(0.0, 300.0, 3000),
        "walk": walk,
        "holes": holed,
        "steps": np.repeat(rng.uniform(0.0, 2000.0, 60), 50),
        "spikes": np.where(rng.random(3000) < 0.01, 5000.0, 0.0),
    }


@pytest.mark.parametrize("name", list(rubbish()))
@pytest.mark.parametrize("rate_hz", [80.0, 1000.0])
def test_rubbish_is_read_and_doubted(name: str, rate_hz: float) -> None:
    force = rubbish()[name]
    for place in PLACES:
        trace = make_trace(np.arange(force.size) / rate_hz, force, place=place)
        found = read_features(trace)
        assert found.flags
        json.dumps(found.as_json(), allow_nan=False)


@pytest.mark.parametrize("force", [[0.0, 900.0, 10.0], [5.0, 5.0, 5.0]])
def test_three_samples(force: list[float]) -> None:
    found = read_features(make_trace([0.0, 0.1, 0.2], force))
    assert found.flags
    assert found.ring is None
    assert found.free_fall_m is None


def test_a_constant_is_no_load_and_no_numbers_are_an_error() -> None:
    time = np.arange(0.0, 5.0, 0.01)
    assert read_features(make_trace(time, np.full(time.size, 7.0))).flags[0] == "no_load"
    with pytest.raises(TraceError):
        make_trace(time, np.full(time.size, np.nan))
