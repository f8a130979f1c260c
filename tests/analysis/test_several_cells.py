"""Several cells of one lowering in a logbook: which is which, what is told, what is left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from lowering_generator_motion import run
from lowering_generator_plan import contacts, draw, schedule

from analysis.reading.features import read_features
from analysis.reading.place import Place
from analysis.reading.trace import make_trace
from analysis.reading.two_cells import CellReading, TwoCells, compare_cells
from analysis.showing.two_cells import ONE_CELL, Cells, cell_rows


@pytest.fixture(scope="module")
def pair() -> tuple[TwoCells, tuple[CellReading, CellReading]]:
    rng = np.random.default_rng(8)
    d = draw(rng, "tip_tied", frozenset())
    r = run(d.path, schedule(rng, d), d.start_m, contacts(rng, d), 3.0)
    t = np.arange(0.0, r.time_s[-1], 1.0 / 320.0)
    cells = []
    for cell, reads, force in (("red", "piece", r.lead_n), ("grey", "fall", r.fall_n)):
        trace = make_trace(t, np.interp(t, r.time_s, force), place=Place(reads))  # type: ignore[arg-type]
        cells.append(CellReading(cell, f"at {reads}", reads, trace, read_features(trace)))  # type: ignore[arg-type]
    told = compare_cells(cells[0], cells[1])
    assert told is not None
    return told, (cells[0], cells[1])


def test_a_cell_alone_has_nothing_beside_it() -> None:
    assert cell_rows(ONE_CELL, "kN") == []
    assert ONE_CELL.to_dict() == {"cells": [], "pairs": []}


def test_rows_tell_each_cell_and_the_block(
    pair: tuple[TwoCells, tuple[CellReading, CellReading]],
) -> None:
    told, readings = pair
    rows = dict(cell_rows(Cells(readings, (told,)), "kN"))
    assert rows["at piece"].startswith("cell red: peak ")
    assert "±" in rows["high block"]
    assert "measured from raising and lowering" in rows["high block"]
    assert "winch raising" in rows["lead / fall"]
    plain = Cells(readings, (told,)).to_dict()
    assert [one["cell"] for one in plain["cells"]] == ["red", "grey"]
    assert plain["pairs"][0]["efficiency"] == told.efficiency


def test_cells_that_disagree_give_no_efficiency(
    pair: tuple[TwoCells, tuple[CellReading, CellReading]],
) -> None:
    told, readings = pair
    rows = dict(cell_rows(Cells(readings, (replace(told, disagree=True),)), "kN"))
    assert "look at which cell sat where" in rows["high block"]
    assert "in the drop" not in rows


def test_two_pairs_are_named(pair: tuple[TwoCells, tuple[CellReading, CellReading]]) -> None:
    told, readings = pair
    names = [name for name, _ in cell_rows(Cells(readings, (told, told)), "kN")]
    assert "high block (at piece and at fall)" in names
