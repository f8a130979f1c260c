"""The demo, run as a user runs it: measured against the hidden truth, which it never reads."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from logger.commands.demo import LOWERINGS, SEASON_PEAKS, SEASON_RULES, prepare, program
from logger.errors import InputError

pytestmark = [pytest.mark.slow, pytest.mark.whole_machine, pytest.mark.timeout(300)]
HEAVIER = 1.2


def reviews(folder: Path) -> list[dict[str, Any]]:
    found = []
    for number in range(1, LOWERINGS + 1):
        done = subprocess.run(
            [*program(), "review", "demo.logbook", str(number), "--json"],
            cwd=folder, check=True, capture_output=True, text=True,
        )  # fmt: skip
        found.append(json.loads(done.stdout))
    return found


@pytest.fixture(scope="module")
def demos(tmp_path_factory: pytest.TempPathFactory) -> dict[float, Path]:
    """Two demos at once, one with pieces 20 % heavier than the other's."""
    folders = {factor: tmp_path_factory.mktemp("demo") / "out" for factor in (1.0, HEAVIER)}
    plain = {name: value for name, value in os.environ.items() if not name.startswith("COV")}
    running = [
        subprocess.Popen(
            [*program(), "demo", "--out", str(folder), "--weight-factor", str(factor)],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, env=plain,
        )
        for factor, folder in folders.items()
    ]  # fmt: skip
    for child in running:
        output, _ = child.communicate(timeout=240)
        assert child.returncode == 0, output
    return folders


@pytest.fixture(scope="module")
def truth(demos: dict[float, Path]) -> list[dict[str, Any]]:
    text = (demos[1.0] / "simulated_truth.json").read_text(encoding="utf-8")
    lowerings: list[dict[str, Any]] = json.loads(text)["lowerings"]
    return lowerings


@pytest.fixture(scope="module")
def reviewed(demos: dict[float, Path], truth: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Reviews made after the truth was read by the test and deleted."""
    before = reviews(demos[1.0])
    (demos[1.0] / "simulated_truth.json").unlink()
    after = reviews(demos[1.0])
    assert before == after
    return after


def test_leaves_a_logbook_a_figure_per_lowering_and_a_page(demos: dict[float, Path]) -> None:
    folder = demos[1.0]
    assert (folder / "demo.logbook").stat().st_size > 100_000
    for number in range(1, LOWERINGS + 1):
        assert (folder / f"lowering-{number}.png").read_bytes().startswith(b"\x89PNG")
    page = (folder / "lowerings.html").read_text(encoding="utf-8")
    assert page.count("<img") >= LOWERINGS
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert "https://" not in page
    assert "INVENTED" in page.upper()


def test_the_rules_of_the_season_are_drawn(demos: dict[float, Path]) -> None:
    for folder in demos.values():
        for name in (SEASON_RULES, SEASON_PEAKS):
            assert (folder / name).read_bytes().startswith(b"\x89PNG")


def test_a_demo_is_never_overwritten(demos: dict[float, Path]) -> None:
    with pytest.raises(InputError, match="never overwritten"):
        prepare(demos[1.0])


def test_hang_weight_is_within_one_percent_of_the_truth(
    reviewed: list[dict[str, Any]], truth: list[dict[str, Any]]
) -> None:
    for found, true in zip(reviewed, truth, strict=True):
        measured = found["measured"]
        assert measured["hang_weight_n"] == pytest.approx(true["weight_n"], rel=0.01)


def test_peak_is_within_its_uncertainty_of_what_the_cell_saw(
    reviewed: list[dict[str, Any]], truth: list[dict[str, Any]]
) -> None:
    for found, true in zip(reviewed, truth, strict=True):
        measured = found["measured"]
        error = abs(measured["peak_n"] - true["seen"]["peak_filtered_n"])
        assert 0 < measured["peak_n_u"] < 0.05 * measured["peak_n"]
        assert error <= measured["peak_n_u"]


def test_release_kinds_are_read_rightly(
    reviewed: list[dict[str, Any]], truth: list[dict[str, Any]]
) -> None:
    kinds = [found["measured"]["release_kind"] for found in reviewed]
    assert kinds == [true["release_kind"] for true in truth]
    assert kinds == ["rise", "rise", "catch", "catch", "drop"]


def test_the_piece_that_jumps_has_its_largest_force_before_release(
    reviewed: list[dict[str, Any]], truth: list[dict[str, Any]]
) -> None:
    (number,) = (i for i, true in enumerate(truth) if true["share_at_release"] > 1.2)
    measured = reviewed[number]["measured"]
    assert measured["release_kind"] == "drop"
    assert measured["peak_phase"] == "pretension"
    assert measured["pretension_settled_n"] > 1.2 * measured["hang_weight_n"]
    assert measured["peak_n"] > measured["release_peak_n"]
    settled = truth[number]["pretension_settled_n"]
    assert measured["pretension_settled_n"] == pytest.approx(settled, rel=0.01)


def test_predictions_are_those_stored_before(reviewed: list[dict[str, Any]]) -> None:
    for found in reviewed:
        predicted = found["predicted"]
        assert predicted["made_before"] is True
        assert predicted["station"]
        for key in ("peak_n", "hang_weight_n"):
            band = predicted[key]
            assert 0 < band["p05"] < band["p50"] < band["p95"]
        comparison = found["comparison"]
        ratio = found["measured"]["peak_n"] / predicted["peak_n"]["p50"]
        assert comparison["log_ratio"] == pytest.approx(math.log(ratio), abs=0.05)
        assert 0 <= comparison["percentile"] <= 100


def test_heavier_pieces_move_the_measured_and_not_the_predicted(
    demos: dict[float, Path], reviewed: list[dict[str, Any]]
) -> None:
    for light, heavy in zip(reviewed, reviews(demos[HEAVIER]), strict=True):
        ratio = heavy["measured"]["hang_weight_n"] / light["measured"]["hang_weight_n"]
        assert ratio == pytest.approx(HEAVIER, rel=0.01)
        assert heavy["predicted"]["peak_n"] == light["predicted"]["peak_n"]
        assert heavy["predicted"]["hang_weight_n"] == light["predicted"]["hang_weight_n"]


def test_the_logbook_checks_out(demos: dict[float, Path]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "logger", "check", str(demos[1.0] / "demo.logbook"), "--json"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    report = json.loads(done.stdout)
    assert report["ok"] is True
    (stream,) = report["streams"]
    assert stream["samples"] > 30_000
    assert stream["gaps"] == 0
