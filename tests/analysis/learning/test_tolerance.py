"""One-sided tolerance factors against a published table.

Source: Montgomery & Runger, *Applied Statistics and Probability for Engineers*, 7th ed.,
Table XII, all 288 cells (``tests/data/tolerance_k.csv``).
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from analysis.learning.tolerance import tolerance_bound, tolerance_factor

TABLE = Path(__file__).resolve().parents[2] / "data" / "tolerance_k.csv"


def published_cells() -> list[tuple[int, float, float, float]]:
    cells = []
    with TABLE.open(encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            n = int(row.pop("n"))
            for name, value in row.items():
                _, share, confidence = name.split("_")
                cells.append((n, int(share[1:]) / 100, int(confidence[1:]) / 100, float(value)))
    return cells


def test_every_published_cell() -> None:
    cells = published_cells()
    assert len(cells) == 288
    for n, share, confidence, published in cells:
        computed = tolerance_factor(n, share=share, confidence=confidence)
        assert computed == pytest.approx(published, abs=0.00051), (n, share, confidence)


def test_bound_covers_as_often_as_it_says() -> None:
    values = np.random.default_rng(5).normal(2.0, 3.0, (20_000, 8))
    bounds = values.mean(axis=1) + tolerance_factor(8) * values.std(axis=1, ddof=1)
    assert bounds[0] == pytest.approx(tolerance_bound(values[0]))
    assert np.mean(bounds >= 2.0 + 3.0 * 1.6448536) == pytest.approx(0.95, abs=0.005)


def test_low_side_mirrors_high_side() -> None:
    values = np.array([0.3, -0.1, 0.2, 0.05])
    assert tolerance_bound(values, side="low") == pytest.approx(-tolerance_bound(-values))


@pytest.mark.parametrize(
    ("n", "share", "confidence"), [(1, 0.9, 0.9), (5, 1.0, 0.9), (5, 0.9, 0.0)]
)
def test_refuses_what_has_no_factor(n: int, share: float, confidence: float) -> None:
    with pytest.raises(ValueError, match=r"at least 2|between 0 and 1"):
        tolerance_factor(n, share=share, confidence=confidence)
