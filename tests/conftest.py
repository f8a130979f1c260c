"""Where coverage is counted.

On Python 3.11 counting makes Python code two to three times slower. It is counted where tests go
through the code; not where they repeat it (drawn traces, statistics, arbitrary bytes) or watch
whole processes, which are marked ``no_cover``. pytest-cov honours that mark for the test itself;
here also its fixtures and the processes that it starts go uncounted.
"""

from __future__ import annotations

import os
from collections.abc import Generator
from pathlib import Path

import coverage
import pytest

WHOLE_PROCESSES = ("capture", "durability")
FOR_CHILDREN = ("COVERAGE_PROCESS_CONFIG", "COVERAGE_PROCESS_START")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the folders whose tests kill, stall and time whole processes."""
    folders = [Path(__file__).with_name(name) for name in WHOLE_PROCESSES]
    for item in items:
        if item.path.parent in folders:
            item.add_marker("no_cover")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    """Count nothing from the first fixture to the last one's end."""
    counting = coverage.Coverage.current()
    if counting is None or item.get_closest_marker("no_cover") is None:
        return (yield)
    kept = {name: os.environ.pop(name) for name in FOR_CHILDREN if name in os.environ}
    counting.stop()
    try:
        return (yield)
    finally:
        os.environ.update(kept)
        counting.start()
