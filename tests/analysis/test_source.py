"""A lowering out of the logbook is, in newtons and at its times, what the cell saw."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from logbook_factory import (
    N_PER_COUNT,
    START_WALL_NS,
    FakeClock,
    Made,
    drop_force,
    make_logbook,
    release_force,
)
from reviews import set_window
from sheets import SHEET, write_sheet

from analysis.errors import SourceError
from analysis.source import LoweringSource, load_lowering, lowering_numbers
from logger.commands.planning import store_sheet
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.records import Limit, Tag
from logger.samples import FaultNoted, Scaling
from logger.sheet import read_sheet


def store(path: Path, folder: Path, clock: FakeClock | None = None, text: str = SHEET) -> None:
    store_sheet(path, read_sheet(write_sheet(folder, text)), clock=clock or FakeClock())


def tie(path: Path, number: int, piece: str, **more: object) -> None:
    with LogbookEntries(path) as entries:
        entries.put_record(str(number), Tag(job="orchard", piece=piece, **more))  # type: ignore[arg-type]


def load(made: Made, number: int = 1) -> LoweringSource:
    with LogbookReader(made.path) as reader:
        return load_lowering(reader, number)


def prepared(tmp_path: Path, **more: object) -> Made:
    """A sheet stored an hour before two lowerings, the first tied to P1."""
    path = tmp_path / "job.logbook"
    store(path, tmp_path)
    made = make_logbook(path, [drop_force(), release_force()], station=None, **more)  # type: ignore[arg-type]
    tie(path, 1, "P1")
    return made


def test_newtons_and_times_are_those_of_the_cell(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    source = load(made)
    first, last = made.windows[0]
    np.testing.assert_allclose(
        source.trace.force_n, made.force_n[first : last + 1], atol=0.51 * N_PER_COUNT
    )
    expected = np.arange(last - first + 1) / made.rate_hz
    np.testing.assert_allclose(source.trace.time_s, expected, atol=2e-6)
    assert abs(source.start_wall_ns - made.start_wall_ns(1)) < 5_000_000
    assert source.trace.gaps == ()
    assert (source.first_index, source.last_index, source.closed) == (first, last, True)


def test_the_records_of_the_piece_come_with_it(tmp_path: Path) -> None:
    source = load(prepared(tmp_path))
    assert source.job is not None
    assert source.piece is not None
    assert source.rig is not None
    assert source.rope is not None
    assert (source.job.crew, source.piece.name) == ("Heron", "P1")
    assert (source.rig.name, source.rope.name) == ("stem", "blue 14")
    assert [(limit.on, limit.kind) for limit in source.limits] == [
        ("blue 14", "working_limit"),
        ("high block", "peak_allowance"),
        ("blue 14", "breaking_strength"),
    ]
    assert source.trace.station == "rope end"
    assert source.origin == "two points, test bench"


def test_limits_of_other_gear_stay_away(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    tie(made.path, 2, "P2")
    assert {limit.on for limit in load(made, 2).limits} == {"blue 14"}


def test_the_measuring_chain_is_known(tmp_path: Path) -> None:
    made = prepared(
        tmp_path, count_limits=(-40_000, 60_000), filter_delay_us=12_000, overload_n=9000.0
    )
    chain = load(made).trace.chain
    assert (chain.calibration_rel_u, chain.zero_u_n) == (0.005, 2.0)
    assert chain.resolution_n == N_PER_COUNT
    assert (chain.clip_low_n, chain.clip_high_n) == pytest.approx((-4050.0, 5950.0))
    assert chain.filter_delay_s == 0.012
    assert chain.overload_n == 9000.0
    assert (chain.gain, chain.gain_rel_u) == (1.0, 0.0)


def test_the_filters_delay_is_taken_off_the_start(tmp_path: Path) -> None:
    path = tmp_path / "a.logbook"
    plain = load(make_logbook(path, [drop_force()]))
    late = load(make_logbook(tmp_path / "b.logbook", [drop_force()], filter_delay_us=12_000))
    assert plain.start_wall_ns - late.start_wall_ns == 12_000_000


def test_a_limit_on_the_cell_is_an_overload_limit(tmp_path: Path) -> None:
    made = prepared(tmp_path, overload_n=9000.0)
    limit = Limit(on="red", kind="peak_allowance", force_n=8000.0, by="Wren", entered="today")
    with LogbookEntries(made.path) as entries:
        entries.put_record("red/peak_allowance", limit)
    source = load(made)
    assert source.trace.chain.overload_n == 8000.0
    assert limit in source.limits


def test_gaps_stand_where_samples_are_missing(tmp_path: Path) -> None:
    made = prepared(tmp_path, gaps=[(9000, 200), (12_000, 1)])
    gaps = load(made).trace.gaps
    assert [(round(g.start_s, 3), round(g.end_s, 3)) for g in gaps] == [
        (5.999, 6.2),
        (8.999, 9.001),
    ]


def test_a_corrected_window_and_what_was_noted(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    tie(made.path, 1, "P1", touched=True, tag_line_tight=True)
    set_window(made, 1, 4000, 9999)
    source = load(made)
    assert source.trace.n == 6000
    assert source.trace.touched
    assert source.trace.tag_line_tight


def test_the_last_prediction_before_the_load_counts(tmp_path: Path) -> None:
    path = tmp_path / "job.logbook"
    store(path, tmp_path)
    store(
        path, tmp_path, FakeClock(START_WALL_NS), SHEET.replace("length_m = 1.2", "length_m = 1.3")
    )
    made = make_logbook(path, [drop_force()])
    late = FakeClock(START_WALL_NS + 3_600_000_000_000)
    store(path, tmp_path, late, SHEET.replace("length_m = 1.2", "length_m = 1.4"))
    tie(path, 1, "P1")
    prediction = load(made).prediction
    assert prediction is not None
    assert prediction.made_before
    assert prediction.inputs["piece"]["length_m"] == 1.3


def test_a_prediction_made_during_the_history_counts_one_after_the_trigger_not(
    tmp_path: Path,
) -> None:
    path = tmp_path / "job.logbook"
    window_ns = START_WALL_NS + 3_000_000_000
    store(path, tmp_path, FakeClock(window_ns + 1_000_000_000))
    made = make_logbook(path, [drop_force()])
    tie(path, 1, "P1")
    before = load(made).prediction
    assert before is not None
    assert before.made_before
    other = tmp_path / "other.logbook"
    store(other, tmp_path, FakeClock(window_ns + 2_500_000_000))
    made = make_logbook(other, [drop_force()])
    tie(other, 1, "P1")
    after = load(made).prediction
    assert after is not None
    assert not after.made_before


def test_a_guess_entered_after_the_load_is_known_as_such(tmp_path: Path) -> None:
    path = tmp_path / "job.logbook"
    store(path, tmp_path)
    made = make_logbook(path, [drop_force()])
    late = FakeClock(START_WALL_NS + 3_600_000_000_000)
    more = SHEET.replace('how = "gut"}]', 'how = "gut"}, {by = "Robin", weight_n = 1500}]')
    store(path, tmp_path, late, more)
    tie(path, 1, "P1")
    assert [(guess.by, guess.made_before) for guess in load(made).guesses] == [
        ("Wren", True),
        ("Robin", False),
    ]


def test_a_lowering_without_tag_or_rig_is_read_at_the_cell(tmp_path: Path) -> None:
    source = load(make_logbook(tmp_path / "job.logbook", [drop_force()]))
    assert (source.piece, source.rig, source.prediction, source.guesses) == (None, None, None, ())
    assert source.cautions == ("no rig is known: the hang weight is the load at the cell",)


def test_a_cell_that_was_elsewhere_is_told(tmp_path: Path) -> None:
    path = tmp_path / "job.logbook"
    store(path, tmp_path)
    made = make_logbook(path, [drop_force()], station="block sling")
    tie(path, 1, "P1")
    (caution,) = load(made).cautions
    assert "the cell was at block sling" in caution


def test_a_rig_that_cannot_be_computed_is_told(tmp_path: Path) -> None:
    path = tmp_path / "job.logbook"
    text = SHEET.replace(
        'station = {name = "rope end", mount = "end", leg = "lead"}\nnodes',
        'station = {name = "rope end", mount = "end", leg = "standing"}\nnodes',
    )
    store(path, tmp_path, text=text)
    made = make_logbook(path, [drop_force()], station=None)
    tie(path, 1, "P1")
    assert "only a span rig has a standing leg" in load(made).cautions[0]
    assert load(made).prediction is None


def test_the_stream_at_the_rigs_station_is_read(tmp_path: Path) -> None:
    path = tmp_path / "job.logbook"
    store(path, tmp_path)
    made = make_logbook(path, [drop_force()], station="block sling")
    again = make_logbook(path, [release_force()], station="rope end", cell="grey")
    tie(path, 2, "P1")
    assert load(again, 2).stream.cell == "grey"
    assert load(made, 1).cells == ("red",)


def test_a_window_left_open_ends_with_the_recording(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()], leave_open=True)
    source = load(made)
    assert not source.closed
    assert "the recording ended before the lowering did" in source.cautions
    assert source.last_index == len(made.force_n) - 1


def test_faults_meanwhile_come_with_it(tmp_path: Path) -> None:
    from logger.logbook.writer import LogbookWriter

    made = prepared(tmp_path)
    with LogbookWriter(made.path, clock=FakeClock()) as writer:
        at = [load(made).start_wall_ns - START_WALL_NS + 5_000_000_000_000 + s for s in (0, 10**12)]
        writer.write(
            [
                FaultNoted(1, "red", "bad_crc", at[0], 3, "three frames"),
                FaultNoted(1, "red", "connected", at[0], 1, ""),
                FaultNoted(1, "red", "bad_crc", at[1], 1, "long after"),
            ]
        )
    assert [(fault.kind, fault.n) for fault in load(made).faults] == [("bad_crc", 3)]


def test_what_cannot_be_read_says_what_to_do(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()], scaling=False)
    with pytest.raises(SourceError, match=r"no calibration.*--set cell red"):
        load(made)
    with LogbookEntries(made.path) as entries:
        entries.put_calibration(1, Scaling(500.0, 0.1, 0.005, 2.0, "later"))
    assert load(made).origin == "later"
    with pytest.raises(SourceError, match="no lowering 7; it holds 1"):
        load(made, 7)
    set_window(made, 1, 900, 800)
    with pytest.raises(SourceError, match="no samples between 900 and 800"):
        load(made)
    set_window(made, 1, 900_000, 900_100)
    with pytest.raises(SourceError, match="holds no samples from 900000"):
        load(made)


def test_numbers_of_an_empty_logbook(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [])
    with LogbookReader(made.path) as reader:
        assert lowering_numbers(reader) == ()
    with pytest.raises(SourceError, match="it holds none yet"):
        load(made)
