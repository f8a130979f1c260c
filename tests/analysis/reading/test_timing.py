"""How well a trace's times are known travels from the logbook's fit to review's JSON."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.reading.timing import Timing
from analysis.reading.trace import make_trace


def test_a_trace_from_elsewhere_says_nothing_of_its_times() -> None:
    assert make_trace([0.0, 0.1, 0.2], [1.0, 2.0, 3.0]).timing is None


@pytest.mark.parametrize("latency_s", [None, 0.0018])
def test_words_and_values_tell_whether_the_latency_is_bounded(latency_s: float | None) -> None:
    timing = Timing(0.0021, latency_s, -12.0, 0.5)
    assert ("nothing bounds" in timing.words()) == (latency_s is None)
    assert "± 2.1 ms" in timing.words()
    assert "-12.0 ppm" in timing.words()
    assert timing.to_dict() == {
        "time_error_s": 0.0021, "latency_bound_s": latency_s,
        "clock_drift_ppm": -12.0, "clock_wander_ppm": 0.5,
    }  # fmt: skip
    assert np.isfinite(timing.error_s)


def test_a_sensor_that_the_host_timed_has_no_drift() -> None:
    timing = Timing(10.02, None, None, None)
    assert timing.words().startswith("within ± 10 s of each other, all late by the latency")
    assert timing.words().endswith("; timed by the host as messages came")
    assert timing.to_dict()["clock_drift_ppm"] is None
