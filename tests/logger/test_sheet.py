"""A sheet that is right becomes records; a sheet that is wrong becomes one clear line."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from logger.errors import InputError, SheetError
from logger.sheet import read_sheet
from logger.toml_lines import lines_of, nearest_line

GOOD = """\
[job]
name = "orchard"
crew = "Wren's crew"
date = 2026-05-04

[[rope]]
name = "blue 14"
stiffness_n = "180 kN"

[[rig]]
name = "stem"
method = "snubbed_drop"
rope = "blue 14"
lead_length_m = 1.5
fall_length_m = "30 ft"
[rig.station]
name = "block sling"
mount = "sling"
node = "block"
[[rig.nodes]]
name = "device"
role = "device"
contact = "wrap"
[[rig.nodes]]
name = "block"
role = "high_block"
z_m = 9.0

[[piece]]
name = "P1"
rig = "stem"
length_m = "10 ft"
species = "Quercus rubra"
diameters = [
    {at_m = 0, diameter_m = "30 cm"},
    {at_m = 2, diameter_m = 0.22},
]
guesses = [{by = "Wren", weight_n = "150 kgf"}]
[piece.drop]
tie_above_block_m = 0.4
centre_above_tie_m = 0.5

[[cell]]
name = "red"
points = [{force_n = 0, counts = 100}, {force_n = "10 kN", counts = 1_000_100}]

[[limit]]
on = "blue 14"
kind = "working_limit"
force_n = "12 kN"
by = "Wren"
entered = "2026-05-03"
"""

SPAN = """\
[job]
name = "orchard"
crew = "Wren's crew"
[[rope]]
name = "blue 14"
stiffness_n = 180e3
[[rig]]
name = "span"
method = "span_rig"
rope = "blue 14"
rope_length_m = 9.0
station = {name = "B end", mount = "end", node = "B"}
nodes = [
    {name = "A", role = "high_block"},
    {name = "P", role = "piece_block"},
    {name = "B", role = "anchor", x_m = 6.0, z_m = -1.0},
]
[[piece]]
name = "P1"
rig = "span"
length_m = 4.0
diameters = [{at_m = 0, diameter_m = 0.2}]
release = {share_carried = 0.8}
"""


def write(folder: Path, text: str | bytes) -> Path:
    """Store a sheet."""
    path = folder / "sheet.toml"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def test_units_and_dates_become_si(tmp_path: Path) -> None:
    sheet = read_sheet(write(tmp_path, GOOD))
    assert sheet.job.date == "2026-05-04"
    assert sheet.rope[0].stiffness_n == 180_000.0
    assert sheet.rig[0].fall_length_m == pytest.approx(9.144)
    piece = sheet.piece[0]
    assert piece.length_m == pytest.approx(3.048)
    assert [d.diameter_m for d in piece.diameters] == [pytest.approx(0.3), 0.22]
    assert piece.guesses[0].weight_n == pytest.approx(150 * 9.80665)
    assert sheet.limit[0].force_n == 12_000.0


def test_byte_order_mark_and_windows_lines_are_read(tmp_path: Path) -> None:
    text = b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode()
    assert read_sheet(write(tmp_path, text)) == read_sheet(write(tmp_path, GOOD))


def test_names_of_the_logbook_may_be_used(tmp_path: Path) -> None:
    start, rest = GOOD.index("[[rig]]"), GOOD.index("[[piece]]")
    path = write(tmp_path, GOOD[:start] + GOOD[rest:])
    with pytest.raises(SheetError, match="rig"):
        read_sheet(path)
    assert read_sheet(path, known_rigs=["stem"]).piece[0].rig == "stem"


class Bad(NamedTuple):
    """A change to a good sheet and what the message must say."""

    id: str
    old: str
    new: str
    line_of: str
    key: str
    expected: str
    found: str
    base: str = GOOD


BAD = [
    Bad("syntax", 'crew = "', 'crew "', "crew ", "TOML", "valid TOML", 'crew "Wren'),
    Bad("not closed", 'entered = "2026-05-03"', "entered = [", "entered", "TOML", "valid", "["),
    Bad(
        "twice", "z_m = 9.0", "z_m = 9.0\nz_m = 8.0", "z_m = 8.0", "TOML", "overwrite", "z_m = 8.0"
    ),
    Bad(
        "misspelt key",
        'length_m = "10',
        'lenght_m = "10',
        "lenght_m",
        "piece[0].lenght_m",
        "did you mean length_m?",
        "lenght_m",
    ),
    Bad(
        "key without unit",
        "lead_length_m",
        "lead_length",
        "lead_length",
        "rig[0].lead_length",
        "did you mean lead_length_m?",
        "lead_length",
    ),
    Bad(
        "foreign key",
        "date = 2026-05-04",
        "zzz = 1",
        "zzz",
        "job.zzz",
        "one of name, crew, date, note",
        "zzz",
    ),
    Bad("foreign table", "[[limit]]", "[[xyzzy]]", "[[xyzzy]]", "xyzzy", "one of job", "xyzzy"),
    Bad("deep key", "at_m = 2,", "at = 2,", "at = 2,", "piece[0].diameters[1].at", "at_m?", "at"),
    Bad(
        "missing key",
        'crew = "Wren\'s crew"\n',
        "",
        "[job]",
        "job.crew",
        "this key, which is required",
        "nothing",
    ),
    Bad(
        "no job",
        '[job]\nname = "orchard"\ncrew = "Wren\'s crew"\ndate = 2026-05-04',
        "",
        "",
        "job",
        "required",
        "nothing",
    ),
    Bad(
        "unknown unit",
        '"10 ft"',
        '"10 feet"',
        "10 feet",
        "piece[0].length_m",
        "text with a unit (m, cm, mm, ft, in)",
        '"10 feet"',
    ),
    Bad(
        "wrong dimension", '"10 ft"', '"10 kg"', "10 kg", "piece[0].length_m", "unit (m", '"10 kg"'
    ),
    Bad("no unit", '"12 kN"', '"12"', '= "12"', "limit[0].force_n", "unit (N, kN", '"12"'),
    Bad(
        "deep unit",
        '"30 cm"',
        '"30 kN"',
        "30 kN",
        "piece[0].diameters[0].diameter_m",
        "unit (m, cm",
        '"30 kN"',
    ),
    Bad(
        "negative",
        'length_m = "10 ft"',
        "length_m = -1",
        "length_m = -1",
        "piece[0].length_m",
        "a number > 0.0 or text with a unit of length",
        "-1",
    ),
    Bad("true", "z_m = 9.0", "z_m = true", "z_m = true", "rig[0].nodes[1].z_m", "a number", "true"),
    Bad("infinite", "z_m = 9.0", "z_m = inf", "z_m = inf", "rig[0].nodes[1].z_m", "finite", "inf"),
    Bad("undefined", "z_m = 9.0", "z_m = nan", "z_m = nan", "rig[0].nodes[1].z_m", "finite", "nan"),
    Bad("no text", '"orchard"', "7", "name = 7", "job.name", "text", "7"),
    Bad("empty", '"orchard"', '""', 'name = ""', "job.name", "text of length >= 1", '""'),
    Bad(
        "single table",
        "[[limit]]",
        "[limit]",
        "[limit]",
        "limit",
        "a list of tables, each under [[limit]]",
        "{",
    ),
    Bad(
        "unknown method",
        '"snubbed_drop"',
        '"snub"',
        '"snub"',
        "rig[0].method",
        "snubbed_drop",
        '"snub"',
    ),
    Bad(
        "unknown kind",
        '"working_limit"',
        '"swl"',
        '"swl"',
        "limit[0].kind",
        "breaking_strength",
        '"swl"',
    ),
    Bad(
        "no diameter",
        'diameters = [\n    {at_m = 0, diameter_m = "30 cm"},\n    {at_m = 2, diameter_m = 0.22},\n]',
        "diameters = []",
        "diameters",
        "piece[0].diameters",
        "a list of length >= 1",
        "[]",
    ),
    Bad(
        "three points",
        "points = [",
        "points = [{force_n = 1, counts = 7}, ",
        "points",
        "cell[0].points",
        "length <= 2",
        "[",
    ),
    Bad(
        "same points",
        "counts = 1_000_100",
        "counts = 100",
        "points",
        "cell[0].points",
        "two different loads",
        "the same",
    ),
    Bad("unknown rig", 'rig = "stem"', 'rig = "stm"', '"stm"', "piece[0].rig", "rig (stem)", "stm"),
    Bad(
        "unknown rope",
        'rope = "blue 14"',
        'rope = "red"',
        'rope = "red"',
        "rig[0].rope",
        "rope (blue 14)",
        "red",
    ),
    Bad(
        "unknown node",
        'node = "block"',
        'node = "pulley"',
        '"pulley"',
        "rig[0].station.node",
        "node of this rig, or its role (block, device, high_block)",
        "pulley",
    ),
    Bad(
        "unknown limit",
        'on = "blue 14"',
        'on = "green"',
        '"green"',
        "limit[0].on",
        "rope, node, cell or station",
        "green",
    ),
    Bad("slash", '"orchard"', '"a/b"', '"a/b"', "job.name", "without '/'", "a/b"),
    Bad("slash piece", '"P1"', '"P/1"', '"P/1"', "piece[0].name", "without '/'", "P/1"),
    Bad(
        "name twice",
        "[[cell]]",
        '[[rope]]\nname = "blue 14"\nstiffness_n = 2\n[[cell]]',
        'name = "blue 14"\nstiffness_n = 2',
        "rope[1].name",
        "not used before",
        "blue 14",
    ),
    Bad(
        "node twice",
        'name = "device"',
        'name = "block"',
        'name = "block"\nrole = "high_block"',
        "rig[0].nodes[1].name",
        "not used before",
        "block",
    ),
    Bad(
        "beyond the end",
        "at_m = 2,",
        "at_m = 4,",
        "at_m = 4",
        "piece[0].diameters[1].at_m",
        "on the piece (0 to 3.048 m)",
        "4 m",
    ),
    Bad(
        "not ascending",
        "at_m = 2,",
        "at_m = 0,",
        "{at_m = 0, diameter_m = 0.22",
        "piece[0].diameters[1].at_m",
        "further out than 0 m",
        "0 m",
    ),
    Bad(
        "guess of nothing",
        ', weight_n = "150 kgf"',
        "",
        "guesses",
        "piece[0].guesses[0]",
        "weight_n or drop_m",
        "neither",
    ),
    Bad(
        "no drop",
        "[piece.drop]\ntie_above_block_m = 0.4\ncentre_above_tie_m = 0.5",
        "",
        "[[piece]]",
        "piece[0].drop",
        "because rig stem is a snubbed_drop",
        "nothing",
    ),
    Bad(
        "no braking distance",
        '"snubbed_drop"',
        '"let_run_drop"',
        "[piece.drop]",
        "piece[0].drop.run_m",
        "braking distance",
        "nothing",
    ),
    Bad(
        "deep unknown key",
        "tie_above_block_m",
        "tie_over_block_m",
        "tie_over_block_m",
        "piece[0].drop.tie_over_block_m",
        "did you mean tie_above_block_m?",
        "tie_over_block_m",
    ),
    Bad("no swing", '"snubbed_drop"', '"swing"', "[[piece]]", "piece[0].swing", "swing", "nothing"),
    Bad(
        "no fall length",
        'fall_length_m = "30 ft"\n[rig.station]\nname = "block sling"\nmount = "sling"\n'
        'node = "block"\n[[rig.nodes]]\nname = "device"\nrole = "device"\ncontact = "wrap"\n',
        '[rig.station]\nname = "block sling"\nmount = "sling"\nnode = "block"\n',
        "[[rig]]",
        "rig[0].fall_length_m",
        "from high block to device",
        "nothing",
    ),
    Bad(
        "no sling node", 'node = "block"\n', "", "[rig.station]", "rig[0].station.node", "node", "n"
    ),
    Bad(
        "no running leg",
        'mount = "sling"\nnode = "block"',
        'mount = "running_line"',
        "[rig.station]",
        "rig[0].station.leg",
        "the leg",
        "nothing",
    ),
    Bad(
        "end of what",
        'mount = "sling"\nnode = "block"',
        'mount = "end"',
        "[rig.station]",
        "rig[0].station.leg",
        "a leg or a node",
        "neither",
    ),
    Bad(
        "inline in the fall",
        'mount = "sling"\nnode = "block"',
        'mount = "end"\nleg = "fall"',
        "leg = ",
        "rig[0].station.leg",
        "cannot pass a block",
        "fall",
    ),
    Bad(
        "no release",
        "release = {share_carried = 0.8}",
        "",
        "[[piece]]",
        "piece[0].release",
        "because rig span is a span_rig",
        "nothing",
        SPAN,
    ),
    Bad(
        "no anchor",
        'role = "anchor"',
        'role = "redirect"',
        "nodes = [",
        "rig[0].nodes",
        "role anchor",
        "none",
        SPAN,
    ),
    Bad(
        "no rope length",
        "rope_length_m = 9.0\n",
        "",
        "[[rig]]",
        "rig[0].rope_length_m",
        "between high block and anchor",
        "nothing",
        SPAN,
    ),
    Bad(
        "rope too short",
        "rope_length_m = 9.0",
        "rope_length_m = 6.0",
        "rope_length_m",
        "rig[0].rope_length_m",
        "more than the 6.08 m",
        "6 m",
        SPAN,
    ),
]


@pytest.mark.parametrize("bad", BAD, ids=[bad.id for bad in BAD])
def test_bad_sheet_is_one_clear_line(bad: Bad, tmp_path: Path) -> None:
    assert bad.old in bad.base
    text = bad.base.replace(bad.old, bad.new, 1)
    path = write(tmp_path, text)
    with pytest.raises(SheetError) as caught:
        read_sheet(path)
    error = caught.value
    assert bad.line_of in text
    line = text[: text.index(bad.line_of)].count("\n") + 1 if bad.line_of else None
    assert (error.key, error.line) == (bad.key, line)
    assert bad.expected in error.expected
    assert bad.found in error.found
    message = str(error)
    assert message.startswith(f"{path}:{line}: {bad.key}: " if line else f"{path}: {bad.key}: ")
    assert "\n" not in message
    assert "`" not in message


def test_span_sheet_is_good(tmp_path: Path) -> None:
    assert read_sheet(write(tmp_path, SPAN)).rig[0].method == "span_rig"


def test_the_first_of_several_faults_is_told(tmp_path: Path) -> None:
    text = GOOD.replace('on = "blue 14"', 'on = "x"').replace('rig = "stem"', 'rig = "y"')
    with pytest.raises(SheetError, match=r"piece\[0\]\.rig"):
        read_sheet(write(tmp_path, text))


def test_a_file_in_another_encoding_is_told(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="UTF-8") as caught:
        read_sheet(write(tmp_path, GOOD.replace("Wren's", "Zoë's").encode("latin-1")))
    assert caught.value.line == 3


def test_an_empty_sheet_lacks_its_job(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="job: expected this key"):
        read_sheet(write(tmp_path, ""))


def test_a_missing_file_and_a_folder_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such job sheet"):
        read_sheet(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot read the job sheet"):
        read_sheet(tmp_path)


def test_long_values_are_shortened(tmp_path: Path) -> None:
    with pytest.raises(SheetError) as caught:
        read_sheet(write(tmp_path, GOOD.replace('"orchard"', '"' + "o" * 300 + '"')))
    assert len(caught.value.found) <= 60


def test_a_good_sheet_needs_no_second_parser(tmp_path: Path) -> None:
    """The position-aware parser is loaded only when something is wrong."""
    path = write(tmp_path, GOOD)
    code = (
        "import sys; from pathlib import Path; from logger.sheet import read_sheet; "
        "read_sheet(Path(sys.argv[1])); "
        "sys.exit(any('tree_sitter' in m for m in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code, str(path)], check=False).returncode == 0


def test_lines_of_every_way_to_write_toml() -> None:
    source = b"""\
# a comment
top = 1 # another
[job] # third
name.first = "a"
"quoted key" = { inner = 2, 'o.t' = [3,
  # inside
  {deep = 4}] }
[[rig]]
[[rig.nodes]]
name = "A"
[[rig.nodes]]
# before a pair
name = "B"
[rig.station]
mount = "end"
[[rig]]
[[rig.nodes]]
name = "C"
[a.b.c]
"""
    lines = lines_of(source)
    assert lines["top",] == 2
    assert lines["job",] == 3
    assert lines["job", "name", "first"] == 4
    assert lines["job", "quoted key", "inner"] == 5
    assert lines["job", "quoted key", "o.t", 1, "deep"] == 7
    assert lines["rig", 0, "nodes", 0, "name"] == 10
    assert lines["rig", 0, "nodes", 1, "name"] == 13
    assert lines["rig", 0, "station", "mount"] == 15
    assert lines["rig", 1] == 16
    assert lines["rig", 1, "nodes", 0, "name"] == 18
    assert lines["a", "b"] == 19
    assert nearest_line(lines, ("rig", 1, "rope")) == 16
    assert nearest_line(lines, ("nowhere",)) is None
