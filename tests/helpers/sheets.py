"""Job sheets for tests, as text: a snubbed stem, a tip-tied limb, limits, a guess."""

from __future__ import annotations

from pathlib import Path

SHEET = """\
[job]
name = "orchard"
crew = "Heron"
note = "An invented job for tests."

[[rope]]
name = "blue 14"
stiffness_n = "30 kN"
dynamic_factor = 1.0

[[rig]]
name = "stem"
method = "snubbed_drop"
rope = "blue 14"
lead_length_m = 1.5
fall_length_m = 9.0
station = {name = "rope end", mount = "end", leg = "lead"}
nodes = [
    {name = "device", role = "device", contact = "wrap", z_m = 1.0},
    {name = "high block", role = "high_block", z_m = 10.0},
]

[[rig]]
name = "limb"
method = "tip_tied"
rope = "blue 14"
station = {name = "rope end", mount = "end", leg = "lead"}

[[piece]]
name = "P1"
rig = "stem"
length_m = 1.2
species = "northern red oak"
diameters = [{at_m = 0.0, diameter_m = 0.44}, {at_m = 1.2, diameter_m = 0.42}]
drop = {tie_above_block_m = 0.0, centre_above_tie_m = 0.0, slack_m = 0.1}
guesses = [{by = "Wren", weight_n = "120 kgf", drop_m = 0.4, how = "gut"}]

[[piece]]
name = "P2"
rig = "limb"
length_m = 4.0
species = "northern red oak"
diameters = [{at_m = 0.0, diameter_m = 0.28}, {at_m = 4.0, diameter_m = 0.22}]
release = {share_carried = 0.8}

[[cell]]
name = "red"
points = [{force_n = 0, counts = 500}, {force_n = 1000, counts = 10500}]

[[limit]]
on = "blue 14"
kind = "working_limit"
force_n = "4 kN"
by = "Wren"
entered = "2026-05-03"

[[limit]]
on = "high block"
kind = "peak_allowance"
force_n = "12 kN"
by = "Wren"
entered = "2026-05-03"

[[limit]]
on = "blue 14"
kind = "breaking_strength"
force_n = "45 kN"
by = "Wren"
entered = "2026-05-03"

[[note]]
text = "Wind from the west."
by = "Heron"
"""


def write_sheet(folder: Path, text: str = SHEET, name: str = "sheet.toml") -> Path:
    """Put a sheet into a folder."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path
