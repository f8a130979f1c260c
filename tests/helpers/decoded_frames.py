"""What a decoder gave, frame by frame: runs taken apart."""

from __future__ import annotations

from collections.abc import Iterable

from logger.decoders import Decoded
from logger.samples import Fault, InfoFrame, ReplyFrame, SampleFrame, SampleRun, StatusFrame

Single = SampleFrame | InfoFrame | ReplyFrame | StatusFrame | Fault


def singly(decoded: Iterable[Decoded]) -> list[Single]:
    """The same readings with every run as its frames."""
    found: list[Single] = []
    for reading in decoded:
        if isinstance(reading, SampleRun):
            found += [reading.frame(i) for i in range(reading.n_frames)]
        else:
            found.append(reading)
    return found
