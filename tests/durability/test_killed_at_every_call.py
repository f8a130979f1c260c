"""Kill -9 at every numbered write, sync, truncation and name of a recording."""

from __future__ import annotations

import re
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from fault_child import Forks
from fault_shim import Call, calls
from recording_child import losses

from logger.logbook.check import check
from logger.logbook.writer import LogbookWriter

NUMBERED = {"W": "write", "S": "sync", "T": "truncate", "U": "unlink", "L": "link", "R": "rename"}


@pytest.fixture
def forks(tmp_path: Path) -> Iterator[Forks]:
    folder = tmp_path / "disk"
    folder.mkdir()
    with Forks(folder) as made:
        yield made


def sequence(forks: Forks, folder: Path, options: tuple[str, ...]) -> list[str]:
    """Kinds and names of the numbered calls of a recording that nothing disturbs."""
    log = folder / "calls"
    disk = folder / "disk"
    assert forks.record(disk / "a.logbook", *options, log=log).code == 0
    shutil.rmtree(disk)
    disk.mkdir()
    numbered = [call for call in calls(log) if call.kind in {*NUMBERED, "E"}]
    return [spelled(call, disk) for call in numbered]


def spelled(call: Call, disk: Path) -> str:
    kind = NUMBERED.get(call.kind) or call.data.decode()
    return plain(f"{kind} {call.path}", disk)


def plain(text: str, disk: Path) -> str:
    """Without the folder and the number of the process."""
    return re.sub(r"\.new-\d+", ".new", text.replace(str(disk), "")).strip()


def kill_at(forks: Forks, disk: Path, number: int, expected: str, options: tuple[str, ...]) -> int:
    """Die there, reopen, compare; how many streams had samples acknowledged."""
    path = disk / "a.logbook"
    torn = int(expected.startswith("write") and number % 2)
    ended = forks.record(path, *options, kill_at=number, torn=torn)
    assert ended.code == -signal.SIGKILL, f"call {number}: {ended}"
    assert plain(ended.place, disk) == f"{number} {expected}", "it died somewhere else"
    if path.exists():
        assert losses(path, ended.acks) == [], f"call {number}: {expected}"
    else:
        assert ended.acks == {}
    with LogbookWriter(path) as writer:  # it goes on, whatever was left
        assert writer.next_stream_id >= 1 + len(ended.acks)
    assert check(path).ok
    shutil.rmtree(disk)
    disk.mkdir()
    return len(ended.acks)


@pytest.mark.parametrize("checkpoint_s", ["0", "100"], ids=["folded in each time", "never"])
@pytest.mark.parametrize(
    "every", [pytest.param(1, marks=[pytest.mark.slow, pytest.mark.timeout(300)]), 17]
)
def test_kill_9_at_every_numbered_call(
    forks: Forks, tmp_path: Path, checkpoint_s: str, every: int
) -> None:
    options = ("--batches", "6", "--checkpoint-s", checkpoint_s)
    expected = sequence(forks, tmp_path, options)
    assert len(expected) > 120
    assert {text.split()[0] for text in expected} == set(NUMBERED.values()) - {"rename"}
    died_with_acks = [
        kill_at(forks, tmp_path / "disk", number, expected[number - 1], options)
        for number in range(1, len(expected) + 1, every)
    ]
    assert max(died_with_acks) == 3
    assert min(died_with_acks) == 0
