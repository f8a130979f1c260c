"""The plan in words: the ground hand's two numbers, rows of pulls and of the hinge."""

from __future__ import annotations

from dataclasses import replace

from analysis.predicting.pretension_plan import Band, HingeRow, Offset, PlanRow, PretensionPlan
from analysis.showing.pretension_wording import (
    HEAD,
    HINGE_HEAD,
    ground_hand,
    hinge_rows,
    pull_rows,
)

PLAN = PretensionPlan(
    weight_n=(900.0, 1000.0, 1100.0),
    tie_from_butt_m=2.0,
    aim=0.7,
    band=Band(856.0, 1000.0, "the crew's aim (heavy estimate)", "the hinge is balanced"),
    reading=Band(770.0, 900.0, "the crew's aim (heavy estimate)", "the hinge is balanced"),
    station="rope end",
    ceilings=(),
    rows=(
        PlanRow(1000.0, 900.0, (0.82, 0.9, 1.0), (0.8, 0.9, 1.0), (900.0, 1074.0, 1249.0), "holds"),
        PlanRow(100.0, 90.0, (0.08, 0.09, 0.1), (0.1, 0.1, 0.1), (1500.0, 1700.0, 1900.0), None),
    ),
    hinge=(HingeRow(0.02, 0.0, 2000.0, 30_000.0), HingeRow(0.01, 700.0, 1500.0, 12_000.0)),
    offset=Offset(0.1, 0.02, None),
    words=("About 77 to 90 % of the piece, if the estimate holds.",),
    warnings=(),
)


def test_the_two_numbers_of_the_ground_hand() -> None:
    said = ground_hand(PLAN)
    assert said[0] == "Reading at rope end: from 0.77 kN to 0.90 kN (settled, estimate)"
    assert said[1] == "Pull at the winch, winching up: from 0.86 kN to 1.00 kN"
    assert "the crew's aim" in said[2]
    assert said[-1].endswith("if the estimate holds.")
    assert ground_hand(PLAN, "kgf")[1].endswith("winching up: from 87 kgf to 102 kgf")


def test_paying_out_is_said_where_it_differs() -> None:
    easing = Band(693.0, 810.0, "", "")
    eased = replace(PLAN, easing=easing, easing_reading=PLAN.reading)
    assert ground_hand(eased)[3] == (
        "Paying out down to it: from 0.69 kN to 0.81 kN at the winch; held still, anywhere between."
    )
    both = replace(eased, easing_reading=easing)
    assert "reading at rope end from 0.69 kN to 0.81 kN" in ground_hand(both)[3]


def test_a_band_at_one_place_only_gives_its_numbers() -> None:
    only = ground_hand(replace(PLAN, band=None, words=("Read rope end.",)))
    assert only[0].startswith("Reading at rope end: from 0.77 kN")
    assert not any("at the winch" in said for said in only)
    assert only[-1] == "Read rope end."
    winch = ground_hand(replace(PLAN, reading=None))
    assert winch[0].startswith("Pull at the winch, winching up")


def test_no_band_gives_no_numbers() -> None:
    none = replace(PLAN, band=None, reading=None, words=())
    assert ground_hand(none) == ["No band: the weight is not known well enough."]
    said = ground_hand(replace(none, words=("No band, even if the weight were known: x.",)))
    assert said == ["No band, even if the weight were known: x."]


def test_rows() -> None:
    first, second = pull_rows(PLAN)
    assert first == ("1.00 kN", "0.90 kN", "82 to 100", "80 to 100", "0.90 to 1.25 kN", "holds")
    assert second[-1] == ""
    assert len(first) == len(HEAD)
    off = replace(PLAN, offset=Offset(0.8, 0.2, (1500.0, 2500.0)))
    assert pull_rows(off)[0][4] == "swings"


def test_hinge_rows() -> None:
    assert hinge_rows(PLAN) == [
        ("20 mm", "never", "2.00 kN", "30.00 kN"),
        ("10 mm", "0.70 kN", "1.50 kN", "12.00 kN"),
    ]
    assert len(hinge_rows(PLAN)[0]) == len(HINGE_HEAD)
