"""A disk after a power cut, from the logged calls of a recorder and a moment among them.

Comes in: calls of the shim, in order. Goes out: files as a disk may hold them: all that was
synced, and of the rest nothing, or each 512-byte sector and each truncation by a coin, and
as many of the unsynced names as a journalling file system may have kept: the first so many.

A name is synced by syncing its folder, contents by syncing the file; that is all that POSIX
promises, and less than ext4 keeps.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path

from fault_shim import Call

SECTOR = 512


@dataclass(slots=True)
class Contents:
    """What one file holds on the disk, and what only memory holds of it."""

    synced: bytearray = field(default_factory=bytearray)
    waiting: list[Call] = field(default_factory=list)

    def sync(self) -> None:
        for call in self.waiting:
            apply(self.synced, call)
        self.waiting.clear()

    def after_cut(self, coin: random.Random | None) -> bytearray:
        """What is left; without a coin nothing of what waits."""
        left = bytearray(self.synced)
        if coin is None:
            return left
        for call in self.waiting:
            for part in sectors(call):
                if coin.random() < 0.5:
                    apply(left, part)
        return left


def sectors(call: Call) -> list[Call]:
    """A write as writes of whole sectors; anything else as it is."""
    if call.kind != "W":
        return [call]
    parts, at = [], 0
    while at < len(call.data):
        n = SECTOR - (call.offset + at) % SECTOR
        parts.append(Call("W", call.path, call.offset + at, call.data[at : at + n]))
        at += n
    return parts


def apply(content: bytearray, call: Call) -> None:
    """Write or truncate; beyond the end come zeros."""
    if call.kind == "W":
        content.extend(bytes(max(0, call.offset - len(content))))
        content[call.offset : call.offset + len(call.data)] = call.data
        return
    size = call.offset if call.kind == "T" else 0
    content.extend(bytes(max(0, size - len(content))))
    del content[size:]


class Disk:
    """Follows the calls; can say at any moment what a cut would leave."""

    def __init__(self) -> None:
        self._now: dict[str, Contents] = {}
        self._synced: dict[str, Contents] = {}
        self._names: list[tuple[Call, Contents]] = []
        self.acks: dict[int, int] = {}

    def take(self, call: Call) -> None:
        """Take the next call."""
        if call.kind == "A":
            for line in call.data.decode().splitlines():
                if line.startswith("ack "):
                    _, stream, last = line.split()
                    self.acks[int(stream)] = int(last)
        elif call.kind in "WTO":
            self._now[call.path].waiting.append(call)
        elif call.kind == "S" and call.path in self._now:
            self._now[call.path].sync()
        elif call.kind == "S":
            for name, contents in self._names:
                rename(self._synced, name, contents)
            self._names.clear()
        elif call.kind in "CLRU":
            contents = Contents() if call.kind == "C" else self._now[call.path]
            self._names.append((call, contents))
            rename(self._now, call, contents)

    def cut(self, folder: Path, coin: random.Random | None) -> None:
        """Put what a cut leaves into an empty folder."""
        names = dict(self._synced)
        for call, contents in self._names[: coin.randint(0, len(self._names)) if coin else 0]:
            rename(names, call, contents)
        for path, contents in names.items():
            (folder / Path(path).name).write_bytes(contents.after_cut(coin))


def rename(names: dict[str, Contents], call: Call, contents: Contents) -> None:
    """Make, link, rename or remove a name."""
    if call.kind in "LR":
        names[call.data.decode()] = contents
    elif call.kind == "C":
        names[call.path] = contents
    if call.kind in "UR":
        names.pop(call.path, None)


def moments(log: Iterable[Call], coin: random.Random, n: int) -> list[int]:
    """Numbers of ``n`` random calls, in order, all different."""
    return sorted(coin.sample(range(len(list(log))), n))
