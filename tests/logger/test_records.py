"""Records: units become SI, what is stored comes back, wrong values are refused."""

from __future__ import annotations

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.corrections import as_record, built, corrected
from logger.errors import InputError
from logger.records import (
    KINDS,
    Diameter,
    Drop,
    Guess,
    Job,
    Limit,
    Node,
    Note,
    Piece,
    Record,
    Rig,
    Rope,
    Station,
    Tag,
    convert,
    from_body,
    to_body,
    to_si,
)
from logger.units import UNITS

names = st.text(min_size=1, max_size=40)
lengths = st.floats(0.01, 50.0)
pieces = st.builds(
    Piece,
    name=names,
    length_m=lengths,
    diameters=st.lists(
        st.builds(Diameter, at_m=st.floats(0.0, 50.0), diameter_m=lengths), min_size=1, max_size=4
    ).map(tuple),
    rig=names,
    species=st.text(max_size=40),
    brush_share=st.floats(0.0, 0.9),
    drop=st.none() | st.builds(Drop, tie_above_block_m=lengths, centre_above_tie_m=lengths),
    guesses=st.lists(
        st.builds(Guess, by=names, weight_n=st.none() | st.floats(1.0, 1e5)), max_size=2
    ).map(tuple),
    note=st.text(max_size=80),
)
tags = st.builds(
    Tag,
    piece=st.text(max_size=20),
    job=st.text(max_size=20),
    note=st.text(max_size=50),
    discarded=st.booleans(),
    discard_reason=st.text(max_size=50),
)


@given(pieces | tags)
def test_what_is_stored_comes_back(record: Piece | Tag) -> None:
    body = to_body(record)
    assert from_body(body, type(record)) == record
    assert to_body(from_body(body, type(record))) == body


@given(st.floats(0.001, 1000.0), st.sampled_from(sorted(UNITS["length"])))
def test_text_with_a_unit_equals_the_si_number(value: float, unit: str) -> None:
    plain = to_si({"piece": [{"length_m": f"{value!r} {unit}"}]})
    assert plain["piece"][0]["length_m"] == pytest.approx(value * UNITS["length"][unit])


def test_only_keys_that_end_in_a_unit_are_quantities() -> None:
    plain = {"name": "3 m", "note": "12 kN", "efficiency": 0.9, "nodes": [{"x_m": 1}]}
    assert to_si(plain) == plain


def test_the_key_of_a_wrong_quantity_is_told() -> None:
    with pytest.raises(InputError) as caught:
        to_si({"rig": [{"nodes": [{"x_m": "3 kg"}]}]})
    assert caught.value.args[1] == "rig[0].nodes[0].x_m"


@pytest.mark.parametrize(
    ("record", "plain"),
    [
        (Job, {"name": "x" * 201, "crew": "c"}),
        (Rope, {"name": "r", "stiffness_n": 0.0}),
        (Rope, {"name": "r", "stiffness_n": 1.0, "dynamic_factor": 0.5}),
        (Node, {"name": "n", "role": "pulley"}),
        (Node, {"name": "n", "role": "device", "efficiency": 1.2}),
        (Station, {"name": "s", "mount": "glued"}),
        (Limit, {"on": "r", "kind": "working_limit", "force_n": -1.0, "by": "W", "entered": "t"}),
        (Limit, {"on": "r", "kind": "working_limit", "force_n": 1.0, "by": "", "entered": "t"}),
        (Guess, {"weight_n": 100.0}),
        (Tag, {"piece": "P1", "weight_n": 3.0}),
    ],
)
def test_values_that_mean_nothing_are_refused(
    record: type[Record], plain: dict[str, object]
) -> None:
    with pytest.raises(msgspec.ValidationError):
        convert(plain, record)


def test_records_cannot_be_changed() -> None:
    with pytest.raises(AttributeError):
        Note(text="a", by="b").text = "c"  # type: ignore[misc]


def test_every_kind_has_a_type_of_its_own() -> None:
    assert len(set(KINDS.values())) == len(KINDS)


# --- corrections -------------------------------------------------------------------------

RIG = Rig(
    name="stem",
    method="butt_tied",
    rope="blue",
    station=Station(name="end", mount="end", leg="lead"),
    nodes=(Node(name="A", role="high_block"),),
)


def test_a_correction_leaves_the_old_record_alone() -> None:
    new = corrected(RIG, ["station.cell_length_m=25 cm", "nodes[0].z_m=9", "wraps=2.5"], "rig stem")
    assert (new.station.cell_length_m, new.nodes[0].z_m, new.wraps) == (0.25, 9.0, 2.5)
    assert (RIG.station.cell_length_m, RIG.nodes[0].z_m, RIG.wraps) == (0.0, 0.0, None)


@given(pieces, st.text(min_size=1, max_size=60))
def test_a_note_is_taken_as_it_was_typed(piece: Piece, note: str) -> None:
    assert corrected(piece, [f"note={note}"], "piece").note == note


def test_values_are_toml_where_they_can_be() -> None:
    typed = ["a=1.5", "b=true", "c='3 m'", "d=plain words", "e=[1, 2]", "f.g={h = 1}"]
    assert built(typed, Rig, "x") == {
        "a": 1.5, "b": True, "c": "3 m", "d": "plain words", "e": [1, 2], "f": {"g": {"h": 1}},
    }  # fmt: skip


@pytest.mark.parametrize(
    ("assignment", "expected"),
    [
        ("method=snub", "rig stem: method: expected one of butt_tied,"),
        ("station.mount=glue", "station.mount: expected one of end, running_line, sling"),
        ("station.mont=end", "did you mean mount?"),
        ("nodes[0].contact=tape", "nodes[0].contact: expected one of"),
        ("nodes[5].z_m=1", "there is no nodes[5].z_m to change"),
        ("name.first=x", "there is no name.first to change"),
        ("wraps=-1", "wraps: expected a number >= 0.0, found -1"),
        ("rope_length_m=9 kN", "rope_length_m: expected a number in SI or text with a unit (m,"),
        ("wraps", "'wraps' is not FIELD=VALUE"),
    ],
)
def test_a_wrong_correction_is_one_line(assignment: str, expected: str) -> None:
    with pytest.raises(InputError) as caught:
        corrected(RIG, [assignment], "rig stem")
    message = str(caught.value)
    assert message.startswith("rig stem: ")
    assert expected in message
    assert "\n" not in message


def test_a_record_from_nothing_names_what_it_lacks() -> None:
    with pytest.raises(InputError, match="rope red: stiffness_n: expected this key"):
        as_record({"name": "red"}, Rope, "rope red")


def test_a_piece_stored_before_its_newer_fields_comes_back_and_goes_out_unchanged() -> None:
    body = (
        '{"name":"P1","length_m":4.0,"diameters":[{"at_m":0.0,"diameter_m":0.3}],"rig":"R",'
        '"species":"white oak","brush_share":0.1}'
    )
    old = from_body(body, Piece)
    assert old.hinge is None
    assert old.diameters[0].across_m == 0.3
    assert msgspec.json.decode(to_body(old)) == msgspec.json.decode(body)
