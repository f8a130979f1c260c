"""The benchmark of processor budgets runs every step and does not judge."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).with_name("processor_budgets.py")


def test_every_step_is_timed_beside_the_yardstick() -> None:
    asked = [sys.executable, str(SCRIPT), "--repeats", "1", "--json"]
    done = subprocess.run(asked, check=True, capture_output=True, text=True)
    found = json.loads(done.stdout)
    assert len(found["steps"]) == 7
    assert all(row["cpu_s"] > 0 and row["yardsticks"] > 0 for row in found["steps"])
