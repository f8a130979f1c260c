from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.errors import AnalysisError, TraceError, TraceFileError
from analysis.reading.trace import Chain, Gap, make_trace


def test_arrays_are_copies_and_read_only() -> None:
    force = np.array([1.0, 2.0, 3.0])
    trace = make_trace([0.0, 1.0, 2.0], force)
    force[0] = 99.0
    assert trace.force_n[0] == 1.0
    with pytest.raises(ValueError, match="read-only"):
        trace.force_n[0] = 5.0
    assert (trace.n, trace.rate_hz, trace.duration_s) == (3, 1.0, 2.0)


def test_samples_that_are_not_numbers_become_gaps() -> None:
    trace = make_trace(np.arange(6) / 10.0, [1.0, 2.0, math.nan, math.inf, 5.0, 6.0])
    assert trace.n == 4
    assert [(g.start_s, g.end_s) for g in trace.gaps] == [(0.1, 0.4)]


def test_gaps_on_record_join_those_in_the_times() -> None:
    noted = Gap(0.2, 0.5)
    trace = make_trace([0.0, 0.1, 0.2, 0.5, 0.6], np.ones(5), gaps=(noted, Gap(0.5, 0.6)))
    assert trace.gaps == (noted, Gap(0.5, 0.6))


@pytest.mark.parametrize(
    ("time", "force", "words"),
    [
        ([0.0, 1.0], [1.0], "equally long"),
        ([], [], "at least 2"),
        ([0.0], [1.0], "at least 2"),
        ([0.0, math.nan], [1.0, 2.0], "sample 1: its time"),
        ([0.0, 1.0, 1.0], [1.0, 2.0, 3.0], "sample 2"),
        ([0.0, 1.0, 2.0], [math.nan, math.nan, 3.0], "only 1"),
    ],
)
def test_what_cannot_be_a_trace_is_a_typed_error(
    time: list[float], force: list[float], words: str
) -> None:
    with pytest.raises(TraceError, match=words) as caught:
        make_trace(time, force)
    assert isinstance(caught.value, AnalysisError)
    assert isinstance(caught.value, ValueError)


def test_another_chain_keeps_the_samples() -> None:
    trace = make_trace([0.0, 1.0, 2.0], [1.0, 2.0, 3.0])
    other = trace.with_chain(Chain(gain=2.0))
    assert other.chain.gain == 2.0
    assert other.force_n is trace.force_n


def test_file_error_names_file_and_line() -> None:
    assert str(TraceFileError("a.csv", 3, "bad")) == "a.csv:3: bad"
    assert str(TraceFileError("a.csv", None, "bad")) == "a.csv: bad"
