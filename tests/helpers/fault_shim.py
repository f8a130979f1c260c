"""The preload shim of ``tests/durability/fault_shim.c``: built once a run, planned, read.

Comes in: a plan as keywords. Goes out: the environment of a child under that plan, and the
calls that the shim logged. Linux with gcc only.
"""

from __future__ import annotations

import os
import struct
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

SOURCE = Path(__file__).resolve().parents[1] / "durability" / "fault_shim.c"
_HEAD = struct.Struct("<cHIq")


@cache
def shim() -> Path:
    """The compiled shim; built by the first who asks in a process."""
    folder = Path(tempfile.gettempdir()) / f"fault_shim_{os.getuid()}"
    folder.mkdir(exist_ok=True)
    built = folder / f"{os.getpid()}.so"
    flags = ["-shared", "-fPIC", "-O2", "-Wall", "-Wextra", "-Werror", "-pthread", "-ldl"]
    subprocess.run(["gcc", *flags, "-o", str(built), str(SOURCE)], check=True)
    final = folder / f"{SOURCE.stat().st_mtime_ns}.so"
    built.replace(final)
    return final


def plan_text(under: Path, **plan: object) -> str:
    """A plan for the shim; keys are those at the head of ``fault_shim.c``."""
    return ";".join([f"under={under}", *(f"{key}={value}" for key, value in plan.items())])


def environment(under: Path, **plan: object) -> dict[str, str]:
    """Environment of a child whose files below ``under`` are under that plan."""
    return {**os.environ, "LD_PRELOAD": str(shim()), "FAULT_PLAN": plan_text(under, **plan)}


@dataclass(frozen=True, slots=True)
class Call:
    """One logged call.

    ``kind``: C created, O opened and emptied, W written, S synced, T truncated (``offset``
    is the new size), L linked and R renamed (``data`` is the new name), U unlinked, F failed
    by plan and E by itself (``offset`` is errno, ``data`` what), A printed on standard
    output. All but C, O and A are numbered.
    """

    kind: str
    path: str
    offset: int
    data: bytes


def calls(log: Path) -> Iterator[Call]:
    """The logged calls, in order; a torn last one is left out."""
    raw, at = log.read_bytes(), 0
    while at + _HEAD.size <= len(raw):
        kind, n_path, n_data, offset = _HEAD.unpack_from(raw, at)
        at += _HEAD.size
        path, data = raw[at : at + n_path], raw[at + n_path : at + n_path + n_data]
        at += n_path + n_data
        if at > len(raw):
            return
        yield Call(kind.decode(), path.decode(), offset, data)
