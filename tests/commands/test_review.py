"""``ropetally review``: table, JSON, figure and page of what was recorded."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from logbook_factory import Made, drop_force, make_logbook, release_force
from reviews import prepared, set_window

from analysis.errors import SourceError
from logger.commands.main import exit_code_of
from logger.commands.review import command


def run(made: Made, *arguments: str) -> Result:
    return CliRunner().invoke(command, [str(made.path), *arguments])


def said(made: Made, *arguments: str) -> str:
    result = run(made, *arguments)
    assert result.exception is None, result.exception
    return result.output


def as_json(made: Made, *arguments: str) -> dict[str, Any]:
    plain: dict[str, Any] = json.loads(said(made, *arguments, "--json"))
    return plain


def refused(made: Made, *arguments: str) -> tuple[str, int | None]:
    result = run(made, *arguments)
    assert result.exception is not None
    return str(result.exception), exit_code_of(result.exception)


def test_a_table_in_eighty_columns(tmp_path: Path) -> None:
    text = said(prepared(tmp_path), "1")
    assert max(map(len, text.splitlines())) <= 80
    assert text.startswith("Lowering 1: orchard/P1, snubbed drop\n")
    for heading in ("Measured\n", "Predicted, stored before", "Guesses\n", "Limits\n", "Remarks\n"):
        assert heading in text
    assert "never permission" in text


def test_last_is_the_default(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    assert said(made) == said(made, "last") == said(made, "2")
    assert said(made).startswith("Lowering 2")


def test_units(tmp_path: Path) -> None:
    text = said(prepared(tmp_path), "1", "--units", "lbf")
    assert " lbf" in text
    assert " kN" not in text


def test_json_is_the_contract(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    plain = as_json(made, "1", "--figure", str(tmp_path / "f.png"))
    assert plain["measured"]["hang_weight_n"] == pytest.approx(1500.0, rel=0.005)
    assert plain["predicted"]["peak_n"]["p05"] > 0
    assert plain["comparison"]["percentile"] >= 0
    assert plain["files"] == [str(tmp_path / "f.png")]
    every = as_json(made, "all")
    assert [found["lowering"] for found in every["lowerings"]] == [1, 2]
    assert every["refused"] == []


def test_figure_page_and_folder(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    out = tmp_path / "out"
    text = said(made, "all", "--out", str(out))
    assert sorted(path.name for path in out.iterdir()) == [
        "lowering-1.png",
        "lowering-2.png",
        "lowerings.html",
        "measured-predicted.png",
        "percentiles.png",
    ]
    assert f"written: {out / 'lowering-1.png'}" in text.replace("\n", "")
    files = {"--figure": "f.svg", "--ring": "ring.png", "--page": "season.html", "--out": "two"}
    said(made, "2", *(word for key, name in files.items() for word in (key, str(tmp_path / name))))
    assert (tmp_path / "season.html").is_file()
    assert [path.name for path in (tmp_path / "two").iterdir()] == ["lowering-2.png"]
    assert (tmp_path / "ring.png").is_file()
    assert (tmp_path / "f.svg").read_text(encoding="utf-8").startswith("<?xml")


def test_what_would_have_changed_it(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    text = said(made, "1", "--what-if")
    head, _, table = text.partition(
        "What would have changed it: the model says, other things equal"
    )
    assert "what would" not in head.lower()
    assert "as planned" in table
    assert "× (" in table
    assert "never permission" in table
    assert max(map(len, text.splitlines())) <= 80
    plain = as_json(made, "1", "--what-if")["what_if"]
    assert plain["label"] == "the model says, other things equal"
    assert len(plain["changes"]) > 3
    assert refused(made, "all", "--what-if")[0].startswith("--what-if takes one lowering")
    bare = make_logbook(tmp_path / "bare.logbook", [release_force()])
    assert "no prediction is stored" in refused(bare, "1", "--what-if")[0]


def test_all_of_them_in_one_table(tmp_path: Path) -> None:
    text = said(prepared(tmp_path), "all")
    head, first, second, *_ = text.splitlines()
    assert head.split() == ["no", "piece", "hang", "peak", "predicted", "ratio", "at", "remarks"]
    assert first.startswith("1   orchard/P1")
    assert second.startswith("2   orchard/P2")
    assert max(map(len, text.splitlines())) <= 80
    assert "ropetally review" in text


def test_one_that_cannot_be_read_does_not_hide_the_others(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    set_window(made, 2, 900_000, 900_100)
    text = said(made, "all")
    assert "caution: " in text
    assert "lowering 2 holds no samples" in text
    assert as_json(made, "all")["refused"]


def test_when_none_can_be_read_it_is_an_error(tmp_path: Path) -> None:
    made = make_logbook(tmp_path / "job.logbook", [drop_force()], scaling=False)
    for which in ("all", "1"):
        text, code = refused(made, which)
        assert "no calibration" in text
        assert "\n" not in text
        assert code == 2
    with pytest.raises(SourceError):
        CliRunner().invoke(command, [str(made.path), "1"], catch_exceptions=False)


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("7",), "no lowering 7; it holds 1, 2"),
        (("seven",), "give a lowering's number, or last"),
        (("all", "--figure", "x.png"), "give a folder: --out DIR"),
        (("1", "--figure", "x.pdf"), "a figure is .png or .svg"),
        (("all", "--ring", "x.png"), "--ring takes one lowering"),
        (("1", "--page", "x.pdf"), "a page is .html"),
    ],
)
def test_what_cannot_be_done_is_one_line(
    tmp_path: Path, arguments: tuple[str, ...], expected: str
) -> None:
    text, code = refused(prepared(tmp_path), *arguments)
    assert expected in text
    assert code in {2, 4}


@pytest.mark.parametrize("which", ["last", "all"])
def test_an_empty_logbook_says_what_is_next(tmp_path: Path, which: str) -> None:
    text, code = refused(make_logbook(tmp_path / "job.logbook", []), which)
    assert "it holds no lowerings yet" in text
    assert code == 4


def test_a_table_needs_no_matplotlib(tmp_path: Path) -> None:
    made = prepared(tmp_path, [release_force()], pieces=["P2"])
    code = (
        "import sys, json\nsys.argv = ['ropetally', 'review', sys.argv[1]]\n"
        "from logger.commands.main import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert not stop.code, stop.code\n"
        "print('\\n' + json.dumps(sorted({m.split('.')[0] for m in sys.modules})))"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(made.path)], check=True, capture_output=True, text=True
    )
    loaded = set(json.loads(done.stdout.splitlines()[-1]))
    assert {"matplotlib", "pandas"}.isdisjoint(loaded)


def test_the_page_of_one_lowering(tmp_path: Path) -> None:
    made = prepared(tmp_path)
    said(made, "1", "--page", str(tmp_path / "one.html"))
    assert "Lowering 2" not in (tmp_path / "one.html").read_text(encoding="utf-8")
