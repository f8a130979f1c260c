"""Cell profiles: what they hold, what is refused and where, arbitrary files."""

from __future__ import annotations

import contextlib
import re
from pathlib import Path

import pytest
from declared_peers import FRAME, LINE, PROFILES, REGISTERS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import InputError, SheetError
from logger.profile import Profile, names_of
from logger.profile_file import load_profile

UUID = "0f1e2d3c-4b5a-6978-8796-a5b4c3d2e1f0"
NOTIFICATION = f"""name = "n"
sample_rate_hz = 10
[notification]
characteristic = "{UUID}"
fields = ["-:u8", "load:i24"]
[value]
fields = ["load"]
"""


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "sensor.toml"
    path.write_text(text, encoding="utf-8")
    return path


def refused(tmp_path: Path, text: str) -> SheetError:
    with pytest.raises(SheetError) as caught:
        load_profile(written(tmp_path, text))
    return caught.value


def changed(source: Path, old: str, new: str) -> tuple[str, int]:
    """The example with one place changed, and the line of that place."""
    text = source.read_text(encoding="utf-8")
    assert text.count(old) == 1, old
    return text.replace(old, new), text[: text.index(old)].count("\n") + 1


def test_the_examples_are_what_they_say() -> None:
    profiles = {path.name: load_profile(path) for path in PROFILES.glob("*.toml")}
    assert len(profiles) == 4
    line, frame, registers = (profiles[path.name] for path in (LINE, FRAME, REGISTERS))
    assert (line.form, frame.form, registers.form) == ("line", "frame", "registers")
    assert line.n_per_count == pytest.approx(0.980665)  # 0.1 kgf; exact, 9.80665 m/s^2 (CGPM 1901)
    assert (frame.n_per_count, registers.n_per_count) == (None, 0.5)
    assert line.start_bytes == b"GO\r\n"
    assert frame.stop_bytes == b"S\x00"
    assert (registers.start_bytes, registers.stop_bytes) == (b"\0\xc8\0\1", b"\0\xc8\0\0")
    assert names_of(line) == ["-", "number", "load"]
    assert frame.n_per_message == 4
    assert len({profile.crc for profile in profiles.values()} - {0}) == 4


def test_a_notification_is_described(tmp_path: Path) -> None:
    profile = load_profile(written(tmp_path, NOTIFICATION))
    assert profile.form == "notification"
    assert (profile.start_bytes, profile.stop_bytes) == (b"", b"")


@pytest.mark.parametrize(
    ("source", "old", "new", "key", "expected"),
    [
        (LINE, 'kind = "xor"', 'kind = "crc12"', "check.kind", "one of crc16"),
        (LINE, "rel_u = 0.005", "", "value.rel_u", "uncertainty"),
        (LINE, 'unit = "kgf"', 'unit = "stone"', "value.unit", "one of"),
        (LINE, "sample_rate_hz = 80.0", 'sample_rate_hz = "80"', "sample_rate_hz", "a number"),
        (LINE, "sample_rate_hz = 80.0", "sample_rate_hz = nan", "sample_rate_hz", "> 0"),
        (LINE, "wrap = 10000", "wrapp = 10000", "sequence.wrapp", "did you mean wrap"),
        (LINE, '"load"]   #', '"laod"]   #', "value.fields[0]", "a field of [line]"),
        (LINE, '"number", "load"]', '"load", "load"]', "line.fields[2]", "not used before"),
        (LINE, '"number", "load"]', '"num ber", "load"]', "line.fields[1]", "letters"),
        (LINE, 'field = "number"', 'field = "load"', "sequence.field", "means nothing else"),
        (LINE, 'start = "$"', 'start = "é"', "line.start", "ASCII"),
        (LINE, 'separator = "*"', 'separator = "§"', "check.separator", "ASCII"),
        (LINE, "low = -500.0", "low = 5000.0", "value.high", "more than low"),
        (LINE, "low = -500.0", "low = -1e11", "value.low", "times the resolution"),
        (LINE, "[line]", "[frame]", "frame.start", "a known key"),
        (LINE, "[commands]", "crc = 1\n[commands]", "value.crc", "a known key"),
        (LINE, "baud = 57600", "baud = 0", "link.baud", ">= 50"),
        (FRAME, 'sync_hex = "A5 5A"', 'sync_hex = "A5 5"', "frame.sync_hex", "hexadecimal"),
        (FRAME, 'sync_hex = "A5 5A"', 'sync_hex = "  "', "frame.sync_hex", "hexadecimal"),
        (FRAME, '"time:u32"', '"time:u33"', "frame.fields[1]", "name:type"),
        (FRAME, '"time:u32"', '"time"', "frame.fields[1]", "name:type"),
        (FRAME, '"number:u8"', '"number:f32"', "sequence.field", "whole numbers"),
        (FRAME, 'start_hex = "53 01"', 'start_hex = "53 0g"', "commands.start_hex", "hexa"),
        (FRAME, "per_s = 1000", "per_s = 1000\nwrap = 100", "tick.wrap", "four messages"),
        (REGISTERS, '"load:i32"', '"load:i24"', "registers.fields[1]", "name:type"),
        (REGISTERS, "first = 100", "first = 65534", "registers.first", "65535"),
        (REGISTERS, "first = 100", "first = 70000", "registers.first", "<= 65535"),
        (REGISTERS, "[link]", '[check]\nkind = "xor"\n[link]', "check", "no [check]"),
        (REGISTERS, "[link]", '[commands]\nstart = "x"\n[link]', "commands", "[registers]"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_its_line(
    tmp_path: Path, source: Path, old: str, new: str, key: str, expected: str
) -> None:
    text, line = changed(source, old, new)
    error = refused(tmp_path, text)
    assert error.key == key
    assert expected in str(error)
    assert error.line is not None
    named = text.splitlines()[error.line - 1]
    assert (
        error.line == line
        or re.split(r"[.\[]", key.removesuffix("]"))[-1 - key.endswith("]")] in named
        or "[value]" in named
    )
    assert str(error).startswith(f"{tmp_path / 'sensor.toml'}:{error.line}: {key}: expected ")


def test_a_tick_too_coarse_to_number_by_is_refused(tmp_path: Path) -> None:
    text, _ = changed(FRAME, "per_s = 1000", "per_s = 100")
    without = text.replace(
        '[sequence]                     # goes up by one a frame, 255 is followed by 0\nfield = "number"',
        "",
    )
    assert refused(tmp_path, without).key == "tick.per_s"
    load_profile(written(tmp_path, text))


def test_exactly_one_form(tmp_path: Path) -> None:
    text = NOTIFICATION + '[line]\nfields = ["load"]\n'
    assert "exactly one" in str(refused(tmp_path, text))
    none = 'name = "n"\nsample_rate_hz = 1\n[value]\nfields = ["a"]\n'
    assert "found none" in str(refused(tmp_path, none))


def test_sizes_and_uuids(tmp_path: Path) -> None:
    many = ", ".join(f'"f{i}:f64"' for i in range(100))
    long = NOTIFICATION.replace('"-:u8", "load:i24"', many).replace('["load"]', '["f1"]')
    assert refused(tmp_path, long).key == "notification.fields"
    text, _ = changed(REGISTERS, '"load:i32"]', f'"load:i32", {many[:1200].rsplit(",", 1)[0]}]')
    assert "125 registers" in str(refused(tmp_path, text))
    assert (
        refused(tmp_path, NOTIFICATION.replace(UUID, "2c07")).key == "notification.characteristic"
    )


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such cell profile"):
        load_profile(tmp_path / "none.toml")
    with pytest.raises(InputError, match="cannot read the cell profile: Is a directory"):
        load_profile(tmp_path)
    with pytest.raises(InputError, match="cannot read the cell profile: embedded null"):
        load_profile(Path("a\0b"))


@pytest.mark.parametrize("text", ["x = " + "9" * 5000, "x = " + "[" * 3000])
def test_toml_that_the_parser_itself_chokes_on(tmp_path: Path, text: str) -> None:
    assert refused(tmp_path, text).key == "TOML"


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)  # fmt: skip
KEYS = st.sampled_from([*Profile.__struct_fields__, "fields", "field", "wrap", "a.b", "", "]"])


def toml(value: object) -> str:
    """A value as TOML, whatever it is."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(str(k))} = {toml(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, str):
        return (
            '"'
            + "".join(
                c if c.isalnum() and c.isascii() else f"\\U{ord(c):08x}"
                for c in value
                if not 0xD800 <= ord(c) < 0xE000
            )
            + '"'
        )
    return {"None": '""'}.get(repr(value), repr(value))


def load_or_refuse(path: Path, data: bytes) -> None:
    path.write_bytes(data)
    with contextlib.suppress(SheetError):
        load_profile(path)


RELAXED = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)


@RELAXED
@given(data=st.binary(max_size=200))
def test_arbitrary_bytes_are_refused(tmp_path: Path, data: bytes) -> None:
    load_or_refuse(tmp_path / "any.toml", data)


@pytest.mark.no_cover
@RELAXED
@given(table=st.dictionaries(KEYS, VALUES, max_size=6))
def test_arbitrary_tables_are_refused(tmp_path: Path, table: dict[str, object]) -> None:
    text = "\n".join(f"{toml(key)} = {toml(value)}" for key, value in table.items())
    load_or_refuse(tmp_path / "any.toml", text.encode())


@pytest.mark.no_cover
@RELAXED
@given(source=st.sampled_from([LINE, FRAME, REGISTERS]), data=st.data())
def test_examples_with_any_line_changed_load_or_are_refused(
    tmp_path: Path, source: Path, data: st.DataObject
) -> None:
    lines = source.read_text(encoding="utf-8").splitlines()
    places = [i for i, line in enumerate(lines) if " = " in line]
    for _ in range(data.draw(st.integers(1, 3))):
        i = data.draw(st.sampled_from(places))
        lines[i] = f"{lines[i].split(' = ')[0]} = {toml(data.draw(VALUES))}"
    load_or_refuse(tmp_path / "any.toml", "\n".join(lines).encode())
