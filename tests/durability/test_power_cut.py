"""Simulated power cuts: logged calls replayed to random moments, unsynced sectors by a coin."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest
from fault_child import Forks
from fault_shim import Call, calls
from power_cut import Disk, moments
from recording_child import losses

from logger.logbook.check import check
from logger.logbook.reader import LogbookReader
from logger.logbook.writer import LogbookWriter


def traced(tmp_path: Path, *options: str) -> list[Call]:
    """Calls of a recording, two sessions long, that ends well."""
    disk, log = tmp_path / "disk", tmp_path / "calls"
    disk.mkdir()
    with Forks(disk) as forks:
        for _ in range(2):
            assert forks.record(disk / "a.logbook", *options, log=log).code == 0
    return list(calls(log))


def cut_again_and_again(
    tmp_path: Path, log: list[Call], n: int, seed: int
) -> tuple[list[str], int]:
    """What was lost at ``n`` random moments, and at how many of them samples were owed."""
    coin = random.Random(seed)
    chosen = set(moments(log, coin, n))
    disk, found, owed = Disk(), [], 0
    for number, call in enumerate(log):
        disk.take(call)
        if number not in chosen:
            continue
        owed += bool(disk.acks)
        for keep in (None, coin):
            folder = tmp_path / "after"
            folder.mkdir()
            disk.cut(folder, keep)
            found += [f"cut after call {number}: {text}" for text in left(folder, disk.acks)]
            shutil.rmtree(folder)
    return found, owed


def left(folder: Path, acks: dict[int, int]) -> list[str]:
    """What a folder after a cut does not hold as it must; it must take a recording again."""
    path = folder / "a.logbook"
    if not path.exists():
        return [f"no file, but acknowledged {acks}"] if acks else []
    found = losses(path, acks)
    LogbookWriter(path).close()
    return found + [str(problem) for problem in check(path).problems]


@pytest.mark.parametrize(
    "n", [pytest.param(60, marks=[pytest.mark.slow, pytest.mark.timeout(300)]), 8]
)
@pytest.mark.parametrize("checkpoint_s", ["0.02", "100"])
def test_a_power_cut_loses_nothing_that_was_acknowledged(
    tmp_path: Path, n: int, checkpoint_s: str
) -> None:
    log = traced(tmp_path, "--batches", "25", "--checkpoint-s", checkpoint_s)
    found, owed = cut_again_and_again(tmp_path, log, n, seed=n)
    assert found == []
    assert owed >= n / 2


def test_a_power_cut_right_after_a_short_write_keeps_it(tmp_path: Path) -> None:
    disk, path, log = tmp_path / "disk", tmp_path / "disk" / "a.logbook", tmp_path / "calls"
    disk.mkdir()
    with Forks(disk) as forks:
        assert forks.record(path, "--batches", "2", log=log).code == 0
        assert forks.record(path, "--notes", "6", log=log).code == 0
    coin, after, n_cuts = random.Random(5), Disk(), 0
    for call in calls(log):
        after.take(call)
        if call.kind != "A" or 0 not in after.acks:
            continue
        n_cuts += 1
        for keep in (None, coin, coin):
            folder = tmp_path / "after"
            folder.mkdir()
            after.cut(folder, keep)
            with LogbookReader(folder / "a.logbook") as reader:
                held = [str(n) for n in range(1, 7) if reader.versions("note", str(n))]
            assert held == [str(n) for n in range(1, after.acks[0] + 1)]
            shutil.rmtree(folder)
    assert n_cuts == 6


def test_without_full_sync_the_same_cuts_lose_samples(tmp_path: Path) -> None:
    # The test above with its protection removed.
    log = traced(tmp_path, "--batches", "25", "--checkpoint-s", "100", "--sync-normal")
    found, _ = cut_again_and_again(tmp_path, log, 8, seed=8)
    assert any("acknowledged" in text for text in found)
