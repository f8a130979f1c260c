"""The benchmark runs and its figures hang together; the figures themselves are not judged."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).with_name("capture_path.py")


@pytest.mark.slow
def test_every_path_stores_the_same_samples() -> None:
    done = subprocess.run(
        [sys.executable, SCRIPT, "--samples", "4000", "--seconds", "1", "--repeat", "1", "--json"],
        check=True,
        capture_output=True,
        text=True,
    )
    told = json.loads(done.stdout)
    rate = told["samples_per_cpu_s"]
    assert set(rate) == {"drain", "ours", "buffered", "plain"}
    assert rate["drain"] > rate["ours"]
    assert rate["buffered"] > rate["plain"]
    assert told["ours_over_plain"] == pytest.approx(rate["ours"] / rate["plain"])
    assert told["bytes_per_sample"]["csv"] > 20
    assert told["paced_ours_over_drain"] > 1
