"""What arbitrary bytes are thrown at, each with the promise that must hold.

Comes in: bytes. Goes out: nothing; an exception that is not one of ours, or an accepted frame
whose check is bad, is what a fuzzer looks for. Used by hypothesis (in CI) and by the
coverage-guided run (``tests/evidence/fuzzing.py``).
"""

from __future__ import annotations

import re
import sys
import tempfile
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Final

from declared_peers import FRAME, LINE, REGISTERS, crc16, frame_bytes, line_bytes

from logger.decoders import Decoder, open_decoder
from logger.decoders.declared import DeclaredDecoder
from logger.errors import LoggerError
from logger.logbook.entries import LogbookEntries
from logger.logbook.reader import LogbookReader
from logger.profile import Profile
from logger.profile_file import load_profile
from logger.samples import Fault, SampleFrame, SampleRun
from logger.sheet import read_sheet
from logger.simcell import wire

NOTIFIED: Final = LINE.parent / "notified_force.toml"
SHEET: Final = Path(sys.modules["logger"].__path__[0]) / "commands" / "demo_sheet.toml"
Target = Callable[[bytes], None]


def cut(data: bytes) -> list[bytes]:
    """Cut into pieces whose lengths the bytes themselves give: the first says the step."""
    if not data:
        return []
    step = data[0] + 1
    return [data[i : i + step] for i in range(1, len(data), step)]


def accepted(decoder: Decoder, pieces: list[bytes]) -> int:
    """Feed; how many data frames came out."""
    decoded = []
    for i, piece in enumerate(pieces):
        decoded += decoder.feed(piece, (i + 1) * 20_000_000)
    decoded += decoder.finish((len(pieces) + 1) * 20_000_000)
    runs = sum(reading.n_frames for reading in decoded if isinstance(reading, SampleRun))
    frames = sum(1 for reading in decoded if isinstance(reading, SampleFrame))
    assert all(fault.kind for fault in decoded if isinstance(fault, Fault))
    return runs + frames


# --- the decoders of our own wire format -----------------------------------------------------


def good_cobs(data: bytes) -> int:
    """Frames whose CRC-32 holds, by the plainest reading of the document."""
    n = 0
    for part in data.split(b"\0")[:-1]:
        body, rest = bytearray(), part
        while rest:
            code, rest = rest[0], rest[1:]
            if len(rest) < code - 1:
                body = bytearray()
                break
            body += rest[: code - 1] + (b"\0" if code < 255 and len(rest) >= code else b"")
            rest = rest[code - 1 :]
        payload, check = bytes(body[:-4]), bytes(body[-4:])
        n += len(body) > 4 and zlib.crc32(payload).to_bytes(4, "little") == check
    return n


def good_lines(data: bytes) -> int:
    """Lines whose two digits are the exclusive or of what is between ``$`` and ``*``."""
    n = 0
    for part in data.split(b"\n")[:-1]:
        found = re.fullmatch(rb"\$(.*)\*([0-9A-Fa-f]{2})\r?", part, re.DOTALL)
        if found:
            check = 0
            for byte in found[1]:
                check ^= byte
            n += check == int(found[2], 16)
    return n


def binary(data: bytes) -> None:
    """Serial frames: none accepted with a bad check."""
    pieces = cut(data)
    assert accepted(open_decoder("binary"), pieces) <= good_cobs(b"".join(pieces))


def ascii_lines(data: bytes) -> None:
    """Lines of the debug mode: none accepted with a bad check."""
    pieces = cut(data)
    assert accepted(open_decoder("ascii"), pieces) <= good_lines(b"".join(pieces))


def checked_payload(data: bytes) -> None:
    """Arbitrary payloads behind a good check, so that what is behind it is reached."""
    accepted(open_decoder("binary"), [wire.on_serial(data)])


def packet(data: bytes) -> None:
    """Packets of our own service."""
    accepted(open_decoder("packet"), cut(data))


def sig_force(data: bytes) -> None:
    """Characteristics of the SIG."""
    accepted(open_decoder("sig_force"), cut(data))


# --- declared sensors -----------------------------------------------------------------------------


@cache
def profile_of(path: Path) -> Profile:
    """A profile, read once."""
    return load_profile(path)


def declared_line(data: bytes) -> None:
    """Checked lines of a profile: none accepted with a bad check."""
    pieces = cut(data)
    n = accepted(DeclaredDecoder(profile_of(LINE)), pieces)
    assert n <= good_lines(b"".join(pieces))


def declared_frame(data: bytes) -> None:
    """Frames of a profile: none accepted with a bad check."""
    pieces = cut(data)
    whole = b"".join(pieces)
    good = 0
    for at in (found.start() for found in re.finditer(rb"(?=\xa5\x5a)", whole)):
        body, check = whole[at + 2 : at + 19], whole[at + 19 : at + 21]
        good += len(check) == 2 and crc16(body).to_bytes(2, "little") == check
    assert accepted(DeclaredDecoder(profile_of(FRAME)), pieces) <= good


def declared_registers(data: bytes) -> None:
    """Registers as they were read."""
    accepted(DeclaredDecoder(profile_of(REGISTERS)), cut(data))


def declared_notification(data: bytes) -> None:
    """Notifications of a profile."""
    accepted(DeclaredDecoder(profile_of(NOTIFIED)), cut(data))


# --- files -----------------------------------------------------------------------------------------


@cache
def folder() -> Path:
    """A folder of this process; removed at its end."""
    made = tempfile.TemporaryDirectory(prefix="fuzz")
    _KEPT.append(made)
    return Path(made.name)


_KEPT: Final[list[tempfile.TemporaryDirectory[str]]] = []


def profile_file(data: bytes) -> None:
    """A profile's file: read, or refused by one of our errors in one line."""
    path = folder() / "profile.toml"
    path.write_bytes(data)
    refused(lambda: load_profile(path))


def job_sheet(data: bytes) -> None:
    """A job sheet: read, or refused by one of our errors in one line."""
    path = folder() / "sheet.toml"
    path.write_bytes(data)
    refused(lambda: read_sheet(path))


@cache
def a_logbook() -> bytes:
    """A small good logbook."""
    path = folder() / "good.logbook"
    with LogbookEntries(path, create=True):
        pass
    return path.read_bytes()


def logbook(data: bytes) -> None:
    """A logbook with some bytes overwritten, or a file that is none: opened, or refused."""
    path = folder() / "any.logbook"
    for other in folder().glob("any.logbook*"):
        other.unlink()
    if len(data) % 2:
        path.write_bytes(data)
    else:
        good = bytearray(a_logbook())
        for i in range(0, len(data) - 3, 4):
            good[int.from_bytes(data[i : i + 3], "little") % len(good)] = data[i + 3]
        path.write_bytes(bytes(good))
    refused(lambda: read_all(path))


def read_all(path: Path) -> None:
    """Open and ask for what commands ask for."""
    with LogbookReader(path) as reader:
        reader.sessions()
        reader.streams()
        reader.lowerings()


def refused(read: Callable[[], object]) -> None:
    """Run; one of our errors in one line is an answer, any other is not."""
    try:
        read()
    except LoggerError as error:
        said = str(error)
    else:
        return
    assert said
    assert "Traceback" not in said


TARGETS: Final[dict[str, tuple[Target, tuple[bytes, ...]]]] = {
    "binary": (binary, (b"\x40" + wire.on_serial(bytes(range(40))),)),
    "ascii": (ascii_lines, (b"\x20$D1,0,0,5*00\n$S1,1,2,3*00\n",)),
    "checked payload": (checked_payload, (b"\x10\x02\x00\x00\0\0\0\0" + bytes(8), b"\x11" * 40)),
    "packet": (packet, (b"\x0f\x10\x02\x00\x00\0\0\0\0" + bytes(8),)),
    "sig_force": (sig_force, (b"\x05\x07\x2c\x01\x02\x03\x04",)),
    "declared line": (declared_line, (b"\x1e" + line_bytes(7, 1.5) + line_bytes(9, 2.5),)),
    "declared frame": (declared_frame, (b"\x14" + frame_bytes(3, (1, 2, 3, 4)) * 3,)),
    "declared registers": (declared_registers, (b"\x05" + bytes(18),)),
    "declared notification": (declared_notification, (b"\x05" + bytes(18),)),
    "profile file": (
        profile_file,
        tuple(path.read_bytes() for path in (LINE, FRAME, REGISTERS, NOTIFIED)),
    ),
    "job sheet": (job_sheet, (SHEET.read_bytes(),)),
    "logbook": (logbook, (b"\x00\x00\x00\x01", b"SQLite format 3\x00" + bytes(101))),
}
"""Name -> what is thrown at, and what to begin from."""
