"""The benchmark of the snubbed distribution runs, and its two ways agree."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).with_name("snubbed_distribution.py")


def test_both_ways_give_the_same_peaks() -> None:
    asked = [sys.executable, str(SCRIPT), "--draws", "40", "--json"]
    done = subprocess.run(asked, check=True, capture_output=True, text=True)
    found = json.loads(done.stdout)
    assert found["draws"] == 40
    assert found["largest_difference"] < 1e-3
    assert found["times_faster"] > 0
