"""A pipeline turned by hand on a clock that stands still, and the cell that it hears.

A test module takes them by ``pytest_plugins = ("bench_fixtures",)``.
"""

from __future__ import annotations

import pytest
from fake_cell import FakeCell, PipelineBench
from logbook_items import StillClock


@pytest.fixture
def clock() -> StillClock:
    return StillClock()


@pytest.fixture
def cell(clock: StillClock) -> FakeCell:
    return FakeCell(clock)


@pytest.fixture
def bench(cell: FakeCell, clock: StillClock) -> PipelineBench:
    return PipelineBench(cell, clock=clock)
