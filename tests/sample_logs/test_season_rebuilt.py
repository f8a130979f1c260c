"""The season's script makes the committed files again, row by row."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from logger.logbook.reader import LogbookReader
from logger.records import KINDS

FOLDER = Path(__file__).resolve().parents[2] / "sample_logs"


def rows_of(path: Path) -> dict[str, Any]:
    """Everything but the counts: windows, gaps, faults, marks, records, what was predicted from."""
    with LogbookReader(path) as reader:
        streams = reader.streams()
        return {
            "streams": [
                (s.cell, s.station, s.info, s.anchor_wall_ns, s.last_index) for s in streams
            ],
            "scalings": [reader.scaling(s.id) for s in streams],
            "lowerings": reader.lowerings(),
            "gaps": [reader.gaps(s.id) for s in streams],
            "faults": reader.faults(),
            "marks": reader.marks(),
            "records": {
                (kind, key): reader.versions(kind, key)
                for kind in KINDS
                for key in reader.keys(kind)
            },
            "predictions": [
                (p.piece, p.made_wall_ns, p.inputs)
                for key in reader.keys("piece")
                for p in reader.predictions(key)
            ],
        }


@pytest.mark.slow
@pytest.mark.parametrize("job", ["chapel-lane", "quarry-edge"])
def test_the_script_makes_the_same_job_again(tmp_path: Path, job: str) -> None:
    script = FOLDER / "make_season.py"
    subprocess.run(
        [sys.executable, script, "--out", tmp_path, "--job", job], check=True, timeout=100
    )
    made, kept = (folder / "season" / f"{job}.logbook" for folder in (tmp_path, FOLDER))
    assert rows_of(made) == rows_of(kept)
    with LogbookReader(made) as a, LogbookReader(kept) as b:
        for stream in b.streams():
            # Since the season was made a device also says a last status before it stops.
            said, before = a.statuses(stream.id), b.statuses(stream.id)
            assert len(before) > 0
            assert said[: len(before)] == before
            assert len(said) - len(before) <= 1
            new, old = a.samples(stream.id), b.samples(stream.id)
            np.testing.assert_array_equal(new.index, old.index)
            np.testing.assert_array_equal(new.tick_us, old.tick_us)
            np.testing.assert_array_equal(new.counts, old.counts)
    for part in ("sheets", "truth"):
        suffix = "toml" if part == "sheets" else "json"
        name = f"{job}.{suffix}"
        texts = [(folder / part / name).read_text() for folder in (tmp_path, FOLDER)]
        assert not_predicted(texts[0]) == not_predicted(texts[1])


def not_predicted(text: str) -> list[str]:
    """Lines that do not hold what the predictor said: the season keeps what its model then said."""
    return [line for line in text.splitlines() if '"predicted_peak_p50_n"' not in line]


@pytest.mark.slow
def test_the_script_never_overwrites_a_logbook(tmp_path: Path) -> None:
    (tmp_path / "season").mkdir()
    there = tmp_path / "season" / "mill-pond.logbook"
    there.write_bytes(b"kept")
    script = FOLDER / "make_season.py"
    result = subprocess.run(
        [sys.executable, script, "--out", tmp_path, "--job", "mill-pond"],
        check=False, timeout=100, capture_output=True, text=True,
    )  # fmt: skip
    assert result.returncode != 0
    assert "never overwritten" in result.stderr
    assert there.read_bytes() == b"kept"
