"""What a decoder gave, frame by frame: runs taken apart."""

from __future__ import annotations

from collections.abc import Iterable

from logger.decoders import Decoded
from logger.samples import SampleRun


def singly(decoded: Iterable[Decoded]) -> list[Decoded]:
    """The same readings with every run as its frames."""
    found: list[Decoded] = []
    for reading in decoded:
        if isinstance(reading, SampleRun):
            found += [reading.frame(i) for i in range(reading.n_frames)]
        else:
            found.append(reading)
    return found
