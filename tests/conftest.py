"""Where coverage is counted, and that drawn examples are not timed.

On Python 3.11 counting makes Python code up to three times slower, so the default tests run without
it, and those that go through the code run once more for the count. Left out of the count, by the
mark ``no_cover``, are tests that repeat what others go through (drawn traces, statistics,
arbitrary bytes) and the folders that kill, stall and time whole processes.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

# A loaded machine must not fail a test: nothing here depends on how long drawing takes.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")

WHOLE_PROCESSES = ("capture", "durability")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark every test of those folders, before tests are chosen by their marks."""
    folders = [Path(__file__).with_name(name) for name in WHOLE_PROCESSES]
    for item in items:
        if item.path.parent in folders:
            item.add_marker("no_cover")
