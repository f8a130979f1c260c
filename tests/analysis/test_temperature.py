"""What temperature does to a cell goes into every budget, where it is sent and written."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from logbook_factory import START_BOOT_NS, FakeClock, drop_force
from reviews import prepared
from sheets import SHEET

from analysis.reading.features import read_features
from analysis.showing.why_wording import budget_groups
from analysis.source import LoweringSource, load_lowering
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter
from logger.samples import StatusFrame, StatusNoted

WARM = """name = "red"
temperature = {calibrated_c = 21.0, span_per_k = 0.0004, zero_n_per_k = 3.0}
"""
WRITTEN = SHEET.replace('name = "red"\n', WARM)


def sent(path: Path, *temperatures: tuple[float, float | None]) -> None:
    """Put statuses of (seconds from the stream's start, temperature) on record."""
    with LogbookWriter(path, clock=FakeClock()) as writer:
        writer.write(
            [
                StatusNoted(
                    1,
                    StatusFrame(
                        round(at_s * 1e6), 0, 0, warm_c, None, START_BOOT_NS + round(at_s * 1e9)
                    ),
                )
                for at_s, warm_c in temperatures
            ]
        )


Book = Callable[..., LoweringSource]


@pytest.fixture(scope="module")
def books(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    made = {}
    for sheet in (WRITTEN, SHEET):
        folder = tmp_path_factory.mktemp("book")
        made[sheet] = prepared(folder, [drop_force()], sheet=sheet, pieces=()).path
    return made


@pytest.fixture
def seen(tmp_path: Path, books: dict[str, Path]) -> Book:
    """Load the lowering from a copy in which these temperatures were sent."""

    def load(*temperatures: tuple[float, float | None], sheet: str = WRITTEN) -> LoweringSource:
        path = tmp_path / "job.logbook"
        shutil.copy(books[sheet], path)
        sent(path, *temperatures)
        with LogbookReader(path) as reader:
            return load_lowering(reader, 1)

    return load


def test_a_cold_day_is_in_the_budgets_as_a_bound(seen: Book) -> None:
    found = read_features(seen((1.0, 6.0), (8.0, 6.0), (15.0, 6.0)).trace)
    # 0.0004 per kelvin, at most, 15 K away: a bound of 0.6 %, so 0.6 %/√3 (JCGM 100, 4.3.7).
    # The zero was read on that day, so its shift since the calibration is not in it.
    rel_u = 0.0004 * 15.0 / math.sqrt(3.0)
    for key in ("peak_n", "hang_weight_n"):
        value_n = getattr(found, key)
        assert found.budgets[key]["temperature"] == pytest.approx(rel_u * value_n, rel=0.01)
    rows = dict(dict(budget_groups(found, "kN"))["Budget of the peak"])
    assert "temperature, as the device sent it" in rows["temperature"]
    assert "not in it" not in rows
    assert 2.0 * rel_u * (found.peak_n or 0.0) < (found.peak_n_u or 0.0)


def test_a_day_that_warms_moves_the_zero_by_what_changed_within_the_window(seen: Book) -> None:
    found = read_features(seen((1.0, 21.0), (8.0, 23.0)).trace)
    away, moved = 0.0004 * 2.0 / math.sqrt(3.0), 3.0 * 2.0 / math.sqrt(3.0)
    peak_n = found.peak_n or 0.0
    assert found.budgets["peak_n"]["temperature"] == pytest.approx(
        math.hypot(away * peak_n, moved), rel=0.01
    )


def test_without_a_slack_rope_the_calibrations_zero_departs_too(seen: Book) -> None:
    cold = seen((1.0, 6.0)).trace.chain
    assert cold.zero_u_n == pytest.approx(math.hypot(2.0, 3.0 * 15.0 / math.sqrt(3.0)))
    assert cold.temperature_u_n == 0.0


@pytest.mark.parametrize(
    ("statuses", "sheet"),
    [
        ([], WRITTEN),  # never sent
        ([(1.0, None)], WRITTEN),  # a device that does not know it
        ([(5000.0, 6.0)], WRITTEN),  # sent over an hour later
        ([(1.0, 6.0)], SHEET),  # nothing on the cell's papers
    ],
)
def test_what_is_not_sent_or_not_written_is_said_to_be_left_out(
    seen: Book, statuses: list[tuple[float, float | None]], sheet: str
) -> None:
    found = read_features(seen(*statuses, sheet=sheet).trace)
    assert "temperature" not in found.budgets["peak_n"]
    rows = dict(dict(budget_groups(found, "kN"))["Budget of the peak"])
    assert "U leaves it out" in rows["not in it"]
