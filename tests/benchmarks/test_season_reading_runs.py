"""The season's benchmark runs and reads all that it says; its figures are not judged."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("season_reading.py")


@pytest.mark.slow
def test_it_reads_the_whole_season_and_fits_every_group() -> None:
    done = subprocess.run(
        [sys.executable, SCRIPT, "--lowerings", "1", "--json"],
        check=True,
        capture_output=True,
        text=True,
    )
    told = json.loads(done.stdout)
    assert told["lowerings"] == 72
    assert told["rounds"] == 1
    assert told["groups"] >= 20
    assert 0 < told["cpu_s_per_200"] < 120
