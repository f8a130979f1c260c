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
        [sys.executable, SCRIPT, "--lowerings", "2", "--json"],
        check=True,
        capture_output=True,
        text=True,
    )
    told = json.loads(done.stdout)
    assert told["lowerings"] == told["two_processes_n"] == 2
    assert told["compared"] == told["hangs"] == 2
    assert 0 < told["two_processes_s"] < 120
    assert told["ratio_to_means"] > 1
    assert told["season_lowerings"] == 72
    assert told["groups"] >= 20
