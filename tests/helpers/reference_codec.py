"""Slow, obvious twins of the chunk codecs: whole numbers and bytes, one at a time.

Comes in: lists of counts, or stored bytes. Goes out: stored bytes, or counts, as the
docstring of ``logger/logbook/codec.py`` says.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence


def steps_of(counts: Sequence[int], before: int = 0) -> list[int]:
    """Each count minus the one before, as signed number modulo 2³²."""
    steps = []
    for count in counts:
        steps.append((count - before + 2**31) % 2**32 - 2**31)
        before = count
    return steps


def in_planes(numbers: Sequence[int], size: int) -> bytes:
    """All lowest bytes, then all second bytes, up to byte ``size``."""
    return bytes((number >> 8 * place) & 0xFF for place in range(size) for number in numbers)


def out_of_planes(plain: bytes, n: int) -> list[int]:
    """Undo :func:`in_planes` of ``n`` numbers."""
    size = len(plain) // n if n else 0
    return [sum(plain[place * n + i] << 8 * place for place in range(size)) for i in range(n)]


def pack_1(counts: Sequence[int]) -> bytes:
    """As codec 1 stored counts."""
    return zlib.compress(in_planes([step % 2**32 for step in steps_of(counts)], 4), 1)


def pack_2(counts: Sequence[int]) -> bytes:
    """As codec 2 stores counts."""
    folded = [2 * s if s >= 0 else -2 * s - 1 for s in steps_of(counts[1:], counts[0])]
    size = (max(folded, default=0).bit_length() + 7) // 8
    planes = in_planes(folded, size)
    first = (counts[0] % 2**32).to_bytes(4, "little")
    if size > 1 and 8 * sum(number < 64 for number in folded) < len(folded):
        return first + b"\1" + planes[: len(folded)] + zlib.compress(planes[len(folded) :], 1)
    return first + b"\0" + zlib.compress(planes, 1)


def unpack_2(packed: bytes, n: int) -> list[int]:
    """Counts that codec 2 stored."""
    counts = [int.from_bytes(packed[:4], "little", signed=True)]
    begin = 5 + packed[4] * (n - 1)
    for folded in out_of_planes(packed[5:begin] + zlib.decompress(packed[begin:]), n - 1):
        step = -(folded + 1) // 2 if folded % 2 else folded // 2
        counts.append((counts[-1] + step + 2**31) % 2**32 - 2**31)
    return counts
