"""Compiled code that is kept: the first reading after an installation is the second."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from analysis.reading.compile_apart import SOURCES, is_kept, kept_in

ROOT = Path(__file__).resolve().parents[3]
FITS = """
import numpy as np
from analysis.reading.compile_apart import compile_apart
from analysis.reading.following import Follower
from analysis.reading.motion_fits import Record
from analysis.reading.place import Place, RopeInPlay
from analysis.reading.trace import make_trace
compile_apart()
t = np.arange(125) * 0.04
force = 1000.0 + 100.0 * np.sin(2.5 * t) + np.random.default_rng(1).normal(0.0, 2.0, t.size)
place = Place("piece", "swing", RopeInPlay(6.0, 12.0, 0.9, 0.015))
fitter = Follower(Record(t, force, t >= 0.0), make_trace(t, force, place=place), 0)
fit = fitter.first(75)
print(fit.cost.hex(), [float(x).hex() for x in fit.guess])
"""


def fitted(kept: Path) -> str:
    env = os.environ | {"NUMBA_CACHE_DIR": str(kept), "PYTHONPATH": str(ROOT)}
    ran = subprocess.run(
        [sys.executable, "-c", FITS],
        env=env,
        capture_output=True,
        text=True,
        check=True,
        timeout=240,
    )
    return ran.stdout


@pytest.mark.slow
def test_the_first_fit_after_an_installation_is_the_second_to_the_last_digit(
    tmp_path: Path,
) -> None:
    """Compiled twice (about 15 s): found by a start that moved by 1.5 s between two runs."""
    first = fitted(tmp_path)
    assert fitted(tmp_path) == first
    (folder,) = {path.parent for path in tmp_path.rglob("swing_fit.descend-*.nbi")}
    assert is_kept(folder)


def test_code_older_than_any_of_its_sources_is_not_kept(tmp_path: Path) -> None:
    for entry in ("swing_fit.descend", "swing_motion.run_rows"):
        assert not is_kept(tmp_path)
        (tmp_path / f"{entry}-109.py311.nbi").write_bytes(b"")
    assert is_kept(tmp_path)
    os.utime(tmp_path / "swing_fit.descend-109.py311.nbi", (1.0, 1.0))
    assert not is_kept(tmp_path)


def test_every_module_with_compiled_code_is_looked_at() -> None:
    """One that is left out would run old code after a pull."""
    looked_at = {Path(module.__file__ or "") for module in SOURCES}
    (reading,) = {path.parent for path in looked_at}
    uses = {p for p in reading.glob("*.py") if "analysis.reading.compiled import" in p.read_text()}
    assert len(uses) > 3
    assert uses | {reading / "compiled.py"} == looked_at


def test_the_tests_keep_theirs_where_they_were_told_to() -> None:
    folder = kept_in()
    assert folder is not None
    assert os.environ["NUMBA_CACHE_DIR"] in str(folder)
