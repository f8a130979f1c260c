"""Loads inferred at places without a cell: through the rig, with their band, said so."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from reviews import prepared, review

from analysis.elsewhere import loads_elsewhere
from analysis.showing.elsewhere import elsewhere_rows
from analysis.showing.wording import groups_of


def test_a_snub_read_at_the_lead_tells_the_other_places(tmp_path: Path) -> None:
    found = review(prepared(tmp_path), 1)
    hang, peak = found.elsewhere
    assert (hang.moment, peak.moment) == ("hang", "peak")
    fall = peak.loads.at("leg", "fall")
    assert found.features.peak_n is not None
    assert fall.low_n <= fall.force_n < found.features.peak_n
    assert not fall.measured
    rows = dict(elsewhere_rows(found.elsewhere, "kN"))
    assert "leg lead" not in rows, "the cell is there"
    assert rows["leg fall"].startswith("hang ")
    heading = next(name for name, _ in groups_of(found, "kN") if name.startswith("Loads elsewhere"))
    assert "not measured" in heading
    plain = found.as_json()["elsewhere"][1]
    assert (plain["moment"], plain["lower_bound"]) == ("peak", False)


def test_a_clipped_peak_is_a_lower_bound_elsewhere_too(tmp_path: Path) -> None:
    found = review(prepared(tmp_path), 1)
    features = replace(found.features, peak_is_lower_bound=True)
    clipped = loads_elsewhere(found.source, features)
    assert [one.lower_bound for one in clipped] == [False, True]
    assert "peak at least" in dict(elsewhere_rows(clipped, "kN"))["leg fall"]


@pytest.mark.parametrize("what", ["no rig", "no numbers"])
def test_nothing_is_inferred_without_a_rig_or_a_reading(tmp_path: Path, what: str) -> None:
    found = review(prepared(tmp_path), 1)
    source = replace(found.source, rig=None) if what == "no rig" else found.source
    features = replace(found.features, hang_reading_n=None, peak_n=None)
    assert loads_elsewhere(source, features) == ()
