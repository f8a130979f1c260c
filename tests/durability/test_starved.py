"""A disk that takes no more: told clearly, and all acknowledged can be read."""

from __future__ import annotations

from pathlib import Path

import pytest
from recording_child import Recording, losses

from logger.logbook.check import check


@pytest.mark.parametrize(
    "checkpoint_s", ["100", "0.05"], ids=["the journal is full", "the file is full"]
)
def test_a_file_size_limit(tmp_path: Path, checkpoint_s: str) -> None:
    path = tmp_path / "a.logbook"
    options = ("--largest-file", "250000", "--checkpoint-s", checkpoint_s)
    with Recording(path, *options) as recording:
        assert recording.end() == 4
    assert recording.n_acks > 10
    assert recording.last_line.startswith("LogbookWriteError: ")
    for part in (str(path), "recording stopped", "is kept", "make room", "ropetally check"):
        assert part in recording.last_line
    assert losses(path, recording.acks) == []
    assert not check(path).sessions[0].closed
    with Recording(path, "--batches", "5") as later:  # with room again, it goes on
        assert later.end() == 0
    assert losses(path, recording.acks | later.acks) == []
