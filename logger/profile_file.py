"""The file of a cell profile: read, checked, refused with the line that is wrong.

Comes in: a TOML file. Goes out: a :class:`~logger.profile.Profile`, or one
:class:`~logger.errors.SheetError` with file, line, key, what was expected and what stands
there. Must not: decode bytes, or open a link.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import msgspec

from logger.profile import (
    FORMS,
    IGNORED,
    LONGEST_FRAME,
    MOST_REGISTERS,
    TYPES,
    CommandTexts,
    Profile,
    Value,
    length_of,
    names_of,
    split_field,
)
from logger.records import convert
from logger.sheet import Finding, KeyPath, explain, load_toml, plain_values, read_source, refuse

RESOLVED_PERIODS: Final = 0.5
"""A tick tells samples apart when its unit is at most so many of their intervals."""

_NAME: Final = re.compile(r"[A-Za-z_]\w*|-")
_HEX: Final = re.compile(r"(?:[0-9A-Fa-f]{2}[ \t]*)*")
_UUID: Final = re.compile(r"[0-9A-Fa-f]{8}(?:-[0-9A-Fa-f]{4}){3}-[0-9A-Fa-f]{12}")


def load_profile(path: Path) -> Profile:
    """Read and check a profile.

    Raises
    ------
    SheetError
        The first thing wrong in the file, with its line.
    InputError
        The file cannot be read at all.
    """
    source = read_source(path, "cell profile")
    written = load_toml(path, source)
    try:
        profile = convert(plain_values(written), Profile)
    except msgspec.ValidationError as error:
        refuse(path, source, explain(error, written, Profile))
    findings = list(findings_of(profile))
    if "crc" in written:
        findings.append((("crc",), "a known key", "crc"))
    if findings:
        refuse(path, source, *findings)
    return msgspec.structs.replace(profile, crc=zlib.crc32(source))


# --- what one part says of another ---------------------------------------------------------


def findings_of(profile: Profile) -> Iterator[Finding]:
    """Everything that is wrong between the parts of a profile."""
    given = [name for name in FORMS if getattr(profile, name) is not None]
    if len(given) != 1:
        one = "exactly one of the tables [line], [frame], [registers], [notification]"
        yield (given[-1],) if given else (), one, ", ".join(given) or "none"
        return
    form = given[0]
    fields = list(_field_findings(profile, form))
    yield from fields
    if not fields:
        yield from _reference_findings(profile, form)
        yield from _size_findings(profile, form)
    yield from _value_findings(profile.value)
    yield from _time_findings(profile)
    yield from _form_findings(profile)
    yield from _hex_findings(profile)


def _field_findings(profile: Profile, form: str) -> Iterator[Finding]:
    """Check each field's name and type, and that no name stands twice."""
    seen: set[str] = set()
    for i, text in enumerate(profile.body.fields):
        where: KeyPath = (form, "fields", i)
        name, kind = (text, "") if form == "line" else split_field(text)
        if form == "line" and text.startswith("=") and len(text) > 1:
            continue
        if not _NAME.fullmatch(name):
            yield where, "a name of letters and digits, or -", text
        elif name in seen and name != IGNORED:
            yield where, "a name not used before", text
        elif form != "line" and not _type_fits(kind, form):
            whole = [kind for kind in TYPES if _type_fits(kind, form)]
            yield where, f"name:type with a type of {', '.join(whole)}", text
        seen.add(name)


def _type_fits(kind: str, form: str) -> bool:
    """Whether a binary field may be of this type; registers hold whole words."""
    return kind in TYPES and (form != "registers" or TYPES[kind][0] % 2 == 0)


def _reference_findings(profile: Profile, form: str) -> Iterator[Finding]:
    """Check that what value, tick and sequence name is a field, and one of its own."""
    names = set(names_of(profile)) - {IGNORED}
    listed = ", ".join(sorted(names)) or "there is none"
    places: list[tuple[KeyPath, str]] = [
        (("value", "fields", i), name) for i, name in enumerate(profile.value.fields)
    ]
    if profile.sequence is not None:
        places.append((("sequence", "field"), profile.sequence.field))
    if profile.tick is not None:
        places.append((("tick", "field"), profile.tick.field))
    used: set[str] = set()
    for where, name in places:
        if name not in names:
            yield where, f"a field of [{form}] ({listed})", name
        elif name in used:
            yield where, "a field that means nothing else", name
        used.add(name)
    kinds = dict(split_field(text) for text in profile.body.fields)
    for where, name in places:
        if where[0] == "sequence" and kinds.get(name, "").startswith("f"):
            yield where, "a field of whole numbers", f"{name}:{kinds[name]}"


def _value_findings(value: Value) -> Iterator[Finding]:
    """Check unit, uncertainty and limits."""
    if value.unit != "counts" and value.rel_u is None:
        yield (
            ("value", "rel_u"),
            "the relative standard uncertainty, because the unit is one of force",
            "nothing",
        )
    limit = 2**31 - 1
    for key in ("low", "high"):
        number = getattr(value, key)
        if number is not None and not abs(number / value.resolution) <= limit:
            yield ("value", key), f"at most {limit} times the resolution", f"{number:g}"
    if value.low is not None and value.high is not None and value.low >= value.high:
        yield ("value", "high"), f"more than low ({value.low:g})", f"{value.high:g}"


def _time_findings(profile: Profile) -> Iterator[Finding]:
    """Check that tick and sequence can place a sample."""
    tick, sequence = profile.tick, profile.sequence
    n = profile.n_per_message
    if tick is None:
        return
    finest_hz = tick.per_s * RESOLVED_PERIODS
    if sequence is None and profile.sample_rate_hz / n > finest_hz:
        expected = f"at least {profile.sample_rate_hz / n / RESOLVED_PERIODS:g}, or a [sequence]"
        yield ("tick", "per_s"), expected, f"{tick.per_s:g}"
    wrap_s = None if tick.wrap is None else tick.wrap / tick.per_s
    if wrap_s is not None and wrap_s < 0.2 + 4 * n / profile.sample_rate_hz:
        yield ("tick", "wrap"), "a tick that lasts four messages and 0.2 s", f"{wrap_s:g} s"


def _size_findings(profile: Profile, form: str) -> Iterator[Finding]:
    """Check lengths."""
    if form == "line":
        return
    n_bytes = length_of(profile)
    if form == "registers" and n_bytes > 2 * MOST_REGISTERS:
        yield (form, "fields"), f"at most {MOST_REGISTERS} registers", str(n_bytes // 2)
    elif n_bytes > LONGEST_FRAME:
        yield (form, "fields"), f"at most {LONGEST_FRAME} bytes", str(n_bytes)
    registers = profile.registers
    if registers is not None and registers.first + n_bytes // 2 > 65_536:
        yield (form, "first"), "registers up to 65535", str(registers.first)


def _form_findings(profile: Profile) -> Iterator[Finding]:
    """Check what belongs to one form only."""
    if profile.registers is not None:
        if profile.check is not None:
            yield ("check",), "no [check]: Modbus RTU has its own", profile.check.kind
        if profile.commands != CommandTexts():
            yield ("commands",), "start and stop in [registers]", "[commands]"
    for key in ("characteristic", "control"):
        uuid = getattr(profile.notification, key, None)
        if uuid is not None and not _UUID.fullmatch(uuid):
            yield ("notification", key), "a UUID of 128 bits", uuid
    line = profile.line
    if line is not None:
        for key in ("start", "separator"):
            text = getattr(line, key)
            if not text.isascii() or "\n" in text or "\r" in text:
                yield ("line", key), "ASCII text without a line end", repr(text)
        if profile.check is not None and not profile.check.separator.isascii():
            yield ("check", "separator"), "ASCII text", profile.check.separator


def _hex_findings(profile: Profile) -> Iterator[Finding]:
    """Check what is written in hexadecimal."""
    places: list[tuple[KeyPath, str]] = [
        (("commands", "start_hex"), profile.commands.start_hex),
        (("commands", "stop_hex"), profile.commands.stop_hex),
    ]
    if profile.frame is not None:
        places.append((("frame", "sync_hex"), profile.frame.sync_hex))
    for where, text in places:
        if not _HEX.fullmatch(text):
            yield where, "bytes in hexadecimal, as in 'a5 5a'", text
