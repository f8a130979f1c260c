"""Two stations of one lowering through real processes; a third cell dies meanwhile."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest
from capture_rig import PROGRAM, Cell, Recorder, assert_same, wait_until, well

from analysis.source import load_lowering
from logger.logbook.reader import LogbookReader

EFFICIENCY = 0.90
WORLD = """
[scenario]
title = "Invented: one stem section, two cells"
station = "{station}"
quiet_start_s = 4.0
quiet_between_s = 2.0
quiet_end_s = 1.5
step_s = 0.0005

[[lowering]]
name = "L1"
piece = "P1"
method = "snubbed_drop"
weight_n = 1600.0
[lowering.rope]
stiffness_n = 85000.0
viscosity_s = 0.06
[lowering.rig]
lead_m = 1.0
fall_m = 8.0
efficiency = 0.90
light_efficiency = 0.90
[lowering.release]
hinge_s = 0.10
fall_m = 1.0
[lowering.down]
after_s = 4.3
drop_m = 2.0
speed_m_per_s = 0.5
ramp_s = 0.6
"""
SHEET = """
[job]
name = "two cells"
crew = "Heron"
date = "2026-11-25"
note = "Invented job."

[[rope]]
name = "blue"
stiffness_n = "85 kN"
diameter_m = "14 mm"

[[rig]]
name = "snub"
method = "snubbed_drop"
rope = "blue"
lead_length_m = 1.0
fall_length_m = 8.0
station = { name = "rope end", mount = "end", leg = "lead", cell = "lead" }
more_stations = [{ name = "fall", mount = "running_line", leg = "fall", cell = "fall" }]
nodes = [
    { name = "winch", role = "device", x_m = 0.0, z_m = 1.0, contact = "wrap" },
    { name = "high block", role = "high_block", x_m = 0.0, z_m = 9.0, efficiency = 0.7 },
]

[[piece]]
name = "P1"
species = "northern red oak"
rig = "snub"
length_m = "1.4 m"
diameters = [
    { at_m = 0.0, diameter_m = "42 cm" },
    { at_m = "1.4 m", diameter_m = "40 cm" },
]
drop = { tie_above_block_m = "0.35 m", centre_above_tie_m = "0.3 m" }
"""


def ropetally(*words: str) -> str:
    """Run a command to its end; what it printed."""
    done = subprocess.run([PROGRAM, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.slow
def test_two_cells_tell_the_block_while_a_third_dies(tmp_path: Path) -> None:
    logbook, sheet = tmp_path / "job.logbook", tmp_path / "job.toml"
    sheet.write_text(SHEET)
    with (
        Cell(tmp_path, name="lead", world=WORLD.format(station="lead")) as lead,
        Cell(tmp_path, "--rate", "320", name="fall", world=WORLD.format(station="fall")) as fall,
        Cell(tmp_path, name="dying") as dying,
        Recorder(
            logbook, "--cell", f"lead={lead.url}", "--cell", f"fall={fall.url}",
            "--cell", f"dying={dying.url}", "--sheet", str(sheet), "--hold-s", "1.5",
            "--calibration", "0:0 N,100000:1 kN",
        ) as recorder,
    ):  # fmt: skip
        recorder.wait_for_samples(700, streams=3)
        dying.kill()
        wait_until(lambda: min(_done(recorder, 2)) > 320 * 17, 90.0)
        assert recorder.stop() == 0
        sent = {"lead": lead.end(), "fall": fall.end()}
    report = well(logbook)
    streams = {stream.cell: stream for stream in report.streams}
    for cell, record in sent.items():
        assert_same(logbook, streams[cell].id, record)
        assert streams[cell].gaps == 0
    assert streams["dying"].samples >= 700
    ropetally("tag", str(logbook), "1", "--piece", "two cells/P1", "--by", "test")
    with LogbookReader(logbook) as reader:
        source = load_lowering(reader, 1)
    assert source.stream.cell == "lead"
    assert "fall" in [one.stream.cell for one in source.others]
    told = json.loads(ropetally("review", str(logbook), "1", "--json"))["cells"]
    by_cell = {one["cell"]: one for one in told["cells"]}
    assert (by_cell["lead"]["reads"], by_cell["fall"]["reads"]) == ("piece", "fall")
    assert abs(by_cell["fall"]["offset_s"]) < 5.0
    (pair,) = told["pairs"]
    assert pair["efficiency"] == pytest.approx(EFFICIENCY, abs=0.02)
    assert abs(pair["efficiency"] - EFFICIENCY) < pair["efficiency_u"] + 0.01
    text = ropetally("review", str(logbook), "1")
    assert "Cells of this lowering" in text
    assert "measured from" in text


def _done(recorder: Recorder, alive: int) -> list[int]:
    """Acknowledged samples of the streams that go on."""
    return sorted(recorder.acks().values())[-alive:]
