"""Compiles the motions and their fits once, in a process of its own.

Comes in: nothing. Goes out: compiled code on disk, beside the sources or where
``NUMBA_CACHE_DIR`` says. Must not: be imported before something swings (it loads Numba).

Notes
-----
Numba runs what it has just compiled with the functions that it compiled on the way, and what it
kept with copies of them that were optimised where they are called. Both are right, to
rounding; but a fit that may go either way goes by the last digit, and the first reading after an
installation would not be the second. So a process of its own compiles, and every reading loads
what was kept. It also looks at *all* compiled sources: Numba looks at the entry's own file
alone, and would run old code after a pull into a checkout.

Where nothing can be kept (no folder to write to), each process compiles for itself as before.
"""

from __future__ import annotations

import contextlib
import functools
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Final

import numpy as np

from analysis.reading import compiled, letting_out, span_motion, swing_fit, swing_motion
from analysis.reading.letting_out import START
from analysis.reading.swing_fit import fit_swing
from analysis.reading.swing_motion import Swing

SOURCES: Final = (compiled, letting_out, span_motion, swing_fit, swing_motion)
_ENTRIES: Final = ("swing_fit.descend", "swing_motion.run_rows")
_INSIDE: Final = "ROPETALLY_COMPILES"
_LONGEST_S: Final = 300.0


@functools.cache
def compile_apart() -> None:
    """Have the compiled code made by another process, unless it is there and newer than its sources."""
    folder = kept_in()
    if folder is None or _INSIDE in os.environ or is_kept(folder):
        return
    for source in SOURCES:
        for old in folder.glob(f"{Path(source.__file__ or '').stem}.*.nb?"):
            with contextlib.suppress(OSError):
                old.unlink()
    root = str(Path(__file__).resolve().parents[2])
    paths = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    with contextlib.suppress(OSError, subprocess.TimeoutExpired):
        subprocess.run(
            [sys.executable, "-c", f"from {__name__} import compile_all; compile_all()"],
            env=os.environ | {_INSIDE: "1", "PYTHONPATH": paths},
            stdin=subprocess.DEVNULL,
            capture_output=True,
            check=False,
            timeout=_LONGEST_S,
        )


def kept_in() -> Path | None:
    """Give the folder where compiled code is kept; None where it is not compiled or not kept."""
    path = getattr(getattr(swing_fit.descend, "stats", None), "cache_path", None)
    return Path(path) if path else None


def is_kept(folder: Path) -> bool:
    """Whether compiled code of each entry lies in a folder, newer than all of its sources."""
    try:
        newest = max(Path(source.__file__ or "").stat().st_mtime for source in SOURCES)
        found = [
            [file.stat().st_mtime for file in folder.glob(f"{entry}-*.nbi")] for entry in _ENTRIES
        ]
    except OSError:
        return False
    return all(times and max(times) > newest for times in found)


def compile_all() -> None:
    """Run each compiled entry once, so that it is compiled and kept."""
    for swing, size in ((Swing("piece", 10.0), 14), (Swing("standing", 10.0, 0.0, 3.0), 17)):
        row = np.zeros(size)
        row[START] = math.inf
        ones = np.ones(4)
        fit_swing(swing, row, ones, ones, prior=row, sd=np.ones(size), usual_n=1.0, every=4, most=1)
        swing.reading(row[None], 4)
