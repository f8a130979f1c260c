"""Storing a sheet: records once, a prediction per piece and change, before the cut."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from logbook_factory import FakeClock
from sheets import SHEET, write_sheet

from logger.commands.planning import pieces_affected, predict_pieces, store_sheet
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Job, Limit, Note, Piece, Rig, Rope
from logger.sheet import read_sheet


@pytest.fixture
def logbook(tmp_path: Path) -> Path:
    return tmp_path / "job.logbook"


def test_everything_on_the_sheet_is_stored_with_time_and_author(
    tmp_path: Path, logbook: Path
) -> None:
    clock = FakeClock()
    stored = store_sheet(logbook, read_sheet(write_sheet(tmp_path)), clock=clock)
    assert stored.job == "orchard"
    assert stored.pieces == ("orchard/P1", "orchard/P2")
    assert stored.predicted == stored.pieces
    assert stored.unpredicted == ()
    with LogbookReader(logbook) as reader:
        assert reader.record(Job, "orchard") == Job(
            name="orchard", crew="Heron", note="An invented job for tests."
        )
        assert set(reader.all_records(Rig)) == {"stem", "limb"}
        assert set(reader.all_records(Limit)) == {
            "blue 14/working_limit",
            "high block/peak_allowance",
            "blue 14/breaking_strength",
        }
        assert reader.all_records(Note)["orchard/1"].by == "Heron"
        (version,) = reader.versions("piece", "orchard/P1")
        assert (version.author, version.written_wall_ns) == ("Heron", clock.wall)


def test_storing_again_adds_nothing(tmp_path: Path, logbook: Path) -> None:
    sheet = read_sheet(write_sheet(tmp_path))
    first = store_sheet(logbook, sheet, "Wren")
    before = _everything(logbook)
    again = store_sheet(logbook, sheet, "Robin")
    assert first.n_written == 11
    assert (again.n_written, again.predicted) == (0, ())
    assert again.pieces == first.pieces
    assert _everything(logbook) == before


def _everything(logbook: Path) -> list[object]:
    with LogbookReader(logbook) as reader:
        records = [
            reader.versions(kind, key)
            for kind in ("job", "rope", "rig", "piece", "cell", "limit", "note")
            for key in reader.keys(kind)
        ]
        return [*records, [(p.id, p.made_wall_ns) for p in reader.predictions()]]


def test_a_prediction_holds_inputs_time_and_version(tmp_path: Path, logbook: Path) -> None:
    clock = FakeClock()
    sheet = read_sheet(write_sheet(tmp_path))
    store_sheet(logbook, sheet, clock=clock)
    with LogbookReader(logbook) as reader:
        (made,) = reader.predictions("orchard/P1")
    assert made.made_wall_ns == clock.wall
    assert made.software.startswith("ropetally ")
    assert made.inputs["piece"]["length_m"] == 1.2
    assert made.inputs["rig"]["name"] == "stem"
    assert made.inputs["rope"]["stiffness_n"] == 30_000.0
    assert made.result["station"] == "rope end"
    assert made.result["peak_n"]["p05"] < made.result["peak_n"]["p95"]


def test_a_changed_rope_predicts_again_but_a_guess_does_not(tmp_path: Path, logbook: Path) -> None:
    store_sheet(logbook, read_sheet(write_sheet(tmp_path)))
    guessed = SHEET.replace('weight_n = "120 kgf"', 'weight_n = "130 kgf"')
    stored = store_sheet(logbook, read_sheet(write_sheet(tmp_path, guessed)))
    assert (stored.n_written, stored.predicted) == (1, ())
    stiffer = guessed.replace('"30 kN"', '"31 kN"')
    stored = store_sheet(logbook, read_sheet(write_sheet(tmp_path, stiffer)))
    assert stored.predicted == ("orchard/P1", "orchard/P2")
    with LogbookReader(logbook) as reader:
        assert len(reader.predictions("orchard/P1")) == 2


def test_what_cannot_be_predicted_is_told_and_the_rest_is_stored(
    tmp_path: Path, logbook: Path
) -> None:
    text = SHEET.replace("release = {share_carried = 0.8}", "").replace(
        'method = "tip_tied"', 'method = "butt_tied"'
    )
    text = text.replace(
        'station = {name = "rope end", mount = "end", leg = "lead"}\n\n[[piece]]',
        'station = {name = "x", mount = "end", leg = "standing"}\n\n[[piece]]',
    )
    stored = store_sheet(logbook, read_sheet(write_sheet(tmp_path, text)))
    assert stored.predicted == ("orchard/P1",)
    ((key, reason),) = stored.unpredicted
    assert key == "orchard/P2"
    assert "standing leg" in reason


def test_missing_records_are_named(tmp_path: Path, logbook: Path) -> None:
    sheet = read_sheet(write_sheet(tmp_path))
    with LogbookEntries(logbook, create=True) as entries:
        entries.put_record("orchard/P1", sheet.piece[0])
    assert _reasons(logbook, "orchard/P9") == ["the piece is not in the logbook"]
    assert _reasons(logbook, "orchard/P1") == ["its rig 'stem' is not in the logbook"]
    with LogbookEntries(logbook) as entries:
        entries.put_record("stem", sheet.rig[0])
    assert _reasons(logbook, "orchard/P1") == [
        "the rope 'blue 14' of its rig is not in the logbook"
    ]


def _reasons(logbook: Path, key: str) -> list[str]:
    predicted, unpredicted = predict_pieces(logbook, (key,))
    assert predicted == ()
    return [reason for _, reason in unpredicted]


def test_what_rests_on_a_record(tmp_path: Path, logbook: Path) -> None:
    store_sheet(logbook, read_sheet(write_sheet(tmp_path)))
    with LogbookReader(logbook) as reader:
        assert pieces_affected(reader, "piece", "orchard/P1") == ("orchard/P1",)
        assert pieces_affected(reader, "rig", "limb") == ("orchard/P2",)
        assert pieces_affected(reader, "rope", "blue 14") == ("orchard/P1", "orchard/P2")
        assert pieces_affected(reader, "limit", "blue 14/working_limit") == ()


def test_storing_loads_numpy_at_most(tmp_path: Path, logbook: Path) -> None:
    code = (
        "import sys, json; from pathlib import Path\n"
        "from logger.commands.planning import store_sheet; from logger.sheet import read_sheet\n"
        "store_sheet(sys.argv[2], read_sheet(Path(sys.argv[1])))\n"
        "print(json.dumps(sorted({m.split('.')[0] for m in sys.modules})))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(write_sheet(tmp_path)), str(logbook)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert {"scipy", "pandas", "matplotlib"}.isdisjoint(json.loads(done.stdout))


def test_records_of_other_kinds_keep_their_types(tmp_path: Path, logbook: Path) -> None:
    sheet = read_sheet(write_sheet(tmp_path))
    store_sheet(logbook, sheet)
    with LogbookReader(logbook) as reader:
        assert reader.record(Piece, "orchard/P1") == sheet.piece[0]
        assert reader.record(Rope, "blue 14") == sheet.rope[0]
