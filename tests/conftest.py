"""Where coverage is counted, and that drawn examples are not timed.

On Python 3.11 counting makes Python code up to three times slower, so the default tests run without
it, and those that go through the code run once more for the count. Left out of the count, by the
mark ``no_cover``, are tests that repeat what others go through (drawn traces, statistics,
arbitrary bytes) and the folders that kill, stall and time whole processes.

Compiled code is kept under what its sources hold: Numba looks only at the file of a function, not
at those it calls, and a test must not run what was compiled from older ones.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# A loaded machine must not fail a test: nothing here depends on how long drawing takes.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")

ROOT = Path(__file__).resolve().parents[1]


def compiled_sources() -> list[Path]:
    """Every module of the reading that holds compiled functions."""
    modules = sorted((ROOT / "analysis" / "reading").glob("*.py"))
    return [module for module in modules if "analysis.reading.compiled" in module.read_text()]


def digest(files: list[Path]) -> str:
    return hashlib.sha256(b"".join(file.read_bytes() for file in files)).hexdigest()[:16]


os.environ.setdefault(
    "NUMBA_CACHE_DIR", str(ROOT / ".pytest_cache" / "compiled" / digest(compiled_sources()))
)

WHOLE_PROCESSES = ("capture", "durability")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test of those folders, before tests are chosen by their marks."""
    folders = [Path(__file__).with_name(name) for name in WHOLE_PROCESSES]
    for item in items:
        if item.path.parent in folders:
            item.add_marker("no_cover")


@pytest.fixture(autouse=True)
def _compiled_as_an_installation_has_it(request: pytest.FixtureRequest) -> None:
    """Compile apart before any test of the analysis: the order of tests decides no last digit."""
    if "analysis" in request.path.relative_to(ROOT).parts:
        from analysis.reading.compile_apart import compile_apart

        compile_apart()
