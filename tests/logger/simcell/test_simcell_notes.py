"""The tables of the wiring notes are computed, not remembered."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest

NOTES = Path(__file__).parents[3] / "firmware_notes" / "wiring_and_sampling.md"
ROWS = re.findall(
    r"^\| (\d+) \| ([\d.]+) % \| ([\d.]+) % \|$", NOTES.read_text("utf-8"), re.MULTILINE
)


def largest_reading(n: int, start: float, *, averaging: bool) -> float:
    """Largest sample of a unit half-sine of ``n`` intervals, by brute force."""
    edges = (np.arange(-1, n + 2) + start) * math.pi / n
    if not averaging:
        return float(np.sin(np.clip(edges, 0.0, math.pi)).max())
    area = -np.cos(np.clip(edges, 0.0, math.pi))
    return float((np.diff(area) / (math.pi / n)).max())


@pytest.mark.parametrize(("n", "instant", "averaged"), ROWS)
def test_missed_peaks(n: str, instant: str, averaged: str) -> None:
    """Worst case 1 − cos(π/2N) (references.md §8), and with interval averaging."""
    starts = np.linspace(0.0, 1.0, 401)
    worst = [
        1.0 - min(largest_reading(int(n), s, averaging=mean) for s in starts)
        for mean in (False, True)
    ]
    assert float(instant) == pytest.approx(100.0 * worst[0], abs=0.006)
    assert float(averaged) == pytest.approx(100.0 * worst[1], abs=0.006)
    assert worst[0] == pytest.approx(1.0 - math.cos(math.pi / 2 / int(n)), rel=1e-3)


def test_the_table_is_there() -> None:
    assert [int(n) for n, _, _ in ROWS] == [4, 8, 12, 20, 40]
