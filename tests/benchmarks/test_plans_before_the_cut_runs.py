"""The benchmark of plans runs and plans what it says."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).with_name("plans_before_the_cut.py")


def test_pieces_are_planned() -> None:
    asked = [sys.executable, str(SCRIPT), "--pieces", "5", "--json"]
    done = subprocess.run(asked, check=True, capture_output=True, text=True)
    found = json.loads(done.stdout)
    assert found["pieces"] == 5
    assert found["methods"] == 4
    assert found["plan_cpu_s"] > 0
    assert found["heaviest_n"] > 1000
