"""Percentiles of many comparisons: uniform when the predictor is right, clipped ones kept."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.learning.compare import compare_peak
from analysis.learning.pit import ALL, Compared, report_on

QUANTILES = [0.001, *(0.01 * i for i in range(1, 100)), 0.999]


def compared(n: int, factor: float = 1.0, clip_n: float | None = None) -> list[Compared]:
    rng = np.random.default_rng(5)
    out = []
    for i in range(n):
        draws = 4000.0 * np.exp(0.25 * rng.standard_normal(4000))
        stored = {
            "peak_quantiles": {"p": QUANTILES, "force_n": list(np.quantile(draws, QUANTILES))}
        }
        truth = factor * 4000.0 * float(np.exp(0.25 * rng.standard_normal()))
        clipped = clip_n is not None and truth > clip_n
        read = min(truth, clip_n) if clip_n is not None else truth
        method = ("span_rig", "snubbed_drop")[i % 2]
        comparison = compare_peak(stored, read, clipped=clipped)
        low, high = (float(np.quantile(draws, p)) for p in (0.05, 0.95))
        out.append(Compared(method, comparison, low, high))
    return out


def test_a_right_predictor_is_uniform_and_covers() -> None:
    report = report_on(compared(300))
    assert [score.method for score in report.methods] == ["snubbed_drop", "span_rig"]
    assert report.overall is not None
    assert report.overall.method == ALL
    assert report.overall.pit.ks_p is not None
    assert report.overall.pit.ks_p > 0.05
    ninety = report.overall.coverage[1]
    assert ninety.level == 0.9
    assert ninety.share == pytest.approx(0.9, abs=0.05)
    assert abs(report.overall.bias.mean_log) < 0.05
    assert report.to_dict()["overall"]["pit"]["n"] == 300


def test_a_low_predictor_is_seen_even_when_the_high_peaks_are_clipped() -> None:
    report = report_on(compared(200, factor=1.4, clip_n=5200.0))
    assert report.overall is not None
    assert report.overall.pit.clipped > 40
    assert report.overall.pit.ks_p is not None
    assert report.overall.pit.ks_p < 1e-3
    assert report.overall.bias.ratio == pytest.approx(1.4, rel=0.1)
    assert sum(report.overall.pit.share) == pytest.approx(1.0)


def test_nothing_compared() -> None:
    report = report_on([])
    assert (report.methods, report.overall, report.points) == ((), None, ())
    assert report.to_dict()["overall"] is None
